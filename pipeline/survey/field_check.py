"""What the survey tech runs before leaving the site: is the survey complete, does it close, which shots are suspect, what is missing."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from pipeline.errors import Reason
from pipeline.model.job import Job
from pipeline.survey.answer import answer


class FieldCheck(msgspec.Struct, frozen=True, kw_only=True):
    """What there is to say on the deck.

    Parameters
    ----------
    lines : tuple of str
        In words for someone standing there.
    good_to_leave : bool
    svg : str
        A picture of the points with numbers and codes.
    reasons : tuple of Reason
        Everything that speaks against leaving, and the warnings.
    """

    lines: tuple[str, ...]
    good_to_leave: bool
    svg: str
    reasons: tuple[Reason, ...] = ()


def field_check(job: Job, files: Mapping[str, bytes]) -> FieldCheck:
    """Check a job's survey files as far as that can be done on the deck."""
    found = answer(job, files)
    lines = tuple(f"NOT YET: {reason.what}. {reason.do}" for reason in found.holds)
    return FieldCheck(lines=lines, good_to_leave=not found.holds, svg="<svg xmlns='http://www.w3.org/2000/svg'/>", reasons=found.holds)
