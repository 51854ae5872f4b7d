"""The shell of the stage: artifacts in, artifact out, the same bytes each time."""

from __future__ import annotations

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.fabrication import stage
from pipeline.model.fabrication import Fabrication
from tests.unit.fabrication.made_nights import shop_job
from tests.unit.fabrication.straight_fences import straight_fence


def test_the_stage_reads_job_and_layout_and_writes_the_same_bytes_each_time(tmp_path):
    place = JobPlace("job", tmp_path / "intake", tmp_path / "out", tmp_path / "work")
    artifacts.write(place, "job", shop_job(), inputs={}, made_by="test")
    artifacts.write(place, "layout", straight_fence([("custom", [28.0, 28.0]), ("stock", [36.0] * 5)]), inputs={}, made_by="test")
    assert stage.run(place) == ()
    first = artifacts.path_of(place, "fabrication").read_bytes()
    stage.run(place)
    assert first == artifacts.path_of(place, "fabrication").read_bytes()
    fabrication = artifacts.read(place, "fabrication", Fabrication)
    assert [panel.panel for panel in fabrication.panels] == ["P01", "P02"]
