"""The plan of a night: which jobs there are, which chunk each belongs to, what is stale and why."""

from __future__ import annotations

import hashlib
import math
import os
import time
from typing import Final

import msgspec

from pipeline.artifacts import write_bytes
from pipeline.batch.chunk import Chunk, ChunkJob, Index
from pipeline.batch.code_digest import code_digest, code_digests
from pipeline.batch.ledger import Ledger, first_stale, read_ledger, stage_keys
from pipeline.batch.places import Places
from pipeline.batch.receive import Received, receive
from pipeline.errors import JobError
from pipeline.intake.office import Office
from pipeline.intake.queue import Queue, QueueEntry
from pipeline.intake.snapshot import traces_of

CHUNK_JOBS: Final = 128  # most jobs a chunk holds: each costs a process a stage, and all of them together 3 s of loading
_SETTLED: Final = 2_000_000_000  # a file changed less than this before it was read is read again next time [ns]


class Known(msgspec.Struct, frozen=True, kw_only=True):
    """What was known of a job after it was last taken in, so that an unchanged one need not be read again."""

    received: Received
    read_at: int
    chunk: str = ""


class Memory(msgspec.Struct, frozen=True, kw_only=True):
    """What the last plan knew, good as long as the office's files and the intake's code stay the same."""

    office: str = ""
    jobs: dict[str, Known] = {}


class PlannedJob(msgspec.Struct, frozen=True, kw_only=True):
    """One job of the night.

    Parameters
    ----------
    name, shown : str
    received : Received
    ledger : Ledger
    stale : str
        The first stage that has to run; empty when nothing has to.
    why : str
        Why it has to.
    chunk : str
        Empty for a job held at intake.
    """

    name: str
    shown: str
    received: Received
    ledger: Ledger
    stale: str = ""
    why: str = ""
    chunk: str = ""


class NightPlan(msgspec.Struct, frozen=True, kw_only=True):
    """All jobs of the night in the order of their names."""

    jobs: tuple[PlannedJob, ...]
    seconds: float

    @property
    def stale(self) -> tuple[PlannedJob, ...]:
        return tuple(job for job in self.jobs if job.stale)


def plan_night(places: Places, queue: Queue, office: Office, stages: tuple[str, ...], cores: int, *, write: bool = True) -> NightPlan:
    """Take every job in, look what is stale, and seat the jobs in chunks; writes intake copies only, or nothing at all."""
    old = _remembered(places)
    office_digest = hashlib.sha256(f"{office.digest}{code_digest('intake')}".encode()).hexdigest()
    trusted = old.jobs if old.office == office_digest else {}
    now = time.time_ns()
    known = {entry.name: _known(places, entry, office, trusted.get(entry.name), now, write) for entry in queue.entries}
    seats = _seated(
        {name: old.jobs[name].chunk for name in known if name in old.jobs}, [name for name, one in known.items() if one.received.key], cores
    )
    known = {name: msgspec.structs.replace(one, chunk=seats.get(name, "")) for name, one in known.items()}
    if write:
        _remember(places, Memory(office=office_digest, jobs=known))
    jobs = tuple(_planned(places, entry, known[entry.name], stages) for entry in queue.entries)
    return NightPlan(jobs=jobs, seconds=office.shop.limits.stage_seconds)


def forget_refused(places: Places) -> None:
    """Forget the jobs held at intake, so that they are read again."""
    old = _remembered(places)
    kept = {name: known for name, known in old.jobs.items() if known.received.key}
    if len(kept) < len(old.jobs):
        _remember(places, Memory(office=old.office, jobs=kept))


def write_plan(places: Places, plan: NightPlan, index: Index) -> None:
    """Write one file a chunk, each only when its content changed, and the index; take away what no longer is."""
    wanted = {chunk: encoded_chunk(plan, chunk) for chunk in index.chunks}
    folder = places.plan / "chunks"
    folder.mkdir(parents=True, exist_ok=True)
    for path in folder.iterdir():
        if path.stem not in wanted:
            path.unlink()
    for chunk, content in wanted.items():
        _write_if_other(places, f"chunks/{chunk}.json", content)
    _write_if_other(places, "index.json", msgspec.json.encode(index, order="sorted"))


def drop_stamps(places: Places, plan: NightPlan, stages: tuple[str, ...]) -> None:
    """Take away the stamps of every chunk with a stale job, from its first stale stage on."""
    for job in plan.stale:
        for stage in stages[stages.index(job.stale) :]:
            places.stamp(stage, job.chunk).unlink(missing_ok=True)


def settle_times(places: Places, now: int) -> None:
    """Bring back to now [ns] what the engine compares and a clock that has since been set back dated ahead.

    The engine refuses a product that is older than what it was made of.  What is stale is told by content, so no time is lost by this.
    """
    for path in (*places.plan.rglob("*.json"), *places.stamps.rglob("*")):
        if path.is_file() and path.stat().st_mtime_ns > now:
            os.utime(path, ns=(now, now))


def encoded_chunk(plan: NightPlan, chunk: str) -> bytes:
    """Return a chunk's file."""
    jobs = tuple(ChunkJob(job.name, job.received.key, job.received.returned) for job in plan.jobs if job.chunk == chunk and job.received.key)
    return msgspec.json.encode(Chunk(jobs=jobs, seconds=plan.seconds))


def _known(places: Places, entry: QueueEntry, office: Office, before: Known | None, now: int, write: bool) -> Known:
    """Return what is known of a job, taking it in unless its files look as they did."""
    if before is not None and before.received.traces and (not before.received.key or (places.job(entry.name).work / "job.json").exists()):
        try:
            traces = traces_of(entry, office.shop.limits)
        except JobError:
            traces = ()
        if traces == before.received.traces and all(max(trace.changed, trace.noted) < before.read_at - _SETTLED for trace in traces):
            return before
    return Known(received=receive(places, entry, office, write=write), read_at=now)


def _seated(old: dict[str, str], runnable: list[str], cores: int) -> dict[str, str]:
    """Give every job that can run a chunk: its old one, else the first with room, else a new one.

    As many chunks are made for each core, and all are filled evenly, so that the cores end together: a last chunk of a few
    jobs would leave one core idle while the others work at a full one.
    """
    rounds = math.ceil(len(runnable) / (CHUNK_JOBS * cores))
    room = max(1, math.ceil(len(runnable) / max(1, rounds * cores)))
    seats = {name: old[name] for name in runnable if old.get(name)}
    taken: dict[str, int] = {}
    for chunk in seats.values():
        taken[chunk] = taken.get(chunk, 0) + 1
    for name in runnable:
        if name in seats:
            continue
        chunk = next((one for one in sorted(taken) if taken[one] < room), None) or f"c{_next_number(taken):04d}"
        seats[name] = chunk
        taken[chunk] = taken.get(chunk, 0) + 1
    return seats


def _next_number(taken: dict[str, int]) -> int:
    return max((int(chunk[1:]) for chunk in taken), default=-1) + 1


def _planned(places: Places, entry: QueueEntry, known: Known, stages: tuple[str, ...]) -> PlannedJob:
    place = places.job(entry.name)
    ledger = read_ledger(place)
    keys = stage_keys(known.received.key, code_digests(stages), known.received.returned)
    found = first_stale(place, ledger, keys) if known.received.key else None
    stale, why = found or ("", "")
    return PlannedJob(name=entry.name, shown=entry.shown, received=known.received, ledger=ledger, stale=stale, why=why, chunk=known.chunk)


def _remembered(places: Places) -> Memory:
    try:
        return msgspec.json.decode((places.plan / "known.json").read_bytes(), type=Memory)
    except (FileNotFoundError, msgspec.DecodeError):
        return Memory()


def _remember(places: Places, memory: Memory) -> None:
    _write_if_other(places, "known.json", msgspec.json.encode(memory, order="sorted"))


def _write_if_other(places: Places, name: str, content: bytes) -> None:
    path = places.plan / name
    if not path.is_file() or path.read_bytes() != content:
        write_bytes(path, content)
