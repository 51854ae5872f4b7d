"""Readings that cannot be, and holes that stand elsewhere: named by what explains the sheet best."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.drilling.network import Network, Observed, Vector
from pipeline.units import FOOT, INCH, MILLIMETRE, ReportUnits, format_length

WRONG: Final = 0.5  # [m] one sigma of a reading that is wrong for no known cause
OFF: Final = 0.06  # [m] one sigma, each way, of a hole that stands elsewhere (own judgement: a hand's breadth is far)
SIZES: Final = (0.005, 0.0075, 0.01, 0.015, 0.02, 0.03, 0.04, 0.06, 0.09, 0.13, 0.2)  # [m] how far a hole that stands elsewhere may be tried to
APART: Final = 2 * math.log(20.0)  # an explanation is taken when it is twenty times as likely as any other
MOST: Final = 16  # explanations of one sheet: a sheet with more is no sheet of these holes
# How often a thing happens, one in so many (own judgement; twice or half as often changes no finding of the simulations).
ONE_IN: Final[dict[str, float]] = {
    "reading": 300.0,
    "shot": 3000.0,
    "slip": 3000.0,
    "cells": 1000.0,
    "rows": 300.0,
    "far rows": 1000.0,
    "hole": 200.0,
}
GAIN_DIGITS: Final = 6  # of a gain [-]: nearer than this two explanations are equal, whatever the order of sums
NO_SWAP: Final = 0.01  # [m] rows that differ by less may be swapped or not: nothing tells, and nothing follows
NEAR: Final = 0.3  # [m] a hole that is not there belongs to the bay it would stand in, or stood beside
IndexArray = NDArray[np.int64]

Kind = Literal["reading", "hole"]


@dataclass(frozen=True)
class Explanation:
    """One way in which the sheet may have come about.

    Parameters
    ----------
    kind : Kind
        Readings that are wrong, or a hole that stands elsewhere.
    readings : tuple of int
        Those not to be followed.
    hole : str
        The one that stands elsewhere.
    shifts : dict
        Reading to how much too long it would be by this cause [m]; empty when the cause is not known.
    rare : float
        Twice the logarithm of one in how many.
    cause : str
        In words.
    """

    kind: Kind
    readings: tuple[int, ...] = ()
    hole: str = ""
    shifts: Mapping[int, float] = field(default_factory=dict)
    rare: float = 0.0
    cause: str = ""

    @property
    def treatment(self) -> tuple[tuple[int, ...], str]:
        """What follows from it: readings left out, or a hole let go."""
        return tuple(sorted(self.readings)), self.hole


@dataclass(frozen=True)
class Found:
    """What explains a sheet, and where two explanations are too near to each other to tell."""

    taken: tuple[Explanation, ...]
    doubts: tuple[tuple[Explanation, Explanation], ...]


def explained(network: Network, state: Vector, units: ReportUnits, bore: float) -> Found:
    """Return what explains the readings best.

    Parameters
    ----------
    network, state, units, bore
        Unknowns and readings; where these are linearised [m]; what the tape was read in, so that a slip is one of feet and inches or of
        millimetres; diameter of a hole [m].

    Notes
    -----
    With the plan as Gaussian prior the misclosures l are Gaussian of covariance C = A S Aᵀ + R.  An explanation changes C (a reading with a variance of
    its own, a hole that may stand anywhere near) or l (a foot too much, two rows exchanged); it is judged by the change of -2 ln likelihood, lᵀ C⁻¹ l +
    ln det C, less twice the logarithm of how rare it is.  They are taken one by one, the best first (rank-one updates of C⁻¹; own derivation).  Each is then
    forbidden in turn and the rest sought anew: where another is nearly as likely and leads to something else, the sheet does not tell.
    """
    catalogue = _Catalogue(_explanations(network, units, bore))
    base = _Sheet.of(network, state)
    taken, gain = _greedy(base, catalogue, frozenset())
    doubts: list[tuple[Explanation, Explanation]] = []
    if len(taken) == MOST:
        return Found(tuple(taken), ())
    for one in taken:
        others, other_gain = _greedy(base, catalogue, frozenset({one.treatment}))
        if gain - other_gain < APART and {other.treatment for other in others} != {other.treatment for other in taken}:
            instead = next((other for other in others if other.treatment not in {own.treatment for own in taken}), None)
            if instead is not None:
                doubts.append((one, instead))
    return Found(tuple(taken), tuple(doubts))


def how_far(network: Network, state: Vector, found: Found) -> dict[str, float]:
    """Return for every hole that stands elsewhere how far, as one sigma each way [m]: what makes the sheet likeliest.

    Along the line a hole off by 21 mm then says that it may be off by as much across, and not by a hand's breadth (the prior's variance by the largest
    marginal likelihood, over a few sizes).
    """
    sizes = {one.hole: OFF for one in found.taken if one.hole}
    bare = _Sheet.of(network, state)
    for one in found.taken:
        bare = bare.with_(one) if one.readings else bare
    for hole in sizes:
        others = bare
        for other, size in sizes.items():
            others = others.loosened(other, size) if other != hole else others
        sizes[hole] = min(SIZES, key=lambda size: round(others.loosened(hole, size).unlikely, GAIN_DIGITS))
    return sizes


@dataclass(frozen=True)
class _Sheet:
    """Misclosures with their covariance under what is taken so far."""

    network: Network
    slopes: Vector
    misclosure: Vector
    covariance: Vector

    @classmethod
    def of(cls, network: Network, state: Vector) -> _Sheet:
        computed, slopes = network.computed(state)
        values = np.array([one.value for one in network.observed])
        variances = np.array([one.sigma**2 for one in network.observed])
        misclosure = values - computed + slopes @ (state - network.start)
        return cls(network, slopes, misclosure, slopes @ network.prior @ slopes.T + np.diag(variances))

    def with_(self, one: Explanation) -> _Sheet:
        """Return the sheet once an explanation is taken: its readings count no more, its hole is free."""
        covariance = self.covariance.copy()
        for index in one.readings:
            covariance[index, index] += WRONG**2
        sheet = _Sheet(self.network, self.slopes, self.misclosure, covariance)
        return sheet.loosened(one.hole, OFF) if one.hole else sheet

    def loosened(self, hole: str, size: float) -> _Sheet:
        """Return the sheet with a hole that may stand anywhere within about `size` [m]."""
        part = self.slopes[:, self.network.at(hole)]
        return _Sheet(self.network, self.slopes, self.misclosure, self.covariance + size**2 * part @ part.T)

    @property
    def unlikely(self) -> float:
        """Minus twice the logarithm of how likely the misclosures are, but for a constant."""
        return float(self.misclosure @ np.linalg.solve(self.covariance, self.misclosure) + np.linalg.slogdet(self.covariance)[1])


class _Catalogue:
    """All explanations in a row, those by known shifts as arrays: there are thousands of pairs of rows, and each is asked again and again."""

    def __init__(self, every: Iterator[Explanation]) -> None:
        self.every = tuple(every)
        self.free = tuple(index for index, one in enumerate(self.every) if not one.shifts)
        sizes = sorted({len(one.shifts) for one in self.every if one.shifts})
        self.shifted = tuple(self._arrays(tuple(index for index, one in enumerate(self.every) if len(one.shifts) == size)) for size in sizes)

    def _arrays(self, indices: tuple[int, ...]) -> tuple[IndexArray, IndexArray, Vector, Vector]:
        ones = [self.every[index] for index in indices]
        readings = np.array([list(one.shifts) for one in ones])
        shifts = np.array([list(one.shifts.values()) for one in ones])
        return np.array(indices), readings, shifts, np.array([one.rare for one in ones])

    def gains(self, sheet: _Sheet) -> Vector:
        """Return of each how much likelier the sheet is with it: minus twice the change of the logarithm, less its rarity."""
        weights: Vector = np.asarray(np.linalg.inv(sheet.covariance), dtype=np.float64)
        pull: Vector = np.asarray(weights @ sheet.misclosure, dtype=np.float64)
        gains = np.zeros(len(self.every))
        for indices, readings, shifts, rare in self.shifted:
            own = weights[readings[:, :, None], readings[:, None, :]]
            gains[indices] = 2 * (shifts * pull[readings]).sum(axis=1) - np.einsum("ka,kab,kb->k", shifts, own, shifts) - rare
        for index in self.free:
            gains[index] = _gain_of_freedom(sheet, weights, pull, self.every[index])
        return gains


def _gain_of_freedom(sheet: _Sheet, weights: Vector, pull: Vector, one: Explanation) -> float:
    """Return the gain of letting a hole go, or of readings that say nothing."""
    if one.hole:
        part = sheet.slopes[:, sheet.network.at(one.hole)]
        inner, size, towards = part.T @ weights @ part, OFF**2, part.T @ pull
    else:
        at = list(one.readings)
        inner, size, towards = weights[np.ix_(at, at)], WRONG**2, pull[at]
    bent = np.eye(len(towards)) + size * inner
    return float(size * towards @ np.linalg.solve(bent, towards) - np.log(np.linalg.det(bent))) - one.rare


def _greedy(sheet: _Sheet, catalogue: _Catalogue, forbidden: frozenset[tuple[tuple[int, ...], str]]) -> tuple[list[Explanation], float]:
    """Take explanations one by one while they make the sheet likelier; returns them and the gain of all."""
    taken: list[Explanation] = []
    total, out, free = 0.0, set[int](), set[str]()
    while len(taken) < MOST:
        gains = np.round(catalogue.gains(sheet), GAIN_DIGITS)
        allowed = (index for index in _by_gain(gains) if _may(catalogue.every[index], out, free, forbidden))
        index = next(allowed, None)
        if index is None:
            break
        best = catalogue.every[index]
        taken.append(best)
        total += float(gains[index])
        out.update(best.readings)
        free |= {best.hole} - {""}
        sheet = sheet.with_(best)
    return taken, total


def _by_gain(gains: Vector) -> Iterator[int]:
    """Yield where something is gained, the best first, of equals the first in the catalogue."""
    return (int(index) for index in np.argsort(-gains, kind="stable") if gains[index] > 0)


def _may(one: Explanation, out: set[int], free: set[str], forbidden: frozenset[tuple[tuple[int, ...], str]]) -> bool:
    return not out.intersection(one.readings) and one.hole not in free and one.treatment not in forbidden


def _explanations(network: Network, units: ReportUnits, bore: float) -> Iterator[Explanation]:
    observed = network.observed
    by_row: dict[int, dict[str, int]] = {}
    for index, one in enumerate(observed):
        by_row.setdefault(one.row, {})[one.column] = index
        if one.kind in ("to-next", "tie"):
            yield Explanation("reading", readings=(index,), rare=_rare("reading"))
            for cause, shift in _tape_slips(one, units, bore):
                yield Explanation("reading", readings=(index,), shifts={index: shift}, rare=_rare("slip"), cause=cause)
    yield from _skipped(network)
    yield from _to_no_hole(network)
    for row in by_row.values():
        if "east" in row and "north" in row:
            yield from _wrong_shots(network, row["east"], row["north"])
        if "tie_a" in row and "tie_b" in row:
            yield from _exchanged(network, row["tie_a"], row["tie_b"])
    yield from _swapped_rows(network, by_row)
    for hole in network.lineup.holes:
        if not hole.loose and hole.name not in network.lineup.missing:
            yield Explanation("hole", hole=hole.name, rare=_rare("hole"))


def _rare(what: str, times: float = 1.0) -> float:
    return 2 * math.log(ONE_IN[what] * times)


def _tape_slips(one: Observed, units: ReportUnits, bore: float) -> Iterator[tuple[str, float]]:
    """Yield what a tape may be misread by, and how much longer it then reads [m]."""
    feet = (("ten feet", 10 * FOOT), ("a foot", FOOT), ("ten inches", 10 * INCH), ("an inch", INCH), ("half an inch", INCH / 2))
    metric = (("a metre", 1.0), ("ten centimetres", 0.1), ("five centimetres", 0.05), ("a centimetre", 0.01))
    for words, size in feet if units == "inch" else metric:
        yield f"{words} too much", size
        yield f"{words} too little", -size
    yield "measured to the far edges of the bores, not centre to centre", bore
    yield "measured to the near edges of the bores, not centre to centre", -bore
    if units == "mm":
        yield from _turned_digits(one.figure.value)


def _turned_digits(value: float) -> Iterator[tuple[str, float]]:
    """Yield every exchange of two neighbouring digits of a reading in millimetres."""
    digits = str(round(value / MILLIMETRE))
    for at in range(len(digits) - 1):
        turned = digits[:at] + digits[at + 1] + digits[at] + digits[at + 2 :]
        if turned != digits:
            yield f"two digits exchanged, {digits} for {turned}", (int(digits) - int(turned)) * MILLIMETRE


def _skipped(network: Network) -> Iterator[Explanation]:
    """Yield readings that went on to the hole after the next."""
    places = {hole.name: hole.place for hole in network.lineup.holes}
    for index, one in enumerate(network.observed):
        beyond = network.lineup.tape_next.get(one.to, "") if one.kind == "to-next" else ""
        if beyond and beyond != one.hole:
            shift = math.dist(places[one.hole], places[beyond]) - math.dist(places[one.hole], places[one.to])
            yield Explanation("reading", readings=(index,), shifts={index: shift}, rare=_rare("slip"), cause=f"measured to {beyond}, past {one.to}")


def _to_no_hole(network: Network) -> Iterator[Explanation]:
    """Yield readings that went to the mark of a hole that is not there."""
    lineup = network.lineup
    gone = {hole.name: hole.place for hole in lineup.line if hole.name in lineup.missing}
    gone |= {hole.plan.name: hole.plan.place for hole in lineup.line if hole.name in lineup.instead_of}
    places = {hole.name: hole.place for hole in lineup.holes}
    for index, one in enumerate(network.observed):
        if one.kind != "to-next":
            continue
        reach = math.dist(places[one.hole], places[one.to])
        for name, place in gone.items():
            shift = math.dist(places[one.hole], place) - reach
            if name != one.hole and max(math.dist(places[one.hole], place), math.dist(places[one.to], place)) < reach + NEAR and abs(shift) > NO_SWAP:
                yield Explanation(
                    "reading",
                    readings=(index,),
                    shifts={index: shift},
                    rare=_rare("slip"),
                    cause=f"measured to the mark of {name}, which is not there",
                )


def _wrong_shots(network: Network, east: int, north: int) -> Iterator[Explanation]:
    one, other = network.observed[east], network.observed[north]
    yield Explanation("reading", readings=(east, north), rare=_rare("shot"))
    if one.planned is not None and other.planned is not None:
        # Exchanged, each reads what the other should: in the plan's coordinates only where the survey's frame is not far off.
        shifts = {east: one.value - other.value, north: other.value - one.value}
        yield Explanation("reading", readings=(east, north), shifts=shifts, rare=_rare("cells"), cause="east and north exchanged")
    for index in (east, north):
        for words, size in (("a metre", 1.0), ("ten metres", 10.0), ("a foot", FOOT), ("ten feet", 10 * FOOT)):
            for sign, side in ((1.0, "much"), (-1.0, "little")):
                yield Explanation("reading", (east, north), shifts={index: sign * size}, rare=_rare("slip"), cause=f"{words} too {side}")


def _exchanged(network: Network, first: int, second: int) -> Iterator[Explanation]:
    one, other = network.observed[first], network.observed[second]
    shifts = {first: one.value - other.value, second: other.value - one.value}
    yield Explanation("reading", readings=(first, second), shifts=shifts, rare=_rare("cells"), cause="tie_a and tie_b exchanged")


def _swapped_rows(network: Network, by_row: Mapping[int, Mapping[str, int]]) -> Iterator[Explanation]:
    """Yield every two rows written into each other's line."""
    rows = sorted(by_row)
    for (at, row), (other_at, other) in itertools.combinations(enumerate(rows), 2):
        mine, its = by_row[row], by_row[other]
        if set(mine) != set(its):
            continue
        pairs = [(mine[column], its[column]) for column in mine]
        shifts: dict[int, float] = {}
        for here, there in pairs:
            difference = network.observed[here].value - network.observed[there].value
            shifts |= {here: difference, there: -difference}
        if max(map(abs, shifts.values())) < NO_SWAP:
            continue
        rare = _rare("rows") if other_at == at + 1 else _rare("far rows", len(rows))
        names = f"{network.observed[pairs[0][0]].hole} and {network.observed[pairs[0][1]].hole}"
        readings = tuple(sorted(index for pair in pairs for index in pair))
        yield Explanation("reading", readings=readings, shifts=shifts, rare=rare, cause=f"the rows {names} are swapped")


def in_words(network: Network, one: Explanation, units: ReportUnits) -> str:
    """Return what an explanation says, in words."""
    if one.hole:
        return f"{one.hole} stands elsewhere"
    return "; ".join(f"{reading_in_words(network.observed[index], units)} is misread" for index in one.readings) + (
        f": {one.cause}" if one.cause else ""
    )


def reading_in_words(one: Observed, units: ReportUnits) -> str:
    """Return a reading in words, with its line."""
    if one.kind in ("east", "north"):
        return f"the {one.kind}ing of {one.hole} (line {one.row})"
    return f"{one.hole} to {'mark ' if one.kind == 'tie' else ''}{one.to}, {format_length(one.figure.value, units)} (line {one.row})"
