"""A made survey taken through the first stages in this process, for tests that need many fences."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import msgspec

from pipeline import artifacts
from pipeline.batch.line import stage_named
from pipeline.intake.resolve import default_job
from pipeline.model.job import InputFile
from pipeline.model.layout import Layout
from pipeline.model.site import Site
from tests.truth.outlines import FOOT
from tests.truth.sites import Shot
from tests.truth.survey_files import point_file

HEADER = "Point,Northing,Easting,Elevation,Description"


def take_through(shots: tuple[Shot, ...], folder: Path, last: str = "layout", **options: Any) -> artifacts.JobPlace:
    """Run a point survey in feet through the stages up to `last`; `options` are tables as in job.toml."""
    text = point_file(shots, unit=FOOT, header=HEADER, decimals=6)
    place = artifacts.JobPlace("made", folder / "intake", folder / "out", folder / "work")
    for path in (place.intake, place.out, place.work):
        path.mkdir(parents=True)
    content = text.encode("utf-8")
    (place.intake / "points.csv").write_bytes(content)
    file = InputFile(name="points.csv", sha256=hashlib.sha256(content).hexdigest())
    survey = {"unit": "foot", **options.pop("survey", {})}
    job = msgspec.structs.replace(default_job("made", survey=survey, **options), survey_files=(file,), inputs=(file,))
    artifacts.write(place, "job", job, inputs={file.name: file.sha256}, made_by="test")
    for stage in ("survey", "edge", "layout", "fabrication", "compliance"):
        stage_named(stage).run(place)
        if stage == last:
            break
    return place


def fence_of(shots: tuple[Shot, ...], folder: Path, **options: Any) -> tuple[Site, Layout]:
    """The site as fitted and the fence as laid out."""
    place = take_through(shots, folder, **options)
    return artifacts.read(place, "edge", Site), artifacts.read(place, "layout", Layout)
