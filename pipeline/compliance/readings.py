"""What a measure hands back: readings with their uncertainty, facts, things to look at, or why a limit does not apply."""

from __future__ import annotations

from typing import Final

import msgspec

from pipeline.geometry.chain import Point
from pipeline.model.compliance import Verdict
from pipeline.model.rules import Comparator

COVERAGE: Final = 1.96  # [-] normal quantile, two-sided 95 % (JCGM 100:2008, table G.1)
RESOLUTION: Final = 1e-9  # [m] nearer than this to a limit is exactly at it; 48 in and 1219.2 mm differ by rounding alone
SEVERITY: Final[dict[Verdict, int]] = {"fail": 3, "marginal": 2, "on-site": 1, "pass": 0}
LEAST: Final[tuple[Comparator, ...]] = ("min", "within")  # a reach has to be as far at least
STRICT: Final[tuple[Comparator, ...]] = ("less-than", "must-not-pass")  # the limit itself may not be reached


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """One measured value at one place.

    Parameters
    ----------
    value, sigma : float
        [m], and its standard deviation [m].
    where : str
        Holes, panel, gate or point, in words.
    place : Point or None
        [m]
    note : str
        What else to say of it.
    """

    value: float
    sigma: float
    where: str
    place: Point | None = None
    note: str = ""


class Measured(msgspec.Struct, frozen=True, kw_only=True):
    """A length measured wherever it counts; the judge takes the tightest.

    Parameters
    ----------
    readings : tuple of Reading
    asides : tuple of LookAt
        Places where the clause can be read in two ways: stand as findings of their own, for the authority to settle.
    cure : str
        What would cure a fail, ``{short}`` standing for the length that is missing.
    look_at : str
    """

    readings: tuple[Reading, ...]
    asides: tuple[LookAt, ...] = ()
    cure: str = ""
    look_at: str = ""


class Fact(msgspec.Struct, frozen=True, kw_only=True):
    """A yes or no that geometry or the shop file settles."""

    holds: bool
    where: str = ""
    place: Point | None = None
    look_at: str = ""
    cure: str = ""


class LookAt(msgspec.Struct, frozen=True, kw_only=True):
    """Something only a person on site, or the authority, can tell; with what was measured, where that helps."""

    text: str
    where: str = ""
    reading: Reading | None = None
    cure: str = ""


class NotHere(msgspec.Struct, frozen=True, kw_only=True):
    """Why a limit can be neither met nor missed at this job."""

    why: str


def gathered(asides: list[LookAt]) -> tuple[LookAt, ...]:
    """Return one aside for many of the same kind: the one measured least, with the places of all."""
    if not asides:
        return ()
    worst = min(asides, key=lambda aside: aside.reading.value if aside.reading else 0.0)
    others = [aside.where for aside in asides if aside is not worst]
    where = worst.where + (f"; likewise {'; '.join(others)}" if others else "")
    return (msgspec.structs.replace(worst, where=where),)


Outcome = Measured | Fact | LookAt | NotHere


def margin_of(value: float, comparator: Comparator, limit: float) -> float:
    """Return how far a value [m] lies on the safe side of a limit [m]; exactly 0 where it meets it.

    Examples
    --------
    >>> margin_of(1219.2e-3, "min", 48 * 0.0254)
    0.0
    >>> round(margin_of(0.1, "must-not-pass", 4 * 0.0254), 6)
    0.0016
    """
    margin = value - limit if comparator in LEAST else limit - value
    return 0.0 if abs(margin) < RESOLUTION else margin


def verdict_of(margin: float, u95: float, comparator: Comparator) -> Verdict:
    """Judge a margin [m] against its expanded uncertainty [m].

    Limits are hard: no tolerance of building is taken off them.  A limit that may not be reached (a ball of its size may
    not pass) is missed when it is met exactly.
    """
    if margin < 0 or (margin == 0 and comparator in STRICT):
        return "fail"
    return "pass" if margin > u95 else "marginal"


def tightest(readings: tuple[Reading, ...], comparator: Comparator, limit: float) -> tuple[Reading, float, float, Verdict]:
    """Return the reading with the worst verdict, the least margin and the largest u95, in this order: (reading, margin, u95, verdict)."""
    judged = []
    for reading in readings:
        margin, u95 = margin_of(reading.value, comparator, limit), COVERAGE * reading.sigma
        judged.append((reading, margin, u95, verdict_of(margin, u95, comparator)))
    return min(judged, key=lambda one: (-SEVERITY[one[3]], round(one[1] / RESOLUTION), -one[2]))
