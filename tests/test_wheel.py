"""What is installed is what is here: one wheel with the program, its drivers, and the files they read."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).parent.parent


def test_one_wheel_holds_everything(tmp_path: Path) -> None:
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
        (points,) = [name for name in names if name.endswith("entry_points.txt")]
        announced = archive.read(points).decode()
    here = {
        str(path.relative_to(base))
        for base, package in ((ROOT, "benchlog"), (ROOT / "drivers", "benchlog_drivers"))
        for path in (base / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert here <= names
    assert not [name for name in names if name.startswith(("tests/", "scripts/", "config/"))]
    for line in ("benchlog = benchlog.cli:main", "scpi = ", "serial-text = ", "typed = "):
        assert line in announced
