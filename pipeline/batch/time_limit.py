"""A time limit on a stretch of work, for work that never asks the clock."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class TimeLimitError(BaseException):
    """The time was up.  Not an Exception: no stage may catch it by accident."""


@contextmanager
def time_limit(seconds: float) -> Iterator[None]:
    """Raise `TimeLimitError` in the work when it takes longer than `seconds` [s].

    Notes
    -----
    By the interval timer of the process, so for the main thread only; work that stays in compiled code is interrupted when
    it returns from there.
    """
    earlier = signal.signal(signal.SIGALRM, _time_is_up)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, earlier)


def _time_is_up(number: int, frame: FrameType | None) -> None:
    raise TimeLimitError
