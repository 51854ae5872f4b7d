"""The survey stage's one verb: from files to points, reduced, adjusted and brought to ground, with everything that is wrong with them."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from pipeline.errors import Reason, SurveyError
from pipeline.model.job import Job
from pipeline.model.survey import Adjustment, Frame, Survey, SurveyPoint
from pipeline.survey.codes import EXPENDABLE_CODES, code_table, codes_within
from pipeline.survey.field_book import Page, Quarantined
from pipeline.survey.forms import read_page
from pipeline.survey.placing import placed, words_not_understood
from pipeline.survey.refusals import refusal


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """What came of a survey, whether it can be trusted or not.

    Parameters
    ----------
    survey : Survey or None
        None when there are no coordinates at all.
    holds : tuple of Reason
        Why the job must be held; empty when it may go on.
    """

    survey: Survey | None
    holds: tuple[Reason, ...] = ()


def read_and_adjust(job: Job, files: Mapping[str, bytes]) -> Survey:
    """Read a job's survey files and return its points, reduced, adjusted and brought to ground.

    Parameters
    ----------
    job : Job
        Its options, shop and list of survey files.
    files : mapping of name to content
        What `job.survey_files` names; without such a list all are read, in the order of their names.

    Raises
    ------
    SurveyError
        With every reason why the survey cannot be trusted as it stands.
    """
    found = answer(job, files)
    if found.survey is None or found.holds:
        raise SurveyError(found.holds)
    return found.survey


def answer(job: Job, files: Mapping[str, bytes]) -> Answer:
    """Return the survey as far as it could be computed, and every reason to hold it."""
    try:
        return _answer(job, _pages(job, files))
    except SurveyError as fault:
        return Answer(survey=None, holds=fault.reasons)


def _pages(job: Job, files: Mapping[str, bytes]) -> list[Page]:
    names = [file.name for file in job.survey_files] or sorted(files)
    if not names:
        raise refusal(
            "no-survey",
            "the job has no survey file",
            why="there is nothing to lay a fence round",
            do="put a point file, observations, tape ties, LandXML or DXF in the job's folder",
        )
    pages: list[Page] = []
    reasons: list[Reason] = []
    for name in names:
        try:
            pages.append(read_page(job, name, files[name], alone=len(names) == 1))
        except SurveyError as fault:
            reasons += fault.reasons
    if reasons:
        raise SurveyError(reasons)
    return pages


def _answer(job: Job, pages: list[Page]) -> Answer:
    table = code_table(job.shop.codes)
    quarantined = [entry for page in pages for entry in page.quarantined]
    warnings = [reason for page in pages for reason in page.warnings]
    holds = _lost_shots(quarantined, table)
    read = [point for page in pages for point in page.points]
    points = placed(read, job.options.survey, table)
    adjustment: Adjustment | None = None
    warnings += words_not_understood(read, table)
    if not points:
        raise SurveyError([*holds, *(entry.reason for entry in quarantined)] or [_no_points(pages)])
    holds += _no_water(points)
    frame = Frame(unit=pages[0].stated_unit or job.options.survey.unit)
    survey = Survey(
        form=pages[0].form,
        frame=frame,
        points=tuple(points),
        adjustment=adjustment,
        quarantined=tuple(entry.reason for entry in quarantined),
        warnings=tuple(warnings),
    )
    return Answer(survey=survey, holds=tuple(holds))


def _lost_shots(quarantined: list[Quarantined], table: Mapping[str, str]) -> list[Reason]:
    """Return the lines whose loss changes the fence: whether a job survives without a line is decided by what it was."""
    lost = []
    for entry in quarantined:
        codes = codes_within(entry.text, table)
        if codes - EXPENDABLE_CODES:
            names = ", ".join(sorted(codes))
            lost.append(msgspec.structs.replace(entry.reason, ref="lost-shot", why=f"{entry.reason.why}; a {names} shot cannot be done without"))
    return lost


def _no_points(pages: list[Page]) -> Reason:
    return Reason(
        ref="no-points",
        what="there is no point in the survey",
        why="there is nothing to lay a fence round",
        file=pages[0].file,
        do="see whether the file is the right one",
    )


def _no_water(points: list[SurveyPoint]) -> list[Reason]:
    if sum(point.code == "WATER" and point.state != "rejected" for point in points) >= 3:
        return []
    count = sum(point.code == "WATER" for point in points)
    return [
        Reason(
            ref="no-water",
            what="the survey has no water's edge" if not count else f"the survey has only {count} WATER shot{'s' if count > 1 else ''}",
            why="every setback is measured from the water's edge",
            file=points[0].file,
            do='shoot the inside face of the coping under the code WATER, or map your own code in shop.toml: [codes] EW = "WATER"',
        )
    ]
