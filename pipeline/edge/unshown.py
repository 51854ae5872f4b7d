"""Stretches of a closed line whose pieces the shots do not show: other rows of pieces explain them just as well.

A piece with as many shots as numbers fits them exactly, whatever the edge is.  One such straight side between sides that are well shot is
known all the same, if it is straight.  Where two of them stand side by side, the shots could be shared out between other pieces, more or
fewer; nor does it help that one of them is parallel to a single far side: among many sides one will be, by chance.  An arc through three
shots could be two sides, a side from or to a curve an arc or part of one; and where an end shot lies on the neighbour as well as on its own piece, nothing
is left that holds the piece if it is the neighbour's.  A corner without shots on it is where its sides meet; but where several others are
rounded and its shots would lie on such a corner as well, it may be rounded, too.  A circle with a shot every 45 degrees may be an octagon shot at its corners.  The
adjustment's sigmas know the pieces taken and nothing of that.  A free curve has no pieces: where shots were set aside, its smoothness alone
leads across, and its sigma tells how well.

References
----------
W. Baarda, "A testing procedure for use in geodetic networks", Netherlands Geodetic Commission 2/5 (1968): redundancies as the share of an
error that shows (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from pipeline.edge.few_shots import FEW_ON_COPING
from pipeline.edge.first_shape import turn_at
from pipeline.edge.fit import CLEAR_CORNER, Shape, refitted
from pipeline.edge.free_form import FreeFit
from pipeline.edge.hypotheses import AS_BUILT
from pipeline.edge.mixed_line import MixedFit
from pipeline.edge.round_corners import MOST_TURN
from pipeline.edge.weighing import LEAST_OFF
from pipeline.geometry.projection import project

CHECKED: Final = 1 / 3  # [-] sum of the redundancies of a piece's shots, from which they check each other
ROUNDED: Final = 3  # rounded corners of a line whose others will be rounded too, where nothing shows that they are not
LINE_HELD: Final = 2  # shots that hold a line
COMPANY: Final = 2  # sides bound together that may be so by chance
CLOSELY: Final = 2.0  # [-] times what builders hold: a condition no looser is one the shots bear out
ANGLES: Final = ("parallel", "square")
SPARSE: Final = math.radians(
    42
)  # turn of a curve from every shot to the next, beyond which they may all be corners: a regular octagon's stand 45 degrees apart
IN_A_ROW: Final = 3  # shots of a free curve that its shape must not follow one by one:
FOLLOWED: Final = 0.2  # [-] sum of their redundancies, below which it does; two shot for each number have 0.24 at the least, as a rule about one
KNOWN_ACROSS: Final = 2.0  # [-] standard deviations of a shot: well shot, a free curve is known to about one of them everywhere
PLACES: Final = 9  # looked at across a gap
AS_WELL: Final = 9.21  # chi-square, 2 degrees of freedom, 1 %: a rise within which a shot may lie on the neighbour too


def unshown(shape: Shape) -> tuple[str, ...]:
    """Return the shots of those pieces of a closed line that the shots do not show; of a free curve those beside a gap it is not known across.

    Parameters
    ----------
    shape : Shape
        As adjusted, its conditions among the checks.
    """
    if not shape.chain.closed:
        return ()
    if isinstance(shape.fit, FreeFit):
        return tuple(dict.fromkeys((*_left_open(shape, shape.fit), *_slight_parts(shape.fit), *_followed(shape))))
    if _may_be_corners(shape):
        return shape.shots.names
    count = len(shape.chain)
    slight = [piece for piece in range(count) if _checks(shape, piece) < CHECKED and not _bound(shape, piece)]
    alone = {piece for piece in range(count) if piece in slight or (_bare(shape, piece) and not _in_company(shape, piece))}
    pairs = {piece for piece in alone if (piece - 1) % count in alone or (piece + 1) % count in alone}
    doubted = pairs | {
        piece for piece in slight if shape.curved[piece] or _beside_curve(shape, piece) or _beside_few(shape, piece) or _loose(shape, piece)
    }
    doubted |= {one for piece in doubted for one in ((piece - 1) % count, (piece + 1) % count) if _of_few_shots(shape, one)}
    beside = beside_corners_like_others(shape)
    of_pieces = shape.sightings.pieces.tolist()
    return tuple(name for row, name in enumerate(shape.shots.names) if of_pieces[row] in doubted or row in beside)


def beside_corners_like_others(shape: Shape) -> set[int]:
    """Return the shots, by index, before and behind each corner that may be rounded like several others: its shots lie as well on a line so rounded."""
    chain, count = shape.chain, len(shape.chain)
    turns = [turn_at(chain, vertex) for vertex in range(count)]
    arcs = [chain.piece(piece) for piece in range(count) if shape.curved[piece] and _rounds_a_corner(shape, piece, turns)]
    told: set[int] = set()
    for vertex in range(count):
        alike = [arc.radius for arc in arcs if arc.sweep * turns[vertex] > 0]
        if (
            abs(turns[vertex]) > CLEAR_CORNER
            and len(alike) >= ROUNDED
            and _as_well_rounded(shape, vertex, abs(turns[vertex]), float(np.median(alike)))
        ):
            told |= _beside_vertex(shape, vertex)
    return told


def _rounds_a_corner(shape: Shape, piece: int, turns: Sequence[float]) -> bool:
    """Say whether an arc runs smoothly from one side into another."""
    after, sweep = (piece + 1) % len(shape.chain), shape.chain.piece(piece).sweep
    sides = not shape.curved[piece - 1] and not shape.curved[after]
    return sides and abs(sweep) < MOST_TURN and max(abs(turns[piece]), abs(turns[after])) < CLEAR_CORNER


def _as_well_rounded(shape: Shape, vertex: int, turn: float, radius: float) -> bool:
    """Say whether the shots about a corner of two sides lie as well on an arc of a radius [m] put there, plainly off the corner."""
    chain, before = shape.chain, (vertex - 1) % len(shape.chain)
    reach = radius * math.tan(turn / 2)
    rounds = math.hypot(radius, reach) - radius > LEAST_OFF and reach < min(chain.piece(before).length, chain.piece(vertex).length)
    if shape.curved[before] or shape.curved[vertex] or turn > MOST_TURN or not rounds:
        return False
    near = np.flatnonzero(np.isin(shape.sightings.pieces, (before, vertex)))
    short = reach - np.hypot(*(shape.shots.points[near] - np.asarray(chain.vertices[vertex])).T)
    near, short = near[short > 0], np.minimum(short[short > 0], radius)
    inside = radius - np.sqrt(radius**2 - short**2)
    offsets, sigmas = project(chain, shape.shots.points[near])[1] * math.copysign(1.0, turn_at(chain, vertex)), shape.shots.sigmas[near]
    return float((((offsets - inside) / sigmas) ** 2 - (offsets / sigmas) ** 2).sum()) < AS_WELL


def _beside_vertex(shape: Shape, vertex: int) -> set[int]:
    """Return the shots before and behind a vertex of a closed line, by index."""
    ahead = (project(shape.chain, shape.shots.points)[0] - shape.chain.piece_stations()[vertex]) % shape.chain.length
    return {int(np.argmin(ahead)), int(np.argmax(ahead))}


def _of_few_shots(shape: Shape, piece: int) -> bool:
    """Say whether a side keeps so few shots that those, and not what is beside them, may lie off the line: all three on a coping, for one."""
    return not shape.curved[piece] and int((shape.sightings.pieces == piece).sum()) <= FEW_ON_COPING


def _left_open(shape: Shape, fit: FreeFit) -> tuple[str, ...]:
    """Return the shots at both ends of every gap that shots set aside left in a free curve, where nothing but its smoothness leads across."""
    names, sigmas = shape.shots.names, shape.shots.sigmas
    stations, length = project(shape.chain, shape.shots.points)[0], shape.chain.length
    told: set[str] = set()
    for first, second in zip(range(-1, len(names) - 1), range(len(names)), strict=True):
        if {names[first], names[second]} <= shape.shots.beside_gaps:
            across = stations[first] + np.linspace(0.0, (stations[second] - stations[first]) % length, PLACES)
            if float(fit.normal_sigmas(across).max()) > KNOWN_ACROSS * max(sigmas[first], sigmas[second]):
                told |= {names[first], names[second]}
    return tuple(name for name in names if name in told)


def _followed(shape: Shape) -> tuple[str, ...]:
    """Return the shots that a free curve goes through whatever they are: so many in a row that hardly check each other, as where it bends round wrong ones."""
    shares, names = shape.fit.redundancies, shape.shots.names
    rows = np.arange(len(names))[:, None] + np.arange(IN_A_ROW)
    loose = rows[shares[rows % len(names)].sum(axis=1) < FOLLOWED]
    told = {int(row) % len(names) for row in loose.ravel()}
    return tuple(name for row, name in enumerate(names) if row in told)


def _slight_parts(fit: FreeFit) -> tuple[str, ...]:
    """Return the shots of the parts of a line with free stretches whose shots hardly check each other."""
    line = fit.curve
    if not isinstance(line, MixedFit):
        return ()
    slight = line.checks < CHECKED
    return tuple(name for name, part in zip(line.shots.names, line.parts, strict=True) if slight[part])


def _may_be_corners(shape: Shape) -> bool:
    """Say whether a line of arcs alone turns so far from every shot to the next that all of them may be corners of a polygon."""
    if not all(shape.curved):
        return False
    chain, marks = shape.chain, np.array(shape.chain.piece_stations())
    turned = np.concatenate(([0.0], np.cumsum([abs(piece.sweep) for piece in chain.pieces()])))
    at = np.sort(np.interp(project(chain, shape.shots.points)[0], marks, turned))
    return float(np.diff(at, append=at[:1] + turned[-1]).min()) > SPARSE


def _checks(shape: Shape, piece: int) -> float:
    return float(shape.fit.redundancies[shape.sightings.pieces == piece].sum())


def _bound(shape: Shape, piece: int) -> bool:
    """Say whether a side lies square or parallel to another, as told by shots that show it as closely as builders hold it: no other side would."""
    return any(piece in (tie.first, tie.second) and 0 < tie.sigma < CLOSELY * AS_BUILT[tie.kind] for tie in shape.fit.ties if tie.kind in ANGLES)


def _bare(shape: Shape, piece: int) -> bool:
    """Say whether a side keeps no more shots than hold it: what checks it then is the conditions it was given."""
    return not shape.curved[piece] and int((shape.sightings.pieces == piece).sum()) <= LINE_HELD


def _in_company(shape: Shape, piece: int) -> bool:
    """Say whether a side is bound square or parallel to a neighbour or to more than one other side: among many sides one may be parallel to another by chance."""
    group, count = {piece}, len(shape.chain)
    ties = [{tie.first, tie.second} for tie in shape.fit.ties if tie.kind in ANGLES]
    while grown := set().union(*(tie for tie in ties if tie & group)) - group:
        group |= grown
    return len(group) > COMPANY or not group.isdisjoint({(piece - 1) % count, (piece + 1) % count})


def _beside_curve(shape: Shape, piece: int) -> bool:
    """Say whether a piece runs from or to an arc: its shots may be that arc's, or those of a rounded corner."""
    return shape.curved[piece - 1] or shape.curved[(piece + 1) % len(shape.chain)]


def _beside_few(shape: Shape, piece: int) -> bool:
    """Say whether a side runs from or to one that three shots show and nothing else: one of them may be its own, and then it has another course."""
    return any(_of_few_shots(shape, one % len(shape.chain)) and not _bound(shape, one % len(shape.chain)) for one in (piece - 1, piece + 1))


def _loose(shape: Shape, piece: int) -> bool:
    """Say whether the last shot at one end of a piece may as well lie on the piece beyond."""
    count = len(shape.chain)
    own = np.flatnonzero((shape.sightings.pieces == piece) & (shape.sightings.corners < 0))
    for vertex, beyond in ((piece, (piece - 1) % count), ((piece + 1) % count, (piece + 1) % count)):
        away = shape.shots.points[own] - np.asarray(shape.chain.vertices[vertex])
        if len(own) and _rise(shape, int(own[np.argmin((away**2).sum(axis=1))]), beyond) < AS_WELL:
            return True
    return False


def _rise(shape: Shape, shot: int, beyond: int) -> float:
    """Return by how much chi-square rises where a shot is given to another piece."""
    pieces = shape.sightings.pieces.copy()
    pieces[shot] = beyond
    return refitted(shape, pieces=pieces).fit.chi_square - shape.fit.chi_square
