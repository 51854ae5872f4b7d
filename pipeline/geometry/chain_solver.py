"""The least squares of a chain in machine code: its distances, its conditions, the moves of its numbers, what is then known of them.

Everything compiled that `chain_adjustment` needs stands in this one file: compiled code is kept until the file it stands in changes.

Distances are written so that they stay regular when an arc flattens into a line:  with F = κ/2 (u² - u L + v²) -
v cos(σ/2) in the frame of the chord,  d = -2 F / (1 + √(1 + 2 κ F)).  The conditions are met by moving in their null space, found by
Householder's reflections with the longest row first, so that redundant ones do no harm.

References
----------
E. M. Mikhail, F. Ackermann, "Observations and Least Squares" (1976), chapter 9 (conditions among unknowns; from memory).
G. H. Golub, C. F. Van Loan, "Matrix Computations" (4th edition 2013), sections 4.2, 5.4 (Cholesky, Householder) and 6.2 (from memory).
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.compiled import compiled

Array = NDArray[np.float64]
Index = NDArray[np.intp]

MOST_STEPS: Final = 40
PATIENCE: Final = 8  # steps before a fit that is far off may be given up
MOVE_DONE: Final = 1e-8  # [m], [-] an iteration has converged when nothing moves by more,
GAIN_DONE: Final = 1e-5  # [-] or chi-square changes by less (a join may slide along a smooth curve for ever),
MISS_DONE: Final = 1e-9  # [rad], [-] while every condition is met
# [-] of the normal matrix's diagonal, until a move helps (Levenberg, Marquardt)
DAMPINGS: Final = (0.0, 1e-7, 1e-5, 1e-3, 1e-2, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0)
STRONGEST: Final = 10.0  # [-] the last of them
PART: Final = 0.3  # [-] of the shortest chord that ends at a vertex: how far it may go in one step,
LEAST_REACH: Final = 0.02  # [m] and how far in any case
RANK: Final = 1e-4  # relative length of what is left of a condition below which it repeats others (exactly only where all are met)

TANGENT: Final = 0
EQUAL_RADIUS: Final = 1
EQUAL_SWEEP: Final = 2
PARALLEL: Final = 3
SQUARE: Final = 4


class Problem(NamedTuple):
    """What a chain is fitted to.

    Parameters
    ----------
    columns : (pieces, 5) array
        Where each piece's start, end and bulge stand among the unknowns; -1 for the bulge of a line.
    vertices : int
        How many; their coordinates are the first unknowns.
    points : (n, 2) array
        [m]
    covariances : (n, 2, 2) array
        [m²]
    pieces, corners : (n,) arrays
        The piece of each shot, and the vertex it was taken at or -1.
    kinds, firsts, seconds : (m,) arrays
        Of each condition its kind (`TANGENT` and so on) and its two pieces.
    looseness : (m,) array
        Standard deviation to which each condition holds, 0: exactly.
    """

    columns: Index
    vertices: int
    points: Array
    covariances: Array
    pieces: Index
    corners: Index
    kinds: Index
    firsts: Index
    seconds: Index
    looseness: Array


class Seen(NamedTuple):
    """Everything evaluated at one set of unknowns.

    Parameters
    ----------
    offsets, sigmas : (n,) arrays
        Signed distance of each shot from its piece, left positive, and its standard deviation in that direction [m].
    rows : (n, 5) array
        Derivatives of offset over sigma to the five numbers of the piece.
    missed : (m,) array
        By how much each condition is missed.
    tie_rows : (m, 10) array
        Derivatives of that to the five numbers of both pieces.
    """

    offsets: Array
    sigmas: Array
    rows: Array
    missed: Array
    tie_rows: Array


@compiled
def cholesky(matrix: Array) -> bool:
    """Put L with L Lᵀ = `matrix` (n, n) into its lower triangle, which alone is read; False where it is not positive definite."""
    for row in range(len(matrix)):
        for column in range(row):
            total = matrix[row, column]
            for index in range(column):
                total -= matrix[row, index] * matrix[column, index]
            matrix[row, column] = total / matrix[column, column]
        total = matrix[row, row]
        for index in range(row):
            total -= matrix[row, index] * matrix[row, index]
        if not total > 0.0:
            return False
        matrix[row, row] = math.sqrt(total)
    return True


@compiled
def solve_cholesky(factor: Array, values: Array) -> None:
    """Put the solution of L Lᵀ x = `values` (n,) into `values`, L the lower triangle of `factor` (n, n)."""
    count = len(values)
    for row in range(count):
        total = values[row]
        for index in range(row):
            total -= factor[row, index] * values[index]
        values[row] = total / factor[row, row]
    for row in range(count - 1, -1, -1):
        values[row] /= factor[row, row]
        for index in range(row):
            values[index] -= factor[row, index] * values[row]


@compiled
def inverse_of_cholesky(factor: Array) -> Array:
    """Return the inverse (n, n) of L Lᵀ, L the lower triangle of `factor`."""
    inverse = np.eye(len(factor))
    for column in range(len(factor)):
        solve_cholesky(factor, inverse[column])
    return inverse


@compiled
def reflect(mirror: Array, values: Array) -> None:
    """Reflect a vector (n,) in place: x - (v·x) v."""
    share = 0.0
    for index in range(len(values)):
        share += mirror[index] * values[index]
    for index in range(len(values)):
        values[index] -= share * mirror[index]


@compiled
def reflect_both(mirror: Array, matrix: Array) -> None:
    """Reflect a symmetric matrix (n, n) in place from both its sides."""
    count = len(matrix)
    pushed = np.zeros(count)
    half = 0.0
    for row in range(count):
        if mirror[row] != 0.0:
            for column in range(count):
                pushed[column] += mirror[row] * matrix[row, column]
    for row in range(count):
        half += mirror[row] * pushed[row] / 2
    for row in range(count):
        pushed[row] -= half * mirror[row]
    for row in range(count):
        own, push = mirror[row], pushed[row]
        for column in range(count):
            matrix[row, column] -= own * pushed[column] + push * mirror[column]


@compiled
def householder(rows: Array) -> tuple[Array, Array, Index]:
    """Turn some rows (m, n) by reflections into the first axes, the longest row left first.

    Returns
    -------
    mirrors : (rank, n) array
        Each reflection x - (v·x) v, the first to be applied first.
    triangle : (rank, rank) array
        The rows kept, so turned: a lower triangle.
    kept : (rank,) array
        Which rows, in the order taken.
    """
    count, size = rows.shape
    left, order, mirrors = rows.copy(), np.arange(count), np.zeros((min(count, size), size))
    rank, longest = 0, 0.0
    while rank < len(mirrors):
        best, most = rank, -1.0
        for row in range(rank, count):
            length = 0.0
            for index in range(rank, size):
                length += left[row, index] * left[row, index]
            if length > most:
                best, most = row, length
        longest = math.sqrt(most) if rank == 0 else longest
        if not math.sqrt(max(most, 0.0)) > RANK * longest:
            break
        order[rank], order[best] = order[best], order[rank]
        for index in range(size):
            left[rank, index], left[best, index] = left[best, index], left[rank, index]
        _put_mirror(left[rank], rank, math.sqrt(most), mirrors[rank])
        for row in range(rank, count):
            reflect(mirrors[rank], left[row])
        rank += 1
    return mirrors[:rank].copy(), left[:rank, :rank].copy(), order[:rank].copy()


@compiled
def _put_mirror(row: Array, axis: int, length: float, mirror: Array) -> None:
    """Put into `mirror` the reflection that lays what a row (n,) has from `axis` on, so long, onto that axis."""
    mirror[axis:] = row[axis:]
    mirror[axis] += math.copysign(length, row[axis])
    total = 0.0
    for index in range(axis, len(row)):
        total += mirror[index] * mirror[index]
    scale = math.sqrt(2.0 / total)
    for index in range(axis, len(row)):
        mirror[index] *= scale


@compiled
def _offset(five: Array, x: float, y: float, slopes: Array) -> float:
    """Return the signed distance [m] of a place from the carrier of a piece; `slopes` (7,) become its derivatives to the five numbers and the place."""
    dx, dy, bulge = five[2] - five[0], five[3] - five[1], five[4]
    length = math.sqrt(dx * dx + dy * dy)
    ex, ey = dx / length, dy / length
    px, py = x - five[0], y - five[1]
    u, v = px * ex + py * ey, py * ex - px * ey
    wide = 1 + bulge * bulge
    curvature, cosine = 4 * bulge / (length * wide), (2 - wide) / wide
    apart = u * u - u * length + v * v
    f = curvature / 2 * apart - v * cosine
    square = 1 + 2 * curvature * f
    root = math.sqrt(square) if square >= 0 else math.nan
    offset = -2 * f / (1 + root)
    by_f = (offset * curvature / root + 2) / -(1 + root)
    by_curvature = by_f * apart / 2 - offset * f / (root * (1 + root))
    by_u, by_v = by_f * curvature * (u - length / 2), by_f * (curvature * v - cosine)
    by_length = -by_f * curvature * u / 2 - (by_curvature * curvature + by_u * u + by_v * v) / length
    slopes[5], slopes[6] = by_u * ex - by_v * ey, by_u * ey + by_v * ex
    slopes[2] = (by_u * px + by_v * py) / length + by_length * ex
    slopes[3] = (by_u * py - by_v * px) / length + by_length * ey
    slopes[0], slopes[1] = -slopes[2] - slopes[5], -slopes[3] - slopes[6]
    slopes[4] = by_curvature * 4 * (2 - wide) / (length * wide * wide) + by_f * v * 4 * bulge / (wide * wide)
    return float(offset)


@compiled
def offsets_and_slopes(five: Array, points: Array) -> tuple[Array, Array, Array]:
    """Return signed distances (n,) [m], left positive, of points from the line or circle that carries each piece, and their derivatives.

    Parameters
    ----------
    five : (n, 5) array
        Start and end [m] and bulge [-] of each point's piece.
    points : (n, 2) array
        [m]

    Returns
    -------
    offsets : (n,) array
    slopes : (n, 5) array
        Derivatives to start, end and bulge.
    normals : (n, 2) array
        Derivatives to the point.
    """
    offsets, slopes = np.empty(len(points)), np.empty((len(points), 7))
    for row in range(len(points)):
        offsets[row] = _offset(five[row], points[row, 0], points[row, 1], slopes[row])
    return offsets, slopes[:, :5].copy(), slopes[:, 5:].copy()


@compiled
def _missed(kind: int, one: Array, other: Array, slopes: Array) -> float:
    """Return by how much a condition of two pieces is missed [rad] or [-]; `slopes` (10,) become its derivatives to the numbers of both.

    Sine of the corner, of the angle between two lines or of what that lacks of a right one; ratio of two radii less one; difference of two bulges.
    """
    dx, dy, length, squared = np.empty(2), np.empty(2), np.empty(2), np.empty(2)
    for side, five in enumerate((one, other)):
        dx[side], dy[side] = five[2] - five[0], five[3] - five[1]
        squared[side] = dx[side] * dx[side] + dy[side] * dy[side]
        length[side] = math.sqrt(squared[side])
    slopes[:] = 0.0
    if kind == EQUAL_SWEEP:
        slopes[4], slopes[9] = 1.0, -1.0
        return float(one[4] - other[4])
    if kind == EQUAL_RADIUS:
        ratio = length[0] * (1 + one[4] ** 2) * other[4] / (length[1] * (1 + other[4] ** 2) * one[4])
        for side, five in enumerate((one, other)):
            share = ratio if side == 0 else -ratio
            by_x, by_y = share * dx[side] / squared[side], share * dy[side] / squared[side]
            slopes[5 * side], slopes[5 * side + 1], slopes[5 * side + 2], slopes[5 * side + 3] = -by_x, -by_y, by_x, by_y
            slopes[5 * side + 4] = share * (2 * five[4] / (1 + five[4] ** 2) - 1 / five[4])
        return float(ratio - math.copysign(1.0, ratio))
    turn = math.atan2(dy[1], dx[1]) - math.atan2(dy[0], dx[0])
    if kind == TANGENT:  # an arc leaves its chord by half its sweep at either end
        turn -= 2 * math.atan(one[4]) + 2 * math.atan(other[4])
        slopes[4], slopes[9] = -2 / (1 + one[4] ** 2), -2 / (1 + other[4] ** 2)
    for side in range(2):
        by_x, by_y = -dy[side] / squared[side], dx[side] / squared[side]
        sign = 1.0 if side == 1 else -1.0
        slopes[5 * side], slopes[5 * side + 1], slopes[5 * side + 2], slopes[5 * side + 3] = -sign * by_x, -sign * by_y, sign * by_x, sign * by_y
    slopes *= -math.sin(turn) if kind == SQUARE else math.cos(turn)
    return math.cos(turn) if kind == SQUARE else math.sin(turn)


@compiled
def misses_and_slopes(problem: Problem, x: Array) -> tuple[Array, Array]:
    """Return by how much each condition is missed (m,), and its derivatives to the unknowns (m, size)."""
    five, slopes = _five(problem, x), np.empty(10)
    missed, rows = np.empty(len(problem.kinds)), np.zeros((len(problem.kinds), len(x)))
    for tie in range(len(problem.kinds)):
        missed[tie] = _missed(problem.kinds[tie], five[problem.firsts[tie]], five[problem.seconds[tie]], slopes)
        _put_tie(problem, tie, slopes, rows[tie])
    return missed, rows


@compiled
def _put_tie(problem: Problem, tie: int, slopes: Array, row: Array) -> None:
    """Add the derivatives (10,) of a condition to its row (size,) over all unknowns."""
    for number in range(10):
        piece = problem.firsts[tie] if number < 5 else problem.seconds[tie]
        column = problem.columns[piece, number % 5]
        if column >= 0:
            row[column] += slopes[number]


@compiled
def _five(problem: Problem, x: Array) -> Array:
    """Return (pieces, 5): start, end and bulge of every piece."""
    five = np.zeros(problem.columns.shape)
    for piece in range(len(five)):
        for number in range(5):
            if problem.columns[piece, number] >= 0:
                five[piece, number] = x[problem.columns[piece, number]]
    return five


@compiled
def blank(problem: Problem) -> Seen:
    """Return room for what is evaluated."""
    shots, ties = len(problem.points), len(problem.kinds)
    return Seen(np.zeros(shots), np.zeros(shots), np.zeros((shots, 5)), np.zeros(ties), np.zeros((ties, 10)))


@compiled
def see(problem: Problem, x: Array, seen: Seen) -> tuple[float, float]:
    """Evaluate everything at `x` into `seen`; returns chi-square and the most by which an exact condition is missed."""
    five, slopes = _five(problem, x), np.empty(7)
    chi_square, most = 0.0, 0.0
    for shot in range(len(problem.points)):
        spread = problem.covariances[shot]
        seen.offsets[shot] = _offset(five[problem.pieces[shot]], problem.points[shot, 0], problem.points[shot, 1], slopes)
        variance = slopes[5] ** 2 * spread[0, 0] + slopes[5] * slopes[6] * (spread[0, 1] + spread[1, 0]) + slopes[6] ** 2 * spread[1, 1]
        sigma = math.sqrt(variance) if variance >= 0 else math.nan
        seen.sigmas[shot] = sigma
        vertex = problem.corners[shot]
        if vertex < 0:
            chi_square += (seen.offsets[shot] / sigma) ** 2
            for number in range(5):
                seen.rows[shot, number] = slopes[number] / sigma
        else:
            a, b, c = _weight(spread)
            away_x, away_y = x[2 * vertex] - problem.points[shot, 0], x[2 * vertex + 1] - problem.points[shot, 1]
            chi_square += a * away_x * away_x + 2 * b * away_x * away_y + c * away_y * away_y
    for tie in range(len(problem.kinds)):
        seen.missed[tie] = _missed(problem.kinds[tie], five[problem.firsts[tie]], five[problem.seconds[tie]], seen.tie_rows[tie])
        if problem.looseness[tie] > 0:
            chi_square += (seen.missed[tie] / problem.looseness[tie]) ** 2
        else:
            most = max(most, abs(seen.missed[tie]))
    return chi_square, most


@compiled
def _weight(spread: Array) -> tuple[float, float, float]:
    """Return the inverse of a covariance (2, 2) [m²]: its diagonal's first, its other, and its diagonal's second number."""
    determinant = spread[0, 0] * spread[1, 1] - spread[0, 1] * spread[1, 0]
    return spread[1, 1] / determinant, -spread[0, 1] / determinant, spread[0, 0] / determinant


@compiled
def _add(normal: Array, push: Array, columns: Index, row: Array, misfit: float) -> None:
    """Add one equation, its derivatives `row` to the unknowns `columns`, to the normal matrix and the right side."""
    for one in range(len(columns)):
        if columns[one] >= 0:
            push[columns[one]] += row[one] * misfit
            for other in range(len(columns)):
                if columns[other] >= 0:
                    normal[columns[one], columns[other]] += row[one] * row[other]


@compiled
def _normal(problem: Problem, x: Array, seen: Seen) -> tuple[Array, Array]:
    """Return the normal matrix (size, size) of shots and loose conditions, and the gradient of half chi-square (size,)."""
    normal, push = np.zeros((len(x), len(x))), np.zeros(len(x))
    for shot in range(len(problem.points)):
        vertex = problem.corners[shot]
        if vertex < 0:
            _add(normal, push, problem.columns[problem.pieces[shot]], seen.rows[shot], seen.offsets[shot] / seen.sigmas[shot])
        else:
            a, b, c = _weight(problem.covariances[shot])
            east, north = 2 * vertex, 2 * vertex + 1
            away_x, away_y = x[east] - problem.points[shot, 0], x[north] - problem.points[shot, 1]
            normal[east, east] += a
            normal[east, north] += b
            normal[north, east] += b
            normal[north, north] += c
            push[east] += a * away_x + b * away_y
            push[north] += b * away_x + c * away_y
    columns = np.empty(10, dtype=np.intp)
    for tie in range(len(problem.kinds)):
        loose = problem.looseness[tie]
        if loose > 0:
            columns[:5], columns[5:] = problem.columns[problem.firsts[tie]], problem.columns[problem.seconds[tie]]
            _add(normal, push, columns, seen.tie_rows[tie] / loose, seen.missed[tie] / loose)
    return normal, push


@compiled
def _exact(problem: Problem, size: int, seen: Seen) -> tuple[Array, Array]:
    """Return the exact conditions' derivatives (exact, size), and by how much each is missed."""
    count = 0
    for tie in range(len(problem.kinds)):
        count += 1 if problem.looseness[tie] == 0 else 0
    rows, missed = np.zeros((count, size)), np.empty(count)
    count = 0
    for tie in range(len(problem.kinds)):
        if problem.looseness[tie] == 0:
            _put_tie(problem, tie, seen.tie_rows[tie], rows[count])
            missed[count] = seen.missed[tie]
            count += 1
    return rows, missed


@compiled
def _reaches(problem: Problem, x: Array) -> Array:
    """Return how far every vertex [m] and bulge [-] may go in one step: a part of the shortest chord that ends at it."""
    five = _five(problem, x)
    reaches = np.full(len(x) - problem.vertices, np.inf)
    for piece in range(len(five)):
        chord = math.hypot(five[piece, 2] - five[piece, 0], five[piece, 3] - five[piece, 1])
        for end in (problem.columns[piece, 0] // 2, problem.columns[piece, 2] // 2):
            reaches[end] = min(reaches[end], chord)
        if problem.columns[piece, 4] >= 0:
            reaches[problem.columns[piece, 4] - problem.vertices] = chord
    return np.maximum(PART * reaches, LEAST_REACH)


@compiled
def _shrink(problem: Problem, move: Array, reaches: Array) -> tuple[float, float]:
    """Return the longest move of a vertex [m] or a bulge [-], the same however the axes lie, and by how much all have to shrink to stay in reach."""
    most, shrink = 0.0, 1.0
    for number in range(len(reaches)):
        size = math.hypot(move[2 * number], move[2 * number + 1]) if number < problem.vertices else abs(move[problem.vertices + number])
        most = max(most, size)
        if size > reaches[number]:
            shrink = min(shrink, reaches[number] / size)
    return most, shrink


@compiled
def _diagonal(problem: Problem, normal: Array) -> Array:
    """Return the diagonal (size,) of the normal matrix, the same for both coordinates of a vertex: the same damping however the axes lie."""
    diagonal = np.diag(normal).copy()
    for vertex in range(problem.vertices):
        mean = (diagonal[2 * vertex] + diagonal[2 * vertex + 1]) / 2
        diagonal[2 * vertex] = diagonal[2 * vertex + 1] = mean
    return diagonal


@compiled
def _improved(
    problem: Problem, x: Array, seen: Seen, now: tuple[float, float], pull: Array, spare: Seen
) -> tuple[float, tuple[float, float], Array, bool]:
    """Return the size of a move [m], chi-square and miss after it, where it leads, and whether there is one: damped until it helps and is short enough.

    What is evaluated there is put into `spare`.  The unknowns are turned so that the exact conditions hold the first of them.
    """
    size, reaches = len(x), _reaches(problem, x)
    normal, push = _normal(problem, x, seen)
    for index in range(size):
        normal[index, index] += pull[index]
    diagonal, brake = _diagonal(problem, normal), np.zeros((size, size))
    conditions, missed = _exact(problem, size, seen)
    mirrors, triangle, kept = householder(conditions)
    rank, move, most = len(mirrors), np.zeros(size), 0.0
    back = _met(triangle, missed, kept)
    for mirror in mirrors:
        reflect(mirror, push)
        reflect_both(mirror, normal)
    for damping in DAMPINGS:
        if damping == DAMPINGS[1]:
            for index in range(size):
                brake[index, index] = diagonal[index]
            for mirror in mirrors:
                reflect_both(mirror, brake)
        if not _put_move(normal, brake, damping, push, back, move):
            continue
        for index in range(rank - 1, -1, -1):
            reflect(mirrors[index], move)
        most, shrink = _shrink(problem, move, reaches)
        if shrink < 1 and damping < STRONGEST:
            continue
        there = x + shrink * move
        then = see(problem, there, spare)
        if math.isfinite(then[0]) and (then[0] <= now[0] * (1 + 1e-12) + 1e-9 or (now[1] > MISS_DONE and then[1] < now[1])):
            return most, then, there, True
    return most, now, x, False


@compiled
def _met(triangle: Array, missed: Array, kept: Index) -> Array:
    """Return the turned unknowns' move (rank,) that meets the conditions kept."""
    back = np.empty(len(kept))
    for row in range(len(kept)):
        total = -missed[kept[row]]
        for index in range(row):
            total -= triangle[row, index] * back[index]
        back[row] = total / triangle[row, row]
    return back


@compiled
def _put_move(normal: Array, brake: Array, damping: float, push: Array, back: Array, move: Array) -> bool:
    """Put the damped move of the turned unknowns into `move` (size,): as the conditions ask, and for the others least squares; False where it fails."""
    rank, size = len(back), len(move)
    factor, values = np.empty((size - rank, size - rank)), np.empty(size - rank)
    for row in range(rank, size):
        total = push[row]
        for column in range(rank):
            total += (normal[row, column] + damping * brake[row, column]) * back[column]
        values[row - rank] = -total
        for column in range(rank, row + 1):
            factor[row - rank, column - rank] = normal[row, column] + damping * brake[row, column]
    if not cholesky(factor):
        return False
    solve_cholesky(factor, values)
    move[:rank], move[rank:] = back, values
    return True


@compiled
def adjusted(problem: Problem, x: Array, pull: Array, hopeless: float) -> tuple[Array, Seen, float, int, bool]:
    """Move the unknowns until chi-square is least under the conditions.

    Parameters
    ----------
    problem : Problem
        What the chain is fitted to.
    x : (size,) array
        First values: x, y of each vertex, then the bulge of each arc.
    pull : (size,) array
        Weight by which each unknown is kept in place; it moves nothing.
    hopeless : float
        Chi-square above which, after `PATIENCE` steps, it is given up.

    Returns
    -------
    x, what is evaluated there, chi-square, the number of steps, and whether it converged
    """
    seen, spare = blank(problem), blank(problem)
    now = see(problem, x, seen)
    steps = 0
    while steps < MOST_STEPS:
        steps += 1
        most, then, x, helped = _improved(problem, x, seen, now, pull, spare)
        if not helped:
            return x, seen, now[0], steps, now[1] < MISS_DONE
        gained = now[0] - then[0]
        seen, spare, now = spare, seen, then
        if steps >= PATIENCE and now[0] > hopeless:
            break
        if now[1] < MISS_DONE and (most <= MOVE_DONE or abs(gained) <= GAIN_DONE):
            return x, seen, now[0], steps, True
    return x, seen, now[0], steps, False


@compiled
def spread(problem: Problem, x: Array, seen: Seen, pull: Array) -> tuple[bool, Array, Array, float, Array]:
    """Say what is known of the unknowns after the adjustment.

    Returns
    -------
    known : bool
        False where the normal matrix has no inverse.
    covariance : (size, size) array
        From the a-priori sigmas.
    redundancies : (n,) array
        Share of each shot's own error that shows in its residual.
    freedom : float
        Equations less the unknowns that shots and loose conditions hold.
    tests : (exact,) array
        By how much chi-square would fall without each exact condition, to first order.
    """
    size = len(x)
    normal, push = _normal(problem, x, seen)
    for index in range(size):
        normal[index, index] += pull[index]
    conditions, _ = _exact(problem, size, seen)
    tested, tests = _tie_tests(normal.copy(), conditions, push)
    mirrors, _, _ = householder(conditions)
    for mirror in mirrors:
        reflect_both(mirror, normal)
    rank = len(mirrors)
    factor, covariance = normal[rank:, rank:].copy(), np.zeros((size, size))
    if not (cholesky(factor) and tested):
        return False, covariance, np.ones(len(problem.points)), 0.0, tests
    covariance[rank:, rank:] = inverse_of_cholesky(factor)
    for index in range(rank - 1, -1, -1):
        reflect_both(mirrors[index], covariance)
    redundancies, freedom = _redundancies(problem, seen, covariance)
    return True, covariance, redundancies, freedom, tests


@compiled
def _redundancies(problem: Problem, seen: Seen, covariance: Array) -> tuple[Array, float]:
    """Return each shot's redundancy (n,), and equations less the trace of the hat matrix: it counts the unknowns that equations hold."""
    redundancies, freedom = np.ones(len(problem.points)), 0.0
    for shot in range(len(problem.points)):
        vertex = problem.corners[shot]
        if vertex < 0:
            share = _quadratic(covariance, problem.columns[problem.pieces[shot]], seen.rows[shot])
            freedom += 1 - share
        else:
            a, b, c = _weight(problem.covariances[shot])
            east, north = 2 * vertex, 2 * vertex + 1
            share = (a * covariance[east, east] + 2 * b * covariance[east, north] + c * covariance[north, north]) / 2
            freedom += 2 * (1 - share)
        redundancies[shot] = min(max(1 - share, 0.0), 1.0)
    columns = np.empty(10, dtype=np.intp)
    for tie in range(len(problem.kinds)):
        loose = problem.looseness[tie]
        if loose > 0:
            columns[:5], columns[5:] = problem.columns[problem.firsts[tie]], problem.columns[problem.seconds[tie]]
            freedom += 1 - _quadratic(covariance, columns, seen.tie_rows[tie] / loose)
    return redundancies, freedom


@compiled
def _quadratic(covariance: Array, columns: Index, row: Array) -> float:
    """Return the variance of a sum: `row` times the unknowns `columns`."""
    total = 0.0
    for one in range(len(columns)):
        for other in range(len(columns)):
            if columns[one] >= 0 and columns[other] >= 0:
                total += row[one] * row[other] * covariance[columns[one], columns[other]]
    return total


@compiled
def _tie_tests(normal: Array, conditions: Array, push: Array) -> tuple[bool, Array]:
    """Return (whether all could be solved, each exact condition's squared multiplier over its variance); `normal` is overwritten."""
    count, size = conditions.shape
    tests = np.zeros(count)
    if not cholesky(normal):
        return False, tests
    pushed, stiffness = conditions.copy(), np.zeros((count, count))
    for row in range(count):
        solve_cholesky(normal, pushed[row])
    trace = 0.0
    for one in range(count):
        for other in range(count):
            for index in range(size):
                stiffness[one, other] += conditions[one, index] * pushed[other, index]
        trace += stiffness[one, one]
    for one in range(count):
        stiffness[one, one] += 1e-12 * trace
    if not cholesky(stiffness):
        return False, tests
    inverse = inverse_of_cholesky(stiffness)
    for one in range(count):
        multiplier = 0.0
        for other in range(count):
            for index in range(size):
                multiplier += inverse[one, other] * pushed[other, index] * push[index]
        tests[one] = multiplier * multiplier / inverse[one, one]
    return True, tests
