"""Where a daemon leaves its token."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from benchlog.daemon.place import Place, announced, find
from benchlog.errors import BenchFailed

PLACE = Place(port=21899, pid=1, token="t", store="s", page="p")  # of no daemon


def test_only_its_user_can_read_the_token(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    before = os.umask(0)  # whatever it is
    try:
        with announced(PLACE) as path:
            assert stat.S_IMODE(path.stat().st_mode) == 0o600
            assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
            assert find(PLACE.port).token == PLACE.token
        assert not path.exists()
    finally:
        os.umask(before)


def test_another_users_folder_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.setattr(os, "getuid", lambda: 4711)
    with pytest.raises(BenchFailed, match="another user's"), announced(PLACE):
        pass
