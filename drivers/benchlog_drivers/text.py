"""Lines of text to numbers by a pattern of named groups, without I/O."""

from __future__ import annotations

import math
import re
from typing import Annotated

from pydantic import AfterValidator

from benchlog.driver import BadReply
from benchlog_drivers import ieee488


def _with_groups(text: str) -> str:
    try:
        groups = re.compile(text, re.ASCII).groupindex
    except re.error as exc:
        raise ValueError(f"not a pattern (regular expression): {exc}") from None
    if not groups:
        raise ValueError("a pattern needs a named group for each number, like (?P<power>\\S+)")
    return text


GroupPattern = Annotated[str, AfterValidator(_with_groups)]
"""A regular expression with at least one named group; it must match a whole line."""


def fields(line: str, pattern: str, over_range: str = "") -> dict[int | str, float]:
    """The numbers in a line, by the names of the pattern's groups; groups that took no part are left out.

    Args:
        pattern: matches the whole line, blanks at its ends aside: part of a number is not a number.
        over_range: what stands in a number's place where the instrument is over range; "" for nothing.

    Raises:
        BadReply: a line the pattern does not match, or a group that holds no number.
    """
    found = re.fullmatch(pattern, line.strip(ieee488.BLANKS), re.ASCII)
    if found is None:
        raise BadReply("the pattern does not match", said=line)
    texts = {name: text.strip(ieee488.BLANKS) for name, text in found.groupdict().items() if text is not None}
    return {
        name: math.inf if over_range and text == over_range else _number(text, line) for name, text in texts.items()
    }


def _number(text: str, line: str) -> float:
    try:
        return ieee488.number(text)
    except BadReply as exc:
        raise BadReply(f"{exc.what}: {text!r}", said=line) from None
