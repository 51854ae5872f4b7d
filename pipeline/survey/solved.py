"""What the solving of a network hands on."""

from __future__ import annotations

import msgspec

from pipeline.errors import Reason
from pipeline.model.survey import Adjustment, CommonErrors, SurveyPoint


class Solved(msgspec.Struct, frozen=True, kw_only=True):
    """Points that a network gave, with what there is to say of it.

    Parameters
    ----------
    points : tuple of SurveyPoint
        In the order measured.
    adjustment : Adjustment or None
        None where nothing was adjusted.
    warnings, holds : tuple of Reason
        What to know, and what the job must be held for.
    notes : tuple of str
        The instrument's own errors, and how traverses close.
    common : CommonErrors or None
        What the errors of the adjusted points have in common.
    """

    points: tuple[SurveyPoint, ...]
    adjustment: Adjustment | None = None
    warnings: tuple[Reason, ...] = ()
    holds: tuple[Reason, ...] = ()
    notes: tuple[str, ...] = ()
    common: CommonErrors | None = None
