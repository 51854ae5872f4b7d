"""Shell of the edge stage: job and survey in, the site as built and a picture of the fit out."""

from __future__ import annotations

from typing import Final

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.edge.picture import fit_picture
from pipeline.edge.site import fit_site
from pipeline.errors import Reason
from pipeline.model.job import Job
from pipeline.model.survey import Survey

NAME: Final = "edge"


def run(place: JobPlace) -> tuple[Reason, ...]:
    """Write the artifact `edge` and `fit.svg` of a job; raises SurveyError when the job has to be held."""
    job = artifacts.read(place, "job", Job)
    survey = artifacts.read(place, "survey", Survey)
    site = fit_site(job, survey)
    inputs = {name: artifacts.digest(place, name) for name in ("job", "survey")}
    artifacts.write(place, NAME, site, inputs=inputs, made_by="edge 1")
    artifacts.write_bytes(place.out / "fit.svg", fit_picture(site).encode())
    return site.warnings
