"""The line of stages one job runs through: what is stale runs, what a job raises becomes its status."""

from __future__ import annotations

import errno
import importlib
import importlib.util
import time
import traceback
from pathlib import Path
from typing import Final, Protocol, cast

import msgspec

from pipeline.artifacts import JobPlace, encode, write_bytes
from pipeline.batch.ledger import Entry, Ledger, products_of, revision, status_of, take_away_from, write_ledger
from pipeline.batch.places import Places
from pipeline.batch.time_limit import TimeLimitError, time_limit
from pipeline.errors import InternalFault, Reason, SleevelineError
from pipeline.model.status import STAGES, Status

# The machine's troubles, not the job's: the run stops, nothing is recorded, and a rerun goes on from here.
_MACHINE_TROUBLE: Final = {
    errno.ENOSPC,
    errno.EDQUOT,
    errno.EIO,
    errno.EROFS,
    errno.EMFILE,
    errno.ENFILE,
    errno.ENOMEM,
    errno.EACCES,
    errno.EPERM,
    errno.ESTALE,
}


class Stage(Protocol):
    """The shell of a stage: read, one verb of its own, check, write.

    A shell may have a function `load` besides, which loads ahead of the work what it would load late.
    """

    NAME: str

    def run(self, place: JobPlace) -> tuple[Reason, ...]:
        """Make the stage's artifact of one job; returns warnings, raises when the job has to be held."""


def stage_named(name: str) -> Stage:
    """Return a stage's shell, imported only now so that a process loads what it runs and no more."""
    return cast(Stage, importlib.import_module(f"pipeline.{name}.stage"))


def load_stages(names: tuple[str, ...]) -> None:
    """Load what stages stand on, ahead of their work."""
    for name in names:
        getattr(stage_named(name), "load", _nothing)()


def _nothing() -> None:
    """Load nothing more than what the stage's module loads."""


def built_stages() -> tuple[str, ...]:
    """Return the stages of the line, as far as they follow each other without a gap."""
    there = []
    for stage in STAGES:
        if importlib.util.find_spec(f"pipeline.{stage}.stage") is None:
            break
        there.append(stage)
    return tuple(there)


def run_stage(places: Places, job: str, stage: str, key: str, ledger: Ledger, seconds: float) -> Ledger:
    """Run one stage of one job; returns its ledger with the outcome, already written.

    `key` is the stage's own, from `stage_keys`; after `seconds` [s] the stage is stopped and the job held.

    Raises
    ------
    OSError
        When the machine is in trouble (disk full, no access): nothing is recorded then.
    """
    place = places.job(job)
    started = time.monotonic()
    entry = _outcome(places, place, stage, key, seconds)
    entry = msgspec.structs.replace(entry, seconds=round(time.monotonic() - started, 3))
    return enter(place, ledger, stage, entry)


def enter(place: JobPlace, ledger: Ledger, stage: str, entry: Entry) -> Ledger:
    """Put a stage's entry into the ledger, forget what came after it, and write it."""
    before = {name: old for name, old in ledger.entries.items() if STAGES.index(name) < STAGES.index(stage)}
    ledger = Ledger(entries={**before, stage: entry})
    write_ledger(place, ledger)
    return ledger


def write_status(place: JobPlace, ledger: Ledger, stages: tuple[str, ...] = STAGES) -> Status:
    """Write a job's status.json by its ledger, when it differs from what stands there."""
    status = status_of(place, ledger, stages)
    write_if_other(place, status)
    if status.state == "held" and status.stage in ledger.entries:
        after = STAGES.index(status.stage) + 1
        take_away_from(place, STAGES[min(after, len(STAGES) - 1)])
    return status


def hold_at_intake(place: JobPlace, reasons: tuple[Reason, ...]) -> Status:
    """Write the status of a job that could not be taken in."""
    status = Status(job=place.job, state="held", revision=revision(place), stage="intake", reasons=reasons)
    write_if_other(place, status)
    take_away_from(place, STAGES[0])
    return status


def write_if_other(place: JobPlace, status: Status) -> None:
    """Write a status unless just that stands there already."""
    path, content = place.out / "status.json", encode(status)
    if not path.is_file() or path.read_bytes() != content:
        write_bytes(path, content)


def log_outcome(log: Path, lines: list[str], reasons: tuple[Reason, ...]) -> None:
    """Write the log of one job and stage: lines of a traceback where there are any, then every reason."""
    told = [*lines, *(f"{one.ref}: {one.what}" + (f" ({one.file}{f':{one.line}' if one.line else ''})" if one.file else "") for one in reasons)]
    write_bytes(log, "".join(f"{line}\n" for line in told or ["done"]).encode("utf-8", "backslashreplace"))


def _outcome(places: Places, place: JobPlace, stage: str, key: str, seconds: float) -> Entry:
    """Run the stage and turn whatever it raises into an entry."""
    log = places.log(place.job, stage)
    try:
        with time_limit(seconds):
            warnings = stage_named(stage).run(place)
        log_outcome(log, [], warnings)
        return Entry(key=key, outcome="done", warnings=tuple(warnings), products=products_of(place, stage))
    except TimeLimitError:
        reasons = (_too_long(stage, seconds),)
        log_outcome(log, traceback.format_exc().splitlines(), reasons)
        return Entry(key=key, outcome="held", reasons=reasons)
    except InternalFault as fault:
        log_outcome(log, traceback.format_exc().splitlines(), fault.reasons)
        return Entry(key=key, outcome="fault", reasons=fault.reasons, products=products_of(place, stage))
    except SleevelineError as held:
        log_outcome(log, [], held.reasons)
        return Entry(key=key, outcome="held", reasons=held.reasons, products=products_of(place, stage))
    except Exception as fault:
        if isinstance(fault, OSError) and fault.errno in _MACHINE_TROUBLE:
            raise
        reasons = (_out_of_memory(stage),) if isinstance(fault, MemoryError) else (_internal(stage, fault, log.name),)
        log_outcome(log, traceback.format_exc().splitlines(), reasons)
        return Entry(key=key, outcome="fault", reasons=reasons)


def _too_long(stage: str, seconds: float) -> Reason:
    return Reason(
        ref="time-limit",
        what=f"the stage {stage} was stopped at its time limit of {seconds:g} s",
        why="one job may not hold up the night",
        do="look whether the survey is far larger than a pool's; else raise stage_seconds under [limits] in shop.toml",
    )


def _out_of_memory(stage: str) -> Reason:
    return Reason(
        ref="out-of-memory",
        what=f"the stage {stage} ran out of memory",
        why="the machine could not give it more",
        do="look whether the survey is far larger than a pool's; else run the job alone, or on a larger machine",
    )


def _internal(stage: str, fault: Exception, log: str) -> Reason:
    return Reason(
        ref="internal-fault",
        what=f"the stage {stage} failed in a way it should not: {type(fault).__name__}: {str(fault)[:200]}",
        why="this is a fault of the program, not of the job",
        do=f"report it with the job's folder and its log ({log}); the other jobs are not touched by it",
    )
