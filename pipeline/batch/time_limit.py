"""A time limit on a stretch of work, for work that never asks the clock."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Final

WAITING: Final = 4.0  # how much longer than its computing time the work may take by the clock, on a busy machine [-]


class TimeLimitError(BaseException):
    """The time was up.  Not an Exception: no stage may catch it by accident."""


@contextmanager
def time_limit(seconds: float) -> Iterator[None]:
    """Raise `TimeLimitError` in the work when it computes for longer than `seconds` [s], or takes `WAITING` times that by the clock.

    The limit is on computing time, so that a job is not held because the machine had others to serve.

    Notes
    -----
    By the interval timers of the process, so for the main thread only; work that stays in compiled code is interrupted when
    it returns from there.
    """
    timers = {signal.SIGPROF: (signal.ITIMER_PROF, seconds), signal.SIGALRM: (signal.ITIMER_REAL, WAITING * seconds)}
    earlier = {number: signal.signal(number, _time_is_up) for number in timers}
    for timer, limit in timers.values():
        signal.setitimer(timer, limit)
    try:
        yield
    finally:
        for timer, _ in timers.values():
            signal.setitimer(timer, 0.0)
        for number, handler in earlier.items():
            signal.signal(number, handler)


def _time_is_up(number: int, frame: FrameType | None) -> None:
    raise TimeLimitError
