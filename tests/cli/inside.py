"""`benchlog` inside the tests' own process, for tests that say a great many words to it."""

from __future__ import annotations

import io
import sys
from contextlib import chdir, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchlog.cli import main


@dataclass(frozen=True)
class Said:
    """Named as those of ``subprocess.CompletedProcess``."""

    stdout: str
    stderr: str
    returncode: object


def inside(*words: object, folder: Path | None = None, status: int | None = None) -> Said:
    """What its main program says to these words, in a folder; the exit status is the one expected."""
    out, err = io.StringIO(), io.StringIO()
    with chdir(folder or Path.cwd()), redirect_stdout(out), redirect_stderr(err), pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["benchlog", *map(str, words)])
        patch.setenv("COLUMNS", "160")  # wide, so that no sentence is folded
        with pytest.raises(SystemExit) as ended:
            main()
    assert "a fault in benchlog itself" not in err.getvalue(), err.getvalue()
    assert status is None or ended.value.code == status, err.getvalue()
    return Said(out.getvalue(), err.getvalue(), ended.value.code)
