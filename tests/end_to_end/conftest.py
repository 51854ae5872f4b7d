"""One night over the samples, shared by every test of a run, by both workers too."""

from __future__ import annotations

import fcntl
import os
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest

from tests.conftest import ROOT


class Night(msgspec.Struct, frozen=True):
    """What one batch over the samples left: its folder, exit code and what it printed."""

    out: Path
    exit_code: int
    stdout: str
    stderr: str

    def job(self, name: str) -> Path:
        return self.out / "jobs" / name


def run_command(*arguments: str | Path, hash_seed: int = 1) -> subprocess.CompletedProcess[str]:
    """Run our command as a user would, in a process of its own; the seed of Python's string hashes is given, so that no run is lucky."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONHASHSEED": str(hash_seed)}
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *map(str, arguments)], capture_output=True, text=True, env=environment, timeout=600, check=False
    )


@pytest.fixture(scope="session")
def night(tmp_path_factory, samples_folder) -> Night:
    """The batch over `sample_surveys/`, run once a test session: the first worker runs it, the other waits."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    place = shared / "night"
    place.mkdir(exist_ok=True)
    with (place / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        record = place / "night.json"
        if not record.exists():
            done = run_command("batch", samples_folder, "--out", place / "out")
            record.write_bytes(msgspec.json.encode([done.returncode, done.stdout, done.stderr]))
        exit_code, stdout, stderr = msgspec.json.decode(record.read_bytes())
    return Night(place / "out", exit_code, stdout, stderr)
