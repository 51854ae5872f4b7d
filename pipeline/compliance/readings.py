"""What a measure hands back: readings with their uncertainty, facts, things to look at, or why a limit does not apply."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np

from pipeline.geometry.chain import Point
from pipeline.model.compliance import Verdict
from pipeline.model.rules import Comparator
from pipeline.units import INCH, MILLIMETRE, ReportUnits

LEVEL: Final = 0.95  # [-] of the expanded uncertainty
COVERAGE: Final = 1.96  # [-] normal quantile of it for a single place, two-sided (JCGM 100:2008, table G.1)
FARTHEST: Final = 8.0  # [-] standard deviations, beyond any expanded uncertainty of a thousand places
TAPED: Final = 0.005  # [m] standard deviation of a height taken by hand: a sill, an object (own judgement)
ALIKE: Final = 1e-5  # [m] margins nearer to each other than this are alike
APART: Final = 0.1  # [m] places farther apart than this have each a roughness of their own (own judgement)
FAR_OFF: Final = 4.0  # [-] own standard deviations above the tightest, from where on a place of a group takes no part
MOST_PLACES: Final = 8  # of a group, the tightest ones
ROOT_TWO: Final = math.sqrt(2)
HERMITE: Final = tuple((float(node), float(weight) / math.sqrt(math.pi)) for node, weight in zip(*np.polynomial.hermite.hermgauss(9), strict=True))
STEPS: Final = 60  # of the search for an expanded uncertainty, far more than it ever takes
CLOSE: Final = 1e-9  # [-] of chance, where that search ends
RESOLUTION: Final = 1e-9  # [m] nearer than this to a limit is exactly at it; 48 in and 1219.2 mm differ by rounding alone
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
    group : str
        What shares its errors (one bay, one gate); empty: none but itself.
    cure : str
        What would cure a fail here, where it is not what cures the others.
    own : float
        The part of `sigma` that no other place of its group shares, farther than `APART` from it [m].
    """

    value: float
    sigma: float
    where: str
    place: Point | None = None
    group: str = ""
    cure: str = ""
    own: float = 0.0


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
    """A yes or no that geometry or the shop file settles; not `surely` where a figure lies nearer to its limit than it is known.

    `also` are further places it holds for beside `place` [m].
    """

    holds: bool
    surely: bool = True
    where: str = ""
    place: Point | None = None
    also: tuple[Point, ...] = ()
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


def rounded_up(length: float, units: ReportUnits) -> float:
    """Return the next length [m] up that is printed as it is: what is short is never rounded to nothing."""
    step = INCH / 16 if units == "inch" else MILLIMETRE
    return max(1, math.ceil(length / step - 1e-6)) * step


def verdict_of(margin: float, u95: float, comparator: Comparator) -> Verdict:
    """Judge a margin [m] against its expanded uncertainty [m].

    Limits are hard: no tolerance of building is taken off them.  A limit that may not be reached (a ball of its size may
    not pass) is missed when it is met exactly.
    """
    if margin < 0 or (margin == 0 and comparator in STRICT):
        return "fail"
    return "pass" if margin > u95 else "marginal"


def tightest(readings: tuple[Reading, ...], comparator: Comparator, limit: float) -> tuple[Reading, float, float, Verdict]:
    """Return the reading with the least margin, with (margin, u95 [m], verdict) of all of them together.

    Readings of one group share their errors, but for what each place has of its own; the tightest stands for the group.
    """
    groups: dict[str, list[tuple[float, Reading]]] = {}
    for reading in readings:
        groups.setdefault(reading.group or reading.where, []).append((margin_of(reading.value, comparator, limit), reading))
    standing = [_standing(group) for group in groups.values()]
    u95 = expanded([one.margins[0] for one in standing], [one.sigma for one in standing], [(one.margins, one.own) for one in standing])
    least = min(standing, key=lambda one: (round(one.margins[0] / RESOLUTION), -one.sigma))
    return least.tightest, least.margins[0], u95, verdict_of(least.margins[0], u95, comparator)


class Standing(msgspec.Struct, frozen=True, kw_only=True):
    """What a group of readings comes to: its tightest one, the margins of its places, tightest first [m], and their sigmas.

    `sigma` is that of the tightest place, `own` the part of it that every place has for itself [m].
    """

    tightest: Reading
    margins: tuple[float, ...]
    sigma: float
    own: float


def _standing(group: list[tuple[float, Reading]]) -> Standing:
    """Return what a group comes to; of places that share all of their errors the tightest stands, where others are as tight the least well known."""
    margin, least = min(group, key=lambda one: one[0])
    sigma = max(reading.sigma for other, reading in group if other - margin < ALIKE)
    own = max(reading.own for _, reading in group)
    least = msgspec.structs.replace(least, sigma=sigma)
    if own == 0:
        return Standing(tightest=least, margins=(margin,), sigma=sigma, own=0.0)
    kept: list[tuple[float, Reading]] = []
    for other, reading in sorted(group, key=lambda one: one[0]):
        if other - margin > FAR_OFF * own or len(kept) == MOST_PLACES:
            break
        if reading.own > 0 and all(_apart(reading, there) for _, there in kept):
            kept.append((other, reading))
    margins = (margin, *(other for other, _ in kept[1:])) if kept else (margin,)
    return Standing(tightest=least, margins=margins, sigma=sigma, own=own if len(margins) > 1 else 0.0)


def _apart(one: Reading, other: Reading) -> bool:
    return one.place is None or other.place is None or math.dist(one.place, other.place) > APART


def expanded(margins: Sequence[float], sigmas: Sequence[float], groups: Sequence[tuple[Sequence[float], float]] = ()) -> float:
    """Return the expanded uncertainty at 95 % [m] of the least of several margins [m].

    Parameters
    ----------
    margins, sigmas : sequence of float
        Of each group of places, at its tightest [m].
    groups : sequence of (margins, own)
        Margins of all places of each group [m] and the part of its sigma every place has for itself [m]; one place a
        group where not given.

    Notes
    -----
    A clause asks for something everywhere, so that what counts is the true least margin T = min (m_i + e_i) over all
    places, and with many places one of them is worse than planned.  With F the distribution of T, 1 - F(t) = product of
    Phi((m_i - t) / s_i), the result is the u for which F(m + u) - F(m - u) = 0.95 about the least m of the m_i: the
    coverage interval of JCGM 101:2008 (7.7) for a least value.  Nearly all that lies outside lies below, so that a margin
    beyond u says with 95 % that the whole fence holds: a guard band as long as the uncertainty of what is decided on
    (JCGM 106:2012, 8.3.2; ILAC-G8:09/2019, w = U; all from memory).  For a single place u is 1.96 s (JCGM 100:2008, 6.3);
    places with far larger margins take no part.

    A group of several places (one bay over a rough deck) lies above t with the chance E [product of Phi((m_k + c - t) / o)],
    c the error its places have in common and o what each has of its own; the mean over c by Gauss and Hermite's rule.

    The product takes errors as independent from group to group (Sidak, 1967).  Errors that places have in common make
    T larger than that, never smaller (Slepian, 1962; both from memory), and not by much: of thirty places each of which
    shares half its variance with the next one, u is 2.91 s in place of 2.93 s.

    Examples
    --------
    >>> round(expanded([0.0], [1.0]), 3)
    1.96
    >>> round(expanded([0.0] * 30, [1.0] * 30), 2)
    2.93
    """
    least, widest = min(margins), max(sigmas)
    if widest == 0:
        return 0.0
    rows = list(zip(margins, sigmas, groups or [((margin,), 0.0) for margin in margins], strict=True))
    rows = [row for row in rows if row[0] - least < 2 * FARTHEST * widest]
    low, high, at_low, at_high, moved = 0.0, FARTHEST * widest, -LEVEL, 1 - LEVEL, 0
    for _ in range(STEPS):  # false position; an end that stays twice counts half (Illinois)
        middle = (low * at_high - high * at_low) / (at_high - at_low)
        found = _above(least - middle, rows) - _above(least + middle, rows) - LEVEL
        if abs(found) < CLOSE:
            return middle
        if found < 0:
            low, at_low, at_high, moved = middle, found, at_high / 2 if moved < 0 else at_high, -1
        else:
            high, at_high, at_low, moved = middle, found, at_low / 2 if moved > 0 else at_low, 1
    return high


def _above(value: float, rows: Sequence[tuple[float, float, tuple[Sequence[float], float]]]) -> float:
    """Return the chance that all true margins lie above `value` [m]."""
    found = 1.0
    for margin, sigma, (places, own) in rows:
        if sigma <= 0:
            found = 0.0 if margin < value else found
        elif own <= 0 or margin - value > FARTHEST * sigma:
            found *= math.erfc((value - margin) / (sigma * ROOT_TWO)) / 2
        else:
            common = math.sqrt(max(sigma**2 - own**2, 0.0)) * ROOT_TWO
            found *= sum(weight * _all_above(value - common * node, places, own) for node, weight in HERMITE)
    return found


def _all_above(value: float, places: Sequence[float], own: float) -> float:
    found = 1.0
    for margin in places:
        found *= math.erfc((value - margin) / (own * ROOT_TWO)) / 2
    return found
