"""Shell of the drilling stage: what came back from the site in, the fence as it stands out; neither where nothing did."""

from __future__ import annotations

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.drilling.follow import follow
from pipeline.errors import Reason
from pipeline.model.drilling import Returned
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.site import Site
from pipeline.model.survey import Survey

NAME = "drilling"


def run(place: JobPlace) -> tuple[Reason, ...]:
    """Follow one job's holes as drilled; raises SurveyError or JobError when what came back cannot be followed."""
    returned = artifacts.read_if_there(place, "returned", Returned)
    artifacts.path_of(place, NAME).unlink(missing_ok=True)
    if returned is None:
        return ()
    drilling = follow(
        artifacts.read(place, "job", Job),
        artifacts.read(place, "survey", Survey),
        artifacts.read(place, "edge", Site),
        artifacts.read(place, "layout", Layout),
        returned,
        {file.name: (place.intake / file.name).read_bytes() for file in returned.files},
    )
    inputs = {name: artifacts.digest(place, name) for name in ("job", "returned", "survey", "edge", "layout")}
    artifacts.write(place, NAME, drilling, inputs=inputs, made_by=f"{NAME} 1")
    return drilling.warnings
