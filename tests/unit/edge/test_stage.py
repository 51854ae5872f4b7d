"""The shell of the stage: artifacts in, artifact and picture out, the same bytes twice."""

from __future__ import annotations

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.edge import stage
from pipeline.intake.resolve import default_job
from pipeline.model.site import Site
from tests.unit.edge.test_steps_and_lines import watered


def test_stage_writes_the_site_and_its_picture_alike_every_time(tmp_path):
    place = JobPlace(job="job", intake=tmp_path / "in", out=tmp_path / "out", work=tmp_path / "work")
    artifacts.write(place, "job", default_job(), inputs={}, made_by="test")
    artifacts.write(place, "survey", watered().survey(), inputs={}, made_by="test")
    stage.run(place)
    first = [(place.out / name).read_bytes() for name in ("edge.json", "fit.svg")]
    stage.run(place)
    assert first == [(place.out / name).read_bytes() for name in ("edge.json", "fit.svg")]
    site = artifacts.read(place, "edge", Site)
    assert len(site.waters) == 1
    assert first[1].startswith(b"<svg")
