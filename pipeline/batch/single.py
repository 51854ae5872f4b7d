"""One job through the line, in child processes of its own, so that nothing it does can take the command with it."""

from __future__ import annotations

import contextlib
import functools
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
from pipeline.batch.line import built_stages, enter, hold_at_intake, load_stages, log_outcome, run_stage, write_status
from pipeline.batch.places import Places
from pipeline.batch.receive import Received
from pipeline.model.status import STAGES, Status

_RUN: Final = "alone"  # the run's name in the mark a worker leaves
_LATER: Final = "layout"  # from this stage on the work is another child's, which loads meanwhile
_GO: Final = b"g"


class _Trouble(msgspec.Struct, frozen=True, array_like=True):
    """What the machine refused the child: number, words, file."""

    number: int
    words: str
    file: str


def run_line(
    places: Places, job: str, received: Received, seconds: float, *, meanwhile: Callable[[], object] = lambda: None
) -> tuple[Status, tuple[str, ...]]:
    """Bring one job up to date, with at most `seconds` [s] a stage; returns its status and the stages that ran.  `meanwhile` is done here while children run them.

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
    ending = _in_children(places, job, stages[first:], keys, seconds, meanwhile)
    if ending and not _hung(places, job):  # perhaps it was killed from outside: it gets a second try
        stale = first_stale(place, read_ledger(place), keys)
        ending = _in_children(places, job, stages[stages.index(stale[0]) :], keys, seconds) if stale else ""
    if ending:
        _hold_dead(places, job, keys, ending)
    status = write_status(place, read_ledger(place))
    return status, tuple(stage for stage in stages[first:] if stage in read_ledger(place).entries)


def _in_children(
    places: Places, job: str, todo: tuple[str, ...], keys: dict[str, str], seconds: float, meanwhile: Callable[[], object] = lambda: None
) -> str:
    """Run stages in children, and do something else beside it; returns how one died, or nothing when all ended well.

    The child of the later stages does not wait for the earlier ones to load what they stand on: it does so beside them, on another core.
    """
    sys.stdout.flush()
    sys.stderr.flush()
    shares = [share for share in (tuple(one for one in todo if _is_later(one) is later) for later in (False, True)) if share]
    children = [_begin(places, job, shares[0], keys, seconds)]
    try:
        os.write(children[0].go, _GO)
        meanwhile()
        children += [_begin(places, job, share, keys, seconds) for share in shares[1:]]
        how = _ended(children[0])
        if not how and len(children) > 1 and _all_done(places, job, shares[0]):
            os.write(children[1].go, _GO)
            how = _ended(children[1])
    finally:
        for child in children:
            _dismiss(child)
    return how


def _is_later(stage: str) -> bool:
    return STAGES.index(stage) >= STAGES.index(_LATER)


def _all_done(places: Places, job: str, stages: tuple[str, ...]) -> bool:
    entries = read_ledger(places.job(job)).entries
    return all(stage in entries and entries[stage].outcome == "done" for stage in stages)


class _Child(msgspec.Struct):
    """A child that waits to be told to go; `ear` is where it tells what the machine refused.  Its number is 0 once it is gone."""

    number: int
    go: int
    ear: int


def _begin(places: Places, job: str, todo: tuple[str, ...], keys: dict[str, str], seconds: float) -> _Child:
    """Fork a child for some stages."""
    ear, mouth = os.pipe()
    begin, go = os.pipe()
    parent = os.getpid()
    number = os.fork()
    if number == 0:
        os.close(ear)
        os.close(go)
        _be_the_child(places, job, todo, keys, seconds, begin, mouth, parent)
    os.close(mouth)
    os.close(begin)
    return _Child(number, go, ear)


def _ended(child: _Child) -> str:
    """Wait for a child; returns how it died, or nothing when it ended well.

    Raises
    ------
    OSError
        What the machine refused it.
    """
    said = b"".join(iter(functools.partial(os.read, child.ear, 4096), b""))
    _, ended = os.waitpid(child.number, 0)
    child.number = 0
    if said:
        trouble = msgspec.json.decode(said, type=_Trouble)
        raise OSError(trouble.number, trouble.words, trouble.file or None)
    code = os.waitstatus_to_exitcode(ended)
    return "" if code == 0 else f"signal {-code}" if code < 0 else f"exit code {code}"


def _dismiss(child: _Child) -> None:
    """Let go of a child: one that is still there has nothing more to do."""
    os.close(child.go)  # first: a library that was being loaded may swallow the signal, and the child would wait for its word
    if child.number:
        os.kill(child.number, signal.SIGTERM)
        os.waitpid(child.number, 0)
    os.close(child.ear)


def _be_the_child(
    places: Places, job: str, todo: tuple[str, ...], keys: dict[str, str], seconds: float, begin: int, mouth: int, parent: int
) -> NoReturn:
    """Load what the stages stand on, wait, run them and leave, without ever returning into the parent's code."""
    code = 1
    try:
        die_with_parent(parent)
        with contextlib.suppress(Exception):  # told by the stage that needs it
            load_stages(todo)
        if os.read(begin, len(_GO)) == _GO:
            _run_stages(places, job, todo, keys, seconds)
        code = 0
    except OSError as fault:
        os.write(mouth, msgspec.json.encode(_Trouble(fault.errno or 0, fault.strerror or str(fault), str(fault.filename or ""))))
    finally:
        os._exit(code)


def _run_stages(places: Places, job: str, todo: tuple[str, ...], keys: dict[str, str], seconds: float) -> None:
    """Run stages one after another until one holds the job."""
    place = places.job(job)
    ledger = read_ledger(place)
    for stage in todo:
        with at_work(place, _RUN, stage, seconds):
            ledger = run_stage(places, job, stage, keys[stage], ledger, seconds)
        tell(places, job, stage, ledger.entries[stage].outcome)
        if ledger.entries[stage].outcome != "done":
            break


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
