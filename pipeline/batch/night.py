"""A whole night: lock, take in, plan, run what is stale, make the batch-wide products, tell how it went."""

from __future__ import annotations

import difflib
import errno
import functools
import hashlib
import os
import re
import shutil
import sys
import time
from collections.abc import Collection
from pathlib import Path
from typing import Final, Literal

import msgspec

from pipeline.artifacts import kept_plan, write_bytes
from pipeline.batch.chunk import Index
from pipeline.batch.code_digest import batch_digest, code_digests
from pipeline.batch.engine import EngineRun, profile_folder, run_profile, run_workflow
from pipeline.batch.ledger import Ledger, Product, read_ledger, read_status, write_ledger
from pipeline.batch.line import built_stages, hold_at_intake, write_status
from pipeline.batch.lock import held
from pipeline.batch.places import Places
from pipeline.batch.plan import NightPlan, PlannedJob, drop_stamps, forget_refused, plan_night, settle_times, write_plan
from pipeline.batch.products import PRODUCTS, NightJob, NightJobs, gathered, make_product, products_left
from pipeline.batch.progress import Progress
from pipeline.batch.single import run_line
from pipeline.errors import JobError, Reason, hold
from pipeline.intake.files import read_regular
from pipeline.intake.names import name_fault
from pipeline.intake.office import Office, read_office
from pipeline.intake.queue import Queue, scan
from pipeline.model.job import InputFile
from pipeline.model.status import STAGES, Status

ROUNDS: Final = 3  # a run of the workflow that failed is tried again from the plan on
FEW_JOBS: Final = 1  # so few are built without the workflow, in less time than its engine takes to start
FULL: Final = 1_000_000  # [bytes] with less free a disk counts as full
LEAST_FREE: Final = 20_000_000  # [bytes] below this a night is not begun


class Wish(msgspec.Struct, frozen=True, kw_only=True):
    """What was asked for on the command line.

    Parameters
    ----------
    queue, out : Path
    cores : int
    only : tuple of str
        Jobs to build; empty for all.
    keep : int or None
        Revisions of a package to keep; None keeps all.
    profile : str
        Profile of the workflow to run under; empty for this machine.
    retry_held : bool
        Try held jobs again although nothing they depend on has changed.
    """

    queue: Path
    out: Path
    cores: int
    only: tuple[str, ...] = ()
    keep: int | None = None
    profile: str = ""
    retry_held: bool = False


class NightEnd(msgspec.Struct, frozen=True, kw_only=True):
    """How the night went.

    Parameters
    ----------
    ending : {"done", "failed", "interrupted"}
    statuses : tuple of Status
    shown : dict of str to str
        What people call the jobs that are held under a stand-in of their name.
    ran : int
        Jobs of which at least one stage ran.
    errors : tuple of str
        What failed that is ours.
    seconds : float
    """

    ending: Literal["done", "failed", "interrupted"]
    statuses: tuple[Status, ...] = ()
    shown: dict[str, str] = {}
    ran: int = 0
    errors: tuple[str, ...] = ()
    left_aside: tuple[str, ...] = ()
    seconds: float = 0.0


class _Left(msgspec.Struct, frozen=True, kw_only=True):
    """What a finished night left, so that the next one can see that nothing is to be done."""

    plan: str
    products: tuple[Product, ...]


def run_night(wish: Wish, progress: Progress) -> NightEnd:
    """Bring every job of a queue up to date and make the batch-wide products.

    Raises
    ------
    LockedError
        When another run is at work on this OUT.
    JobError
        When the queue or one of the office's files cannot be used.
    OSError
        When OUT cannot be written.
    """
    started = time.monotonic()
    places = Places(wish.out)
    if wish.profile:
        profile_folder(wish.profile)
    office = read_office(wish.queue)
    queue = scan(wish.queue, not_out=wish.out)
    with held(places.lock):
        _refuse_full_disk(places)
        _sweep(places)
        places.plan.mkdir(parents=True, exist_ok=True)
        (places.plan / "run").write_text(f"{os.getpid()}-{time.time_ns()}")  # in place: it has to be there before anything is begun
        if wish.retry_held:
            _forget_held(places, queue)
        work = _only if wish.only else _rounds
        ending, errors, ran = work(places, wish, queue, office, progress)
        if wish.keep is not None:
            _prune_revisions(places, queue, wish.keep)
        statuses = tuple(read_status(places.job(entry.name)) for entry in queue.entries)
        (places.plan / "run").unlink(missing_ok=True)
    spent = round(time.monotonic() - started, 1)
    shown = {entry.name: entry.shown for entry in queue.entries if entry.shown != entry.name}
    return NightEnd(ending=ending, statuses=statuses, shown=shown, ran=ran, errors=errors, left_aside=queue.left_aside, seconds=spent)


def _sweep(places: Places) -> None:
    """Take away what a run that was killed had begun to write; the name of the run is still there then."""
    if (places.plan / "run").exists():
        for path in places.out.rglob(".*.part"):
            path.unlink(missing_ok=True)


def _rounds(
    places: Places, wish: Wish, queue: Queue, office: Office, progress: Progress
) -> tuple[Literal["done", "failed", "interrupted"], tuple[str, ...], int]:
    """Plan and run until nothing is stale, a few times at most; returns the ending, our errors and how many jobs ran."""
    ran = 0
    run = EngineRun(ending="done")
    for number in range(ROUNDS):
        plan = plan_night(places, queue, office, built_stages(), wish.cores)
        if number == 0:
            ran = len(plan.stale)
            _mark_unfinished(places, plan)
        if not _prepare(places, plan, office, wish):
            return "done", (), ran
        with progress.watching(places.internal / "events", tuple(job.name for job in plan.stale), len(plan.jobs)):
            run = _run(places, plan, wish, progress)
        if run.ending == "done":
            _leave(places)
        if run.ending == "interrupted":
            break
    full = ("No space left on the disk where OUT lies: make room and run it again",) if _is_full(places) else ()
    return run.ending, (*full, *run.failed, *run.errors), ran


def _run(places: Places, plan: NightPlan, wish: Wish, progress: Progress) -> EngineRun:
    """Build what is stale: under a profile, or the workflow here; a few jobs are done before the workflow's engine were even loaded."""
    if wish.profile:
        return run_profile(places, wish.profile, wish.cores)
    if 0 < len(plan.stale) <= FEW_JOBS:
        _build_here(places, plan.stale, plan.seconds)
        return EngineRun(ending="done")
    return run_workflow(places, wish.cores, progress.steps)


def _build_here(places: Places, jobs: Collection[PlannedJob], seconds: float) -> None:
    """Build jobs one by one from this process, and the batch-wide products; what these take from all other jobs is gathered while the first is at work."""
    building = {job.name for job in jobs}
    gather = functools.cache(functools.partial(gathered, places, building))
    for job in jobs:
        run_line(places, job.name, job.received, seconds, meanwhile=gather)
    for product in PRODUCTS:
        make_product(product, places, places.stamps / "batch" / product, gather())


def _only(
    places: Places, wish: Wish, queue: Queue, office: Office, progress: Progress
) -> tuple[Literal["done", "failed", "interrupted"], tuple[str, ...], int]:
    """Bring just the named jobs up to date, in this process, and make the batch-wide products again."""
    plan = plan_night(places, queue, office, built_stages(), wish.cores)
    _refuse_unknown(wish.only, plan)
    wanted = [job for job in plan.jobs if job.name in wish.only or job.shown in wish.only]
    _mark_unfinished(places, plan)
    _prepare(places, plan, office, wish)
    with progress.watching(places.internal / "events", tuple(job.name for job in wanted if job.stale), len(wanted)):
        _build_here(places, wanted, plan.seconds)
    return "done", (), sum(bool(job.stale) for job in wanted)


def dry_run(wish: Wish) -> tuple[str, ...]:
    """Return what a night would do and why, a line a job; writes nothing."""
    places = Places(wish.out)
    office = read_office(wish.queue)
    queue = scan(wish.queue, not_out=wish.out)
    plan = plan_night(places, queue, office, built_stages(), wish.cores, write=False)
    if wish.only:
        _refuse_unknown(wish.only, plan)
    return tuple(_would(job, wish) for job in plan.jobs if not wish.only or job.name in wish.only or job.shown in wish.only)


def _would(job: PlannedJob, wish: Wish) -> str:
    """Tell in a line what would be done with a job."""
    if job.received.reasons:
        return f"{job.shown}: held at intake: {job.received.reasons[0].what}"
    if job.stale:
        return f"{job.shown}: build from {job.stale} on: {job.why}"
    last = next(reversed(job.ledger.entries.values()))
    if last.outcome == "done":
        return f"{job.shown}: nothing, it is up to date"
    return f"{job.shown}: {'try again, it was held' if wish.retry_held else 'nothing, it stays held'}: {last.reasons[0].what}"


def _refuse_unknown(only: tuple[str, ...], plan: NightPlan) -> None:
    known = {name for job in plan.jobs for name in (job.name, job.shown)}
    missing = [name for name in only if name not in known]
    if missing:
        raise JobError(
            Reason(
                ref="no-job",
                what=f"there is no job {name!r} in the queue",
                do=f"did you mean {', '.join(difflib.get_close_matches(name, known, 3, 0.3)) or 'another queue'}?",
            )
            for name in missing
        )


def _forget_held(places: Places, queue: Queue) -> None:
    """Take the held entries out of the jobs' ledgers, so that their stages are stale, and what the plan knows of jobs held at intake."""
    forget_refused(places)
    for entry in queue.entries:
        place = places.job(entry.name)
        ledger = read_ledger(place)
        done = {stage: one for stage, one in ledger.entries.items() if one.outcome == "done"}
        if len(done) < len(ledger.entries):
            write_ledger(place, Ledger(entries=done))


def _prune_revisions(places: Places, queue: Queue, keep: int) -> None:
    """Keep the last few packages of each job."""
    for entry in queue.entries:
        place = places.job(entry.name)
        numbered = {
            int(found[1]): path for path in place.out.glob("*.zip") if (found := re.fullmatch(re.escape(entry.name) + r"-r(\d+)\.zip", path.name))
        }
        for number in sorted(numbered)[: max(0, len(numbered) - keep)]:
            numbered[number].unlink()
            kept_plan(place, number).unlink(missing_ok=True)


def _prepare(places: Places, plan: NightPlan, office: Office, wish: Wish) -> bool:
    """Write what the workflow reads; returns whether there is anything for it to do."""
    stages = built_stages()
    night = NightJobs(
        jobs=tuple(NightJob(job.name, job.shown, job.received.key) for job in plan.jobs),
        office=office.digest,
        offcuts=_offcuts(places, wish, office),
        most_offcuts=office.shop.limits.offcuts,
    )
    write_bytes(places.plan / "jobs.json", msgspec.json.encode(night))
    chunks = tuple(sorted({job.chunk for job in plan.jobs if job.chunk}))
    index = Index(chunks=chunks, code=code_digests(STAGES), products=batch_digest(), python=sys.executable)
    write_plan(places, plan, index)
    drop_stamps(places, plan, stages)
    settle_times(places, time.time_ns())
    fresh = not plan.stale and _left(places) == _seen(places)
    if not fresh:
        shutil.rmtree(places.stamps / "batch", ignore_errors=True)
    return not fresh


def _mark_unfinished(places: Places, plan: NightPlan) -> None:
    """Give every job its status before anything runs, so that none is ever without one, nor with that of a run killed between ledger and status."""
    for job in plan.jobs:
        if job.received.reasons:
            hold_at_intake(places.job(job.name), job.received.reasons)
            _hold_own_name(places, job)
        elif job.stale:
            so_far = {stage: entry for stage, entry in job.ledger.entries.items() if stage != job.stale}
            write_status(places.job(job.name), Ledger(entries=so_far))
        else:
            write_status(places.job(job.name), job.ledger)


def _hold_own_name(places: Places, job: PlannedJob) -> None:
    """Hold what an earlier night left under the name of a job that is refused now: nobody may take it for tonight's."""
    if job.name != job.shown and name_fault(job.shown) is None and places.job(job.shown).out.is_dir():
        hold_at_intake(places.job(job.shown), job.received.reasons)


def _offcuts(places: Places, wish: Wish, office: Office) -> InputFile | None:
    """Copy the shelf's file to the plan; returns it, or None where there is none."""
    copy = places.plan / "offcuts.csv"
    if not os.path.lexists(wish.queue / "offcuts.csv"):
        copy.unlink(missing_ok=True)
        return None
    content = read_regular(wish.queue / "offcuts.csv", shown_as="offcuts.csv", most=office.shop.limits.file_bytes, limit="file_bytes")
    _refuse_offcuts(content, office)
    if not copy.is_file() or copy.read_bytes() != content:
        write_bytes(copy, content)
    return InputFile(name="offcuts.csv", sha256=hashlib.sha256(content).hexdigest())


def _refuse_offcuts(content: bytes, office: Office) -> None:
    """Raise JobError when the shelf's file cannot be used, before anything is built on it."""
    from pipeline.batch.pooled_cutting import read_offcuts

    try:
        read_offcuts(content.decode("utf-8-sig"), most=office.shop.limits.offcuts)
    except UnicodeDecodeError:
        raise hold(JobError, "not-utf-8", "offcuts.csv is not UTF-8 text", file="offcuts.csv", do="save it as UTF-8") from None


def _seen(places: Places) -> _Left:
    plan = hashlib.sha256((places.plan / "jobs.json").read_bytes() + (places.plan / "index.json").read_bytes()).hexdigest()
    return _Left(plan=plan, products=products_left(places))


def _left(places: Places) -> _Left | None:
    try:
        return msgspec.json.decode((places.plan / "left.json").read_bytes(), type=_Left)
    except (FileNotFoundError, msgspec.DecodeError):
        return None


def _leave(places: Places) -> None:
    write_bytes(places.plan / "left.json", msgspec.json.encode(_seen(places)))


def _is_full(places: Places) -> bool:
    """Tell whether the disk is so full that a failed step may not even have been able to say so."""
    return shutil.disk_usage(places.internal).free < FULL


def _refuse_full_disk(places: Places) -> None:
    free = shutil.disk_usage(places.internal).free
    if free < LEAST_FREE:
        told = f"only {free / 1e6:.0f} MB are free where OUT lies, at least {LEAST_FREE / 1e6:.0f} MB are needed"
        raise OSError(errno.ENOSPC, told, str(places.out))
