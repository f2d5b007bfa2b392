"""The record as PDF, as a user gets it from the command and as a reader finds it with other tools."""

from __future__ import annotations

import re
import subprocess
import sys
from collections import Counter
from operator import sub
from pathlib import Path

import pytest
from PIL import Image

from tests.cli.conftest import benchlog
from tests.report import samples
from tests.report.pages import page_of
from tests.report.written import imported

PARTS = [
    "Summary",
    "Conditions and instruments",
    "Results by band",
    "The session in time",
    "Key-downs",
    "Findings",
    "How the numbers were found",
    "Cautions",
    "Uncertainty budgets",
    "Appendix: the files this record rests on",
    "Digest of the raw readings",
]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record as PDF for Letter, with its HTML beside it."""
    folder = tmp_path_factory.mktemp("pdf")
    store = imported(folder, samples.one_band())
    done = benchlog(
        "report", "last", "--store", store, "--html", folder / "r.html", "--pdf", folder / "r.pdf", "--paper", "letter"
    )
    assert done.returncode in (0, 1), done.stderr
    assert done.stdout.count("written to") == 2
    assert done.stderr == ""
    return folder / "r.pdf"


def tool(*words: object) -> str:
    return subprocess.run([*map(str, words)], capture_output=True, text=True, check=True).stdout


def test_the_parts_stand_in_their_order_in_every_record() -> None:
    for sample in (samples.one_band, samples.rich):
        headings = re.findall(r"<h2 id=[^>]*>([^<]*)</h2>", page_of(sample))
        assert [heading for heading in headings if heading in PARTS] == PARTS


def test_the_pdf_has_the_same_parts_on_numbered_pages_of_the_paper_asked_for(written: Path) -> None:
    text = tool("pdftotext", "-layout", written, "-")
    at = [re.search(rf"^[ \f]*{re.escape(part)}$", text, re.MULTILINE) for part in PARTS]
    assert None not in at, PARTS[at.index(None)]
    assert [found.start() for found in at if found] == sorted(found.start() for found in at if found)
    for name in ("bench.toml", "plan.toml"):  # set in columns over pages, and not a line lost
        lines = (written.parent / name).read_text().splitlines()
        assert [line for line in lines if line.strip() not in text] == []
    pages = text.rstrip("\f").split("\f")
    for number, page in enumerate(pages, 1):
        assert f"{number} of {len(pages)}" in page
    info = tool("pdfinfo", written)
    assert "612 x 792 pts (letter)" in info
    assert re.search(r"Tagged: +yes", info)
    digest = re.search(r'<dd class="digest">(\w{64})</dd>', written.with_suffix(".html").read_text())
    assert digest
    assert text.count(digest[1]) == 2
    assert f"raw readings {digest[1][:16]}" in pages[-1]


def test_figures_are_drawn_in_their_colours(written: Path, tmp_path: Path) -> None:
    """WeasyPrint does not look up a page's variables inside of SVG, and would draw all of it black."""
    tool("pdftoppm", "-r", "50", "-png", written, tmp_path / "page")
    seen: Counter[tuple[int, int, int]] = Counter()
    for path in tmp_path.glob("*.png"):
        with Image.open(path) as image:
            seen.update({colour: n for n, colour in image.convert("RGB").getcolors(1 << 24)})
    for name, hexed in (("keyed", "ebe7dd"), ("window", "ded8c8")):  # areas: lines are mixed with the paper
        wanted = tuple(int(hexed[i : i + 2], 16) for i in (0, 2, 4))
        assert sum(n for one, n in seen.items() if max(map(abs, map(sub, one, wanted))) <= 2) > 200, name


def test_without_the_extra_the_user_is_told_what_to_install(written: Path) -> None:
    code = "import sys; sys.modules['weasyprint'] = None; from benchlog.cli import main; main()"
    store, path = written.parent / "s.benchlog", written.parent / "none.pdf"
    words = ["report", "--store", str(store), "--pdf", str(path)]
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "pip install 'benchlog[pdf]'" in done.stderr
    assert not path.exists()


def test_paper_without_pdf_is_refused(written: Path) -> None:
    done = benchlog("report", "--store", written.parent / "s.benchlog", "--paper", "a4", status=2)
    assert "Give it together with --pdf." in done.stderr
