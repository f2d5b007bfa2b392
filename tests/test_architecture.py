"""The house as DEVELOPERS.md draws it: imports point one way, modules stay short."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import LONGEST

ROOT = Path(__file__).parent.parent
BLOCKS = re.findall(r"^```(\w*)\n(.*?)\n```$", (ROOT / "DEVELOPERS.md").read_text(), re.DOTALL | re.MULTILINE)
MAP, ARROW = [text for language, text in BLOCKS if not language]
# Lower may not know higher; packages on one level do not know each other.
LEVEL_OF = {name: level for level, names in enumerate(reversed(ARROW.split(" -> "))) for name in names.split(", ")}


def modules(package: Path) -> list[Path]:
    return sorted(p for p in package.rglob("*.py"))


def imported(path: Path) -> set[str]:
    """Every module imported anywhere in a file, also inside functions; relative imports are not used here."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(str(node.module))
            if node.module == "benchlog":
                found |= {f"benchlog.{alias.name}" for alias in node.names}
    return found


@pytest.mark.parametrize("path", modules(ROOT / "benchlog"), ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_point_one_way(path: Path) -> None:
    parts = path.relative_to(ROOT / "benchlog").with_suffix("").parts
    own = LEVEL_OF.get(parts[0], -1)  # benchlog itself knows nothing of its parts
    for name in imported(path):
        if not name.startswith("benchlog.") or (target := name.split(".")[1]) == "__version__":
            continue
        assert target == parts[0] or LEVEL_OF[target] < own, f"{parts[0]} may not import {name}"


def test_the_map_names_every_module_and_folder_and_no_other() -> None:
    drawn = [name for line in MAP.splitlines() if line.startswith("  ") for name in re.findall(r"\S+", line[:21])]
    found = {p.name + "/" * p.is_dir() for p in (ROOT / "benchlog").iterdir() if not p.name.startswith("__")}
    assert sorted(drawn) == sorted(found)
    assert {name.rstrip("/").removesuffix(".py") for name in drawn} | {"__main__"} == set(LEVEL_OF)
    outside = {line.split("/")[0] for line in MAP.splitlines() if not line.startswith(" ")}
    assert outside == {"benchlog", "drivers", "config", "scripts", "tests"}
    assert all((ROOT / folder).is_dir() for folder in outside)


def test_the_map_names_every_script_and_every_folder_of_tests() -> None:
    rest = MAP[MAP.index("\nscripts/") :]
    scripts = [path.name for path in (ROOT / "scripts").iterdir() if path.is_file() and not path.suffix]
    assert [name for name in scripts if not re.search(rf"\b{name}\b", rest)] == []
    folders = {path.parent.name for path in (ROOT / "tests").glob("*/__init__.py")}
    mirrored = {path.name for path in (ROOT / "benchlog").iterdir()} | {"drivers"}
    assert {name for name in folders - mirrored if f"{name}/" not in rest} == set()


def test_benchlog_never_imports_the_drivers() -> None:
    for path in modules(ROOT / "benchlog"):
        assert not any(name.split(".")[0] == "benchlog_drivers" for name in imported(path)), path


def test_drivers_use_only_what_a_strangers_driver_may() -> None:
    allowed = {"benchlog.driver", "benchlog.files", "benchlog.quantities", "benchlog.model"}
    for path in modules(ROOT / "drivers"):
        used = {name for name in imported(path) if name.split(".")[0] == "benchlog"}
        assert used <= allowed, f"{path}: {used - allowed}"


def test_no_test_leans_on_another() -> None:
    """What several use stands in a module of its own."""
    for path in modules(ROOT / "tests"):
        assert not any(".test_" in name for name in imported(path)), path


def test_what_runs_first_or_alone_is_there() -> None:
    named = re.findall(r"\btests/[\w/]+(?:\.py)?", (ROOT / "scripts/test").read_text())
    assert len(named) > 3
    assert [name for name in (*LONGEST, *named) if not (ROOT / name).exists()] == []


def test_every_folder_says_what_lives_there() -> None:
    for folder in [p for p in (ROOT / "benchlog").rglob("*") if p.is_dir() and any(p.glob("*.py"))]:
        doc = ast.get_docstring(ast.parse((folder / "__init__.py").read_text()))
        assert doc, folder


def test_nothing_tracked_is_a_link() -> None:
    """One to an environment of one's own, merged, takes the place of everybody's: git lets go of what is ignored."""
    listed = subprocess.run(["git", "ls-files", "-s"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert [line for line in listed.splitlines() if line.startswith("120000")] == []


def test_modules_stay_short() -> None:
    long = {str(p): n for p in modules(ROOT) if ".venv" not in p.parts and (n := len(p.read_text().splitlines())) > 500}
    assert not long


def test_help_loads_nothing_heavy() -> None:
    """`benchlog --help` stays quick because none of these is imported for it (measured by scripts/bench)."""
    heavy = "numpy scipy matplotlib pyarrow pydantic pyvisa serial sqlite_utils rich jinja2 quantiphy fastapi uvicorn "
    heavy += "apscheduler plotly weasyprint"
    code = (
        "import sys; sys.argv=['benchlog','--help']\n"
        "from benchlog.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        f"loaded = sorted(set('{heavy}'.split()) & set(sys.modules)); sys.exit(' '.join(loaded) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "sweep" in done.stdout
