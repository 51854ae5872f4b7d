"""Which reading its shots have as a line: a free curve, free stretches between corners, or lines and arcs; without the blunders, in order."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np

from pipeline.edge.blunders import off_the_line
from pipeline.edge.dense import DENSE, searched_dense
from pipeline.edge.few_shots import rows_about
from pipeline.edge.fit import Shape
from pipeline.edge.free_line import (
    Free,
    dense_free,
    on_every_shot,
    plainly_free,
    rather_free,
    rather_free_than_mixed,
    rather_mixed,
    rather_mixed_than_free,
)
from pipeline.edge.order import crossing
from pipeline.edge.search import Searched, searched
from pipeline.edge.shots import Shots
from pipeline.edge.weighing import Told, most_set_aside, snooped
from pipeline.edge.without_run import length_over, searched_or_none
from pipeline.geometry.projection import project

OUT_OF_ORDER: Final = 4.25  # [-] standard deviations a shot must lie behind the one before it, three of their difference,
SPACED: Final = 6.0  # [-] in a line whose shots stand farther apart than so many
BOUGHT_BACK: Final = 4.0  # standardised distance within which a shot set aside is taken back
MANY_SHOTS: Final = 120  # of a line, beyond which free curves and stretches are sought on every second, third ... of them,
SOME: Final = 90  # so that no more than these are left


class AsRead(msgspec.Struct, frozen=True, kw_only=True):
    """What a row of shots is read as: a free line, or lines and arcs; the shots set aside by index, what is told of others, late ones by name."""

    free: Free | None
    found: Searched | None
    aside: tuple[int, ...]
    told: Told
    late: tuple[str, ...] = ()

    @property
    def lines_and_arcs(self) -> Searched:
        """What is found where it is no free line."""
        if self.found is None:
            raise ValueError("a free line, without lines and arcs")
        return self.found


def read(row: Shots, *, closed: bool, arcs: bool, blunders: bool) -> AsRead:
    """Return the reading of a row of shots.

    Parameters
    ----------
    row : Shots
        In order; of a closed line counter-clockwise.
    closed, arcs, blunders : bool
        As of `as_built`.
    """
    may_be_free = closed and arcs and len(row) <= MANY_SHOTS
    free = plainly_free(row) if may_be_free else _free_of_many(row, blunders=blunders) if closed and arcs else None
    if free is not None:
        return _as_free(rather_mixed_than_free(row, free, blunders=blunders) if may_be_free else free)
    told = off_the_line(row, closed=closed, arcs=arcs) if blunders and len(row) <= DENSE else Told()
    found, aside = _without_blunders(row, told, closed=closed, arcs=arcs)
    found, told, late = _put_in_order(found, row, told, closed=closed, arcs=arcs)
    if may_be_free:
        free = rather_free(row, *_without_doubtful(row, found, aside, told))
        if free is not None:
            free = rather_mixed_than_free(row, free, blunders=blunders)
        elif (free := rather_mixed(row, found, aside, told, blunders=blunders)) is not None:
            free = rather_free_than_mixed(row, free)
    return AsRead(free=None, found=found, aside=tuple(aside), told=told, late=late) if free is None else _as_free(free, late)


def _as_free(free: Free, late: tuple[str, ...] = ()) -> AsRead:
    return AsRead(free=free, found=None, aside=free.aside, told=free.told, late=late)


def _free_of_many(row: Shots, *, blunders: bool) -> Free | None:
    """Return a line of many shots as a free line where some of them, or the means of runs of very many, show it to be one."""
    if len(row) > DENSE:
        return dense_free(row)
    step = math.ceil(len(row) / SOME)
    some = read(row.taken(range(0, len(row), step)), closed=True, arcs=True, blunders=blunders).free
    return None if some is None else on_every_shot(some, row, step)


def _without_blunders(row: Shots, told: Told, *, closed: bool, arcs: bool) -> tuple[Searched, list[int]]:
    """Return what is found without the blunders already told and those its residuals show, and the indices of all of them."""
    if len(row) > DENSE:
        dense, off = searched_dense(row, closed=closed, arcs=arcs)
        return dense, list(off)
    aside = list(told.aside)
    found = _shortest_without(row, told, closed=closed, arcs=arcs)
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


def _shortest_without(row: Shots, told: Told, *, closed: bool, arcs: bool) -> Searched:
    """Return the line found without the blunders told: as they were told by it, bettered about their places alone, or found anew where that is shorter."""
    if told.found is None:
        return searched(_rest(row, told.aside), closed=closed, arcs=arcs)
    anew = searched_or_none(_rest(row, told.aside), closed=closed, arcs=arcs) if told.aside else None
    return told.found if anew is None else min(told.found, anew, key=lambda one: length_over(one, len(row)))


def _without_doubtful(row: Shots, found: Searched, aside: list[int], told: Told) -> tuple[Searched, list[int]]:
    """Return lines and arcs as found, or without the shots in doubt too: how well they explain the others tells what the line is; and the shots left out."""
    if not told.doubtful:
        return found, aside
    out = sorted({*aside, *told.doubtful})
    without = searched_or_none(_rest(row, out), closed=True, arcs=True)
    return (found, aside) if without is None else (without, out)


def _rest(row: Shots, aside: Sequence[int]) -> Shots:
    return row.without(aside)


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
    sigma = float(np.median(shape.shots.sigmas))
    if float(np.median(steps)) < SPACED * sigma:
        return ()
    back = np.flatnonzero(steps < -OUT_OF_ORDER * sigma)
    return tuple(shape.shots.names[int(index)] for index in back)


def _along(shape: Shape) -> Shots:
    """Return the shots in the order of the fitted line."""
    return shape.shots.taken(np.argsort(project(shape.chain, shape.shots.points)[0], kind="stable").tolist())


def _put_in_order(found: Searched, row: Shots, told: Told, *, closed: bool, arcs: bool) -> tuple[Searched, Told, tuple[str, ...]]:
    """Return what is found with the shots in their order along it, what is told of them, and the names of those that ran backwards."""
    late = _behind(found.shape)
    if not late or len(row) > DENSE:
        return found, told, late
    along = _along(found.shape)
    if crossing(along.points, closed=closed) is None:
        return searched(along, closed=closed, arcs=arcs), told, late
    if told.doubtful:
        return found, told, late
    return found, msgspec.structs.replace(told, doubtful=rows_about(found.shape, row, late)), ()  # no order mends it: it is the piece that lies wrong
