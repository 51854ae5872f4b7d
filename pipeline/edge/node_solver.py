"""A periodic cubic spline through free nodes in machine code: its places, its derivatives, and the moves of its nodes.

Everything compiled that `node_spline` needs stands in this one file: compiled code is kept until the file it stands in changes.

References
----------
C. de Boor, "A Practical Guide to Splines" (1978), chapter 4, for the conditions of the second derivatives (from memory).
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.compiled import compiled

Array = NDArray[np.float64]
Index = NDArray[np.intp]

MOST_STEPS: Final = 25
GAIN_DONE: Final = 3e-4  # [-] of chi-square, relative
LONGEST_MOVE: Final = 0.5  # [m] of a node in one step
DAMPED: Final = 6  # times a step is damped ten times more before it is given up
STEADY: Final = 1e-6  # weight that keeps nodes from drifting along the curve, of the mean information
NEWTON: Final = 2  # steps towards the foot of a shot


class Curve(NamedTuple):
    """The spline through nodes (K, 2) [m].

    Parameters
    ----------
    nodes : (K, 2) array
        [m]
    chords : (K,) array
        From each node to the next [m].
    along : (K, 2) array
        Their directions.
    bends : (K, 2) array
        Second derivatives by chord length at the nodes [1/m].
    inverse : (K, K) array
        Of the matrix of the conditions for the bends.
    """

    nodes: Array
    chords: Array
    along: Array
    bends: Array
    inverse: Array


class Seen(NamedTuple):
    """The shots seen from one curve: span and share of the foot of each, normal there, distance in standard deviations, standard deviation [m]."""

    span: Index
    share: Array
    normals: Array
    misfit: Array
    sigmas: Array


@compiled
def through(nodes: Array) -> Curve:
    """Return the spline through nodes (K, 2) [m]."""
    count = len(nodes)
    chords, along, matrix, turns = np.empty(count), np.empty((count, 2)), np.zeros((count, count)), np.empty((count, 2))
    for node in range(count):
        after = (node + 1) % count
        dx, dy = nodes[after, 0] - nodes[node, 0], nodes[after, 1] - nodes[node, 1]
        chords[node] = math.sqrt(dx * dx + dy * dy)
        along[node, 0], along[node, 1] = dx / chords[node], dy / chords[node]
    for node in range(count):
        before = (node - 1) % count
        matrix[node, node] = 2 * (chords[before] + chords[node])
        matrix[node, before] += chords[before]
        matrix[node, (node + 1) % count] += chords[node]
        for axis in range(2):
            turns[node, axis] = 6 * (along[node, axis] - along[before, axis])
    inverse: Array = np.linalg.inv(matrix)  # type: ignore[assignment]  # of the same kind as the matrix
    return Curve(nodes.copy(), chords, along, _product(inverse, turns), inverse)


@compiled
def _product(one: Array, other: Array) -> Array:
    result = np.zeros((one.shape[0], other.shape[1]))
    for row in range(one.shape[0]):
        for index in range(one.shape[1]):
            for column in range(other.shape[1]):
                result[row, column] += one[row, index] * other[index, column]
    return result


@compiled
def _at(curve: Curve, span: int, share: float) -> tuple[float, float, float, float]:
    """Return the place [m] and the derivatives by the parameter of chords [-] at a share of a span."""
    after, chord, rest = (span + 1) % len(curve.chords), curve.chords[span], 1 - share
    begin, end = (rest * rest - 1) * rest * chord * chord / 6, (share * share - 1) * share * chord * chord / 6
    by_begin, by_end = (1 - 3 * rest * rest) * chord / 6, (3 * share * share - 1) * chord / 6
    x = rest * curve.nodes[span, 0] + share * curve.nodes[after, 0] + begin * curve.bends[span, 0] + end * curve.bends[after, 0]
    y = rest * curve.nodes[span, 1] + share * curve.nodes[after, 1] + begin * curve.bends[span, 1] + end * curve.bends[after, 1]
    dx = curve.along[span, 0] + by_begin * curve.bends[span, 0] + by_end * curve.bends[after, 0]
    dy = curve.along[span, 1] + by_begin * curve.bends[span, 1] + by_end * curve.bends[after, 1]
    return x, y, dx, dy


@compiled
def at(curve: Curve, span: Index, share: Array) -> tuple[Array, Array]:
    """Return places (n, 2) [m] and derivatives by the parameter of chords (n, 2) [-] at shares of spans (n,)."""
    places, slopes = np.empty((len(span), 2)), np.empty((len(span), 2))
    for row in range(len(span)):
        places[row, 0], places[row, 1], slopes[row, 0], slopes[row, 1] = _at(curve, span[row], share[row])
    return places, slopes


@compiled
def _foot(curve: Curve, x: float, y: float, span: int, share: float) -> tuple[int, float]:
    """Return the place of the curve nearest to a point, Newton steps from a given one; a step may lead into the span beside."""
    count = len(curve.chords)
    for _ in range(NEWTON):
        px, py, dx, dy = _at(curve, span, share)
        chord = curve.chords[span]
        step = ((x - px) * dx + (y - py) * dy) / (dx * dx + dy * dy) / chord
        share += min(max(step, -0.5), 0.5)
        if share > 1:
            span, share = (span + 1) % count, (share - 1) * chord / curve.chords[(span + 1) % count]
        elif share < 0:
            span, share = (span - 1) % count, 1 + share * chord / curve.chords[(span - 1) % count]
        share = min(max(share, 0.0), 1.0)
    return span, share


@compiled
def see(curve: Curve, points: Array, covariances: Array, span: Index, share: Array) -> tuple[Seen, float]:
    """Return the shots as seen from a curve, their feet sought from given places, and chi-square."""
    count = len(points)
    seen = Seen(np.empty(count, dtype=np.intp), np.empty(count), np.empty((count, 2)), np.empty(count), np.empty(count))
    chi_square = 0.0
    for row in range(count):
        seen.span[row], seen.share[row] = _foot(curve, points[row, 0], points[row, 1], span[row], share[row])
        x, y, dx, dy = _at(curve, seen.span[row], seen.share[row])
        size, spread = math.sqrt(dx * dx + dy * dy), covariances[row]
        left_x, left_y = -dy / size, dx / size
        sigma = math.sqrt(left_x * left_x * spread[0, 0] + left_x * left_y * (spread[0, 1] + spread[1, 0]) + left_y * left_y * spread[1, 1])
        seen.normals[row, 0], seen.normals[row, 1], seen.sigmas[row] = left_x, left_y, sigma
        seen.misfit[row] = ((x - points[row, 0]) * left_x + (y - points[row, 1]) * left_y) / sigma
        chi_square += seen.misfit[row] * seen.misfit[row]
    return seen, chi_square


@compiled
def rows(curve: Curve, span: Index, share: Array, normals: Array) -> Array:
    """Return the derivatives (n, 2 K) of the curve square to itself by the nodes' coordinates, at parameters that stay as they are."""
    count = len(curve.chords)
    found, bent = np.zeros((len(span), 2 * count)), np.empty((count, 2))
    here, there = np.empty((count, 2, 2)), np.empty((count, 2, 2))
    for node in range(count):
        _put_steps(curve, node, here[node], there[node])
    for row in range(len(span)):
        own, after, chord, rest = span[row], (span[row] + 1) % count, curve.chords[span[row]], 1 - share[row]
        begin, end = rest**3 - rest, share[row] ** 3 - share[row]
        left_x, left_y = normals[row, 0], normals[row, 1]
        for step in range(count):
            following = (step + 1) % count
            first = (begin * curve.inverse[own, step] + end * curve.inverse[after, step]) * chord**2 / 6
            second = (begin * curve.inverse[own, following] + end * curve.inverse[after, following]) * chord**2 / 6
            for axis in range(2):
                bent[step, axis] = first * (here[step, axis, 0] * left_x + here[step, axis, 1] * left_y)
                bent[step, axis] += second * (there[step, axis, 0] * left_x + there[step, axis, 1] * left_y)
        swing = (begin * curve.bends[own, 0] + end * curve.bends[after, 0]) * left_x
        swing += (begin * curve.bends[own, 1] + end * curve.bends[after, 1]) * left_y
        for axis in range(2):
            bent[own, axis] += swing * chord / 3 * curve.along[own, axis]
            for node in range(count):  # a node ends one step and begins the next
                found[row, 2 * node + axis] = bent[(node - 1) % count, axis] - bent[node, axis]
            found[row, 2 * own + axis] += rest * normals[row, axis]
            found[row, 2 * after + axis] += share[row] * normals[row, axis]
    return found


@compiled
def _put_steps(curve: Curve, node: int, here: Array, there: Array) -> None:
    """Put the derivatives (2, 2) of the right sides at both ends of a step between nodes by that step: [its axis, component]."""
    after = (node + 1) % len(curve.chords)
    for axis in range(2):
        for component in range(2):
            along = curve.along[node, axis]
            turned = 6 * ((1.0 if axis == component else 0.0) - along * curve.along[node, component]) / curve.chords[node]
            here[axis, component] = turned - along * (2 * curve.bends[node, component] + curve.bends[after, component])
            there[axis, component] = -turned - along * (2 * curve.bends[after, component] + curve.bends[node, component])


@compiled
def weighted_rows(curve: Curve, seen: Seen) -> Array:
    """Return the derivatives (n, 2 K) of the shots' distances in standard deviations by the nodes' coordinates."""
    found = rows(curve, seen.span, seen.share, seen.normals)
    for row in range(len(found)):
        found[row] /= seen.sigmas[row]
    return found


@compiled
def _normal(found: Array, misfit: Array) -> tuple[Array, Array]:
    """Return the normal matrix (2 K, 2 K) and the gradient of half chi-square (2 K,)."""
    size = found.shape[1]
    normal, push = np.zeros((size, size)), np.zeros(size)
    for row in range(len(found)):
        own = found[row]
        for one in range(size):
            push[one] += own[one] * misfit[row]
            for other in range(one + 1):
                normal[one, other] += own[one] * own[other]
    for one in range(size):
        for other in range(one):
            normal[other, one] = normal[one, other]
    return normal, push


@compiled
def settled(nodes: Array, points: Array, covariances: Array, span: Index, share: Array) -> tuple[Curve, Seen, float]:
    """Move the nodes until chi-square is least (Levenberg, Marquardt).

    Parameters
    ----------
    nodes : (K, 2) array
        [m]
    points, covariances : (n, 2), (n, 2, 2) arrays
        Of the shots [m], [m²].
    span, share : (n,) arrays
        Where their feet are first sought.

    Returns
    -------
    the curve, the shots as seen from it, chi-square
    """
    curve, damping = through(nodes), 1e-3
    seen, chi_square = see(curve, points, covariances, span, share)
    for _ in range(MOST_STEPS):
        moved, then, least, damping, helped = _improved(curve, seen, chi_square, damping, points, covariances)
        if not helped:
            break
        gained = chi_square - least
        curve, seen, chi_square = moved, then, least
        if gained < GAIN_DONE * chi_square:
            break
    return curve, seen, chi_square


@compiled
def _improved(
    curve: Curve, seen: Seen, chi_square: float, damping: float, points: Array, covariances: Array
) -> tuple[Curve, Seen, float, float, bool]:
    """Return what is after a move that lowers chi-square, damped until one does, the damping to go on with, and whether there is one."""
    normal, push = _normal(weighted_rows(curve, seen), seen.misfit)
    size = len(push)
    diagonal = np.empty(size)
    for node in range(size // 2):  # the same damping however the axes lie
        diagonal[2 * node] = diagonal[2 * node + 1] = (normal[2 * node, 2 * node] + normal[2 * node + 1, 2 * node + 1]) / 2
    steady = STEADY * diagonal.mean()
    for _ in range(DAMPED):
        braked = normal.copy()
        for one in range(size):
            braked[one, one] += damping * diagonal[one] + steady
        move = np.linalg.solve(braked, -push).reshape(-1, 2)
        longest = 0.0
        for node in range(len(move)):
            longest = max(longest, math.hypot(move[node, 0], move[node, 1]))
        moved = through(curve.nodes + min(1.0, LONGEST_MOVE / max(longest, 1e-12)) * move)
        then, least = see(moved, points, covariances, seen.span, seen.share)
        if least < chi_square + 1e-9:
            return moved, then, least, max(damping / 10, 1e-9), True
        damping *= 10
    return curve, seen, chi_square, damping, False
