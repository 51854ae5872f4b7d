"""Which plan a crew's sheet is read of: the one it was given, also where the night would plan otherwise today."""

from __future__ import annotations

import math
from typing import Final

import msgspec

from pipeline.errors import JobError, Reason, hold
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.units import format_length

SAME: Final = 1e-9  # [m] of rounding
SEEN: Final = 0.0006  # [m] what the tables of a package show of a change


class GivenOut(msgspec.Struct, frozen=True, kw_only=True):
    """The last plan that went out: its revision, its layout, and the inputs it was made from by name and SHA-256."""

    revision: int
    layout: Layout
    inputs: dict[str, str]


def plan_followed(job: Job, today: Layout, given: GivenOut | None) -> tuple[Layout, tuple[Reason, ...]]:
    """Return the plan the holes were drilled from, and a warning where it is not today's.

    Holes drilled from one plan and read of another would move panels to where no hole is: a changed setback, shop file or program must not do that.

    Raises
    ------
    JobError
        When the survey itself is another one now: the plan given out stands in the frame of the old one.
    """
    if given is None:
        return today, ()
    other = [file.name for file in job.survey_files if given.inputs.get(file.name) != file.sha256]
    if other:
        raise hold(
            JobError,
            "survey-changed-since-drilled",
            f"{', '.join(other)} is not the survey that revision {given.revision} was planned from, and its holes are drilled",
            why="the plan the crew was given and the water as surveyed now may lie in two frames",
            file=other[0],
            do=f"put the survey back as it was for revision {given.revision}; or take as_drilled.csv out and have the new plan drilled",
        )
    apart = _apart(today, given.layout)
    if apart <= SAME:
        return today, ()
    return given.layout, (_warning(job, given.revision, apart),) if apart > SEEN else ()


def _apart(one: Layout, other: Layout) -> float:
    """Return how far the same hole stands in two plans, at most [m]; without bound where their holes are not the same."""
    places = {hole.name: hole.place for hole in other.holes}
    if [hole.name for hole in one.holes] != list(places):
        return math.inf
    return max((math.dist(hole.place, places[hole.name]) for hole in one.holes), default=0.0)


def _warning(job: Job, revision: int, apart: float) -> Reason:
    units = job.options.report_units
    told = "with other holes" if math.isinf(apart) else f"with a hole {format_length(apart, units)} elsewhere"
    return Reason(
        ref="plan-changed-since-drilled",
        what=f"the night would plan this fence otherwise now, {told}; the holes follow revision {revision}, which the crew drilled from",
        why="job.toml, shop.toml or the program changed since; holes that are drilled do not",
        do=f"nothing, if revision {revision} is the fence that is wanted; what was changed on purpose needs a new plan: take as_drilled.csv out",
    )
