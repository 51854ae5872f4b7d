"""The command: the only place for logging set-up, exit codes and error printing."""

from __future__ import annotations

import argparse
import errno
import os
import signal
import sys
import tempfile
import textwrap
import traceback
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Final, TypeAlias

from pipeline.errors import SHOWN_REASONS, Reason, SleevelineError

COMPLETE, FAULT, WRONG_USE, HELD, LOCKED, INTERRUPTED = 0, 1, 2, 3, 75, 130
_EXITS: Final = """\
exit codes:
  0 all complete   3 some held, the rest complete   2 wrong use
  1 an internal fault   75 another run holds OUT   130 interrupted"""
_SHOWN_HELD: Final = 20  # held jobs told on the terminal; the board tells all
_SAFETY: Final = "The checks are a help and no approval: local codes, the authority having jurisdiction and licensed practice decide, and no fence replaces supervision."


_Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # idle BLAS threads spin: half the cost of importing numpy
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    options = _parser().parse_args(arguments)
    if options.run in (_batch, _job):
        signal.signal(signal.SIGTERM, _stopped)
    run: Callable[[argparse.Namespace], int] = options.run
    try:
        return run(options)
    except SleevelineError as fault:
        _print_reasons(fault.reasons)
        return FAULT if fault.who == "us" else WRONG_USE
    except KeyboardInterrupt:
        return _interrupted()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # or the interpreter complains once more at its end
        return COMPLETE
    except OSError as fault:
        print(_machine_trouble(fault), file=sys.stderr)
        return FAULT
    except Exception as fault:  # the last door: whatever is left is ours, and nobody outside should have to read a traceback
        if _was_stopped(fault):
            return _interrupted()
        print(_internal_fault(fault), file=sys.stderr)
        return FAULT


def _stopped(number: int, frame: FrameType | None) -> None:
    """Take a scheduler's wish to stop as a person's: what runs is ended, and 130 says so."""
    raise KeyboardInterrupt


def _was_stopped(fault: BaseException | None) -> bool:
    """Say whether a wish to stop lies behind a fault: one that comes while a compiled library is loaded comes out as an ImportError."""
    while fault is not None and not isinstance(fault, KeyboardInterrupt):
        fault = fault.__cause__ or fault.__context__
    return fault is not None


def _interrupted() -> int:
    print("interrupted; run it again and it goes on where it stopped", file=sys.stderr)
    return INTERRUPTED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="sleeveline",
        description="From a survey of an in-ground pool to a finished install package for a removable mesh safety fence.",
        epilog=_SAFETY,
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _add_batch(commands)
    _add_job(commands)
    _add_check(commands)
    _add_new(commands)
    _add_rules(commands)
    _add_stage(commands)
    _add_products(commands)
    return parser


def _command(commands: _Commands, name: str, run: Callable[[argparse.Namespace], int], summary: str, about: str) -> argparse.ArgumentParser:
    parser = commands.add_parser(
        name, help=summary, description=textwrap.dedent(about).strip(), formatter_class=argparse.RawDescriptionHelpFormatter, epilog=_EXITS
    )
    parser.set_defaults(run=run)
    return parser


def _add_batch(commands: _Commands) -> None:
    parser = _command(
        commands,
        "batch",
        _batch,
        "build every job of a queue, and one order for all of them",
        """
        Build every job in QUEUE, each stage only where something it depends on has changed; then
        the order, the pooled cutting and the board for all jobs together, in OUT/batch.
        A job that cannot be built is held with its reason; the others go on.

        examples:
          sleeveline batch sample_surveys --out packages
          sleeveline batch surveys --out packages --dry-run
          sleeveline batch surveys --out packages --only heron-court-12 --keep 3
          sleeveline batch surveys --out /shared/packages --profile slurm
        """,
    )
    parser.add_argument("queue", metavar="QUEUE", type=Path, help="folder of jobs: folders, or bare point files")
    parser.add_argument("--out", metavar="OUT", type=Path, required=True, help="folder for the results")
    parser.add_argument("--cores", metavar="N", type=_count, default=os.cpu_count() or 1, help="processes at a time (default: all cores)")
    parser.add_argument("--only", metavar="JOB", action="append", default=[], help="build just this job; may be given again")
    parser.add_argument("--dry-run", action="store_true", help="tell what would be done and why, and do nothing")
    parser.add_argument("--keep", metavar="N", type=_count, help="keep the last N revisions of each package (default: all)")
    parser.add_argument("--retry-held", action="store_true", help="try held jobs again although nothing they depend on has changed")
    parser.add_argument("--profile", metavar="NAME", default="", help="run on a cluster: local, slurm, kubernetes, or a folder with a profile")
    parser.add_argument("--verbose", action="store_true", help="a line for every job and stage")


def _add_job(commands: _Commands) -> None:
    parser = _command(
        commands,
        "job",
        _job,
        "build one job",
        """
        Build one job, each stage only where something it depends on has changed.  The shop file, own
        rule packs and confirmations are taken from the folder the job lies in.

        example:
          sleeveline job sample_surveys/01-rectangle --out packages
        """,
    )
    parser.add_argument("job", metavar="JOB", type=Path, help="the job's folder, or its bare point file")
    parser.add_argument("--out", metavar="OUT", type=Path, required=True, help="folder for the results")


def _add_check(commands: _Commands) -> None:
    parser = _command(
        commands,
        "check",
        _check,
        "on site: is the survey complete, does it close, what is missing",
        """
        What the survey tech runs before leaving the site: is the survey complete, does it close, which
        shots are suspect, what is missing.  Exit code 0: good to leave.  3: not yet.
        A picture of the points is written to the current folder, or where --picture says.

        example:
          sleeveline check points.csv
          sleeveline check sample_surveys/10-blunder --picture blunder.svg
        """,
    )
    parser.add_argument("job", metavar="FILE-OR-JOB", type=Path, help="a survey file, or a job's folder")
    parser.add_argument("--picture", metavar="SVG", type=Path, help="where the picture goes (default: JOB-check.svg in the current folder)")


def _add_new(commands: _Commands) -> None:
    parser = _command(
        commands,
        "new",
        _new,
        "lay out a job folder with a commented job.toml and an example of each survey form",
        """
        Lay out a job folder: a job.toml with every key explained, and in examples/ one file of each
        survey form, and the default shop file with its comments.  Nothing that is there is overwritten.

        example:
          sleeveline new surveys/heron-court-12
        """,
    )
    parser.add_argument("job", metavar="JOB", type=Path, help="the folder to make; its name is the job's name")


def _add_rules(commands: _Commands) -> None:
    parser = _command(
        commands,
        "rules",
        _rules,
        "list the rule packs, or one of them with clauses and values",
        """
        List the rule packs a job can name, or one of them with its clauses and values.

        example:
          sleeveline rules
          sleeveline rules us-ispsc-2021
          sleeveline rules --queue surveys
        """,
    )
    parser.add_argument("id", metavar="ID", nargs="?", help="a rule pack")
    parser.add_argument("--queue", metavar="QUEUE", type=Path, help="with this queue's own packs and confirmations")


def _add_stage(commands: _Commands) -> None:
    """What the workflow's rules call; not for people."""
    parser = commands.add_parser("stage")
    parser.add_argument("stage")
    parser.add_argument("chunk", type=Path)
    parser.add_argument("stamp", type=Path)
    parser.add_argument("--parent", type=int, default=0, metavar="PID")
    parser.set_defaults(run=_stage)


def _add_products(commands: _Commands) -> None:
    """What the workflow's rules call; not for people."""
    parser = commands.add_parser("products")
    parser.add_argument("product")
    parser.add_argument("internal", type=Path)
    parser.add_argument("stamp", type=Path)
    parser.add_argument("--parent", type=int, default=0, metavar="PID")
    parser.set_defaults(run=_products)


def _count(text: str) -> int:
    if not text.isdigit() or not 1 <= int(text) <= 1024:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number from 1 to 1024")
    return int(text)


def _batch(options: argparse.Namespace) -> int:
    from pipeline.batch.lock import LockedError
    from pipeline.batch.night import Wish, dry_run, run_night
    from pipeline.batch.progress import Progress

    wish = Wish(
        queue=options.queue.resolve(),
        out=options.out.resolve(),
        cores=options.cores,
        only=tuple(options.only),
        keep=options.keep,
        profile=options.profile,
        retry_held=options.retry_held,
    )
    if options.dry_run:
        print("\n".join(dry_run(wish)))
        return COMPLETE
    try:
        end = run_night(wish, Progress(verbose=options.verbose))
    except LockedError as locked:
        print(f"{locked}\n  do: wait until it is done, or choose another --out", file=sys.stderr)
        return LOCKED
    for name in end.left_aside:
        print(f"left aside: {name} is no job", file=sys.stderr)
    held = [status for status in end.statuses if status.state == "held"]
    for status in held[:_SHOWN_HELD]:
        _print_held(end.shown.get(status.job, status.job), status.stage, status.reasons)
    if len(held) > _SHOWN_HELD:
        print(f"and {len(held) - _SHOWN_HELD} more held; the board shows them all", file=sys.stderr)
    for error in end.errors:
        print(f"failed: {error}", file=sys.stderr)
    print(
        f"{len(end.statuses) - len(held)} complete, {len(held)} held, {end.ran} built anew, in {end.seconds:g} s: {options.out / 'batch' / 'board.html'}"
    )
    if end.ending == "interrupted":
        return INTERRUPTED
    if end.ending == "failed":
        return FAULT
    return HELD if held else COMPLETE


def _job(options: argparse.Namespace) -> int:
    from pipeline.batch.line import built_stages
    from pipeline.batch.lock import LockedError, held
    from pipeline.batch.places import Places
    from pipeline.batch.receive import receive
    from pipeline.batch.single import run_line
    from pipeline.intake.office import read_office
    from pipeline.intake.queue import entry_at
    from pipeline.model.status import STAGES

    entry = entry_at(options.job)
    office = read_office(entry.source.parent)
    places = Places(options.out.resolve())
    try:
        with held(places.lock):
            status, ran = run_line(places, entry.name, receive(places, entry, office), office.shop.limits.stage_seconds)
    except LockedError as locked:
        print(f"{locked}\n  do: wait until it is done, or choose another --out", file=sys.stderr)
        return LOCKED
    missing = [stage for stage in STAGES if stage not in built_stages()]
    if missing:
        print(f"the line ends before {missing[0]}: that stage is not built yet", file=sys.stderr)
    _print_warnings(status.warnings)
    if status.state == "held":
        _print_held(status.job, status.stage, status.reasons)
        return HELD
    done = f"ran {', '.join(ran)}" if ran else "nothing to do"
    print(f"{status.job}: complete, revision {status.revision} ({done}): {places.job(status.job).out}")
    return COMPLETE


def _check(options: argparse.Namespace) -> int:
    from pipeline.artifacts import write_bytes
    from pipeline.intake.job_folder import job_of
    from pipeline.intake.office import read_office
    from pipeline.intake.queue import entry_at
    from pipeline.intake.snapshot import read_all, traces_of
    from pipeline.survey.field_check import field_check

    entry = entry_at(options.job)
    if entry.reasons:
        raise _wrong(entry.reasons)
    office = read_office(entry.source.parent)
    limits = office.shop.limits
    files = read_all(entry, [trace.name for trace in traces_of(entry, limits)], limits)
    found = field_check(job_of(entry.name, files, office), files)
    picture = options.picture or Path(f"{entry.name}-check.svg")
    write_bytes(picture, found.svg.encode())
    print("\n".join(found.lines))
    print(f"picture: {picture}")
    return COMPLETE if found.good_to_leave else HELD


def _new(options: argparse.Namespace) -> int:
    from pipeline.intake.new_job import lay_out

    for path in lay_out(options.job):
        print(path)
    return COMPLETE


def _rules(options: argparse.Namespace) -> int:
    from pipeline.intake.office import read_office
    from pipeline.intake.resolve import shipped_packs
    from pipeline.intake.rule_listing import list_pack, list_packs

    packs = read_office(options.queue).packs if options.queue else shipped_packs()
    print("\n".join(list_pack(packs, options.id) if options.id else list_packs(packs)))
    return COMPLETE


def _stage(options: argparse.Namespace) -> int:
    from pipeline.batch.chunk import run_chunk

    run_chunk(options.stage, options.chunk, options.stamp, options.parent)
    return COMPLETE


def _products(options: argparse.Namespace) -> int:
    from pipeline.batch.chunk import die_with_parent
    from pipeline.batch.places import Places
    from pipeline.batch.products import make_product

    die_with_parent(options.parent)
    make_product(options.product, Places(options.internal.resolve().parent), options.stamp)
    return COMPLETE


def _wrong(reasons: tuple[Reason, ...]) -> SleevelineError:
    from pipeline.errors import JobError

    return JobError(reasons)


def _internal_fault(fault: Exception) -> str:
    """Put the traceback into a file and return what to say."""
    handle, name = tempfile.mkstemp(prefix="sleeveline-fault-", suffix=".txt")
    with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
        traceback.print_exception(fault, file=file)
    return f"a fault of the program, not of what it was given: {type(fault).__name__}: {str(fault)[:200]}\n  do: report it with {name}"


def _machine_trouble(fault: OSError) -> str:
    where = f" ({fault.filename})" if fault.filename else ""
    full = fault.errno in (errno.ENOSPC, errno.EDQUOT)
    cure = "make room and run it again; it goes on where it stopped" if full else "see to it and run it again; it goes on where it stopped"
    return f"the machine refused: {fault.strerror or fault}{where}\n  do: {cure}"


def _print_held(job: str, stage: str, reasons: tuple[Reason, ...]) -> None:
    print(f"held: {job} at {stage}", file=sys.stderr)
    _print_reasons(reasons)


def _print_warnings(warnings: tuple[Reason, ...]) -> None:
    for warning in warnings:
        print(f"  warning: {_told(warning)}", file=sys.stderr)


def _print_reasons(reasons: tuple[Reason, ...]) -> None:
    for reason in reasons[:SHOWN_REASONS]:
        print(f"  {_told(reason)}", file=sys.stderr)
        if reason.do:
            print(f"    do: {reason.do}", file=sys.stderr)
    if len(reasons) > SHOWN_REASONS:
        print(f"  and {len(reasons) - SHOWN_REASONS} more", file=sys.stderr)


def _told(reason: Reason) -> str:
    where = f"{reason.file}{f', line {reason.line}' if reason.line else ''}: " if reason.file else ""
    return f"{where}{reason.what}" + (f" ({reason.why})" if reason.why else "")
