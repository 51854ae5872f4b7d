"""One family of errors, split by who has to act; every fault carries reasons a person can act on."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

SHOWN_REASONS = 10


class Reason(msgspec.Struct, frozen=True, kw_only=True):
    """One fault or warning in words: what was seen, why it matters, where, and what to do.

    Parameters
    ----------
    ref : str
        Short kebab-case reference of the kind of fault, stable between versions.
    what : str
        What was seen, with the value.
    why : str
        Why that stops or qualifies the result.
    file : str
        The file the fault stands in, relative to the job's folder; empty where there is none.
    line : int or None
        Line in that file, counted from 1.
    do : str
        What the reader should do about it.
    """

    ref: str
    what: str
    why: str = ""
    file: str = ""
    line: int | None = None
    do: str = ""


class SleevelineError(Exception):
    """Base of the family.  All faults of a kind are gathered; ten are shown."""

    who = "us"

    def __init__(self, reasons: Reason | Iterable[Reason]) -> None:
        gathered = (reasons,) if isinstance(reasons, Reason) else tuple(reasons)
        if not gathered:
            raise ValueError("an error needs at least one reason")
        self.reasons: tuple[Reason, ...] = gathered
        super().__init__("; ".join(reason.what for reason in gathered[:SHOWN_REASONS]))


class SurveyError(SleevelineError):
    """The field crew has to act: the survey cannot be trusted as it stands."""

    who = "field crew"


class JobError(SleevelineError):
    """The office has to act: the job, shop, offcut or confirmation file is wrong."""

    who = "office"


class LayoutError(SleevelineError):
    """The designer has to act: no layout fits the site as asked."""

    who = "designer"


class RulePackError(SleevelineError):
    """The keeper of the rule packs has to act."""

    who = "keeper of the rule packs"


class InternalFault(SleevelineError):
    """We have to act: an artifact of another version, or a promise of our own broken."""

    who = "us"


def hold(
    kind: type[SleevelineError], ref: str, what: str, *, why: str = "", do: str = "", file: str = "", line: int | None = None
) -> SleevelineError:
    """Return an error of `kind` with a single reason, ready to be raised."""
    return kind(Reason(ref=ref, what=what, why=why, do=do, file=file, line=line))
