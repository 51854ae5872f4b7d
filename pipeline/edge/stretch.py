"""Rows of shots as open splines by themselves: how well they fit, and which runs of a line's pieces they describe more shortly."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge import stretch_solver
from pipeline.edge.fit import PIECE_PRICE
from pipeline.edge.shots import Shots
from pipeline.geometry.segmenting import Costs, Prices, Stretch, cut_length

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Lone = tuple[float, Array]  # chi-square and nodes (m + 1, 2) [m] of a spline by itself

FREE_PRICE: Final = 12.0  # [half nats] of a part being free: twice an arc's (own judgement)
NODE_PRICE: Final = 6.0  # [half nats] of one more node, as of a piece (own judgement)
FEWEST: Final = 2  # spans
MOST: Final = 20
SPANS_PER_SHOT: Final = 0.34  # [-] two numbers a span: a shot and a half for each number
FEW: Final = 4  # spans allowed on every other shot
IN_VAIN: Final = 2  # more spans tried after the best number
SHIFTS: Final = (0.0, 1 / 3, -1 / 3)  # [-] of a span: first divisions
HOPELESS: Final = 20.0  # [-] times the chi-square hoped for, beyond which a fit is given up
LEAST_PIECES: Final = 3  # that a stretch replaces
LEAST_GAIN: Final = 15.0  # [half nats] by which a stretch by itself must be shorter than the pieces it replaces
GROWING: Final = 10.0  # [half nats] by which it may be longer, for a longer one about it to be tried,
SLOWLY_GROWING: Final = 25.0  # [half nats] and where something else speaks for a free stretch
FEW_SHOTS: Final = 50  # with which nodes are moved already where runs are tried
MOST_INTO: Final = 2  # spans a node is moved into
NEWTON: Final = 4  # steps towards the foot of a shot
MOST_STARTS: Final = 3  # splines of so many spans a whole line is adjusted from
ALIKE: Final = 0.3  # chi-square by which two splines are told apart


class Alone(msgspec.Struct, frozen=True, kw_only=True):
    """A stretch by itself: its shots in order, by how much it is shorter than the pieces it replaces [half nats], nodes (m + 1, 2) [m]."""

    shots: Index
    gain: float
    nodes: Array


def runs_alone(
    row: Shots, costs: Costs, pieces: Sequence[Stretch], growing: float = GROWING, *, shifts: Sequence[float] = SHIFTS, thoroughly: bool = False
) -> list[Alone]:
    """Return the runs of a cut's pieces that are shorter as one spline, the shortest first.

    A run is tried where one a piece shorter within it was hardly longer as a spline: whatever holds a corner never is.

    Parameters
    ----------
    row : Shots
        Of a closed line, in order.
    costs : Costs
        Of its pieces.
    pieces : sequence of Stretch
        The cut.
    growing : float
        Half nats by which a run may be longer as a spline for a longer one about it to be tried.
    shifts : sequence of float
        Shares of a span by which the first values of each are moved [-].
    thoroughly : bool
        Whether each is tried from more first values still.
    """
    count = len(pieces)
    plain = [cut_length(costs, [one], Prices.for_points(len(row))) + PIECE_PRICE for one in pieces]
    found: list[Alone] = []
    inner: dict[int, Alone | None] = {}
    for length in range(LEAST_PIECES, count + 1):
        now: dict[int, Alone | None] = {}
        for first in range(count):
            within = [one for one in (inner.get(first), inner.get((first + 1) % count)) if one is not None and one.gain > -growing]
            if within or length == LEAST_PIECES:
                run = [(first + step) % count for step in range(length)]
                shots = _shots_of([pieces[one] for one in run], len(row))
                fewest = max((len(one.nodes) - 2 for one in within), default=FEWEST)
                now[first] = _shortest(row, shots, sum(plain[one] for one in run), max(fewest, FEWEST), shifts, growing, thoroughly=thoroughly)
        found += [one for one in now.values() if one is not None and one.gain > LEAST_GAIN]
        inner = now
    return sorted(found, key=lambda one: -one.gain)


def most_spans(count: int) -> int:
    """Return how many spans may lie on so many shots."""
    return min(MOST, max(int(SPANS_PER_SHOT * count), min(count // 2, FEW)))


def length_alone(chi_square: float, spans: int, count: int) -> float:
    """Return the description length [half nats] of a spline by itself, its numbers given over `count` shots."""
    return chi_square + (2 * spans + 1) * math.log(count) + (spans - 1) * NODE_PRICE + FREE_PRICE + PIECE_PRICE


def begun_alone(shots: Shots, spans: int, hopeless: float = math.inf, shifts: Sequence[float] = SHIFTS) -> list[Lone]:
    """Return splines of so many spans through shots by themselves, begun from several divisions."""
    points, sigmas = np.ascontiguousarray(shots.points), shots.sigmas
    return [stretch_solver.fitted_alone(points, sigmas, *stretch_solver.divided(points, spans, shift), hopeless) for shift in shifts]


def best_starts(shots: Shots, spans: int) -> list[Array]:
    """Return the nodes of the best few splines of so many spans by themselves, none much like another."""
    begun = begun_alone(shots, spans)
    begun += _with_moved_nodes(shots, min(begun, key=_first)[1])
    chosen: list[Lone] = []
    for chi_square, nodes in sorted(begun, key=_first):
        if len(chosen) < MOST_STARTS and all(abs(chi_square - other) > ALIKE for other, _ in chosen):
            chosen.append((chi_square, nodes))
    return [nodes for _, nodes in chosen]


def _with_moved_nodes(shots: Shots, nodes: Array, hopeless: float = math.inf) -> Iterator[Lone]:
    """Yield splines that begin from one with a node between its ends taken out and one put in where the shots lie farthest off."""
    points, sigmas, spans = np.ascontiguousarray(shots.points), shots.sigmas, len(nodes) - 1
    feet = stretch_solver.feet(nodes, points, stretch_solver.nearest(nodes, points), NEWTON)
    away = (((points - stretch_solver.at(nodes, feet)[0]) / sigmas[:, None]) ** 2).sum(axis=1)
    off = np.bincount(np.clip(np.floor(feet), 0, spans - 1).astype(np.intp), weights=away, minlength=spans)
    for into in np.argsort(-off, kind="stable")[:MOST_INTO].tolist():
        put_in = np.insert(nodes, into + 1, stretch_solver.at(nodes, np.array([into + 0.5]))[0], axis=0)
        for out in range(1, spans):
            if into not in (out - 1, out):
                first = np.ascontiguousarray(np.delete(put_in, out + (out > into), axis=0))
                yield stretch_solver.fitted_alone(points, sigmas, first, stretch_solver.nearest(first, points), hopeless)


def _shortest(row: Shots, shots: Index, now: float, fewest: int, shifts: Sequence[float], growing: float, *, thoroughly: bool) -> Alone | None:
    """Return the shortest spline through some shots; None where all are longer than their pieces are now [half nats] by more than may be."""
    own, best, in_vain = row.taken(shots.tolist()), None, 0
    for spans in range(fewest, most_spans(len(own)) + 1):
        hoped = now + growing - length_alone(0.0, spans, len(row))
        if in_vain >= IN_VAIN or hoped < 0:
            break
        chi_square, nodes = min(begun_alone(own, spans, HOPELESS * max(hoped, 1.0), shifts), key=_first)
        if thoroughly and len(own) < FEW_SHOTS and chi_square > hoped:
            chi_square, nodes = min(((chi_square, nodes), *_with_moved_nodes(own, nodes, HOPELESS * max(hoped, 1.0))), key=_first)
        gain = now - length_alone(chi_square, spans, len(row))
        in_vain += best is not None
        if gain > (-growing if best is None else best.gain):
            best, in_vain = Alone(shots=shots, gain=gain, nodes=nodes), 0
    return best


def _first(one: Lone) -> float:
    return one[0]


def _shots_of(pieces: Sequence[Stretch], count: int) -> Index:
    """Return the shots of a run of pieces, in order; a shot shared by two once."""
    rows = [index % count for piece in pieces for index in range(piece.first, piece.last + 1)]
    return np.array(list(dict.fromkeys(rows)), dtype=np.intp)
