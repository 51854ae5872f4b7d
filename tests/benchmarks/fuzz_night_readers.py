"""Coverage-guided fuzzing of the readers, for whoever has atheris (pip install atheris).

Run: python -m tests.benchmarks.fuzz_night_readers 1000          (so many files of every kind, each kind in a process of its own)
     python -m tests.benchmarks.fuzz_night_readers 1000 job.toml  (one kind; those in tests/unit/intake/test_mutated_files.py)

A traceback, a file that takes more than ten seconds of computing, or a process beyond 1 GB ends it with the file that did it.
"""

from __future__ import annotations

import contextlib
import importlib
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import atheris

LATE = (
    "pipeline.drilling.follow",
    "pipeline.survey.dxf_files",
    "pipeline.survey.landxml_files",
    "pipeline.survey.observation_files",
    "pipeline.survey.station_network",
    "pipeline.survey.tape_network",
    "tests.unit.drilling.test_shots",
)
LIMITS = ("-timeout=120", "-rss_limit_mb=1000", "-max_len=20000", "-seed=9", "-print_final_stats=1")


def main() -> None:
    """Fuzz every kind of file, or one."""
    if sys.argv[1] == "--one":
        _fuzz(*sys.argv[2:4])
        return
    from tests.unit.intake.test_mutated_files import KINDS

    for kind in sys.argv[2:] or KINDS:
        ended = subprocess.run([sys.executable, "-m", __spec__.name, "--one", kind, sys.argv[1]], capture_output=True, text=True, check=False)
        print(f"{kind:20} {_told(ended.stderr) if ended.returncode == 0 else ended.stderr[-4000:]}", flush=True)
        if ended.returncode != 0:
            raise SystemExit(1)


def _told(text: str) -> str:
    """Return what the fuzzer tells of a run that ended well: branches reached by the sound file and at the end, files tried, slowest, memory."""
    reached = re.findall(r"cov: (\d+)", text)
    wanted = ("number_of_executed_units", "slowest_unit_time_sec", "peak_rss_mb")
    told = "  ".join(" ".join(line.removeprefix("stat::").split()) for line in text.splitlines() if any(word in line for word in wanted))
    return f"branches: {reached[0]} to {reached[-1]}  {told}"


def _fuzz(kind: str, runs: str) -> None:
    with atheris.instrument_imports(include=["pipeline"]):  # what is imported later, within functions, would not guide it
        for name in LATE:
            importlib.import_module(name)
        from pipeline.errors import SleevelineError
        from pipeline.intake.office import read_office
        from tests.unit.intake.test_mutated_files import SECONDS, read_one, sound_files
    folder, corpus = Path(tempfile.mkdtemp()), Path(tempfile.mkdtemp())
    (corpus / "sound").write_bytes(sound_files(folder / "heron")[kind])
    office = read_office(folder)

    def one(content: bytes) -> None:
        started = time.process_time()  # by the clock, a busy machine would be taken for a hang
        with contextlib.suppress(SleevelineError):  # a reason a person can act on is what bad input gets
            read_one(kind, content, folder, office)
        spent = time.process_time() - started
        if spent > SECONDS:
            raise TimeoutError(f"{spent:.1f} s of computing")

    atheris.Setup([sys.argv[0], str(corpus), f"-runs={runs}", f"-artifact_prefix={folder}/", *LIMITS], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
