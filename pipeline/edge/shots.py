"""The shots of each line, gathered from the survey by the code grammar."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.model.survey import Survey, SurveyPoint

Array = NDArray[np.float64]

CLOSED_CODES: Final = frozenset({"WATER", "COPING", "DECK", "OBJECT"})
STANDING: Final = frozenset({"used", "suspect"})  # states of a point that may carry a line


class Shots(msgspec.Struct, frozen=True, kw_only=True):
    """A row of shots in the order they follow each other along a line.

    Parameters
    ----------
    names : tuple of str
    points : (n, 2) array
        [m]
    covariances : (n, 2, 2) array
        [m²]
    curved : (n,) array
        1 strictly within a stretch coded as a curve (between PC and PT), 2 at its ends, 0 where nothing is said.
    beside_gaps : frozenset of str
        Shots whose neighbour was left out: how sharply the line turns at them tells nothing of a corner.
    """

    names: tuple[str, ...]
    points: Array
    covariances: Array
    curved: NDArray[np.int64]
    beside_gaps: frozenset[str] = frozenset()

    def __len__(self) -> int:
        return len(self.names)

    def taken(self, index: Iterable[int]) -> Shots:
        """Return the shots of these indices, in their order."""
        rows = np.fromiter(index, dtype=np.intp)
        return Shots(
            names=tuple(self.names[row] for row in rows),
            points=self.points[rows],
            covariances=self.covariances[rows],
            curved=self.curved[rows],
            beside_gaps=self.beside_gaps,
        )

    def without(self, index: Iterable[int]) -> Shots:
        """Return the other shots; those beside the ones left out are marked as beside a gap."""
        out, count = set(index), len(self)
        left = [row for row in range(count) if row not in out]
        edges = {row for row in left if (row - 1) % count in out or (row + 1) % count in out}
        return msgspec.structs.replace(self.taken(left), beside_gaps=self.beside_gaps | {self.names[row] for row in edges})

    @property
    def sigmas(self) -> Array:
        """One standard deviation [m] per shot, the mean over directions."""
        return np.asarray(np.sqrt(np.trace(self.covariances, axis1=1, axis2=2) / 2))


class Line(msgspec.Struct, frozen=True, kw_only=True):
    """One line of the survey: its code, number, shots, and whether it closes."""

    code: str
    line: str
    points: tuple[SurveyPoint, ...]
    closed: bool

    @property
    def name(self) -> str:
        """As the crew wrote it ("WALL2")."""
        return f"{self.code}{self.line}"


def standing(survey: Survey, *codes: str) -> tuple[SurveyPoint, ...]:
    """Return the points of these codes that may be used, in the order shot."""
    found = [point for point in survey.points if point.code in codes and point.state in STANDING]
    return tuple(sorted(found, key=lambda point: point.order))


def lines_of(survey: Survey, code: str) -> tuple[Line, ...]:
    """Return the lines of one code; B begins a new line, E ends one, C closes it.

    Lines come in the order of their first shots.  Lines cut out of one number by B are told apart by a letter.
    """
    rows: dict[str, list[list[SurveyPoint]]] = {}
    ended: dict[str, bool] = {}
    for point in standing(survey, code):
        runs = rows.setdefault(point.line, [[]])
        if runs[-1] and ("B" in point.modifiers or ended.get(point.line, False)):
            runs.append([])
        runs[-1].append(point)
        ended[point.line] = bool({"E", "C"} & set(point.modifiers))
    lines = []
    for number, runs in rows.items():
        for run, points in enumerate(runs):
            closes = any("C" in point.modifiers for point in points)
            name = number if run == 0 else f"{number}{chr(ord('a') + run)}"
            lines.append(Line(code=code, line=name, points=tuple(points), closed=closes or code in CLOSED_CODES))
    return tuple(lines)


def shots_of(points: Iterable[SurveyPoint]) -> Shots:
    """Return points as arrays, with what PC and PT say about curves."""
    row = list(points)
    covariances = np.array([[[p.sigma_east**2, p.cov_east_north], [p.cov_east_north, p.sigma_north**2]] for p in row], dtype=np.float64)
    return Shots(
        names=tuple(point.point for point in row),
        points=np.array([point.place for point in row], dtype=np.float64).reshape(-1, 2),
        covariances=covariances.reshape(-1, 2, 2),
        curved=_curved(row),
    )


def _curved(row: list[SurveyPoint]) -> NDArray[np.int64]:
    flags = np.zeros(len(row), dtype=np.int64)
    if not any({"PC", "PT"} & set(point.modifiers) for point in row):
        return flags
    within = False
    for index, point in enumerate(row):
        if "PC" in point.modifiers or "PT" in point.modifiers:
            flags[index] = 2
            within = "PC" in point.modifiers
        elif within:
            flags[index] = 1
    return flags
