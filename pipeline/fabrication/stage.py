"""Shell of the fabrication stage: reads job and layout, or the fence as drilled, writes what the shop makes and buys."""

from __future__ import annotations

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.errors import Reason
from pipeline.fabrication.fabricate import fabricate
from pipeline.model.drilling import Drilling
from pipeline.model.job import Job
from pipeline.model.layout import Layout

NAME = "fabrication"


def run(place: JobPlace) -> tuple[Reason, ...]:
    """Make the fabrication artifact of one job; returns its warnings."""
    job = artifacts.read(place, "job", Job)
    drilling = artifacts.read_if_there(place, "drilling", Drilling)
    layout = drilling.layout if drilling else artifacts.read(place, "layout", Layout)
    fabrication = fabricate(job, layout, drilling.cut if drilling else ())
    inputs = {name: artifacts.digest(place, name) for name in ("job", "drilling" if drilling else "layout")}
    artifacts.write(place, NAME, fabrication, inputs=inputs, made_by=NAME)
    return fabrication.warnings
