"""The shell of the survey stage: survey files in, the `survey` artifact and `points.csv` out."""

from __future__ import annotations

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.errors import Reason, SurveyError
from pipeline.model.job import Job
from pipeline.survey.answer import answer
from pipeline.survey.points_table import points_csv

NAME = "survey"


def run(place: JobPlace) -> tuple[Reason, ...]:
    """Read, reduce and adjust a job's survey; `points.csv` is written for a held job too, as soon as there is an answer."""
    job = artifacts.read(place, "job", Job)
    files = {file.name: (place.intake / file.name).read_bytes() for file in job.survey_files}
    found = answer(job, files)
    if found.survey is not None:
        artifacts.write_bytes(place.out / "points.csv", points_csv(found.survey))
    if found.survey is None or found.holds:
        raise SurveyError(found.holds)
    inputs = {"job": artifacts.digest(place, "job"), **{file.name: file.sha256 for file in job.survey_files}}
    artifacts.write(place, NAME, found.survey, inputs=inputs, made_by=f"{NAME} 1")
    return (*found.survey.quarantined, *found.survey.warnings)
