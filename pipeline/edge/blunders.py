"""Shots that lie off their line: found because leaving them out makes the description shorter than any feature they could be.

A spike or a bay in the edge costs the pieces it is made of, a blunder what it takes to name it (`weighing`).  Every run of one to four shots is
tried as a blunder: first on pieces by themselves (`likely_runs`), then the likeliest on the whole adjusted chain (`without_run`), by the same
description length the pieces are found by.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Collection, Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.few_shots import FEW_ON_COPING, WELL_PROVEN, checks_of
from pipeline.edge.first_shape import turn_at
from pipeline.edge.fit import CLEAR_CORNER, Shape
from pipeline.edge.likely_runs import likely_runs
from pipeline.edge.search import Searched, searched
from pipeline.edge.shots import Shots
from pipeline.edge.weighing import (
    COPING,
    LEAST_OFF,
    LONGEST_RUN,
    MOST_UNLIKE,
    PLAINLY,
    PROVEN,
    SURE,
    Reading,
    Run,
    Told,
    along_both,
    in_turn,
    price_of,
    uneven_coping,
    weighed,
)
from pipeline.edge.without_run import length_over, line_with, line_without, searched_or_none
from pipeline.geometry.chain import Chain, Piece, Point
from pipeline.geometry.projection import project

Array = NDArray[np.float64]

WHOLE: Final = 300  # shots up to which the whole line judges a run; beyond, a
WINDOW: Final = 40  # number of shots on both sides of it
# Of 222 readings the 55 that weigh anything (gain above -8 half nats) all began farther off than a fifth of it: random sites, seven shapes with blunders.
ON_THE_LINE: Final = 0.1  # [-] of what a blunder lies off at the least: a run nearer to the line first found without it is not followed further
FEW_ON_ARC: Final = 3  # shots that any arc goes through
ROUNDED: Final = 3  # curves of a line that has but one corner: its corners are rounded
UNCHECKED: Final = 0.2  # [-] redundancy of a shot that no other checks


def off_the_line(shots: Shots, *, closed: bool, arcs: bool, widely: bool = True) -> Told:
    """Tell the shots that no feature of the line explains, by their index, the worst runs first.

    Parameters
    ----------
    shots : Shots
        In order.
    closed : bool
        Whether the line closes.
    arcs : bool
        Whether it may have arcs.
    widely : bool
        Whether less likely readings are told as well where nothing is sure.
    """
    return in_turn(shots, lambda rest, found: _worst_run(rest, found, closed=closed, arcs=arcs, widely=widely))


def _worst_run(shots: Shots, found: Searched | None, *, closed: bool, arcs: bool, widely: bool) -> Told:
    """Tell the run whose leaving out shortens the description most, and whether another reading comes near it."""
    found = found or searched(shots, closed=closed, arcs=arcs)
    likely = likely_runs(shots, found, closed=closed, arcs=arcs)
    readings = _readings(shots, likely, found, closed=closed, arcs=arcs)
    if readings:
        longer = _longer(max(readings, key=lambda one: one.gain).run, len(shots), closed=closed)
        readings += _readings(shots, [run for run in longer if run not in likely], found, closed=closed, arcs=arcs)
    best = max(readings, key=lambda one: one.gain, default=None)
    again = None if best is None or best.gain < -SURE else line_with(shots, best, found, closed=closed, arcs=arcs)
    if again is not None:
        by = length_over(found, len(shots)) - length_over(again, len(shots))
        found, readings = again, [msgspec.structs.replace(one, gain=one.gain - by) for one in readings]
    told = weighed(readings, len(shots), widely=widely)
    return told if told.aside else msgspec.structs.replace(told, found=found)


def _readings(shots: Shots, runs: Sequence[Run], found: Searched, *, closed: bool, arcs: bool) -> list[Reading]:
    """Return the readings with one of some runs left out, but of runs that lie on the line found without them."""
    tried: list[Reading | None] = []
    for run in runs:
        if len(shots) <= WHOLE:
            tried.append(_read(shots, run, found, closed=closed, arcs=arcs))
            continue
        around = _around(run, len(shots), closed=closed)
        plain = searched_or_none(shots.taken(around), closed=False, arcs=arcs)
        own = tuple(place for place, index in enumerate(around) if index in run)
        reading = None if plain is None else _read(shots.taken(around), own, plain, closed=False, arcs=arcs)
        tried.append(None if reading is None else _renumbered(reading, around))
    return [one for one in tried if one is not None]


def _longer(run: Run, count: int, *, closed: bool) -> list[Run]:
    """Return a run with the shot before it and with the one behind it, where that may be one blunder: pieces by themselves may have taken that for theirs."""
    if len(run) == LONGEST_RUN or len(run) + 2 > count:
        return []
    ends = (run[0] - 1, *run), (*run, run[-1] + 1)
    return [tuple(index % count for index in one) for one in ends if closed or 0 < one[0] <= one[-1] < count - 1]


def _renumbered(reading: Reading, around: list[int]) -> Reading:
    """Return a reading of a part of a line, by the shots' places in the whole of it."""
    run, stretch = (tuple(around[place] for place in places) for places in (reading.run, reading.stretch))
    return msgspec.structs.replace(reading, run=run, stretch=stretch, found=None)


def _around(run: Run, count: int, *, closed: bool) -> list[int]:
    """Return the shots that judge a run in a line of many, in order."""
    span = range(run[0] - WINDOW, run[0] + len(run) + WINDOW)
    return [index % count for index in span if closed or 0 <= index < count]


def _read(shots: Shots, run: Run, plain: Searched, *, closed: bool, arcs: bool) -> Reading | None:
    """Return the reading with a run named as a blunder; None where it lies on the line found without it."""
    on_it = functools.partial(_lies_on, shots, run, plain.noise)
    found = line_without(shots, run, plain, closed=closed, arcs=arcs, done=on_it)
    if found is None:
        return None
    if _share_of_plainly(shots, run, found.shape, found.noise) < 1:
        return None
    shape, offsets = found.shape, _off(shots, run, found.shape, found.noise)
    stations, sigmas = project(shape.chain, shots.points[list(run)])[0], shots.sigmas[list(run)] * math.sqrt(found.noise)
    across = {piece for piece, _ in shape.chain.locate_all(stations.tolist())}
    checks = {piece: checks_of(shape, piece) for piece in range(len(shape.chain))}
    known = {name: int(piece) for name, piece in zip(shape.shots.names, shape.sightings.pieces, strict=True)}
    ends, beside = _ends_of(run, len(shots)), set(_pieces_beside(shots, run, shape))
    few = {piece for piece in across if shape.curved[piece] and int((shape.sightings.pieces == piece).sum()) <= FEW_ON_ARC}
    turned = {piece for piece in across | beside if _may_be_coping(shape, piece, shots.points[list(run)])}
    slight = {piece for piece in across | beside if checks[piece] < WELL_PROVEN} | turned | few
    uneven = uneven_coping(shape, stations, offsets, sigmas, found.noise)
    in_corner = len(run) == 1 and _cuts_the_corner(shape.chain, _gap(shots, run, shape.chain), shots.points[run[0]], float(sigmas[0]))
    if in_corner:  # where it is not that, it may as well be a short side beside it that lies off
        slight |= {piece for piece in across | beside if int((shape.sightings.pieces == piece).sum()) <= LONGEST_RUN}
    on_slight = [index for index, name in enumerate(shots.names) if known.get(name) in slight]
    shown = {name: float(part) for name, part in zip(plain.shape.shots.names, plain.shape.fit.redundancies, strict=True)}
    return Reading(
        run=run,
        gain=length_over(plain, len(shots)) - length_over(found, len(shots)) - price_of(offsets, sigmas, len(shots)),
        proven=min(checks[piece] for piece in across) >= PROVEN and not turned and not few and not uneven,
        stretch=tuple(sorted({*run, *ends, *on_slight, *(_beside(on_slight, len(shots)) if turned else ())})) if slight or uneven else run,
        unchecked=max(shown.get(shots.names[index], 0.0) for index in run) < UNCHECKED,
        in_corner=in_corner,
        alone=closed and _one_corner(shape),
        found=found,
    )


def _share_of_plainly(shots: Shots, run: Run, shape: Shape, noise: float) -> float:
    """Return how far off a line the nearest shot of a run lies, as a share of what a blunder lies off at the least [-]."""
    return float(np.abs(_off(shots, run, shape, noise)).min()) / max(PLAINLY * float(shots.sigmas[list(run)].max()) * math.sqrt(noise), LEAST_OFF)


def _off(shots: Shots, run: Run, shape: Shape, noise: float) -> Array:
    """Return the distances [m], inwards positive, of a run from the line found without it, or from what the pieces beside it run on in.

    The latter where they are more alike: of shots of the coping up to an inward corner the last lie off the other side by less, or on it.
    """
    rows = list(run)
    places, sigmas = shots.points[rows], shots.sigmas[rows] * math.sqrt(noise)
    off = [project(shape.chain, places)[1]]
    if len(run) > MOST_UNLIKE:
        before, behind = (_inside(shape.chain.piece(piece), places) for piece in _pieces_beside(shots, run, shape))
        off += along_both(before, behind)
    return min(off, key=lambda offsets: price_of(offsets, sigmas, len(shots)))


def _ends_of(run: Run, count: int) -> list[int]:
    """Return the shots before and behind a run."""
    return [place % count for place in (run[0] - 1, run[-1] + 1)]


def _pieces_beside(shots: Shots, run: Run, shape: Shape) -> tuple[int, int]:
    """Return the pieces of the shot before and of that behind a run."""
    before, behind = (shape.shots.names.index(shots.names[place]) for place in _ends_of(run, len(shots)))
    return int(shape.sightings.pieces[before]), int(shape.sightings.pieces[behind])


def _inside(piece: Piece, places: Array) -> Array:
    """Return how far [m] places lie to the left of the whole line or circle of a piece."""
    if piece.is_arc:
        return np.asarray(math.copysign(1.0, piece.sweep) * (piece.radius - np.hypot(*(places - np.asarray(piece.centre)).T)))
    return np.array([_left_of(piece.start, piece.direction_at(0.0), place) for place in places])


def _one_corner(shape: Shape) -> bool:
    """Say whether a closed line has curves and but one corner."""
    corners = sum(abs(turn_at(shape.chain, vertex)) > CLEAR_CORNER for vertex in range(len(shape.chain)))
    return sum(shape.curved) >= ROUNDED and corners == 1


def _may_be_coping(shape: Shape, piece: int, places: Array) -> bool:
    """Say whether it may as well be the shots left on a piece that were taken on the coping, and those a coping's width inside of it at the water."""
    if int((shape.sightings.pieces == piece).sum()) > FEW_ON_COPING:
        return False
    inside = _inside(shape.chain.piece(piece), places)
    return float(inside.min()) > COPING[0] and float(inside.max()) < COPING[1]


def _beside(rows: Collection[int], count: int) -> set[int]:
    """Return the shots before and behind some: on a piece that was shot on the coping one at its end may pass for the neighbour's."""
    return {(row + step) % count for row in rows for step in (-1, 1)}


def _lies_on(shots: Shots, run: Run, noise: float, shape: Shape) -> bool:
    """Say whether a run lies so near the line without it that no bettering would put it off."""
    return _share_of_plainly(shots, run, shape, noise) < ON_THE_LINE


def _gap(shots: Shots, run: Run, chain: Chain) -> tuple[float, float]:
    """Return the stations [m] of the shots on either side of a run; the second is the greater."""
    ends = [(run[0] - 1) % len(shots), (run[-1] + 1) % len(shots)]
    before, after = (float(station) for station in project(chain, shots.points[ends])[0])
    return before, after if after > before else after + chain.length


def _cuts_the_corner(chain: Chain, gap: tuple[float, float], place: Array, sigma: float) -> bool:
    """Say whether a shot lies between a corner and the straight way past it, no other shot nearer: it may be rounded or cut."""
    marks = chain.piece_stations()
    (x0, y0), (x1, y1) = (chain.point_at(station % chain.length) for station in gap)
    past = _left_of((x0, y0), math.atan2(y1 - y0, x1 - x0), place)
    for vertex in range(0 if chain.closed else 1, len(chain)):
        turn = turn_at(chain, vertex)
        if abs(turn) < CLEAR_CORNER or not any(gap[0] < marks[vertex] + lap < gap[1] for lap in (0.0, chain.length)):
            continue
        sides = (chain.piece((vertex - 1) % len(chain)), chain.piece(vertex))
        inner = [_left_of(side.point_at(end), side.direction_at(end), place) for side, end in zip(sides, (sides[0].length, 0.0), strict=True)]
        side = math.copysign(1.0, turn)
        if min(offset * side for offset in inner) > 0 and past * side < PLAINLY * sigma:
            return True
    return False


def _left_of(point: Point, bearing: float, place: Array) -> float:
    """Return the signed distance [m] of a place from a line, left positive."""
    return math.cos(bearing) * (float(place[1]) - point[1]) - math.sin(bearing) * (float(place[0]) - point[0])
