"""A stage's process loads the libraries that stage needs and no others: what every one of them loads is paid a chunk and stage."""

from __future__ import annotations

import subprocess
import sys

import pytest

from pipeline.model.status import STAGES
from tests.conftest import ROOT
from tests.end_to_end.conftest import run_command

HEAVY = (
    "numpy",
    "numba",
    "scipy",
    "shapely",
    "pyproj",
    "lxml",
    "ezdxf",
    "reportlab",
    "xlsxwriter",
    "openpyxl",
    "pandas",
    "matplotlib",
    "highspy",
    "pymupdf",
    "snakemake",
    "rich",
)
NEEDED = {
    "survey": {"numpy"},  # of points; a grid needs pyproj, a drawing ezdxf, LandXML lxml
    "edge": {"numpy", "shapely", "numba", "scipy"},  # of scipy what numba loads of it: matrices are solved by its LAPACK
    "layout": {"numpy", "shapely", "numba", "scipy"},
    "drilling": {"numpy"},
    "fabrication": {"numpy", "highspy"},
    "compliance": {"numpy"},
    "drawings": {"numpy", "ezdxf", "reportlab"},
    "package": {"numpy"},
}
JOB = "10-blunder"
_RUN = f"""
import sys
from pipeline.cli import main
code = main(["stage", sys.argv[1], "plan/chunks/c0000.json", f"stamps/{{sys.argv[1]}}/c0000.json"])
print(code, *(name for name in {HEAVY!r} if name in sys.modules))
"""


@pytest.fixture(scope="module")
def planned(samples_folder, tmp_path_factory):
    """OUT of a night over one sample, with its ledger forgotten, so that every stage of its chunk has to run again."""
    queue = tmp_path_factory.mktemp("loads") / "queue"
    (queue / JOB).mkdir(parents=True)
    for path in (samples_folder / JOB).iterdir():
        (queue / JOB / path.name).write_bytes(path.read_bytes())
    out = queue.parent / "out"
    assert run_command("batch", queue, "--out", out, "--cores", "1").returncode == 0
    (out / ".sleeveline" / "work" / JOB / "ledger.json").unlink()
    return out / ".sleeveline"


@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_begins_with_no_more_than_it_needs(stage):
    code = f"import sys, pipeline.{stage}.stage\nprint(*(name for name in {HEAVY!r} if name in sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], env={"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=True)
    assert set(done.stdout.split()) <= NEEDED[stage]


@pytest.mark.long
def test_every_stage_loads_what_it_needs_and_no_more(planned):
    loaded = {}
    for stage in STAGES:
        done = subprocess.run(
            [sys.executable, "-c", _RUN, stage], cwd=planned, env={"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False
        )
        code, *names = done.stdout.split()
        assert code == "0", done.stderr
        loaded[stage] = set(names)
    assert {stage: names - NEEDED[stage] for stage, names in loaded.items() if names - NEEDED[stage]} == {}
    events = (planned / "events").read_text().split("\n")
    assert {f"{JOB} {stage} done" for stage in STAGES} <= set(events)  # they did run


def test_the_command_shows_its_help_without_any_of_them():
    code = f"import sys, pipeline.cli\ntry:\n    pipeline.cli.main(['--help'])\nexcept SystemExit:\n    pass\nprint(*(name for name in {HEAVY!r} if name in sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], env={"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == ""
