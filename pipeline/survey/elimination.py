"""Normal equations solved by blocks, with just those parts of their inverse that an adjustment asks for.

Detail points that only a few stations see are eliminated first (their blocks are small and stand alone).  What is left is put in
levels by a walk through its graph, so that a level touches its neighbours only; the matrix is then block tridiagonal, and
both the solution and the entries of the inverse within the blocks follow by recursion:

    S_k = D_k − C_k S_(k−1)⁻¹ C_kᵀ,    Q_kk = S_k⁻¹ + G_k Q_(k+1)(k+1) G_kᵀ,    Q_k(k+1) = −G_k Q_(k+1)(k+1),    G_k = S_k⁻¹ C_(k+1)ᵀ

References
----------
K. Takahashi, J. Fagan, M. Chen, "Formation of a sparse bus impedance matrix", 1973 (from memory), for the entries of the inverse.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import lapack
from scipy.sparse.csgraph import breadth_first_order, connected_components
from scipy.sparse.linalg import splu

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

LEAF_NEIGHBOURS: Final = 4  # a point with more neighbours is not eliminated beforehand
DENSE_UNKNOWNS: Final = 60  # below this levels do not pay
RANK_TOLERANCE: Final = 1e-11  # least pivot of normal equations scaled to a unit diagonal; an intersection of 0.7 seconds


class RankDefectError(Exception):
    """The normal equations are singular; `direction` is what moves without any observation noticing."""

    def __init__(self, direction: Floats) -> None:
        super().__init__("rank defect")
        self.direction = direction


class Level(NamedTuple):
    """One block of the block tridiagonal matrix and what couples it to the next."""

    unknowns: Indices
    inverse: Floats  # S_k⁻¹
    gain: Floats  # G_k, shape (this, next)


class Factor(NamedTuple):
    """Normal equations, eliminated.

    Parameters
    ----------
    scale : Floats, shape (unknowns,)
        Unknowns are scaled by this, so that the matrix has a unit diagonal.
    leaves, hubs : Indices
        Unknowns eliminated first, and the rest.
    leaf_inverse : sparse, (leaves, leaves)
    carried : sparse, (leaves, hubs)
        leaf_inverse times the coupling of leaves and hubs.
    levels : tuple of Level
        The hubs, level by level.
    """

    scale: Floats
    leaves: Indices
    hubs: Indices
    leaf_inverse: Any
    carried: Any
    levels: tuple[Level, ...]
    diagonal: tuple[Floats, ...]  # Q_kk
    beside: tuple[Floats, ...]  # Q_k(k+1)


def factorised(normal: Any, owners: Indices) -> Factor:
    """Eliminate normal equations.

    Parameters
    ----------
    normal : sparse, shape (unknowns, unknowns)
        Symmetric, positive definite when the network is determined.
    owners : Indices, shape (unknowns,)
        The point each unknown belongs to; unknowns of one point stay together.

    Raises
    ------
    RankDefectError
        When it is singular.
    """
    normal = sparse.csr_array(normal)
    diagonal = normal.diagonal()
    if np.any(diagonal <= 0):
        raise RankDefectError((diagonal <= 0).astype(float))
    scale = 1 / np.sqrt(diagonal)
    scaler = sparse.diags_array(scale)
    scaled = sparse.csr_array(scaler @ normal @ scaler)
    leaf_owner = _leaf_owners(scaled, owners)
    is_leaf = leaf_owner[owners]
    leaves, hubs = np.flatnonzero(is_leaf), np.flatnonzero(~is_leaf)
    leaf_inverse = _block_inverse(scaled[leaves][:, leaves], owners[leaves], scaled)
    coupling = scaled[leaves][:, hubs]
    carried = sparse.csr_array(leaf_inverse @ coupling)
    reduced = sparse.csr_array(scaled[hubs][:, hubs] - coupling.T @ carried)
    levels = _eliminated(reduced, owners[hubs], scaled)
    selected = _selected_inverse(levels)
    return Factor(scale, leaves, hubs, leaf_inverse, carried, levels, *selected)


def solution(factor: Factor, right: Floats) -> Floats:
    """Return x of N x = right."""
    scaled = right * factor.scale
    at_leaves = scaled[factor.leaves]
    at_hubs = _solved_levels(factor.levels, scaled[factor.hubs] - factor.carried.T @ at_leaves)
    found = np.empty(len(right))
    found[factor.hubs] = at_hubs
    found[factor.leaves] = factor.leaf_inverse @ at_leaves - factor.carried @ at_hubs
    return found * factor.scale


def products(factor: Factor, left: Any, right: Any) -> Floats:
    """Return left_i N⁻¹ right_iᵀ for every row i of two sparse matrices whose rows touch only points that observe one another."""
    scaler = sparse.diags_array(factor.scale)
    left, right = sparse.csr_array(left @ scaler), sparse.csr_array(right @ scaler)
    left_leaf, right_leaf = left[:, factor.leaves], right[:, factor.leaves]
    values = np.asarray((sparse.csr_array(left_leaf @ factor.leaf_inverse).multiply(right_leaf)).sum(axis=1)).ravel()
    left_hub = sparse.csr_array(left[:, factor.hubs] - left_leaf @ factor.carried)
    right_hub = sparse.csr_array(right[:, factor.hubs] - right_leaf @ factor.carried)
    for number, level in enumerate(factor.levels):
        here_left, here_right = left_hub[:, level.unknowns], right_hub[:, level.unknowns]
        values += _row_products(here_left, factor.diagonal[number], here_right)
        if number + 1 < len(factor.levels):
            after = factor.levels[number + 1].unknowns
            beside = factor.beside[number]
            values += _row_products(here_left, beside, right_hub[:, after]) + _row_products(here_right, beside, left_hub[:, after])
    return values


def columns_of_inverse(factor: Factor, unknowns: Indices) -> Floats:
    """Return whole columns of N⁻¹, shape (all unknowns, asked unknowns)."""
    columns = np.empty((len(factor.scale), len(unknowns)))
    for number, unknown in enumerate(unknowns.tolist()):
        unit = np.zeros(len(factor.scale))
        unit[unknown] = 1.0
        columns[:, number] = solution(factor, unit)
    return columns


def independent_owners(normal: Any, owners: Indices, most_neighbours: int | None = None) -> NDArray[np.bool_]:
    """Return which points no observation joins to one another, chosen greedily, those with the fewest neighbours first; shape (points,).

    Parameters
    ----------
    normal : sparse, shape (unknowns, unknowns)
        Normal equations; only where it is not zero counts.
    owners : Indices, shape (unknowns,)
        The point each unknown belongs to.
    most_neighbours : int, optional
        A point with more is not chosen.
    """
    count = int(owners.max()) + 1 if len(owners) else 0
    chosen = np.zeros(count, dtype=bool)
    entries = sparse.csr_array(normal).tocoo()
    first, second = owners[entries.coords[0]], owners[entries.coords[1]]
    apart = first != second
    graph = sparse.csr_array((np.ones(apart.sum()), (first[apart], second[apart])), shape=(count, count))
    degrees = np.diff(graph.indptr)
    indptr, indices = graph.indptr, graph.indices
    for point in np.argsort(degrees, kind="stable").tolist():
        if most_neighbours is not None and degrees[point] > most_neighbours:
            break
        if not chosen[indices[indptr[point] : indptr[point + 1]]].any():
            chosen[point] = True
    present = np.zeros(count, dtype=bool)
    present[owners] = True
    return chosen & present


def _leaf_owners(scaled: Any, owners: Indices) -> NDArray[np.bool_]:
    """Choose points to eliminate first: few neighbours, and none of them chosen."""
    if len(owners) <= DENSE_UNKNOWNS:
        return np.zeros(int(owners.max()) + 1 if len(owners) else 0, dtype=bool)
    return independent_owners(scaled, owners, LEAF_NEIGHBOURS)


def _block_inverse(blocks: Any, owners: Indices, scaled: Any) -> Any:
    """Return the inverse of a block diagonal matrix whose blocks are the unknowns of one point each, block by block of a size."""
    size = len(owners)
    if not size:
        return sparse.csr_array((0, 0))
    starts = np.flatnonzero(np.r_[True, owners[1:] != owners[:-1]])
    sizes = np.diff(np.r_[starts, size])
    dense_rows, dense_columns, dense_values = [], [], []
    entries = blocks.tocoo()
    block_of = np.repeat(np.arange(len(starts)), sizes)
    for width in np.unique(sizes).tolist():
        members = np.flatnonzero(sizes == width)
        slot = np.full(len(starts), -1)
        slot[members] = np.arange(len(members))
        stack = np.zeros((len(members), width, width))
        mine = slot[block_of[entries.coords[0]]] >= 0
        rows, columns = entries.coords[0][mine], entries.coords[1][mine]
        block = block_of[rows]
        stack[slot[block], rows - starts[block], columns - starts[block]] = entries.data[mine]
        if np.linalg.eigvalsh(stack).min() < RANK_TOLERANCE:
            raise RankDefectError(null_direction(scaled))
        base = starts[members][:, None, None]
        dense_rows.append(np.broadcast_to(base + np.arange(width)[None, :, None], stack.shape).ravel())
        dense_columns.append(np.broadcast_to(base + np.arange(width)[None, None, :], stack.shape).ravel())
        dense_values.append(np.linalg.inv(stack).ravel())
    places = (np.concatenate(dense_rows), np.concatenate(dense_columns))
    return sparse.csr_array((np.concatenate(dense_values), places), shape=(size, size))


def _eliminated(reduced: Any, owners: Indices, scaled: Any) -> tuple[Level, ...]:
    """Walk through the graph level by level and eliminate each level's block."""
    levels: list[Level] = []
    blocks = _graph_levels(reduced, owners)
    schur = None
    for number, unknowns in enumerate(blocks):
        here = reduced[unknowns][:, unknowns].toarray() if schur is None else reduced[unknowns][:, unknowns].toarray() - schur
        inverse = _inverse(here, scaled)
        if number + 1 < len(blocks):
            coupling = reduced[unknowns][:, blocks[number + 1]].toarray()
            gain = inverse @ coupling
            schur = coupling.T @ gain
        else:
            gain = np.zeros((len(unknowns), 0))
        levels.append(Level(unknowns, inverse, gain))
    return tuple(levels)


def _inverse(block: Floats, scaled: Any) -> Floats:
    if not len(block):
        return block
    lower, failed = lapack.dpotrf(block, lower=1)
    if failed or (np.diag(lower) ** 2).min() < RANK_TOLERANCE:
        raise RankDefectError(null_direction(scaled))
    half, _ = lapack.dpotri(lower, lower=1)  # the lower triangle of the inverse
    inverse: Floats = np.tril(half) + np.tril(half, -1).T
    return inverse


def _graph_levels(reduced: Any, owners: Indices) -> list[Indices]:
    """Return the unknowns of each level: points at 0, 1, 2 ... steps from a point on the rim; unknowns of one point together."""
    size = len(owners)
    if size <= DENSE_UNKNOWNS:
        return [np.arange(size)] if size else []
    points, compact = np.unique(owners, return_inverse=True)
    entries = reduced.tocoo()
    graph = sparse.csr_array((np.ones(len(entries.data)), (compact[entries.coords[0]], compact[entries.coords[1]])), shape=(len(points), len(points)))
    pieces, piece_of = connected_components(graph, directed=False)
    depth = np.zeros(len(points), dtype=np.int64)
    base = 0
    for piece in range(pieces):
        steps = _steps_from_rim(graph, np.flatnonzero(piece_of == piece))
        depth[piece_of == piece] = base + steps[piece_of == piece]
        base = int(depth[piece_of == piece].max()) + 1
    return [np.flatnonzero(depth[compact] == level) for level in range(base)]


def _steps_from_rim(graph: Any, members: Indices) -> Indices:
    """Return steps from a point far out: twice the farthest from the farthest (a walk there and back)."""
    start = int(members[0])
    steps = _steps(graph, start)
    for _ in range(2):
        reached = steps[members]
        start = int(members[int(np.argmax(reached))])
        steps = _steps(graph, start)
    return steps


def _steps(graph: Any, start: int) -> Indices:
    order, before = breadth_first_order(graph, start, directed=False)
    steps = np.zeros(graph.shape[0], dtype=np.int64)
    for point in order[1:].tolist():
        steps[point] = steps[before[point]] + 1
    return steps


def _selected_inverse(levels: tuple[Level, ...]) -> tuple[tuple[Floats, ...], tuple[Floats, ...]]:
    """Return (Q_kk, Q_k(k+1)) from the last level back to the first."""
    diagonal: list[Floats] = []
    beside: list[Floats] = []
    for level in reversed(levels):
        if not diagonal:
            diagonal.append(level.inverse)
            beside.append(np.zeros((len(level.unknowns), 0)))
            continue
        carried = level.gain @ diagonal[-1]
        beside.append(-carried)
        diagonal.append(level.inverse + carried @ level.gain.T)
    return tuple(reversed(diagonal)), tuple(reversed(beside))


def _solved_levels(levels: tuple[Level, ...], right: Floats) -> Floats:
    found = right.copy()
    for number, level in enumerate(levels[:-1]):
        after = levels[number + 1].unknowns
        found[after] -= level.gain.T @ found[level.unknowns]
    for number in range(len(levels) - 1, -1, -1):
        level = levels[number]
        here = level.inverse @ found[level.unknowns]
        if number + 1 < len(levels):
            here -= level.gain @ found[levels[number + 1].unknowns]
        found[level.unknowns] = here
    return found


def _row_products(left: Any, middle: Floats, right: Any) -> Floats:
    """Return left_i middle right_iᵀ by rows, touching only the rows that have something on both sides."""
    values = np.zeros(left.shape[0])
    rows = np.flatnonzero((np.diff(left.indptr) > 0) & (np.diff(right.indptr) > 0))
    if len(rows):
        values[rows] = np.asarray(sparse.csr_array(right[rows]).multiply(left[rows] @ middle).sum(axis=1)).ravel()
    return values


def null_direction(scaled: Any) -> Floats:
    """Return the direction in which a singular matrix gives way, by inverse iteration."""
    size = scaled.shape[0]
    shifted = sparse.csc_array(scaled + 1e-9 * sparse.eye_array(size))
    solve = splu(shifted)
    direction = np.cos(np.arange(size) * 1.7) + 1.5  # any start that is not at right angles to the answer
    for _ in range(12):
        direction = solve.solve(direction)
        direction /= np.abs(direction).max()
    return direction
