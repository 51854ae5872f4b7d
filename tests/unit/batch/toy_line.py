"""A copy of the house with toy stages, so that the engine's behaviour is tested on its own, in fractions of a second.

The engine is the real one, run through the real command.  A toy stage does as the job's points file bids it: a line
``# toy: layout hang`` makes the stage layout hang.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

from pipeline.model.status import STAGES

ROOT = Path(__file__).resolve().parents[3]
KEPT = ("model", "geometry", "cutting", "intake", "batch", "compliance", "fabrication")

_STAGE = '''
"""Toy stage."""

import hashlib, os, signal, time

from pipeline import artifacts
from pipeline.errors import SurveyError, hold
from pipeline.model.compliance import Compliance
from pipeline.model.fabrication import CuttingProof, Fabrication
from pipeline.model.job import Job

NAME = "{name}"
BEFORE = "{before}"


def run(place):
    job = artifacts.read(place, "job", Job)
    text = b"".join((place.intake / file.name).read_bytes() for file in job.survey_files)
    for line in text.decode().splitlines():
        words = line.removeprefix("# toy: ").split()
        if line.startswith("# toy: ") and words[0] == NAME:
            bid(place, words[1], words[2:])
    with (place.out.parent.parent / "ran.txt").open("a") as ran:
        ran.write(f"{{place.job}} {{NAME}}\\n")
    before = (place.out / f"{{BEFORE}}.json").read_bytes() if BEFORE else b""
    seen = hashlib.sha256(text + before).hexdigest()
    if NAME == "fabrication":
        proof = CuttingProof(objective=(0.0,), bound=(0.0,), gap=0.0, method="toy")
        body = Fabrication(panels=(), demands=(), cuts=(), proof=proof, order=(), total=1.0, currency=seen, epoxy_ml=0.0, holes_per_cartridge=1.0)
        artifacts.write(place, NAME, body, inputs={{}}, made_by=NAME)
    elif NAME == "compliance":
        artifacts.write(place, NAME, Compliance(checks=(), not_applicable=(), cautions=(), verdict="complies"), inputs={{"before": seen}}, made_by=NAME)
    elif NAME == "package":
        artifacts.write_bytes(place.out / "revisions.json", b'[{{"revision": 1, "content": "toy"}}]')
        artifacts.write_bytes(place.out / "package" / "manifest.json", seen.encode() * 200)
        artifacts.write_bytes(place.out / f"{{place.job}}-r1.zip", seen.encode() * 2000)
    elif NAME == "drawings":
        artifacts.write_bytes(place.work / "drawings" / "plan.dxf", seen.encode())
        artifacts.write_bytes(place.out / "drawings.json", seen.encode())
    else:
        artifacts.write_bytes(place.out / f"{{NAME}}.json", seen.encode())
    return ()


def bid(place, what, more):
    if what == "hang":
        time.sleep(1000)
    elif what == "spin":
        while True:
            pass
    elif what == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    elif what == "die-once":
        mark = place.work / "died"
        if not mark.exists():
            mark.touch()
            os.kill(os.getpid(), signal.SIGKILL)
    elif what == "abort":
        os.abort()
    elif what == "raise":
        raise ZeroDivisionError("toy")
    elif what == "memory":
        raise MemoryError
    elif what == "eat":
        held = []
        while True:
            held.append(bytearray(1 << 26))
    elif what == "held":
        raise hold(SurveyError, "toy", "the toy is held", do="nothing")
    elif what == "full":
        raise OSError(28, "No space left on device", "toy.json")
    elif what == "slow":
        time.sleep(float(more[0]))
'''


def toy_house(folder: Path) -> Path:
    """Make a copy of the house with toy stages; returns the folder to put on PYTHONPATH."""
    house = folder / "pipeline"
    house.mkdir(parents=True)
    for path in (ROOT / "pipeline").glob("*.py"):
        shutil.copy2(path, house)
    for name in KEPT:
        shutil.copytree(ROOT / "pipeline" / name, house / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copytree(ROOT / "workflow", folder / "workflow")
    for number, stage in enumerate(STAGES):
        (house / stage).mkdir(exist_ok=True)
        (house / stage / "__init__.py").touch()
        (house / stage / "stage.py").write_text(_STAGE.format(name=stage, before=STAGES[number - 1] if number else ""))
    return folder


def command(house: Path, *words: str | Path) -> tuple[list[str], dict[str, str]]:
    """Return the command's words and environment."""
    return [sys.executable, "-m", "pipeline", *map(str, words)], {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(filter(None, (str(house), os.environ.get("PYTHONPATH")))),
    }


def run(house: Path, *words: str | Path, timeout: float = 120) -> subprocess.CompletedProcess[str]:
    """Run the toy house's command to its end."""
    if words[0] == "batch" and "--cores" not in words:
        words = (*words, "--cores", "1")
    called, environment = command(house, *words)
    return subprocess.run(called, env=environment, cwd=house, capture_output=True, text=True, timeout=timeout, check=False)


def add_job(queue: Path, name: str, *lines: str) -> Path:
    """Put a job into the queue; lines like ``layout hang`` tell its stages what to do."""
    folder = queue / name
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "points.csv").write_text("".join(f"# toy: {line}\n" for line in lines) + f"P,N,E,Z,D\n1,0,0,0,WATER\n# {name}\n")
    return folder


def ran(out: Path) -> list[str]:
    """Return what ran, as "job stage" lines, and forget it."""
    path = out / "ran.txt"
    lines = path.read_text().splitlines() if path.exists() else []
    path.unlink(missing_ok=True)
    return lines


def digests(out: Path) -> dict[str, str]:
    """Return the digest of every file of OUT that is for people."""
    return {
        path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for folder in ("jobs", "batch")
        for path in sorted((out / folder).rglob("*"))
        if path.is_file()
    }
