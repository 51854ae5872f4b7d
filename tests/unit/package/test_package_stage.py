"""Drawings and package as stages: what lies where, the same bytes anywhere, revisions that count."""

from __future__ import annotations

import hashlib
import io
import json
import os
import subprocess
import sys
import zipfile

import msgspec
import pytest

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.drawings import stage as drawings
from pipeline.package import stage as package
from pipeline.package.archive import zipped
from tests.conftest import ROOT
from tests.made_layouts import made_survey
from tests.unit.drawings.cases import Case, case

FILES = [
    "checks.csv", "crew.pdf", "cuts.csv", "gates.csv", "holes.csv", "inspection.pdf", "manifest.json", "order.csv", "panels.csv", "plan.dxf",
    "shop.pdf", "stakeout.csv",
]  # fmt: skip


def place_of(folder) -> JobPlace:
    return JobPlace(job="made", intake=folder / "intake", out=folder / "jobs" / "made", work=folder / "work")


def lay(place: JobPlace, it: Case) -> None:
    bodies = {
        "job": msgspec.structs.replace(it.job, name="made"),
        "survey": made_survey(it.site, it.layout),
        "edge": it.site,
        "layout": it.layout,
        "fabrication": it.fabrication,
        "compliance": it.compliance,
    }
    for name, body in bodies.items():
        artifacts.write(place, name, body, inputs={}, made_by="test")


def run(place: JobPlace) -> None:
    drawings.run(place)
    package.run(place)


@pytest.fixture
def place(tmp_path):
    made = place_of(tmp_path)
    lay(made, case("spa"))
    run(made)
    return made


def test_the_package_has_the_agreed_files_and_nothing_else(place):
    assert sorted(path.name for path in (place.out / "package").iterdir()) == FILES
    assert (place.out / "plan.svg").read_text().startswith("<svg")


def test_the_plan_is_kept_beside_its_package_for_the_day_its_holes_come_back(place):
    assert artifacts.kept_plan(place, 1).read_bytes() == artifacts.path_of(place, "layout").read_bytes()


def test_the_manifest_tells_the_truth_about_every_file(place):
    manifest = json.loads((place.out / "package" / "manifest.json").read_text())
    for name, digest in manifest["files"].items():
        assert hashlib.sha256((place.out / "package" / name).read_bytes()).hexdigest() == digest
    assert sorted([*manifest["files"], "manifest.json"]) == FILES
    assert manifest["inputs"] == {"points.csv": "0" * 64}
    assert manifest["revision"] == 1
    assert {"sleeveline", "ezdxf", "reportlab"} <= set(manifest["versions"])
    assert "supervision" in manifest["note"]


def test_the_zip_holds_the_same_files(place):
    with zipfile.ZipFile(place.out / "made-r1.zip") as archive:
        assert archive.testzip() is None
        assert sorted(archive.namelist()) == [f"made-r1/{name}" for name in FILES]
        for entry in archive.infolist():
            assert entry.date_time == (1980, 1, 1, 0, 0, 0)
            assert archive.read(entry) == (place.out / "package" / entry.filename.split("/")[1]).read_bytes()


def test_the_zip_does_not_care_about_the_order_it_is_given():
    files = {"b.csv": b"2", "a.csv": b"1"}
    assert zipped("x", files) == zipped("x", dict(sorted(files.items())))
    assert zipfile.ZipFile(io.BytesIO(zipped("x", files))).namelist() == ["x/a.csv", "x/b.csv"]


def test_the_same_content_keeps_its_revision_and_other_content_gets_the_next(place):
    before = (place.out / "made-r1.zip").read_bytes()
    run(place)
    assert (place.out / "made-r1.zip").read_bytes() == before
    other = msgspec.structs.replace(case("spa").compliance, verdict="marginal")
    artifacts.write(place, "compliance", other, inputs={}, made_by="test")
    run(place)
    assert [one["revision"] for one in json.loads((place.out / "revisions.json").read_text())] == [1, 2]
    assert (place.out / "made-r2.zip").exists()
    assert (place.out / "made-r1.zip").read_bytes() == before
    manifest = json.loads((place.out / "package" / "manifest.json").read_text())
    assert manifest["revision"] == 2
    assert manifest["verdict"] == "marginal"


def test_nothing_of_an_older_package_stays(place):
    (place.out / "package" / "old.csv").write_text("x")
    run(place)
    assert sorted(path.name for path in (place.out / "package").iterdir()) == FILES
    assert not list(place.work.glob("package*"))


def test_drawings_stay_in_the_work_folder_for_the_next_look(place):
    assert {path.name for path in (place.work / "drawings").iterdir()} == {"plan.dxf", "crew.pdf", "shop.pdf", "inspection.pdf"}


def test_two_clean_environments_make_the_same_bytes(tmp_path):
    """Other process, hash seed, home, time zone and language: the zip's digest is the same."""
    digests = []
    for number, extra in enumerate(
        ({"PYTHONHASHSEED": "1", "TZ": "UTC", "LANG": "C"}, {"PYTHONHASHSEED": "77", "TZ": "Pacific/Auckland", "LANG": "C.UTF-8"})
    ):
        home = tmp_path / f"home{number}"
        home.mkdir()
        environment = {**os.environ, **extra, "HOME": str(home), "XDG_CACHE_HOME": str(home / "cache"), "PYTHONPATH": str(ROOT)}
        script = "import sys; from pathlib import Path; from tests.unit.package import test_package_stage as t; p = t.place_of(Path(sys.argv[1])); t.lay(p, t.case('rectangle')); t.run(p)"
        done = subprocess.run(
            [sys.executable, "-c", script, str(tmp_path / str(number))], env=environment, cwd=ROOT, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        assert done.stderr == ""
        digests.append(hashlib.sha256((tmp_path / str(number) / "jobs" / "made" / "made-r1.zip").read_bytes()).hexdigest())
    assert digests[0] == digests[1]
