"""Calls that end: what a library's own time-out misses is broken into, and what that misses ends the process."""

from __future__ import annotations

import faulthandler
import os
import signal
from collections.abc import Callable
from typing import TypeVar

from benchlog.keying.lines import LineFault

HUNG_S = 0.5  # beyond a call's limit the process is ended from outside Python
T = TypeVar("T")


class BrokenInto(LineFault):
    """The call did not end by itself. Whatever library it was in may be left halfway."""


class _Overdue(BaseException):
    """The timer's signal, thrown into a call. Not an Exception: libraries catch those and go on."""


_bounding = False


def overdue(number: int, frame: object) -> None:
    """What SIGALRM does in the guard."""
    if _bounding:
        raise _Overdue


def bounded(limit_s: float, call: Callable[[], T]) -> T:
    """A call of a line that ends. Raises BrokenInto when it did not do so by itself.

    ITIMER_REAL counts time as the monotonic clock does on Linux. It fires again and again, because the libraries
    have a few ``except:`` of their own.
    """
    global _bounding
    watch_over(limit_s + HUNG_S)
    try:
        _bounding = True
        signal.setitimer(signal.ITIMER_REAL, limit_s, 0.05)
        try:
            return call()
        finally:
            _bounding = False
            signal.setitimer(signal.ITIMER_REAL, 0)
    except _Overdue:
        _bounding = False
        signal.setitimer(signal.ITIMER_REAL, 0)
        raise BrokenInto(f"no end within {limit_s:.2g} s") from None


_NOWHERE = os.open(os.devnull, os.O_WRONLY)  # standard error may be a pipe that is full


def watch_over(limit_s: float) -> None:
    """End the process, whatever Python is doing, unless called again or off within that time."""
    faulthandler.dump_traceback_later(limit_s, exit=True, file=_NOWHERE)


def watch_no_more() -> None:
    """Nothing may be keyed: no call to ``watch_over`` is due."""
    faulthandler.cancel_dump_traceback_later()
