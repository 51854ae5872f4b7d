"""True edges of fourteen kinds of pool, a crew that shoots them with noise, and the Cramér–Rao bound of the shots.

The bound is computed apart from the fit's own derivatives: by central differences of the distances from the shots to the
true chain, with the true kinds of pieces and the true smooth joins.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from pipeline.edge.shots import Shots
from pipeline.geometry.chain import Chain, Piece, polyline

LEAST_TURN = math.radians(40)  # a crew takes a shot at least every so much of a curve
SHARP = math.radians(5)  # a join that turns more is a corner


def arc_through(start, end, middle_sagitta):
    """Bulge of an arc by its height over the chord, positive to the left turning."""
    return 2 * middle_sagitta / math.dist(start, end)


def rectangle(width=10.0, depth=5.0):
    return polyline([(0, 0), (width, 0), (width, depth), (0, depth)], closed=True)


def l_shape():
    return polyline([(0, 0), (11, 0), (11, 4.5), (5, 4.5), (5, 9), (0, 9)], closed=True)


def round_ends(straight=6.0, radius=2.0):
    return Chain(((0.0, -radius), (straight, -radius), (straight, radius), (0.0, radius)), (0.0, 1.0, 0.0, 1.0), True)


def kidney():
    """Two end circles, an outer circle that holds both, an inward circle between them."""
    r, half, outer, inner = 2.0, 2.5, 7.0, 2.5
    c = math.sqrt((outer - r) ** 2 - half**2)
    h = math.sqrt((inner + r) ** 2 - half**2)
    right = (half, 0.0)
    low = _from((0.0, c), right, outer)  # touching point of right end circle and the outer circle
    high = _from(right, (0.0, h), r)
    left_high, left_low = (-high[0], high[1]), (-low[0], low[1])
    end = _bulge_about(right, low, high, +1)
    return Chain(
        (left_low, low, high, left_high),
        (_bulge_about((0.0, c), left_low, low, +1), end, _bulge_about((0.0, h), high, left_high, -1), end),
        True,
    )


def figure_eight():
    """Two circles that overlap, meeting in two inward corners."""
    r1, r2, distance = 2.2, 1.7, 3.0
    x = (distance**2 + r1**2 - r2**2) / (2 * distance)
    y = math.sqrt(r1**2 - x**2)
    low, high = (x, -y), (x, y)
    return Chain((low, high), (_bulge_about((distance, 0.0), low, high, +1), _bulge_about((0.0, 0.0), high, low, +1)), True)


def roman_ends():
    """A rectangle with a round bay narrower than the side at both ends."""
    length, half, bay = 9.0, 2.3, 1.5
    return Chain(
        ((0, -half), (length, -half), (length, -bay), (length, bay), (length, half), (0, half), (0, bay), (0, -bay)),
        (0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0),
        True,
    )


def octagon():
    return polyline([(3.0 * math.cos(math.radians(22.5 + 45 * k)), 3.0 * math.sin(math.radians(22.5 + 45 * k))) for k in range(8)], closed=True)


def lagoon():
    """Seven arcs in smooth joins, three of them inward (vertices and bulges solved once for smoothness, then written down)."""
    from pipeline.geometry.chain_adjustment import Sightings, Tie, adjust_chain

    corners = np.array([(0, 0), (5.2, -1.6), (8.9, 1.4), (7.0, 5.4), (4.6, 5.2), (2.2, 7.2), (-1.6, 4.4)], dtype=float)
    guess = (0.25, 0.45, 0.5, -0.3, 0.45, 0.45, -0.12)
    sightings = Sightings(
        points=corners, covariances=np.tile(np.eye(2), (7, 1, 1)), pieces=np.arange(7, dtype=np.intp), corners=np.arange(7, dtype=np.intp)
    )
    ties = [Tie("tangent", k, (k + 1) % 7) for k in range(7)]
    return adjust_chain(Chain(tuple(map(tuple, corners.tolist())), guess, True), (True,) * 7, sightings, ties).chain


def with_spa():
    """A rectangle with a round spa standing out of one long side."""
    a, b, r = (5.2, 0.0), (7.2, 0.0), 1.25
    centre = (6.2, -math.sqrt(r**2 - 1.0))
    return Chain(
        ((0, 0), a, b, (9, 0), (9, 4.5), (0, 4.5)),
        (0.0, _bulge_about(centre, a, b, +1), 0.0, 0.0, 0.0, 0.0),
        True,
    )


def rounded(width, depth, radius):
    q, r = math.tan(math.pi / 8), radius
    return Chain(
        ((r, 0), (width - r, 0), (width, r), (width, depth - r), (width - r, depth), (r, depth), (0, depth - r), (0, r)),
        (0.0, q) * 4,
        True,
    )


class FreeForm:
    """A free curve: a periodic cubic through eight points; its sixteen coordinates are the true model's numbers."""

    POINTS = np.array([(0, 0), (4, -1.5), (8, -0.4), (9.2, 3.0), (6.2, 4.4), (4.4, 3.6), (1.6, 5.2), (-0.8, 3.0)], dtype=float)

    def __init__(self) -> None:
        steps = np.hypot(*np.diff(np.vstack((self.POINTS, self.POINTS[:1])), axis=0).T)
        self.knots = np.concatenate(([0.0], np.cumsum(steps)))
        self.curve = self._through(self.POINTS)
        fine = np.linspace(0, self.knots[-1], 4001)
        self.lengths = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(self.curve(fine), axis=0).T))))
        self.fine, self.length = fine, float(self.lengths[-1])
        first, second = self.curve(fine, 1), self.curve(fine, 2)
        self.bend = np.abs(first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / np.hypot(*first.T) ** 3

    def _through(self, points):
        from scipy.interpolate import CubicSpline

        return CubicSpline(self.knots, np.vstack((points, points[:1])), bc_type="periodic")

    def parameters(self, stations):
        return np.interp(np.asarray(stations) % self.length, self.lengths, self.fine)

    def places(self, stations):
        return self.curve(self.parameters(stations))

    def rows(self, stations):
        """Derivatives of the curve square to itself by the sixteen numbers."""
        t = self.parameters(stations)
        slope = self.curve(t, 1)
        normal = np.column_stack((-slope[:, 1], slope[:, 0])) / np.hypot(slope[:, 0], slope[:, 1])[:, None]
        columns = [(self._through(unit.reshape(-1, 2))(t) * normal).sum(axis=1) for unit in np.eye(16)]
        return np.column_stack(columns)

    def shoot(self, spacing, noise, rng):
        """Shots about `spacing` [m] apart, but at least one every `LEAST_TURN`, and two for each of the curve's numbers."""
        dense = np.maximum(1 / spacing, self.bend / LEAST_TURN)
        shots = np.concatenate(([0.0], np.cumsum((dense[1:] + dense[:-1]) / 2 * np.diff(self.lengths))))
        count = max(round(shots[-1]), 4 * len(self.POINTS))
        stations = np.interp((np.arange(count) + 0.5 + rng.uniform(-0.3, 0.3, count)) * shots[-1] / count, shots, self.lengths)
        return stations, shots_at(self.places(stations) + rng.normal(0, noise, (count, 2)), noise)

    def shoot_plainly(self, spacing, noise, rng):
        """Shots about `spacing` [m] apart and nothing else."""
        count = max(round(self.length / spacing), 4)
        stations = (np.arange(count) + rng.uniform(0, 1) + rng.uniform(-0.3, 0.3, count)) * self.length / count % self.length
        return stations, shots_at(self.places(stations) + rng.normal(0, noise, (count, 2)), noise)

    def bound(self, shot_stations, noise, stations):
        """The Cramér–Rao standard deviations [m] square to the curve."""
        shots, there = self.rows(shot_stations), self.rows(stations)
        covariance = np.linalg.pinv(shots.T @ shots / noise**2, rcond=1e-8)
        return np.sqrt(np.einsum("ij,jk,ik->i", there, covariance, there))


class FreeStretch:
    """Straight sides from corner to corner, and a free curve through inner points from the last corner back to the first, corners where it meets them.

    The curve is the cubic through its points by their chords, its third derivative unchanged at the second and the last but one; the coordinates of
    corners and inner points are the true model's numbers.
    """

    def __init__(self, corners, inner) -> None:
        self.corners, self.inner = len(corners), len(inner)
        self.points = np.array([*corners, *inner], dtype=float)
        ends = np.vstack((self.points[self.corners - 1 :], self.points[:1]))
        self.knots = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(ends, axis=0).T))))
        self.fine = np.linspace(0, self.knots[-1], 3001)
        curve = self._curve(self.points)
        self.lengths = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(curve(self.fine), axis=0).T))))
        first, second = curve(self.fine, 1), curve(self.fine, 2)
        self.bend = np.abs(first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / np.hypot(*first.T) ** 3
        self.marks = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(self.points[: self.corners], axis=0).T))))
        self.straight = float(self.marks[-1])
        self.length = self.straight + float(self.lengths[-1])

    def _curve(self, points):
        from scipy.interpolate import CubicSpline

        return CubicSpline(self.knots, np.vstack((points[self.corners - 1 :], points[:1])), bc_type="not-a-knot")

    def places(self, stations, points=None):
        points = self.points if points is None else points
        stations = np.asarray(stations) % self.length
        on_sides = np.column_stack([np.interp(stations, self.marks, points[: self.corners, axis]) for axis in range(2)])
        on_curve = self._curve(points)(np.interp(stations - self.straight, self.lengths, self.fine))
        return np.where((stations < self.straight)[:, None], on_sides, on_curve)

    def outwards(self, stations):
        step = self.places(np.asarray(stations) + 1e-5) - self.places(np.asarray(stations) - 1e-5)
        return np.column_stack((step[:, 1], -step[:, 0])) / np.hypot(*step.T)[:, None]

    def parts(self, stations):
        """The part each place lies on: sides from 0, the curve last."""
        return np.searchsorted(self.marks[1:], np.asarray(stations) % self.length, side="right")

    def rows(self, stations):
        """Derivatives of the line square to itself by the numbers."""
        normals, columns = -self.outwards(stations), []
        for number in range(self.points.size):
            move = np.zeros(self.points.size)
            move[number] = 1e-5
            step = self.places(stations, self.points + move.reshape(-1, 2)) - self.places(stations, self.points - move.reshape(-1, 2))
            columns.append((step * normals).sum(axis=1) / 2e-5)
        return np.column_stack(columns)

    def shoot(self, spacing, noise, rng):
        """Shots about `spacing` [m] apart, but two for each number: four on a side, of the curve as many as of a free form; one every `LEAST_TURN`."""
        stations = []
        for begin, end in itertools.pairwise(self.marks):
            stations.append(begin + uneven(max(4, round((end - begin) / spacing)), rng) * (end - begin))
        dense = np.maximum(1 / spacing, self.bend / LEAST_TURN)
        shots = np.concatenate(([0.0], np.cumsum((dense[1:] + dense[:-1]) / 2 * np.diff(self.lengths))))
        count = max(round(shots[-1]), 4 * (self.inner + 1))
        stations.append(self.straight + np.interp(uneven(count, rng) * shots[-1], shots, self.lengths))
        return self._shot(np.concatenate(stations), noise, rng)

    def shoot_plainly(self, spacing, noise, rng):
        """Shots about `spacing` [m] apart and nothing else."""
        count = max(round(self.length / spacing), 4)
        return self._shot((uneven(count, rng) + rng.uniform(0, 1) / count) % 1.0 * self.length, noise, rng)

    def _shot(self, stations, noise, rng):
        return stations, shots_at(self.places(stations) + rng.normal(0, noise, (len(stations), 2)), noise)

    def bound(self, shot_stations, noise, stations):
        """The Cramér–Rao standard deviations [m] square to the line."""
        shots, there = self.rows(shot_stations), self.rows(stations)
        covariance = np.linalg.pinv(shots.T @ shots / noise**2, rcond=1e-9)
        return np.sqrt(np.einsum("ij,jk,ik->i", there, covariance, there))


def uneven(count, rng):
    """Shares of a length, evenly but for three tenths of a step."""
    return (np.arange(count) + 0.5 + rng.uniform(-0.3, 0.3, count)) / count


STRETCHES = {
    "free side": lambda: FreeStretch([(0, 4.5), (0, 0), (11, 0), (11, 4)], [(9.3, 5.6), (7.2, 4.6), (5, 5.4), (2.6, 6.6)]),
    "free end": lambda: FreeStretch([(0, 5), (0, 0), (8, 0)], [(10.6, 0.9), (11.6, 3.2), (9.8, 5.2), (7.4, 4.4), (5, 4.9)]),
}
SHAPES = {
    "rectangle": rectangle,
    "L": l_shape,
    "round ends": round_ends,
    "kidney": kidney,
    "figure eight": figure_eight,
    "Roman ends": roman_ends,
    "octagon": octagon,
    "lagoon": lagoon,
    "with spa": with_spa,
    "3 m small": lambda: rounded(3.0, 2.0, 0.35),
    "50 m large": lambda: rounded(50.0, 25.0, 3.0),
}


@dataclass(frozen=True)
class Shoot:
    """What a crew brought home: shots, and the piece each truly lies on."""

    shots: Shots
    pieces: np.ndarray


def shoot(chain: Chain, spacing: float, noise: float, rng, least_line=4, least_arc=6) -> Shoot:
    """Shots along a chain about `spacing` [m] apart, uneven by a third; on each piece two for each of its numbers, on a curve one a `LEAST_TURN`.

    With fewer a piece is not identified whatever the method: two shots less than its numbers and nothing tells an arc from a cut corner.
    """
    points, pieces = [], []
    for index, piece in enumerate(chain.pieces()):
        count = max(least_arc if piece.is_arc else least_line, round(piece.length / spacing), math.ceil(abs(piece.sweep) / LEAST_TURN))
        for step in range(count):
            points.append(piece.point_at(piece.length * (step + 0.5 + rng.uniform(-0.3, 0.3)) / count))
            pieces.append(index)
    return Shoot(shots_at(np.array(points) + rng.normal(0, noise, (len(points), 2)), noise), np.array(pieces, dtype=np.intp))


def plainly_shot(chain: Chain, spacing: float, noise: float, rng) -> Shoot:
    """Shots all round about `spacing` [m] apart, uneven by a third, and nothing else: a short piece may get one, or none."""
    count = max(round(chain.length / spacing), 4)
    stations = (np.arange(count) + rng.uniform(0, 1) + rng.uniform(-0.3, 0.3, count)) * chain.length / count % chain.length
    points = np.array([chain.point_at(float(station)) for station in stations])
    pieces = np.array([chain.locate(float(station))[0] for station in stations], dtype=np.intp)
    return Shoot(shots_at(points + rng.normal(0, noise, (count, 2)), noise), pieces)


def shots_at(points, noise) -> Shots:
    count = len(points)
    return Shots(
        names=tuple(str(101 + k) for k in range(count)),
        points=np.asarray(points, dtype=float),
        covariances=np.tile(np.eye(2) * noise**2, (count, 1, 1)),
        curved=np.zeros(count, dtype=np.int64),
    )


def bound(chain: Chain, shoot_: Shoot, noise: float, stations) -> np.ndarray:
    """The Cramér–Rao standard deviations [m] of the edge square to itself at stations, for the true model."""
    curved = [piece.is_arc for piece in chain.pieces()]
    x = _packed(chain, curved)
    rows = _differences(lambda v: _offsets(_unpacked(v, chain, curved), shoot_.shots.points, shoot_.pieces), x)
    located = [chain.locate(station) for station in stations]
    places = np.array([chain.piece(k).point_at(d) for k, d in located])
    where = np.array([k for k, _ in located])
    out = _differences(lambda v: _offsets(_unpacked(v, chain, curved), places, where), x)
    smooth = [k for k in range(len(chain)) if (curved[k - 1] or curved[k]) and abs(_turn(chain, k)) < SHARP]
    basis = np.eye(len(x))
    if smooth:
        conditions = _differences(lambda v: np.array([_turn(_unpacked(v, chain, curved), k) for k in smooth]), x)
        _, s, vt = np.linalg.svd(conditions)
        basis = vt[int((s > 1e-6 * s[0]).sum()) :].T
    information = basis.T @ (rows.T @ rows) @ basis / noise**2
    covariance = basis @ np.linalg.pinv(information, rcond=1e-9) @ basis.T
    return np.sqrt(np.einsum("ij,jk,ik->i", out, covariance, out))


def errors(truth: Chain, fitted: Chain, stations) -> np.ndarray:
    """Signed distances [m] from true places to the fitted edge, along the true normal's side."""
    found = []
    for station in stations:
        place, bearing = truth.point_at(station), truth.direction_at(station)
        at, distance = fitted.nearest(place)
        foot = fitted.point_at(at)
        side = math.cos(bearing) * (foot[1] - place[1]) - math.sin(bearing) * (foot[0] - place[0])
        found.append(math.copysign(distance, side))
    return np.array(found)


def even_stations(chain: Chain, count=160):
    return [chain.length * (k + 0.5) / count for k in range(count)]


def _turn(chain, vertex):
    before = chain.piece((vertex - 1) % len(chain))
    return math.remainder(chain.piece(vertex).direction_at(0.0) - before.direction_at(before.length), 2 * math.pi)


def _packed(chain, curved):
    return np.concatenate((np.array(chain.vertices, dtype=float).ravel(), [b for b, c in zip(chain.bulges, curved, strict=True) if c]))


def _unpacked(x, chain, curved):
    count = len(chain.vertices)
    bulges, rest = [], iter(x[2 * count :])
    for kind in curved:
        bulges.append(float(next(rest)) if kind else 0.0)
    return Chain(tuple((float(a), float(b)) for a, b in x[: 2 * count].reshape(-1, 2)), tuple(bulges), chain.closed)


def _offsets(chain, points, pieces):
    """Signed distances to the whole line or circle of each piece, written the plain way."""
    found = np.empty(len(points))
    for k in range(len(chain)):
        piece: Piece = chain.piece(k)
        own = pieces == k
        p = points[own]
        if piece.is_arc:
            away = p - np.asarray(piece.centre)
            found[own] = math.copysign(1, piece.bulge) * (piece.radius - np.hypot(*away.T))
        else:
            (x0, y0), (x1, y1) = piece.start, piece.end
            found[own] = ((x1 - x0) * (p[:, 1] - y0) - (y1 - y0) * (p[:, 0] - x0)) / piece.chord
    return found


def _differences(function, x, step=1e-6):
    columns = []
    for k in range(len(x)):
        up, down = x.copy(), x.copy()
        up[k] += step
        down[k] -= step
        columns.append((function(up) - function(down)) / (2 * step))
    return np.column_stack(columns)


def _from(centre, toward, distance):
    dx, dy = toward[0] - centre[0], toward[1] - centre[1]
    length = math.hypot(dx, dy)
    return (centre[0] + dx / length * distance, centre[1] + dy / length * distance)


def _bulge_about(centre, start, end, side):
    a = math.atan2(start[1] - centre[1], start[0] - centre[0])
    b = math.atan2(end[1] - centre[1], end[0] - centre[0])
    sweep = (b - a) % (2 * math.pi)
    return math.tan((sweep if side > 0 else sweep - 2 * math.pi) / 4)
