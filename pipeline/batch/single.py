"""One job through the line, in a child process of its own, so that nothing it does can take the command with it."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from typing import Final, NoReturn

import msgspec

from pipeline.batch.at_work import at_work, died_twice, forget, hung_reason, stage_at_work
from pipeline.batch.chunk import die_with_parent, tell
from pipeline.batch.code_digest import code_digests
from pipeline.batch.ledger import Entry, first_stale, read_ledger, stage_keys
from pipeline.batch.line import built_stages, enter, hold_at_intake, log_outcome, run_stage, write_status
from pipeline.batch.places import Places
from pipeline.batch.receive import Received
from pipeline.model.status import Status

_RUN: Final = "alone"  # the run's name in the mark a worker leaves


class _Trouble(msgspec.Struct, frozen=True, array_like=True):
    """What the machine refused the child: number, words, file."""

    number: int
    words: str
    file: str


def run_line(
    places: Places, job: str, received: Received, seconds: float, *, meanwhile: Callable[[], object] = lambda: None
) -> tuple[Status, tuple[str, ...]]:
    """Bring one job up to date, with at most `seconds` [s] a stage; returns its status and the stages that ran.  `meanwhile` is done here while a child runs them.

    Raises
    ------
    OSError
        When the machine is in trouble (disk full, no access).
    """
    place = places.job(job)
    if received.reasons:
        return hold_at_intake(place, received.reasons), ()
    stages = built_stages()
    keys = stage_keys(received.key, code_digests(stages), received.returned)
    stale = first_stale(place, read_ledger(place), keys)
    if stale is None:
        return write_status(place, read_ledger(place)), ()
    first = stages.index(stale[0])
    ending = _in_a_child(places, job, stages[first:], keys, seconds, meanwhile)
    if ending and not _hung(places, job):  # perhaps it was killed from outside: it gets a second try
        stale = first_stale(place, read_ledger(place), keys)
        ending = _in_a_child(places, job, stages[stages.index(stale[0]) :], keys, seconds) if stale else ""
    if ending:
        _hold_dead(places, job, keys, ending)
    status = write_status(place, read_ledger(place))
    return status, tuple(stage for stage in stages[first:] if stage in read_ledger(place).entries)


def _in_a_child(
    places: Places, job: str, todo: tuple[str, ...], keys: dict[str, str], seconds: float, meanwhile: Callable[[], object] = lambda: None
) -> str:
    """Run stages in a child, and do something else beside it; returns how it died, or nothing when it ended well."""
    sys.stdout.flush()
    sys.stderr.flush()
    ear, mouth = os.pipe()
    parent = os.getpid()
    child = os.fork()
    if child == 0:
        os.close(ear)
        _be_the_child(places, job, todo, keys, seconds, mouth, parent)
    os.close(mouth)
    try:
        meanwhile()
        with os.fdopen(ear, "rb") as told:
            said = told.read()
        _, ended = os.waitpid(child, 0)
    except BaseException:
        os.kill(child, signal.SIGTERM)
        os.waitpid(child, 0)
        raise
    if said:
        trouble = msgspec.json.decode(said, type=_Trouble)
        raise OSError(trouble.number, trouble.words, trouble.file or None)
    code = os.waitstatus_to_exitcode(ended)
    return "" if code == 0 else f"signal {-code}" if code < 0 else f"exit code {code}"


def _be_the_child(places: Places, job: str, todo: tuple[str, ...], keys: dict[str, str], seconds: float, mouth: int, parent: int) -> NoReturn:
    """Run the stages and leave, without ever returning into the parent's code."""
    code = 1
    try:
        die_with_parent(parent)
        place = places.job(job)
        ledger = read_ledger(place)
        for stage in todo:
            with at_work(place, _RUN, stage, seconds):
                ledger = run_stage(places, job, stage, keys[stage], ledger, seconds)
            tell(places, job, stage, ledger.entries[stage].outcome)
            if ledger.entries[stage].outcome != "done":
                break
        code = 0
    except OSError as fault:
        os.write(mouth, msgspec.json.encode(_Trouble(fault.errno or 0, fault.strerror or str(fault), str(fault.filename or ""))))
    finally:
        os._exit(code)


def _hung(places: Places, job: str) -> bool:
    left = stage_at_work(places.job(job))
    return left is not None and left[1]


def _hold_dead(places: Places, job: str, keys: dict[str, str], how: str) -> None:
    """Hold a job whose child died, at the stage it was at."""
    place = places.job(job)
    left = stage_at_work(place)
    if left is None:
        return
    stage, hung = left
    reason = hung_reason(stage) if hung else died_twice(stage, how)
    log_outcome(places.log(job, stage), [], (reason,))
    enter(place, read_ledger(place), stage, Entry(key=keys[stage], outcome="held", reasons=(reason,)))
    forget(place)
