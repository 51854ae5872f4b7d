"""The command: the only place for logging set-up, exit codes and error printing."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from pipeline.errors import SHOWN_REASONS, Reason, SleevelineError

COMPLETE, FAULT, WRONG_USE, HELD, LOCKED, INTERRUPTED = 0, 1, 2, 3, 75, 130


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # idle BLAS threads spin: half the cost of importing numpy
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    parser = argparse.ArgumentParser(prog="sleeveline")
    commands = parser.add_subparsers(dest="command", required=True)
    job = commands.add_parser("job")
    job.add_argument("job", type=Path)
    job.add_argument("--out", type=Path, required=True)
    options = parser.parse_args(arguments)
    try:
        return _job(options)
    except SleevelineError as fault:
        for reason in fault.reasons[:SHOWN_REASONS]:
            print(_told(reason), file=sys.stderr)
        return WRONG_USE


def _job(options: argparse.Namespace) -> int:
    from pipeline.batch.line import built_stages
    from pipeline.batch.places import Places
    from pipeline.batch.receive import receive
    from pipeline.batch.single import run_line
    from pipeline.intake.office import read_office
    from pipeline.intake.queue import entry_at
    from pipeline.model.status import STAGES

    entry = entry_at(options.job)
    office = read_office(entry.source.parent)
    places = Places(options.out.resolve())
    status, ran = run_line(places, entry.name, receive(places, entry, office), office.shop.limits.stage_seconds)
    print(f"{status.job}: {status.state} at {status.stage} (ran: {', '.join(ran) or 'nothing, all up to date'})")
    missing = [stage for stage in STAGES if stage not in built_stages()]
    if missing:
        print(f"  the line ends before {missing[0]}: that stage is not built yet", file=sys.stderr)
    for warning in status.warnings:
        print(f"  warning  {_told(warning)}")
    for reason in status.reasons[:SHOWN_REASONS]:
        print(f"  held  {_told(reason)}", file=sys.stderr)
    return COMPLETE if status.state == "complete" else HELD


def _told(reason: Reason) -> str:
    where = f" [{reason.file}{f':{reason.line}' if reason.line else ''}]" if reason.file else ""
    return f"{reason.what}{where}" + (f" -- {reason.why}" if reason.why else "") + (f" -- {reason.do}" if reason.do else "")
