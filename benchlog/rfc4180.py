"""CSV (RFC 4180) as people hand it over: records with the lines they begin on, and what is wrong with a header."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator, Sequence

from benchlog.files import nearest


def records(text: Iterable[str], broken: Callable[[int, str], None]) -> Iterator[tuple[int, list[str]]]:
    """Each record with the line it begins on; lines without anything on them are passed over.

    Where it is no CSV the records end, and ``broken`` is told the line and why.
    """
    reader = csv.reader(text, strict=True)
    line = 1
    try:
        for record in reader:
            if record:
                yield line, record
            line = reader.line_num + 1
    except csv.Error as exc:
        broken(line, f"not CSV as RFC 4180 has it, and nothing after it was read: {exc}")


def header_faults(
    names: Sequence[str], known: Sequence[str], optional: Sequence[str] = ()
) -> Iterator[tuple[str, str]]:
    """(column, what is wrong) of each column that is not known, or there twice, or missing ("" then)."""
    if len(names) == 1 and (parted := next((by for by in ";\t" if known[0] in names[0].split(by)), None)):
        by = {";": "semicolons", "\t": "tabs"}[parted]
        yield names[0], f"columns are parted by {by}; save it with commas between them, and points in the numbers"
        return
    for i, name in enumerate(names):
        if name not in known:
            yield name, f"{'unknown column' if name else 'a column without a name'}{nearest(name, known)}"
        elif name in names[:i]:
            yield name, "this column is there twice"
    layout = "".join(f"[,{name}]" if name in optional else f",{name}" for name in known).removeprefix(",")
    for name in known:
        if name not in names and name not in optional:
            yield "", f'the column "{name}" is missing; the header is {layout}'
