"""Drivers by name: found late, checked, and with a reason where there is none."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from benchlog.acquire import registry

GOOD = '''
"""A good one.

More of it.
"""
from benchlog.driver import NoOptions
class Good:
    Options, polled = NoOptions, True
    def open(self): ...
    def ask(self, question): ...
    def close(self): ...
'''
Install = Callable[..., None]


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Install:
    """Leaves a distribution as an installer would."""

    def put(name: str, source: str, code: str) -> None:
        module = source.split(":")[0]
        (tmp_path / f"{module}.py").write_text(code)
        info = tmp_path / f"{module}-1.2.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 1.2\n")
        (info / "entry_points.txt").write_text(f"[benchlog.drivers]\n{name} = {source}\n")
        monkeypatch.delitem(sys.modules, module, raising=False)

    monkeypatch.syspath_prepend(str(tmp_path))
    return put


def test_a_driver_is_found_by_its_name(install: Install) -> None:
    install("good", "good_driver:Good", GOOD)
    found = registry.find("good")
    assert isinstance(found, type)
    assert found.__name__ == "Good"
    (told,) = [one for one in registry.installed() if one.name == "good"]
    assert told == registry.Installed("good", "good_driver:Good", "good_driver", "1.2", "A good one.", "")


def test_ours_are_found_the_same_way() -> None:
    ours = {one.name: one for one in registry.installed() if one.distribution == "benchlog"}
    assert {"scpi", "serial-text", "typed"} <= ours.keys()
    assert not any(one.reason for one in ours.values())
    assert all(one.summary for one in ours.values())
    assert isinstance(registry.find("serial-text"), type)


def test_an_unknown_name_is_met_with_the_nearest(install: Install) -> None:
    install("good", "good_driver:Good", GOOD)
    assert registry.find("goood") == 'no such driver is installed; did you mean "good"?'
    assert "known here: " in str(registry.find("zzzzzz"))
    assert "good" in str(registry.find("zzzzzz"))


@pytest.mark.parametrize(
    ("code", "reason"),
    [
        ("import no_such_module_here", "ModuleNotFoundError: No module named 'no_such_module_here'"),
        ("x = 1 / 0", "ZeroDivisionError: division by zero"),
        ("def broken(:", "SyntaxError"),
        ("", "AttributeError"),
        ("Bad = 3", "not a class"),
        ("class Bad: pass", "it has no open, ask, close"),
        (GOOD.replace("Good", "Bad").replace("NoOptions, True", "dict, True"), "Options must be"),
        (GOOD.replace("Good", "Bad").replace("NoOptions, True", "NoOptions, 1"), "polled must be"),
        (GOOD.replace("Good", "Bad").replace("def close", "def shut"), "it has no close"),
    ],
)
def test_one_that_cannot_be_used_keeps_its_reason(install: Install, code: str, reason: str) -> None:
    install("bad", "bad_driver:Bad", code)
    found = registry.find("bad")
    assert isinstance(found, str)
    assert found.startswith("cannot be loaded: ")
    assert reason in found
    (told,) = [one for one in registry.installed() if one.name == "bad"]
    assert reason in told.reason


def test_a_driver_is_imported_only_when_asked_for(install: Install) -> None:
    install("good", "good_driver:Good", GOOD)
    install("loud", "loud_driver:Loud", "raise RuntimeError('imported')")
    registry.find("good")
    assert "loud_driver" not in sys.modules
