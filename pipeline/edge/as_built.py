"""One line as built: its shots tidied, its pieces found, blunders set aside, hypotheses tried, the result told."""

from __future__ import annotations

import math
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.blunders import most_set_aside, off_the_line, snooped
from pipeline.edge.dense import DENSE, searched_dense
from pipeline.edge.fit import Shape, cornered, settled
from pipeline.edge.hypotheses import with_hypotheses
from pipeline.edge.order import Tidied, tidied
from pipeline.edge.search import Searched, searched
from pipeline.edge.shots import Shots
from pipeline.geometry.projection import project

Array = NDArray[np.float64]

GLOBAL_SHARE: Final = 2.326  # normal quantile of 1 %: beyond it the a-priori sigmas are too small for this line
LEAST_EXTENT: Final = 10.0  # [-] standard deviations of a shot that a line must be long
OUT_OF_ORDER: Final = 6.0  # [-] standard deviations a shot must lie behind the one before it
BOUGHT_BACK: Final = 4.0  # standardised distance within which a shot set aside is taken back


class SetAside(msgspec.Struct, frozen=True, kw_only=True):
    """A shot that does not belong to the line: its name, and how far off it lies [m], left positive."""

    name: str
    offset: float


class AsBuilt(msgspec.Struct, frozen=True, kw_only=True):
    """A line as built, with all that was done to its shots.

    Parameters
    ----------
    shape : Shape
        The adjusted chain on the shots it rests on.
    scale : float
        Variance factor by which the stated uncertainty is widened [-]; 1 unless the global test asks for more.
    tidied : Tidied
        Doubles and repairs of the order.
    set_aside : tuple of SetAside
    late : tuple of str
        Shots whose place in the order only the fitted line told.
    notes : tuple of str
        Tests made, with their figures.
    """

    shape: Shape
    scale: float
    tidied: Tidied
    set_aside: tuple[SetAside, ...] = ()
    late: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def as_built(shots: Shots, *, closed: bool, arcs: bool, blunders: bool = True) -> AsBuilt:
    """Fit one line of shots.

    Parameters
    ----------
    shots : Shots
        In the order shot; of a closed line in either sense.
    closed : bool
        Whether the line closes; it then comes out counter-clockwise.
    arcs : bool
        Whether it may have arcs.
    blunders : bool
        Whether shots that no piece explains may be set aside.  Where a line is shot at its corners, or a part of it left
        out would be unsafe (a deck's edge), they may not; only snooping then tells single bad shots.

    Raises
    ------
    ValueError
        When the shots make no line.
    """
    if float(np.ptp(shots.points, axis=0).max()) < LEAST_EXTENT * float(shots.sigmas.max()):
        raise ValueError("all shots lie in one place")
    tidy = tidied(shots, closed=closed)
    row = _counter_clockwise(tidy.shots) if closed else tidy.shots
    found, aside = _without_blunders(row, closed=closed, arcs=arcs, blunders=blunders)
    late = _behind(found.shape)
    if late and len(row) <= DENSE:
        found = searched(_along(found.shape), closed=closed, arcs=arcs)
    shape, notes = with_hypotheses(found.shape)
    shape = settled(cornered(shape))
    offsets = project(shape.chain, row.points[aside])[1]
    return AsBuilt(
        shape=shape,
        scale=_scale(shape, found.noise),
        tidied=tidy,
        set_aside=tuple(SetAside(name=row.names[index], offset=float(offset)) for index, offset in zip(aside, offsets, strict=True)),
        late=late,
        notes=notes,
    )


def _counter_clockwise(shots: Shots) -> Shots:
    """Return the shots of a closed line counter-clockwise, from the one farthest from their middle: wherever the crew began."""
    away = shots.points - shots.points.mean(axis=0)
    x, y = away.T
    doubled = float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    first, step = int(np.argmax((away**2).sum(axis=1))), 1 if doubled >= 0 else -1
    return shots.taken((first + step * index) % len(shots) for index in range(len(shots)))


def _without_blunders(row: Shots, *, closed: bool, arcs: bool, blunders: bool) -> tuple[Searched, list[int]]:
    """Return what is found without blunders, and the indices of those."""
    if len(row) > DENSE:
        dense, off = searched_dense(row, closed=closed, arcs=arcs)
        return dense, list(off)
    aside = list(off_the_line(row, closed=closed, arcs=arcs)) if blunders else []
    found = searched(_rest(row, aside), closed=closed, arcs=arcs)
    singles: list[int] = []
    while len(aside) + len(singles) <= most_set_aside(len(row)):
        worst = snooped(found.shape, found.noise)
        if worst is None or len(found.shape.shots) <= 4:
            break
        index = row.names.index(found.shape.shots.names[worst])
        if {(index - 1) % len(row), (index + 1) % len(row)} & set(singles):
            singles = []  # shot after shot set aside is a feature of the edge, not blunders
            found = searched(_rest(row, aside), closed=closed, arcs=arcs)
            break
        singles.append(index)
        found = searched(_rest(row, aside + singles), closed=closed, arcs=arcs)
    aside += singles
    back = [index for index in aside if _agrees(found, row, index)]
    if back:
        aside = [index for index in aside if index not in back]
        found = searched(_rest(row, aside), closed=closed, arcs=arcs)
    return found, sorted(aside)


def _rest(row: Shots, aside: list[int]) -> Shots:
    return row.taken(index for index in range(len(row)) if index not in set(aside))


def _agrees(found: Searched, row: Shots, index: int) -> bool:
    """Say whether a shot set aside lies on the line that was found without it after all."""
    offset = abs(float(project(found.shape.chain, row.points[index : index + 1])[1][0]))
    return offset < BOUGHT_BACK * float(row.sigmas[index]) * math.sqrt(max(1.0, found.noise)) / 2


def _behind(shape: Shape) -> tuple[str, ...]:
    """Return the shots that lie behind the one before them along the fitted line."""
    stations = project(shape.chain, shape.shots.points)[0]
    steps = np.diff(stations, append=stations[:1]) if shape.chain.closed else np.diff(stations)
    length = shape.chain.length
    if shape.chain.closed:
        steps = (steps + length / 2) % length - length / 2
    back = np.flatnonzero(steps < -OUT_OF_ORDER * float(np.median(shape.shots.sigmas)))
    return tuple(shape.shots.names[int(index)] for index in back)


def _along(shape: Shape) -> Shots:
    """Return the shots in the order of the fitted line."""
    return shape.shots.taken(np.argsort(project(shape.chain, shape.shots.points)[0], kind="stable").tolist())


def _scale(shape: Shape, noise: float) -> float:
    """Return the a-posteriori variance factor where the global test rejects the a-priori one, else 1.

    The limit is chi-square's 99 % point by Wilson and Hilferty's cube root.
    """
    freedom = shape.fit.degrees_of_freedom
    if freedom <= 0:
        return max(1.0, noise)
    part = 2 / (9 * freedom)
    limit = (1 - part + GLOBAL_SHARE * math.sqrt(part)) ** 3
    return shape.fit.variance_factor if shape.fit.variance_factor > limit else 1.0
