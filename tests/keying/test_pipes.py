"""What the guard says, over a pipe."""

from __future__ import annotations

import json
import os

from hypothesis import given
from hypothesis import strategies as st

from benchlog.keying.pipes import Reports


@given(st.builds(lambda text, times: text * times, st.text(min_size=1, max_size=20), st.integers(0, 2000)))
def test_whatever_a_box_says_a_report_is_one_line_of_json(why: str) -> None:
    """A relay that floods its line is quoted in why the line failed; cut anywhere else, nobody could read it."""
    out, into = os.pipe()
    try:
        Reports(into).say(line="lost", why=why)
        said = os.read(out, 65536)
    finally:
        os.close(out)
        os.close(into)
    assert len(said) <= 4096, "goes whole or not at all"
    assert said.endswith(b"\n")
    told = json.loads(said)
    assert told["line"] == "lost"
    assert why.startswith(told["why"].removesuffix(" ..."))
