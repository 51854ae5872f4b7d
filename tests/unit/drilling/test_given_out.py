"""Which plan a sheet is read of when the night would plan otherwise today."""

from __future__ import annotations

import msgspec
import pytest

from pipeline.drilling.given_out import GivenOut, plan_followed
from pipeline.errors import JobError
from pipeline.model.job import InputFile
from tests.unit.drawings.cases import case

IT = case("rectangle")
JOB = msgspec.structs.replace(IT.job, survey_files=(InputFile(name="points.csv", sha256="a" * 64),))


def given(layout=IT.layout, sha256="a" * 64) -> GivenOut:
    return GivenOut(revision=2, layout=layout, inputs={"points.csv": sha256, "job.toml": "b" * 64})


def moved(by: float):
    """The plan with one hole elsewhere [m]."""
    first, *others = IT.layout.holes
    return msgspec.structs.replace(IT.layout, holes=(msgspec.structs.replace(first, east=first.east + by), *others))


def test_where_nothing_changed_today_is_the_plan():
    assert plan_followed(JOB, IT.layout, None) == (IT.layout, ())
    plan, warnings = plan_followed(JOB, IT.layout, given())
    assert plan is IT.layout
    assert warnings == ()


def test_the_plan_that_went_out_is_followed_where_today_is_another():
    plan, (warning,) = plan_followed(JOB, moved(0.0254), given())
    assert plan == IT.layout
    assert warning.ref == "plan-changed-since-drilled"
    assert 'with a hole 1" elsewhere; the holes follow revision 2' in warning.what


def test_other_holes_are_told_as_such_and_a_hair_is_not_told():
    fewer = msgspec.structs.replace(IT.layout, holes=IT.layout.holes[:-1])
    assert "with other holes" in plan_followed(JOB, fewer, given())[1][0].what
    plan, warnings = plan_followed(JOB, moved(0.0004), given())
    assert plan == IT.layout
    assert warnings == ()


def test_another_survey_is_refused():
    with pytest.raises(JobError, match=r"points.csv is not the survey that revision 2 was planned from"):
        plan_followed(JOB, IT.layout, given(sha256="c" * 64))
