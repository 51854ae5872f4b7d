"""An open cubic spline through free nodes in machine code: its places, its derivatives, and its fit to shots by itself.

The parameter runs along the chords of the nodes; the third derivative does not change at the second node and at the last but one ("not a
knot"): nothing is supposed of the ends.  A *place* is the number of a span and a share of it, 0 to m; beyond both ends the end spans run on.
Everything compiled that free stretches need stands in this one file: compiled code is kept until the file it stands in changes.

References
----------
C. de Boor, "A Practical Guide to Splines" (1978), chapter 4, for the conditions of the second derivatives and "not a knot" (from memory).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.compiled import compiled

Array = NDArray[np.float64]

MOST_STEPS: Final = 15
PATIENCE: Final = 5  # steps before a fit that is far off may be given up
DAMPED: Final = 5  # times a step is damped ten times more before it is given up
FIRST_DAMPING: Final = 1e-2  # [-] of the normal matrix's diagonal
GAIN_DONE: Final = 1e-3  # [-] of chi-square, relative
STEADY: Final = 1e-6  # weight that keeps nodes from drifting along the curve, of the mean information
LONGEST_MOVE: Final = 0.5  # [m] of a node in one step
NEWTON: Final = 2  # steps towards the foot of a shot
BEYOND: Final = 0.5  # [-] of the end span, as far as the curve is followed beyond its ends
STARTS: Final = 12  # places of a span at which feet are first sought


@compiled
def bends_of(nodes: Array) -> tuple[Array, Array]:
    """Return the chords (m,) [m] and the second derivatives (m + 1, 2) [1/m] of the spline through nodes (m + 1, 2) [m].

    Two spans make a parabola, one a straight line.
    """
    chords, right = np.empty(len(nodes) - 1), np.zeros((len(nodes), 2))
    for node in range(len(chords)):
        chords[node] = math.hypot(nodes[node + 1, 0] - nodes[node, 0], nodes[node + 1, 1] - nodes[node, 1])
    if len(nodes) < 3:
        return chords, right
    for node in range(1, len(nodes) - 1):
        for axis in range(2):
            steps = nodes[node, axis] - nodes[node - 1, axis], nodes[node + 1, axis] - nodes[node, axis]
            right[node, axis] = 6 * (steps[1] / chords[node] - steps[0] / chords[node - 1])
    return chords, _solved(chords, right)


@compiled
def _solved(chords: Array, right: Array) -> Array:
    """Return the second derivatives (m + 1, k) of m spans, two or more, that k right sides (m + 1, k) of their conditions ask for.

    The conditions at the ends give the first and the last of the inner ones; what is left has three diagonals, the middle one the greatest.

    Raises
    ------
    LinAlgError
        When two nodes coincide, or one is not finite.
    """
    last = len(chords)
    for chord in chords:
        if not (chord > 0 and math.isfinite(chord)):
            raise np.linalg.LinAlgError("two nodes of a spline coincide")
    if last == 2:  # M0 = (r0 + first M1 - second M2) / scale, and so at the other end
        first, second, scale, last_first, last_second, last_scale = 1.0, 0.0, 1.0, 1.0, 0.0, 1.0
    else:
        first, second, scale = chords[0] + chords[1], chords[0], chords[1]
        last_first, last_second, last_scale = chords[last - 1] + chords[last - 2], chords[last - 1], chords[last - 2]
    found, middle, above = right.copy(), np.empty(last + 1), np.empty(last + 1)
    for node in range(1, last):
        below, middle[node], above[node] = chords[node - 1], 2 * (chords[node - 1] + chords[node]), chords[node]
        if node == 1:
            middle[node] += chords[0] * first / scale
            above[node] -= chords[0] * second / scale
            _add_row(found, 1, 0, -chords[0] / scale)
        if node == last - 1:
            middle[node] += chords[last - 1] * last_first / last_scale
            below -= chords[last - 1] * last_second / last_scale
            _add_row(found, node, last, -chords[last - 1] / last_scale)
        if node > 1:
            share = below / middle[node - 1]
            middle[node] -= share * above[node - 1]
            _add_row(found, node, node - 1, -share)
    for back in range(1, last):
        node = last - back
        if back > 1:
            _add_row(found, node, node + 1, -above[node])
        for column in range(found.shape[1]):
            found[node, column] /= middle[node]
    for column in range(found.shape[1]):
        found[0, column] = (found[0, column] + first * found[1, column] - second * found[2, column]) / scale
        found[last, column] = (found[last, column] + last_first * found[last - 1, column] - last_second * found[last - 2, column]) / last_scale
    return found


@compiled
def _add_row(matrix: Array, into: int, row: int, times: float) -> None:
    for column in range(matrix.shape[1]):
        matrix[into, column] += times * matrix[row, column]


@compiled
def _bends_by(nodes: Array, chords: Array, bends: Array) -> Array:
    """Return the derivatives (m + 1, 2, 2 (m + 1)) of the second derivatives by the nodes' coordinates."""
    last = len(chords)
    found = np.zeros((last + 1, 2, nodes.size))
    if last < 2:
        return found
    inverse = _solved(chords, np.eye(last + 1))
    missed = np.zeros(last + 1)
    for row in range(last + 1):  # as if the chords stayed
        for node in range(1, last):
            before, after = 6 * inverse[row, node] / chords[node - 1], 6 * inverse[row, node] / chords[node]
            for axis in range(2):
                found[row, axis, 2 * node - 2 + axis] += before
                found[row, axis, 2 * node + axis] -= before + after
                found[row, axis, 2 * node + 2 + axis] += after
    for chord in range(last):
        for axis in range(2):
            missed[:] = 0.0
            swing = 6 * (nodes[chord + 1, axis] - nodes[chord, axis]) / chords[chord] ** 2
            if chord > 0:
                missed[chord] = -swing - 2 * bends[chord, axis] - bends[chord + 1, axis]
            if chord < last - 1:
                missed[chord + 1] = swing - bends[chord, axis] - 2 * bends[chord + 1, axis]
            if last > 2 and chord < 2:
                missed[0] = bends[1, axis] - bends[2 if chord == 0 else 0, axis]
            if last > 2 and chord >= last - 2:
                missed[last] = bends[last - 1, axis] - bends[last - 2 if chord == last - 1 else last, axis]
            touched = (0, max(chord, 1), min(chord + 1, last - 1), last)  # the only conditions a chord stands in
            for row in range(last + 1):
                by_chord = 0.0
                for one in range(4):
                    index = touched[one]
                    if one == 0 or index != touched[one - 1]:
                        by_chord += inverse[row, index] * missed[index]
                for other in range(2):
                    along = by_chord * (nodes[chord + 1, other] - nodes[chord, other]) / chords[chord]
                    found[row, axis, 2 * chord + other] -= along
                    found[row, axis, 2 * chord + 2 + other] += along
    return found


@compiled
def _at(nodes: Array, chords: Array, bends: Array, place: float) -> tuple[float, float, float, float]:
    """Return a place's coordinates [m] and the derivatives by the parameter of chords [-]."""
    span = min(max(math.floor(place), 0), len(chords) - 1)
    chord, share = chords[span], place - span
    rest = 1 - share
    begin, end = (rest * rest - 1) * rest * chord * chord / 6, (share * share - 1) * share * chord * chord / 6
    by_begin, by_end = (1 - 3 * rest * rest) * chord / 6, (3 * share * share - 1) * chord / 6
    x = rest * nodes[span, 0] + share * nodes[span + 1, 0] + begin * bends[span, 0] + end * bends[span + 1, 0]
    y = rest * nodes[span, 1] + share * nodes[span + 1, 1] + begin * bends[span, 1] + end * bends[span + 1, 1]
    dx = (nodes[span + 1, 0] - nodes[span, 0]) / chord + by_begin * bends[span, 0] + by_end * bends[span + 1, 0]
    dy = (nodes[span + 1, 1] - nodes[span, 1]) / chord + by_begin * bends[span, 1] + by_end * bends[span + 1, 1]
    return x, y, dx, dy


@compiled
def at(nodes: Array, places: Array) -> tuple[Array, Array]:
    """Return coordinates (n, 2) [m] and directions of travel (n, 2), by the parameter of chords [-], at places (n,)."""
    chords, bends = bends_of(nodes)
    return _all_at(nodes, chords, bends, places)


@compiled
def _all_at(nodes: Array, chords: Array, bends: Array, places: Array) -> tuple[Array, Array]:
    points, slopes = np.empty((len(places), 2)), np.empty((len(places), 2))
    for row in range(len(places)):
        points[row, 0], points[row, 1], slopes[row, 0], slopes[row, 1] = _at(nodes, chords, bends, places[row])
    return points, slopes


@compiled
def derivatives(nodes: Array, places: Array) -> tuple[Array, Array]:
    """Return the derivatives of coordinates and of directions of travel, (n, 2, 2 (m + 1)) each, by the nodes' coordinates at places (n,)."""
    chords, bends = bends_of(nodes)
    by_nodes = _bends_by(nodes, chords, bends)
    of_points, of_slopes = np.zeros((len(places), 2, nodes.size)), np.zeros((len(places), 2, nodes.size))
    for row in range(len(places)):
        _put_point(nodes, chords, bends, by_nodes, places[row], of_points[row])
        span = min(max(math.floor(places[row]), 0), len(chords) - 1)
        chord, share = chords[span], places[row] - span
        by_begin, by_end = (1 - 3 * (1 - share) ** 2) / 6, (3 * share * share - 1) / 6
        ends = (-1 / chord, 1 / chord, by_begin * chord, by_end * chord)
        _put_derivatives(nodes, chords, bends, by_nodes, span, ends, (by_begin, by_end, -1 / chord**2), of_slopes[row])
    return of_points, of_slopes


@compiled
def _put_point(nodes: Array, chords: Array, bends: Array, by_nodes: Array, place: float, found: Array) -> None:
    """Put the derivatives (2, 2 (m + 1)) of a place's coordinates by the nodes' coordinates."""
    span = min(max(math.floor(place), 0), len(chords) - 1)
    chord, share = chords[span], place - span
    rest = 1 - share
    begin, end = (rest * rest - 1) * rest * chord / 6, (share * share - 1) * share * chord / 6
    _put_derivatives(nodes, chords, bends, by_nodes, span, (rest, share, begin * chord, end * chord), (2 * begin, 2 * end, 0.0), found)


@compiled
def _put_derivatives(
    nodes: Array,
    chords: Array,
    bends: Array,
    by_nodes: Array,
    span: int,
    weights: tuple[float, float, float, float],
    by_chord: tuple[float, float, float],
    found: Array,
) -> None:
    """Put the derivatives (2, 2 (m + 1)) of a sum of both ends of a span and of both second derivatives there, so weighted.

    `by_chord` are the derivatives, by the span's own chord, of the weights of both second derivatives, and of that of the step from end to end.
    """
    here, there, bend, bend_there = weights
    for axis in range(2):
        for one in range(nodes.size):
            found[axis, one] = bend * by_nodes[span, axis, one] + bend_there * by_nodes[span + 1, axis, one]
        found[axis, 2 * span + axis] += here
        found[axis, 2 * span + 2 + axis] += there
        swing = by_chord[0] * bends[span, axis] + by_chord[1] * bends[span + 1, axis]
        swing += by_chord[2] * (nodes[span + 1, axis] - nodes[span, axis])
        for other in range(2):
            along = swing * (nodes[span + 1, other] - nodes[span, other]) / chords[span]
            found[axis, 2 * span + other] -= along
            found[axis, 2 * span + 2 + other] += along


@compiled
def rows(nodes: Array, places: Array) -> tuple[Array, Array, Array]:
    """Return the derivatives (n, 2 (m + 1)) by the nodes of the distance of what stands left of places (n,), those as points (n, 2) [m], and normals."""
    chords, bends = bends_of(nodes)
    by_nodes = _bends_by(nodes, chords, bends)
    there, normals = at(nodes, places)
    found, of_point = np.empty((len(places), nodes.size)), np.empty((2, nodes.size))
    for row in range(len(places)):
        _put_point(nodes, chords, bends, by_nodes, places[row], of_point)
        size = math.hypot(normals[row, 0], normals[row, 1])
        normals[row, 0], normals[row, 1] = -normals[row, 1] / size, normals[row, 0] / size
        for one in range(nodes.size):
            found[row, one] = -of_point[0, one] * normals[row, 0] - of_point[1, one] * normals[row, 1]
    return found, there, normals


@compiled
def direction(nodes: Array, end: bool) -> Array:
    """Return the direction of travel (2,) at the first or the last node."""
    along: Array = at(nodes, np.array([len(nodes) - 1.0 if end else 0.0]))[1][0]
    return along


@compiled
def direction_by(nodes: Array, end: bool) -> Array:
    """Return the derivatives (2 (m + 1),) of the direction of travel [rad] at the first or the last node, by the nodes' coordinates."""
    place = np.array([len(nodes) - 1.0 if end else 0.0])
    along, by_nodes = at(nodes, place)[1][0], derivatives(nodes, place)[1][0]
    found, squared = np.empty(nodes.size), along[0] ** 2 + along[1] ** 2
    for one in range(nodes.size):
        found[one] = (along[0] * by_nodes[1, one] - along[1] * by_nodes[0, one]) / squared
    return found


@compiled
def feet(nodes: Array, points: Array, places: Array, steps: int) -> Array:
    """Return the places (n,) nearest to points (n, 2) [m], Newton steps from given ones; not far beyond the ends."""
    chords, bends = bends_of(nodes)
    return _feet(nodes, chords, bends, points, places, steps)


@compiled
def _feet(nodes: Array, chords: Array, bends: Array, points: Array, places: Array, steps: int) -> Array:
    found, spans = places.copy(), len(chords)
    for row in range(len(points)):
        for _ in range(steps):
            x, y, dx, dy = _at(nodes, chords, bends, found[row])
            span = min(max(math.floor(found[row]), 0), spans - 1)
            step = ((points[row, 0] - x) * dx + (points[row, 1] - y) * dy) / (dx * dx + dy * dy) / chords[span]
            step = min(max(step, -0.5), 0.5)
            there = found[row] + step
            after = min(max(math.floor(there), 0), spans - 1)
            if after > span:  # a step into the next span is so much of that one
                there = after + (there - after) * chords[span] / chords[after]
            elif after < span:
                there = span - (span - there) * chords[span] / chords[after]
            found[row] = min(max(there, -BEYOND), spans + BEYOND)
    return found


@compiled
def nearest(nodes: Array, points: Array) -> Array:
    """Return the places (n,) nearest to points (n, 2) [m] among `STARTS` a span."""
    starts = np.arange(STARTS * (len(nodes) - 1) + 1) / STARTS
    there, found = at(nodes, starts)[0], np.empty(len(points))
    for row in range(len(points)):
        least = np.inf
        for index in range(len(starts)):
            squared = (points[row, 0] - there[index, 0]) ** 2 + (points[row, 1] - there[index, 1]) ** 2
            if squared < least:
                least, found[row] = squared, starts[index]
    return found


@compiled
def divided(points: Array, spans: int, shift: float) -> tuple[Array, Array]:
    """Return nodes (spans + 1, 2) [m] along a row of points, and the places of the points (n,) [-].

    Evenly, but for those between the ends, which are moved by a share of a span.
    """
    stations, marks = np.zeros(len(points)), np.empty(spans + 1)
    for row in range(1, len(points)):
        stations[row] = stations[row - 1] + math.hypot(points[row, 0] - points[row - 1, 0], points[row, 1] - points[row - 1, 1])
    nodes, places = np.empty((spans + 1, 2)), np.empty(len(points))
    for node in range(spans + 1):
        marks[node] = stations[-1] * (node + (shift if 0 < node < spans else 0.0)) / spans
        for axis in range(2):
            nodes[node, axis] = np.interp(marks[node], stations, points[:, axis])
    numbers = np.arange(spans + 1).astype(np.float64)
    for row in range(len(points)):
        places[row] = np.interp(stations[row], marks, numbers)
    return nodes, places


@compiled
def _misfits(nodes: Array, points: Array, sigmas: Array, places: Array) -> tuple[Array, Array, Array, float]:
    """Return the feet of the shots, their distances in standard deviations, the normals there, and chi-square."""
    chords, bends = bends_of(nodes)
    found = _feet(nodes, chords, bends, points, places, NEWTON)
    there, slopes = _all_at(nodes, chords, bends, found)
    normals, misfit, chi_square = np.empty((len(points), 2)), np.empty(len(points)), 0.0
    for row in range(len(points)):
        size = math.hypot(slopes[row, 0], slopes[row, 1])
        normals[row, 0], normals[row, 1] = -slopes[row, 1] / size, slopes[row, 0] / size
        away = (there[row, 0] - points[row, 0]) * normals[row, 0] + (there[row, 1] - points[row, 1]) * normals[row, 1]
        misfit[row] = away / sigmas[row]
        chi_square += misfit[row] * misfit[row]
    return found, misfit, normals, chi_square


@compiled
def fitted_alone(points: Array, sigmas: Array, nodes: Array, places: Array, hopeless: float) -> tuple[float, Array]:
    """Fit a spline to shots by itself (Levenberg, Marquardt).

    Parameters
    ----------
    points : (n, 2) array
        In order along it [m].
    sigmas : (n,) array
        Standard deviations [m].
    nodes : (m + 1, 2) array
        First values [m].
    places : (n,) array
        Where the feet of the shots are first sought [-].
    hopeless : float
        Chi-square above which, after `PATIENCE` steps, it is given up.

    Returns
    -------
    chi-square, nodes (m + 1, 2) [m]
    """
    places, misfit, normals, chi_square = _misfits(nodes, points, sigmas, places)
    damping, size = FIRST_DAMPING, nodes.size
    for step in range(MOST_STEPS):
        if step >= PATIENCE and chi_square > hopeless:
            break
        chords, bends = bends_of(nodes)
        by_nodes, of_point, by_all = _bends_by(nodes, chords, bends), np.empty((2, size)), np.empty((len(points), size))
        for shot in range(len(points)):
            _put_point(nodes, chords, bends, by_nodes, places[shot], of_point)
            across, up = normals[shot, 0] / sigmas[shot], normals[shot, 1] / sigmas[shot]
            for one in range(size):
                by_all[shot, one] = of_point[0, one] * across + of_point[1, one] * up
        normal, push = by_all.T @ by_all, -(by_all.T @ misfit)
        scale, gained = np.trace(normal) / size, -1.0
        for _ in range(DAMPED):
            braked = normal.copy()
            for one in range(size):
                braked[one, one] += (damping + STEADY) * scale
            move = np.linalg.solve(braked, push).reshape(-1, 2)
            longest = 1e-12
            for node in range(len(move)):
                longest = max(longest, math.hypot(move[node, 0], move[node, 1]))
            moved = nodes + min(1.0, LONGEST_MOVE / longest) * move
            then = _misfits(moved, points, sigmas, places)
            gained = chi_square - then[3]
            if gained >= 0:
                nodes, places, misfit, normals, chi_square = moved, then[0], then[1], then[2], then[3]
                damping = max(damping / 10, 1e-9)
                break
            damping *= 10
        if gained < GAIN_DONE * chi_square:
            break
    return chi_square, nodes
