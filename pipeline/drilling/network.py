"""What was measured between holes, marks and the instrument's frame, as one linearised Gaussian model."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.drilling.lineup import Expected, Lineup
from pipeline.drilling.sheet import Figure, SheetRow
from pipeline.geometry.chain import Point
from pipeline.model.drilling import ReadingKind
from pipeline.model.site import Mark

Vector = NDArray[np.float64]
AGAIN: Final = 0.5  # [m] one sigma of how far a second frame lies off the first, where marks tie it
TURNED: Final = 0.02  # [rad] the same of its turn
TURNED_LITTLE: Final = 2e-4  # [rad] of an instrument set up again on the same marks (own judgement)
HALF_STEP: Final = 1e-6  # [m] of rounding in binary fractions


class Sigmas(msgspec.Struct, frozen=True, kw_only=True):
    """A-priori standard deviations of one reading [m]: hole to hole, mark to hole, one coordinate."""

    to_next: float
    tie: float
    coordinate: float


class Observed(msgspec.Struct, frozen=True, kw_only=True):
    """One reading as it enters the adjustment.

    Parameters
    ----------
    hole, to : str
        `to` is the next hole or the mark; empty for a coordinate.
    kind : ReadingKind
    column : str
        Of the sheet.
    figure : Figure
        As read; a coordinate in job-plan coordinates.
    value : float
        The same, or the plan's own where it reads the same [m].
    planned : float or None
        [m]
    sigma : float
        [m]
    row : int
    """

    hole: str
    to: str
    kind: ReadingKind
    column: str
    figure: Figure
    value: float
    planned: float | None
    sigma: float
    row: int


@dataclass(frozen=True)
class Network:
    """Unknowns with what is known of them beforehand, and readings.

    The unknowns are east and north of every hole and mark, and a shift and turn of the frame the coordinates are in.
    """

    lineup: Lineup
    marks: tuple[Mark, ...]
    observed: tuple[Observed, ...]
    names: dict[str, int]  # of hole or mark, to its place among the unknowns
    start: Vector
    prior: Vector  # covariance of the unknowns before anything was read
    centre: Point

    @property
    def holes(self) -> int:
        return len(self.lineup.holes)

    def at(self, name: str) -> slice:
        """Return where a hole's or mark's coordinates stand among the unknowns."""
        return slice(2 * self.names[name], 2 * self.names[name] + 2)

    def computed(self, state: Vector) -> tuple[Vector, Vector]:
        """Return what the readings would be [m], and their derivatives, at a state of the unknowns."""
        values, slopes = np.zeros(len(self.observed)), np.zeros((len(self.observed), len(state)))
        for index, one in enumerate(self.observed):
            values[index] = self._compute(one, state, slopes[index])
        return values, slopes

    def _compute(self, one: Observed, state: Vector, slope: Vector) -> float:
        here = state[self.at(one.hole)]
        if one.kind in ("to-next", "tie"):
            way = state[self.at(one.to)] - here
            length = max(math.hypot(way[0], way[1]), 1e-6)
            slope[self.at(one.hole)] -= way / length
            slope[self.at(one.to)] += way / length
            return length
        axis = 0 if one.kind == "east" else 1
        shift, turn = state[-3:-1], state[-1]
        arm = (-(here[1] - self.centre[1]), here[0] - self.centre[0])
        slope[2 * self.names[one.hole] + axis] = 1.0
        slope[2 * self.names[one.hole] + 1 - axis] = -turn if axis == 0 else turn
        slope[len(state) - 3 + axis] = 1.0
        slope[len(state) - 1] = arm[axis]
        return float(here[axis] + shift[axis] + turn * arm[axis])


def network_of(lineup: Lineup, rows: Sequence[SheetRow], marks: Mapping[str, Mark], sigmas: Sigmas) -> Network:
    """Gather what was read and what is known beforehand."""
    observed = tuple(one for row in rows for one in _observed(row, lineup, marks, sigmas))
    seen = dict.fromkeys(name for one in observed for name in (one.hole, one.to) if name in marks)
    used = tuple(marks[name] for name in seen)
    names = {name: index for index, name in enumerate([*(hole.name for hole in lineup.holes), *seen])}
    places = [*(hole.place for hole in lineup.holes), *(mark.place for mark in used)]
    again = sum(one.kind == "east" and one.hole in marks for one in observed)
    return Network(
        lineup=lineup,
        marks=used,
        observed=observed,
        names=names,
        start=np.array([*(value for place in places for value in place), 0.0, 0.0, 0.0]),
        prior=_prior(lineup, used, again, sigmas),
        centre=(sum(hole.place[0] for hole in lineup.holes) / len(lineup.holes), sum(hole.place[1] for hole in lineup.holes) / len(lineup.holes)),
    )


def loosened(prior: Vector, at: slice, sigma: float) -> Vector:
    """Return a covariance in which one hole may stand anywhere within about `sigma` [m]."""
    loose = prior.copy()
    loose[at, at] += np.eye(2) * sigma**2
    return loose


def _prior(lineup: Lineup, marks: Sequence[Mark], again: int, sigmas: Sigmas) -> Vector:
    count = 2 * (len(lineup.holes) + len(marks)) + 3
    prior = np.zeros((count, count))
    for index, hole in enumerate(lineup.holes):
        along = np.array(hole.along)
        across = np.array([-along[1], along[0]])
        prior[2 * index : 2 * index + 2, 2 * index : 2 * index + 2] = (
            np.outer(along, along) * hole.sigma_along**2 + np.outer(across, across) * hole.sigma_across**2
        )
    for index, mark in enumerate(marks, len(lineup.holes)):
        prior[2 * index : 2 * index + 2, 2 * index : 2 * index + 2] = np.eye(2) * max(mark.sigma, 1e-5) ** 2
    shift = AGAIN if again else sigmas.coordinate
    turn = TURNED if again >= 2 else TURNED_LITTLE
    prior[-3, -3] = prior[-2, -2] = shift**2
    prior[-1, -1] = turn**2
    return prior


def _observed(row: SheetRow, lineup: Lineup, marks: Mapping[str, Mark], sigmas: Sigmas) -> list[Observed]:
    """Return the readings of a row that say something of a hole that stands, or of a mark."""
    hole = next((one for one in lineup.holes if one.name == row.hole), None)
    found: list[Observed] = []
    if hole is None and row.hole in marks and row.place:
        return _coordinates(row, marks[row.hole].place, sigmas)
    if hole is None or row.hole in lineup.missing:
        return []
    after = lineup.tape_next.get(row.hole)
    if row.to_next and after:
        planned = _planned_between(lineup, hole, after)
        found.append(_reading(row, "to_next", "to-next", after, row.to_next, planned, sigmas.to_next))
    for number, (column, figure) in enumerate((("tie_a", row.tie_a), ("tie_b", row.tie_b))):
        if figure and number < len(hole.plan.ties) and hole.plan.ties[number].mark in marks:
            tie = hole.plan.ties[number]
            found.append(_reading(row, column, "tie", tie.mark, figure, None if hole.added else tie.distance, sigmas.tie))
    return found + (_coordinates(row, None if hole.added else hole.plan.place, sigmas) if row.place else [])


def _planned_between(lineup: Lineup, hole: Expected, after: str) -> float | None:
    """Return what the plan has from a hole to the one the tape went to [m]; None where one of them is not in the plan."""
    line = {one.name: index for index, one in enumerate(lineup.line)}
    other = lineup.line[line[after]]
    if hole.added or other.added:
        return None
    follows = (line[hole.name] + 1) % len(line) == line[after] and hole.plan.to_next is not None
    return hole.plan.to_next if follows and not lineup.abandoned else math.dist(hole.place, other.place)


def _coordinates(row: SheetRow, planned: Point | None, sigmas: Sigmas) -> list[Observed]:
    assert row.place is not None
    kinds: tuple[ReadingKind, ReadingKind] = ("east", "north")
    return [
        _reading(row, kind, kind, "", figure, planned[axis] if planned else None, sigmas.coordinate)
        for axis, (kind, figure) in enumerate(zip(kinds, row.place, strict=True))
    ]


def _reading(row: SheetRow, column: str, kind: ReadingKind, to: str, figure: Figure, planned: float | None, sigma: float) -> Observed:
    """Return a reading; one that reads as the plan's own does is taken for it."""
    same = planned is not None and abs(figure.value - planned) <= figure.step / 2 + HALF_STEP
    return Observed(
        hole=row.hole,
        to=to,
        kind=kind,
        column=column,
        figure=figure,
        value=planned if same and planned is not None else figure.value,
        planned=planned,
        sigma=math.hypot(sigma, figure.step / math.sqrt(12)),
        row=row.row,
    )
