"""The mark a worker leaves while it is at a job, so that a job that kills its worker is known by it."""

from __future__ import annotations

import faulthandler
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import msgspec

from pipeline.artifacts import JobPlace
from pipeline.batch.time_limit import WAITING
from pipeline.errors import Reason

DEATHS_ALLOWED: Final = 1  # a second death of the worker at the same stage of the same job holds the job
GRACE: Final = 10.0  # what work in compiled code gets beyond its time limit before the process is ended [s]
_MARK: Final = "at_work"


class Mark(msgspec.Struct, frozen=True, kw_only=True):
    """Who is at a job.

    Parameters
    ----------
    run : str
        The run it belongs to.
    stage : str
    deaths : int
        How often a worker of this run already died at it.
    """

    run: str
    stage: str
    deaths: int = 0


def death_reason(place: JobPlace, run: str, stage: str) -> Reason | None:
    """Return why the job has to be held when workers died at this stage of it, or None when it may be tried."""
    mark, hung = _read(place)
    if mark is None or mark.stage != stage:
        return None
    if hung:
        return _hung(stage)
    if mark.run == run and mark.deaths >= DEATHS_ALLOWED:
        return _died(stage, mark.deaths + 1)
    return None


@contextmanager
def at_work(place: JobPlace, run: str, stage: str, seconds: float) -> Iterator[None]:
    """Mark the job as being worked on; ends the process when the work overstays its `seconds` [s] by far.

    The mark goes when the work ends, well or not, and stays when the process dies.  Deaths of an earlier run do not count: then
    it was the run that was killed.
    """
    mark, _ = _read(place)
    deaths = mark.deaths + 1 if mark is not None and (mark.run, mark.stage) == (run, stage) else 0
    path = place.work / _MARK
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb", buffering=0) as file:
        file.write(msgspec.json.encode(Mark(run=run, stage=stage, deaths=deaths)) + b"\n")
        faulthandler.dump_traceback_later(WAITING * seconds + GRACE, exit=True, file=file)
        try:
            yield
        finally:
            faulthandler.cancel_dump_traceback_later()
            path.unlink(missing_ok=True)


def forget(place: JobPlace) -> None:
    """Take a job's mark away."""
    (place.work / _MARK).unlink(missing_ok=True)


def _read(place: JobPlace) -> tuple[Mark | None, bool]:
    """Return the mark and whether the watchdog wrote below it that the work hung."""
    try:
        first, _, rest = (place.work / _MARK).read_bytes().partition(b"\n")
        return msgspec.json.decode(first, type=Mark), bool(rest.strip())
    except (FileNotFoundError, msgspec.DecodeError):
        return None, False


def _hung(stage: str) -> Reason:
    return Reason(
        ref="time-limit",
        what=f"the stage {stage} did not come back within its time limit and was ended",
        why="one job may not hold up the night",
        do="look whether the survey is far larger than a pool's; else raise stage_seconds under [limits] in shop.toml",
    )


def _died(stage: str, deaths: int) -> Reason:
    return Reason(
        ref="worker-died",
        what=f"the process working on the stage {stage} died {deaths} times on this job",
        why="it was killed from outside, mostly for want of memory, or it crashed in compiled code",
        do="run the job alone with `sleeveline job`; if it dies again, report it with the job's folder",
    )


def died_twice(stage: str, how: str) -> Reason:
    """Return the reason to hold a job whose own process died on it twice."""
    return Reason(
        ref="worker-died",
        what=f"the process working on the stage {stage} died twice: {how}",
        why="it was killed from outside, mostly for want of memory, or it crashed in compiled code",
        do="run the job again on a machine with more memory free; if it dies again, report it with the job's folder",
    )


def stage_at_work(place: JobPlace) -> tuple[str, bool] | None:
    """Return the stage a dead worker was at, and whether it hung; None when it left no mark."""
    mark, hung = _read(place)
    return (mark.stage, hung) if mark else None


def hung_reason(stage: str) -> Reason:
    """Return the reason to hold a job whose stage did not come back."""
    return _hung(stage)


def mark_path(place: JobPlace) -> Path:
    """Return where a job's mark lies."""
    return place.work / _MARK
