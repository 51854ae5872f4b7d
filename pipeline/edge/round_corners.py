"""Corners with two shots on them: cut straight, or rounded.

Two shots give a piece by themselves a line, and the search begins from pieces by themselves; three are needed for an arc.  But an arc that runs
smoothly into the sides before and after it has one number of its own, which two shots tell and check.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np

from pipeline.edge.first_shape import turn_at
from pipeline.edge.fit import Shape, description_length, settled
from pipeline.edge.search import RIVAL, likeness
from pipeline.geometry.chain import Chain
from pipeline.geometry.chain_adjustment import Tie, adjust_chain

ON_CORNER: Final = 2  # shots of a side that may be a rounded corner
MOST_TURN: Final = math.radians(135)  # of a rounded corner; what turns more is an end, and has sides of its own
NO_CORNER: Final = -1  # of a shot along its piece


def rounded(shapes: Sequence[Shape], *, noise: float) -> tuple[Shape, ...]:
    """Return some shapes and those with sides of two shots of the first made smooth arcs that are nearly as short, each chain once, the shortest first.

    Parameters
    ----------
    shapes : sequence of Shape
        Closed or not, the first of them the shortest.
    noise : float
        Variance factor the descriptions are judged by.
    """
    best, *rivals = shapes
    known = {likeness(shape) for shape in shapes}
    for piece in range(len(best.chain)) if best.chain.closed else ():
        other = _with_arc(best, piece)
        if other is None or likeness(other) in known:
            continue
        known.add(likeness(other))
        longer = description_length(other, noise=noise) - description_length(best, noise=noise)
        if longer < RIVAL:
            rivals.append(best if longer < 0 else other)
            best = other if longer < 0 else best
    return best, *rivals


def _with_arc(shape: Shape, piece: int) -> Shape | None:
    """Return a shape with one side between two others made an arc that runs smoothly into both; None where it is no such side, or does not settle."""
    chain, before, after = shape.chain, (piece - 1) % len(shape.chain), (piece + 1) % len(shape.chain)
    turns = turn_at(chain, piece), turn_at(chain, after)
    if len(chain) < 4 or any(shape.curved[one] for one in (before, piece, after)) or turns[0] * turns[1] <= 0:
        return None
    along = (shape.sightings.pieces == piece) & (shape.sightings.corners < 0)
    if int(along.sum()) != ON_CORNER or abs(sum(turns)) > MOST_TURN:
        return None
    curved = tuple(index == piece or bent for index, bent in enumerate(shape.curved))
    bulges = tuple(math.tan(sum(turns) / 4) if index == piece else bulge for index, bulge in enumerate(chain.bulges))
    ties = [*shape.fit.ties, Tie("tangent", before, piece), Tie("tangent", piece, after)]
    corners = np.where(np.isin(shape.sightings.corners, (piece, after)), NO_CORNER, shape.sightings.corners)
    sightings = msgspec.structs.replace(shape.sightings, corners=corners)
    fit = adjust_chain(Chain(chain.vertices, bulges, True), curved, sightings, ties)
    other = settled(msgspec.structs.replace(shape, fit=fit, sightings=sightings))
    return other if other.fit.converged else None
