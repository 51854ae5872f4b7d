"""Shell of the drilling stage: what came back from the site in, the fence as it stands out; neither where nothing did."""

from __future__ import annotations

import zipfile

import msgspec

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.drilling.follow import follow
from pipeline.drilling.given_out import GivenOut, plan_followed
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
    job, today = artifacts.read(place, "job", Job), artifacts.read(place, "layout", Layout)
    plan, warnings = plan_followed(job, today, _given_out(place))
    drilling = follow(
        job,
        artifacts.read(place, "survey", Survey),
        artifacts.read(place, "edge", Site),
        plan,
        returned,
        {file.name: (place.intake / file.name).read_bytes() for file in returned.files},
    )
    drilling = msgspec.structs.replace(drilling, planned=None if plan is today else plan)
    inputs = {name: artifacts.digest(place, name) for name in ("job", "returned", "survey", "edge", "layout")}
    artifacts.write(place, NAME, drilling, inputs=inputs, made_by=f"{NAME} 1")
    return (*warnings, *drilling.warnings)


def _given_out(place: JobPlace) -> GivenOut | None:
    """Read the last plan that went out, kept beside its package; None where none lies here."""
    made = artifacts.revisions(place)
    number = max((one.revision for one in made if artifacts.kept_plan(place, one.revision).exists()), default=0)
    if not number:
        return None
    folder = f"{place.job}-r{number}"
    with zipfile.ZipFile(place.out / f"{folder}.zip") as package:
        inputs = msgspec.json.decode(package.read(f"{folder}/manifest.json"))["inputs"]
    return GivenOut(revision=number, layout=artifacts.read(place, "layout", Layout, artifacts.kept_plan(place, number)), inputs=inputs)
