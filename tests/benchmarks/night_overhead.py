"""What the night costs beside the bare computation: the batch against a plain loop of two processes over the same sites.

Run: python -m tests.benchmarks.night_overhead --jobs 10 100 500
     python -m tests.benchmarks.night_overhead --toy --jobs 100 500     (toy stages of no work: what the engine itself takes)

Ratios are of computing time (user and system, of all processes), which other work on the machine hardly touches, and of time by the
clock, which it does.  The sites are the random outlines of the stress tests, each shot with an instrument's noise.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.conftest import ROOT
from tests.truth.outlines import random_outlines
from tests.truth.stress_sites import open_site, write_job
from tests.unit.batch.toy_line import add_job, toy_house

SPREAD = 9  # jobs changed one after another

# In a process between: the system counts in what a process held before it became the one to be measured.
_STOPWATCH = """
import os, subprocess, sys, time
started = time.perf_counter()
child = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL)
_, status, used = os.wait4(child.pid, 0)
child.returncode = 0
print(os.waitstatus_to_exitcode(status), time.perf_counter() - started, used.ru_utime + used.ru_stime, used.ru_maxrss)
"""


def make_queue(folder: Path, jobs: int) -> Path:
    """Write a queue of sites, no two alike."""
    folder.mkdir(parents=True)
    outlines = random_outlines(min(jobs, 38))
    for number in range(jobs):
        write_job(open_site(f"site-{number:04d}", outlines[number % len(outlines)], 5000 + number), folder)
    return folder


def bare(queue: Path, out: Path) -> None:
    """Build every job in a plain loop of two processes, without ledger, skip, status or workflow."""
    from pipeline.batch.places import Places
    from pipeline.intake.office import read_office
    from pipeline.intake.queue import scan

    global _OFFICE, _PLACES
    _OFFICE, _PLACES = read_office(queue), Places(out)
    with multiprocessing.get_context("fork").Pool(2) as pool:
        for _ in pool.imap_unordered(_bare_job, scan(queue).entries):
            pass


def _bare_job(entry):
    from pipeline.batch.line import stage_named
    from pipeline.batch.receive import receive
    from pipeline.errors import SleevelineError
    from pipeline.model.status import STAGES

    try:
        receive(_PLACES, entry, _OFFICE)
        for stage in STAGES:
            stage_named(stage).run(_PLACES.job(entry.name))
    except SleevelineError:
        pass
    except Exception as fault:
        raise RuntimeError(f"{entry.name}: {fault!r}") from fault


def timed(*words: str | Path, house: Path = ROOT) -> tuple[float, float, float]:
    """Run a command of ours; returns seconds by the clock, of computing, and the head's memory [MB]."""
    environment = {**os.environ, "PYTHONPATH": f"{house}{os.pathsep}{ROOT}", "OPENBLAS_NUM_THREADS": "1"}
    called = [sys.executable, "-c", _STOPWATCH, sys.executable, "-m", *map(str, words)]
    run = subprocess.run(called, env=environment, cwd=house, capture_output=True, text=True, check=True)
    told = run.stdout.split()
    if told[0] not in ("0", "3"):
        raise RuntimeError(f"{words} ended with {told[0]}: {run.stderr[-2000:]}")
    return float(told[1]), float(told[2]), float(told[3]) / 1000


def measure(jobs: int, *, toy: bool, keep_bare: bool = True) -> dict[str, float]:
    """Time a first night, a night without change, nights with one job changed, and single jobs."""
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch)
        house = toy_house(place / "house") if toy else ROOT
        queue = place / "queue"
        if toy:
            for number in range(jobs):
                add_job(queue, f"site-{number:04d}")
        else:
            make_queue(queue, jobs)
        found: dict[str, float] = {"jobs": jobs}
        if keep_bare:
            found["bare s"], found["bare cpu"], _ = timed("tests.benchmarks.night_overhead", "--bare", queue, place / "bare", house=house)
        batch = ("pipeline", "batch", queue, "--out", place / "out", "--cores", "2")
        found["night s"], found["night cpu"], found["head MB"] = timed(*batch, house=house)
        found["again s"], found["again cpu"], _ = timed(*batch, house=house)
        found.update(_one_by_one(batch, queue, place, house))
        shutil.rmtree(place / "out", ignore_errors=True)
    if keep_bare:
        found["ratio s"], found["ratio cpu"] = found["night s"] / found["bare s"], found["night cpu"] / found["bare cpu"]
    return found


def _one_by_one(batch: tuple[str | Path, ...], queue: Path, place: Path, house: Path) -> dict[str, float]:
    """Time a night with one job changed, and that job by itself from nothing, for jobs spread evenly over the queue: median and most of each."""
    jobs = sorted(folder for folder in queue.iterdir() if (folder / "points.csv").is_file())
    spread = jobs[len(jobs) // (2 * SPREAD) :: max(len(jobs) // SPREAD, 1)][:SPREAD]
    nights, singles = [], []
    for number, changed in enumerate(spread):
        with (changed / "points.csv").open("a") as file:
            file.write("# shot again\n")
        nights.append(timed(*batch, house=house))
        singles.append(timed("pipeline", "job", changed, "--out", place / f"single-{number}", house=house))
    found: dict[str, float] = {}
    for name, rows in (("one changed", nights), ("job", singles)):
        clock, computing = ([row[column] for row in rows] for column in (0, 1))
        found |= {f"{name} s": statistics.median(clock), f"{name} most s": max(clock), f"{name} cpu": statistics.median(computing)}
    return found


def growth(first: dict[str, float], last: dict[str, float]) -> float:
    """Return the exponent with which the night's computing grows with its jobs."""
    return math.log(last["night cpu"] / first["night cpu"]) / math.log(last["jobs"] / first["jobs"])


def main() -> None:
    """Print one line a size, and the growth from the smallest to the largest."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--jobs", type=int, nargs="+", default=[10, 100, 500])
    parser.add_argument("--toy", action="store_true")
    parser.add_argument("--bare", nargs=2, type=Path)
    options = parser.parse_args()
    if options.bare:
        bare(*options.bare)
        return
    rows = []
    for jobs in options.jobs:
        rows.append(measure(jobs, toy=options.toy))
        print("  ".join(f"{name} {value:.2f}" for name, value in rows[-1].items()), flush=True)
    if len(rows) > 1:
        print(f"growth of computing from {rows[0]['jobs']} to {rows[-1]['jobs']} jobs: exponent {growth(rows[0], rows[-1]):.3f}")


if __name__ == "__main__":
    main()
