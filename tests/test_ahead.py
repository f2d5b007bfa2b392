"""What a command needs anyhow is loaded while a large store is read, and once."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from benchlog import ahead
from benchlog.store import bulk
from benchlog.store.reader import StoreReader
from tests.store.samples import begin, good


@pytest.fixture
def wanted(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[str]:
    """Two modules that nobody has loaded; what is loaded of them, in order, as they themselves say."""
    loaded: list[str] = []
    monkeypatch.setattr(sys, "loaded_ahead", loaded, raising=False)
    monkeypatch.syspath_prepend(tmp_path)
    for name in ("ahead_first", "ahead_second"):
        (tmp_path / f"{name}.py").write_text("import sys\nsys.loaded_ahead.append(__name__)\n")
        monkeypatch.delitem(sys.modules, name, raising=False)
    ahead.want("ahead_first", "ahead_second")
    return loaded


def test_while_a_large_store_is_read(wanted: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    w = begin(tmp_path / "a.benchlog")
    w.put(good(1))
    w.end("done")
    reader = StoreReader.open(tmp_path / "a.benchlog")
    channels = reader.session("last").channels
    reader.each(channels, lambda raw: None)
    assert wanted == [], "a small one is read sooner than anything is loaded"
    monkeypatch.setattr(bulk, "_SMALL", 0)
    taken: list[list[str]] = []
    reader.each(channels, lambda raw: taken.append(list(wanted)))
    assert taken[0] == ["ahead_first", "ahead_second"], "before the first channel is looked at"
    reader.each(channels, lambda raw: None)
    assert wanted == ["ahead_first", "ahead_second"], "and once"
