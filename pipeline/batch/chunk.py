"""One stage over the jobs of one chunk, in a process of its own: what the workflow's rules call."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
from pathlib import Path
from types import FrameType
from typing import Final

import msgspec

from pipeline.artifacts import write_bytes
from pipeline.batch.at_work import at_work, death_reason, forget
from pipeline.batch.ledger import Entry, first_stale, read_ledger, stage_keys
from pipeline.batch.line import built_stages, enter, log_outcome, run_stage, write_status
from pipeline.batch.lock import waited_for
from pipeline.batch.places import Places

_PR_SET_PDEATHSIG: Final = 1  # linux/prctl.h


class ChunkJob(msgspec.Struct, frozen=True):
    """A job of a chunk, by its key and that of what came back from its site."""

    name: str
    key: str
    returned: str = ""


class Chunk(msgspec.Struct, frozen=True, kw_only=True):
    """The jobs a worker treats one by one, and the time each stage may take [s]."""

    jobs: tuple[ChunkJob, ...]
    seconds: float


class Index(msgspec.Struct, frozen=True, kw_only=True):
    """What the workflow reads when it is parsed, and the workers when they begin.

    Parameters
    ----------
    chunks : tuple of str
    code : dict
        Digest of each stage's code when the night was planned, in the order of the line.
    products : str
        Digest of the code of the batch-wide products.
    python : str
        The interpreter the rules call.
    """

    chunks: tuple[str, ...]
    code: dict[str, str]
    products: str
    python: str


def run_chunk(stage: str, chunk_path: Path, stamp: Path, parent: int = 0) -> None:
    """Bring one stage of every job of a chunk up to date and stamp it."""
    die_with_parent(parent)
    places = Places(chunk_path.resolve().parents[3])
    chunk = msgspec.json.decode(chunk_path.read_bytes(), type=Chunk)
    run = run_id(places)
    code = read_index(places).code
    with waited_for(places.internal / "locks" / f"{chunk_path.stem}.lock"):
        outcomes = {job.name: _one(places, job, stage, chunk.seconds, run, code) for job in chunk.jobs}
    write_bytes(stamp, msgspec.json.format(msgspec.json.encode(outcomes, order="sorted")) + b"\n")


def _one(places: Places, job: ChunkJob, stage: str, seconds: float, run: str, code: dict[str, str]) -> tuple[str, str]:
    """Bring one stage of one job up to date; returns its key and outcome for the stamp."""
    stages = built_stages()
    if stage not in stages:
        return "", "not built"
    place = places.job(job.name)
    keys = stage_keys(job.key, {one: code[one] for one in stages}, job.returned)
    ledger = read_ledger(place)
    stale = first_stale(place, ledger, keys)
    if stale is not None and stale[0] == stage:
        dead = death_reason(place, run, stage)
        if dead is not None:
            log_outcome(places.log(job.name, stage), [], (dead,))
            ledger = enter(place, ledger, stage, Entry(key=keys[stage], outcome="held", reasons=(dead,)))
            forget(place)
        else:
            with at_work(place, run, stage, seconds):
                ledger = run_stage(places, job.name, stage, keys[stage], ledger, seconds)
        tell(places, job.name, stage, ledger.entries[stage].outcome)
        if stage == stages[-1] or ledger.entries[stage].outcome != "done":
            write_status(place, ledger)
    entry = ledger.entries.get(stage)
    return keys[stage], entry.outcome if entry else "held before"


def die_with_parent(parent: int = 0) -> None:
    """End this process when its parent does, so that a killed batch leaves nobody writing.

    `parent` is the process that started this one, where that is known: had it died before the system was asked for the signal, none would come.
    """
    signal.signal(signal.SIGTERM, _terminated)
    kill_with_parent(signal.SIGTERM)
    if parent and os.getppid() != parent:
        sys.exit(128 + signal.SIGTERM)


def kill_with_parent(number: signal.Signals) -> None:
    """Let the system send this process a signal when its parent ends."""
    ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, number)


def _terminated(number: int, frame: FrameType | None) -> None:
    sys.exit(128 + number)


def read_index(places: Places) -> Index:
    """Return what the night's plan says of chunks and code."""
    return msgspec.json.decode((places.plan / "index.json").read_bytes(), type=Index)


def run_id(places: Places) -> str:
    """Return the id of the run at work in OUT."""
    try:
        return (places.plan / "run").read_text()
    except FileNotFoundError:
        return ""


def tell(places: Places, job: str, stage: str, outcome: str) -> None:
    """Append one line for the progress bar; a line is short enough to be written whole."""
    handle = os.open(places.internal / "events", os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
    try:
        os.write(handle, f"{job} {stage} {outcome}\n".encode())
    finally:
        os.close(handle)
