"""The short form of ``scripts/abuse``: each parser, some hundreds of bent inputs."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.abuse import page
from tests.abuse.targets import TARGETS, Target

EXAMPLES = 60
_PIECES = [
    b"9.9E37",
    b"-9.91E37",
    b"1e999",
    b"nan",
    b"inf",
    b"0x1",
    b"1_0",
    b"#",
    b"#9",
    b"\n",
    b"\r\n",
    b",",
    b";",
    b'"',
]
_PIECES += [b"\x00", b"\xff", b"\xef\xbb\xbf", b"[[", b"{}", b"null", b"-0", b"1e-400", b"9" * 400, b"[" * 300]


@st.composite
def bent(draw: st.DrawFn, seeds: tuple[bytes, ...]) -> bytes:
    """A seed with some of it cut out, doubled, or replaced."""
    data = draw(st.sampled_from(seeds))
    for _ in range(draw(st.integers(0, 4))):
        start = draw(st.integers(0, len(data)))
        stop = min(len(data), start + draw(st.integers(0, 12)))
        data = data[:start] + draw(st.sampled_from(_PIECES) | st.binary(max_size=6)) + data[stop:]
    return data


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_no_crash_and_no_value_of_garbage(target: Target) -> None:
    @given(data=bent(tuple(target.seeds)) | st.binary(max_size=60))
    @settings(max_examples=EXAMPLES, suppress_health_check=list(HealthCheck), derandomize=True)
    def abuse(data: bytes) -> None:
        target.check(data)

    try:
        for seed in target.seeds:
            target.check(seed)
        abuse()
    finally:
        page.close()
