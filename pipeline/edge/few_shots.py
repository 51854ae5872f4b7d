"""What of a line rests on so few shots that they hardly check each other."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.edge.first_shape import turn_at
from pipeline.edge.fit import CLEAR_CORNER, Shape
from pipeline.edge.free_form import FreeFit
from pipeline.edge.mixed_line import MixedFit, nearest_parts
from pipeline.edge.shots import Shots
from pipeline.edge.weighing import LONGEST_RUN, PROVEN
from pipeline.geometry.projection import project

Array = NDArray[np.float64]

WELL_PROVEN: Final = 1.6  # [-] redundancy of a piece's shots, below which they are as doubtful as a run beside them that is in doubt
FEW_ON_COPING: Final = 3  # shots left on a piece that may all have been taken on the coping
FEW_ON_JOG: Final = 2  # shots of a jog that nothing checks


def unchecked_beside(shape: Shape, shots: Shots, aside: Sequence[int]) -> tuple[str, ...]:
    """Return shots set aside by their residuals beside pieces that nothing checks, with the shots of those pieces; none on a free curve.

    Which of them is wrong such a piece cannot tell: it goes through the others wherever they lie.
    """
    if isinstance(shape.fit, FreeFit):
        return ()
    piece_of = {name: int(piece) for name, piece in zip(shape.shots.names, shape.sightings.pieces, strict=True)}
    told: list[str] = []
    for index in aside:
        foot = shape.chain.locate(float(project(shape.chain, shots.points[index : index + 1])[0][0]))[0]
        beside = {foot, *(piece_of[name] for name in _kept_neighbours(shots, index, piece_of))}
        slight = {piece for piece in beside if checks_of(shape, piece) < PROVEN}
        if slight:
            told += [shots.names[index], *(name for name, piece in piece_of.items() if piece in slight)]
    return tuple(dict.fromkeys(told))


def rows_about(shape: Shape, shots: Shots, names: Collection[str]) -> tuple[int, ...]:
    """Return the indices of some shots, of their neighbours, and of the others on pieces of theirs that little checks."""
    count, piece_of = len(shots), {name: int(piece) for name, piece in zip(shape.shots.names, shape.sightings.pieces, strict=True)}
    slight = {piece_of[name] for name in names if checks_of(shape, piece_of[name]) < WELL_PROVEN}
    rows = {(shots.names.index(name) + step) % count for name in names for step in (-1, 0, 1)}
    return tuple(sorted(rows | {row for row, name in enumerate(shots.names) if piece_of.get(name) in slight}))


def _kept_neighbours(shots: Shots, index: int, kept: Collection[str]) -> list[str]:
    """Return the nearest shots kept before and behind one."""
    count = len(shots)
    rows = (((index + way * step) % count for step in range(1, count)) for way in (-1, 1))
    names = (next((shots.names[row] for row in some if shots.names[row] in kept), None) for some in rows)
    return [name for name in names if name is not None]


def unproven(shape: Shape, places: Array) -> tuple[str, ...]:
    """Return the shots of those pieces beside some places whose shots hardly check each other; none on a free curve without sides."""
    if isinstance(shape.fit, FreeFit) and isinstance(shape.fit.curve, MixedFit):
        mixed = shape.fit.curve
        few = {part for part in nearest_parts(mixed.line, places).tolist() if mixed.checks[part] < PROVEN}
        return tuple(name for name, part in zip(mixed.shots.names, mixed.parts.tolist(), strict=True) if part in few)
    if isinstance(shape.fit, FreeFit):
        return ()
    across = {piece for piece, _ in shape.chain.locate_all(project(shape.chain, places)[0].tolist())}
    slight = [piece for piece in across if checks_of(shape, piece) < PROVEN]
    return tuple(name for name, piece in zip(shape.shots.names, shape.sightings.pieces, strict=True) if piece in slight)


def checks_of(shape: Shape, piece: int) -> float:
    """Return how much the shots of a piece check each other: the sum of their redundancies."""
    return float(shape.fit.redundancies[shape.sightings.pieces == piece].sum())


def jogs_on_few(shape: Shape) -> tuple[str, ...]:
    """Return the shots of jogs that rest on two of them: a straight piece that turns one way at one end and back at the other, beside a short side.

    Shots on the coping beside shots at the water look just like that; nothing checks two shots.  The return of a round bay is no jog.
    """
    chain, names = shape.chain, shape.shots.names
    if isinstance(shape.fit, FreeFit) or not chain.closed:
        return ()
    own = [np.flatnonzero(shape.sightings.pieces == piece) for piece in range(len(chain))]
    told: set[str] = set()
    for piece in range(len(chain)):
        turns = turn_at(chain, piece), turn_at(chain, (piece + 1) % len(chain))
        if shape.curved[piece] or len(own[piece]) > FEW_ON_JOG or turns[0] * turns[1] > 0 or min(map(abs, turns)) < CLEAR_CORNER:
            continue
        beside = [(piece + step) % len(chain) for step in (-1, 1)]
        if any(shape.curved[one] for one in beside):
            continue  # the return of a bay
        runs = [own[one] for one in beside if len(own[one]) <= LONGEST_RUN]
        told |= {names[row] for rows in (own[piece], *runs) for row in rows} if runs else set()
    return tuple(name for name in names if name in told)
