"""The survey stage's one verb: from files to points, reduced, adjusted and brought to ground, with everything that is wrong with them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

import msgspec

from pipeline.errors import Reason, SurveyError
from pipeline.model.job import Job
from pipeline.model.shop import SurveyOptions
from pipeline.model.survey import Form, Frame, Survey, SurveyPoint
from pipeline.survey.codes import EXPENDABLE_CODES, code_table, codes_within
from pipeline.survey.field_book import Page, ReadPoint
from pipeline.survey.forms import read_page
from pipeline.survey.grid import ground_frame, on_plan
from pipeline.survey.placing import placed, words_not_understood
from pipeline.survey.refusals import refusal
from pipeline.survey.slips import (
    check_reasons,
    extent_holds,
    grid_warnings,
    height_reasons,
    named_few,
    number_holds,
    pool_size_holds,
    without_repeats,
)
from pipeline.survey.solved import Solved
from pipeline.units import UnitName

_FORMS: Final[tuple[Form, ...]] = ("points", "landxml", "dxf", "tape", "observations")  # of several files the later names the survey


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """What came of a survey, whether it can be trusted or not.

    Parameters
    ----------
    survey : Survey or None
        None when there are no coordinates at all.
    holds : tuple of Reason
        Why the job must be held; empty when it may go on.
    notes : tuple of str
        What the instrument's own errors were found to be, and how traverses close; in words.
    """

    survey: Survey | None
    holds: tuple[Reason, ...] = ()
    notes: tuple[str, ...] = ()


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
    table, options = code_table(job.shop.codes), job.options.survey
    unit = next((page.stated_unit for page in pages if page.stated_unit), None) or options.unit
    unread = named_few([entry.reason for page in pages for entry in page.quarantined], "lines that cannot be read")
    read = [point for page in pages for point in page.points]
    grid = _Grid(Frame(unit=unit))
    if _is_network(pages):
        grid = _grounded_marks(read, job, unit)
        read = list(grid.read) or read
    solved = _solved(job, pages, read, table)
    holds = [*grid.holds, *_lost_shots(pages, {point.point: point.code for point in solved.points}, table), *solved.holds]
    if not solved.points:
        raise SurveyError([*holds, *unread] or [_no_points(pages)])
    points, warnings, more_holds = _judged(solved.points, unit, job, stated=any(page.stated_unit for page in pages))
    if not _is_network(pages):
        frame, notes, grid_holds = ground_frame(points, options, unit)
        grid = _Grid(frame, notes, grid_holds)
        points = [on_plan(point, frame) for point in points]
        holds += grid_holds
    survey = Survey(
        form=max((page.form for page in pages), key=_FORMS.index),
        frame=grid.frame,
        points=tuple(points),
        adjustment=solved.adjustment,
        common_errors=solved.common,
        quarantined=tuple(unread),
        warnings=(
            *(reason for page in pages for reason in page.warnings),
            *_stated_units(pages, options),
            *solved.warnings,
            *words_not_understood(read, table),
            *warnings,
            *_weak(points, job, adjusted=solved.adjustment is not None and not holds),
            *grid.notes,
        ),
    )
    return Answer(survey=survey, holds=(*holds, *more_holds), notes=(*solved.notes, *_assumed(pages, options)))


def _assumed(pages: Sequence[Page], options: SurveyOptions) -> list[str]:
    """Say what nothing in the file confirms; a survey and its mirror image have the same distances, so that only a person sees the difference."""
    return [
        f"{page.file} names no columns; it was read as point, northing, easting, elevation, description. "
        "If the picture is the site's mirror image, northing and easting are exchanged."
        for page in pages
        if page.assumed_columns and not options.crs
    ]


class _Grid(NamedTuple):
    """The frame, what to say of it, and points brought to ground where that has to come first."""

    frame: Frame
    notes: Sequence[Reason] = ()
    holds: Sequence[Reason] = ()
    read: Sequence[ReadPoint] = ()


def _is_network(pages: Sequence[Page]) -> bool:
    return any(page.shots or page.ties for page in pages)


def _grounded_marks(read: Sequence[ReadPoint], job: Job, unit: UnitName) -> _Grid:
    """Marks in grid coordinates are brought to ground before ties or shots, which are ground distances, meet them."""
    options = job.options.survey
    if not options.crs:
        return _Grid(Frame(unit=unit))
    if not read:
        reason = Reason(
            ref="crs-without-grid",
            what=f"job.toml names {options.crs}, and no mark has grid coordinates",
            why="ties and shots alone know of no projected system",
            file="job.toml",
            do="add a points file with the marks' grid coordinates, or take `crs` out",
        )
        return _Grid(Frame(unit=unit), holds=(reason,))
    frame, notes, holds = ground_frame(placed(read, options, {}), options, unit)
    grounded = []
    for point in read:
        east, north = frame.to_plan(point.east, point.north)
        grounded.append(msgspec.structs.replace(point, east=east, north=north))
    return _Grid(frame, notes, holds, grounded)


def _judged(solved: Sequence[SurveyPoint], unit: UnitName, job: Job, *, stated: bool) -> tuple[list[SurveyPoint], list[Reason], list[Reason]]:
    """Return (points, warnings, holds) after every slip that shows in the points themselves was looked for."""
    holds = [
        *number_holds(solved),
        *extent_holds(solved, unit, job, stated=stated),
        *pool_size_holds(solved, unit, job, stated=stated),
        *_no_water(solved),
    ]
    points, warnings = without_repeats(solved)
    points, check_warnings, check_holds = check_reasons(points, job)
    points, busts = height_reasons(points)
    warnings += [*busts, *check_warnings, *grid_warnings(points, job.options.survey.crs), *_few_marks(points)]
    return points, warnings, [*holds, *check_holds]


def _solved(job: Job, pages: list[Page], read: list[ReadPoint], table: Mapping[str, str]) -> Solved:
    """Return the points: as read, or from shots and ties together with the read ones as marks."""
    shots = [shot for page in pages for shot in page.shots]
    ties = [tie for page in pages for tie in page.ties]
    # the networks are imported here: a file of points has none, and scipy's solvers take a third of a second to load
    if shots:
        from pipeline.survey.station_network import points_from_shots

        return points_from_shots(shots, read, job, table, ties)
    if ties:
        from pipeline.survey.tape_network import points_from_ties

        return points_from_ties(ties, read, job, table)
    return Solved(points=tuple(placed(read, job.options.survey, table)))


def _weak(points: Sequence[SurveyPoint], job: Job, *, adjusted: bool) -> list[Reason]:
    """Warn of adjusted points that are poorly known; of points that came as coordinates nobody can say."""
    if not adjusted:
        return []
    from pipeline.survey.summary import weak_points  # with the solvers, which an adjusted survey has loaded anyway

    return weak_points(points, job.options.report_units)


def _lost_shots(pages: Sequence[Page], known: Mapping[str, str], table: Mapping[str, str]) -> list[Reason]:
    """Return the lines whose loss changes the fence: whether a job survives without a line is decided by what it was.

    A lost tie or shot at a point of the same code that others fix is missed by nobody; `known` has the code of each such point.
    """
    lost = []
    for page in pages:
        for entry in page.quarantined:
            codes = codes_within(entry.text, table) if any(sign.isdigit() for sign in entry.text) else set()  # words alone are no shot
            spared = {known.get(_second_cell(entry.text), "")} if page.form in ("tape", "observations") else set()
            if codes - EXPENDABLE_CODES - spared:
                names = ", ".join(sorted(codes))
                lost.append(msgspec.structs.replace(entry.reason, ref="lost-shot", why=f"{entry.reason.why}; a {names} shot cannot be done without"))
    return named_few(lost, "lost shots")


def _second_cell(line: str) -> str:
    """Return what stands under `to` or `target`."""
    cells = re.split(r"[,;\t]", line)
    return cells[1].strip() if len(cells) > 1 else ""


def _no_points(pages: list[Page]) -> Reason:
    seen = "; ".join(warning.what for page in pages for warning in page.warnings)
    return Reason(
        ref="no-points",
        what="there is no point in the survey",
        why=seen or "there is nothing to lay a fence round",
        file=pages[0].file,
        do="see whether the file is the right one" + (", and what was passed over in it" if seen else ""),
    )


def _no_water(points: Sequence[SurveyPoint]) -> list[Reason]:
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


def _few_marks(points: Sequence[SurveyPoint]) -> list[Reason]:
    marks = [point.point for point in points if point.code == "MARK" and point.state != "rejected"]
    if len(marks) >= 2:
        return []
    return [
        Reason(
            ref="few-marks",
            what="the survey has no MARK" if not marks else f"the survey has only one MARK ({marks[0]})",
            why="the crew measures every hole from two points that are still there on drilling day",
            file=points[0].file,
            do="shoot at least two marks that stay, under the code MARK; corners of a wall will do in their place",
        )
    ]


def _stated_units(pages: Sequence[Page], options: SurveyOptions) -> list[Reason]:
    """A file that states its own unit or system is believed before the job, and where the two differ that is said."""
    reasons = [
        Reason(
            ref="stated-unit",
            what=f"{page.file} states its unit, {page.stated_unit}, and was read in it; the job says {options.unit}",
            why="the file is nearer to the instrument",
            file=page.file,
            do=f'write [survey] unit = "{page.stated_unit}" in job.toml if that is right, else put the file right',
        )
        for page in pages
        if page.stated_unit and page.stated_unit != options.unit
    ]
    reasons += [
        Reason(
            ref="stated-crs",
            what=f"{page.file} names the coordinate system {page.named_crs}, the job names {options.crs or 'none'}",
            why="grid distances are not ground distances",
            file=page.file,
            do=f'if the coordinates are grid coordinates, write [survey] crs = "{page.named_crs}" in job.toml',
        )
        for page in pages
        if page.named_crs and page.named_crs != options.crs
    ]
    return reasons
