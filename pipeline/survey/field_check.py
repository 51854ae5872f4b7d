"""What the survey tech runs before leaving the site: is the survey complete, does it close, which shots are suspect, what is missing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import msgspec

from pipeline.errors import Reason
from pipeline.model.job import Job
from pipeline.model.survey import CODES, Survey
from pipeline.survey.answer import Answer, answer
from pipeline.survey.completeness import advisable, missing
from pipeline.survey.picture import survey_picture
from pipeline.survey.station_network import SETUP_REMARK

NOT_YET_WARNINGS: Final = frozenset(
    ("few-marks", "check-disagrees", "levels-disagree", "weak-points")
)  # a package could be made, but one shot more costs a minute now


class FieldCheck(msgspec.Struct, frozen=True, kw_only=True):
    """What there is to say on the deck.

    Parameters
    ----------
    lines : tuple of str
        In words for someone standing there.
    good_to_leave : bool
        Whether nothing more has to be shot.
    svg : str
        A picture of the points with numbers and codes.
    reasons : tuple of Reason
        Everything that speaks against leaving, then the warnings.
    """

    lines: tuple[str, ...]
    good_to_leave: bool
    svg: str
    reasons: tuple[Reason, ...] = ()


def field_check(job: Job, files: Mapping[str, bytes]) -> FieldCheck:
    """Check a job's survey files as far as that can be done on the deck.

    Parameters
    ----------
    job : Job
        The shop's defaults, for a bare file.
    files : mapping of name to content
        The survey files.
    """
    found = answer(job, files)
    survey = found.survey
    warnings = [] if survey is None else [*survey.quarantined, *survey.warnings]
    against = list(found.holds)
    advice: list[Reason] = []
    if survey is not None:
        against += missing(survey.points, job.options.report_units) + [warning for warning in warnings if warning.ref in NOT_YET_WARNINGS]
        said = {reason.what for reason in against}
        advice = [warning for warning in warnings if warning.ref not in NOT_YET_WARNINGS and warning.what not in said] + advisable(
            survey.points,
            spare=survey.adjustment is not None and survey.adjustment.degrees_of_freedom > 0,
            drawn=survey.form == "dxf",
        )
    good = not against
    lines = [
        *(_found(survey) if survey else ["No points could be worked out."]),
        *_fit(found),
        *(f"NOT YET: {_sentence(reason)}" for reason in against),
        *(f"Note: {_sentence(reason)}" for reason in advice),
        "Good to leave." if good else f"Not yet good to leave: {len(against)} thing{'s' if len(against) > 1 else ''} to do, listed above.",
    ]
    points = survey.points if survey else ()
    return FieldCheck(lines=tuple(lines), good_to_leave=good, svg=survey_picture(points, job.title), reasons=(*against, *advice))


def _found(survey: Survey) -> list[str]:
    """Say what was found, by code."""
    counts = {code: [point for point in survey.points if point.code == code] for code in CODES}
    parts = []
    for code, points in counts.items():
        if points:
            lines = len({point.line for point in points})
            parts.append(f"{code} {len(points)}" + (f" in {lines} lines" if lines > 1 else ""))
    other = [point for point in survey.points if not point.code]
    setups = sum(point.remark == SETUP_REMARK for point in other)
    parts += [f"setups {setups}"] if setups else []
    parts += [f"without a code of ours {len(other) - setups}"] if len(other) > setups else []
    return [f"{len(survey.points)} points ({survey.form}): {', '.join(parts)}."]


def _fit(found: Answer) -> list[str]:
    """Say how well the observations close."""
    lines = list(found.notes)
    adjustment = found.survey.adjustment if found.survey else None
    if adjustment is None:
        return lines
    if adjustment.degrees_of_freedom == 0:
        return [*lines, "Nothing was measured twice: the survey cannot check itself."]
    spread = adjustment.variance_factor**0.5
    lines.append(
        f"{adjustment.degrees_of_freedom} of {adjustment.observations} observations are spare; their misfit is {spread:.1f} times what the instrument should have (1 is usual)."
    )
    if adjustment.worst:
        lines.append(f"The worst is {adjustment.worst}: {adjustment.worst_statistic:.1f} times its standard deviation (beyond 3.3 is suspect).")
    return lines


def _sentence(reason: Reason) -> str:
    where = f" [{reason.file}, line {reason.line}]" if reason.file and reason.line else ""
    seen = f"{reason.what}: {reason.why}" if reason.why else reason.what
    return " ".join(f"{_begun(part)}." for part in (seen, reason.do) if part) + where


def _begun(sentence: str) -> str:
    """Return a sentence with a capital; a file's name keeps its own."""
    first, _, _ = sentence.partition(" ")
    return sentence if "." in first or "_" in first else sentence[:1].upper() + sentence[1:]
