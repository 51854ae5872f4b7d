"""A refusal of this stage: the field crew has to act."""

from __future__ import annotations

from pipeline.errors import Reason, SurveyError


def refusal(ref: str, what: str, *, why: str = "", do: str = "", file: str = "", line: int | None = None) -> SurveyError:
    """Return an error with one reason, ready to be raised."""
    return SurveyError(Reason(ref=ref, what=what, why=why, do=do, file=file, line=line))
