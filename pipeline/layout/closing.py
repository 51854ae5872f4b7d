"""Which places of the cut gate a loop closes from with whole panels only: all of them followed round at once, one bit each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.layout.gates import GatePlaces
from pipeline.layout.grid import NEVER, Grid, Indices, Measures
from pipeline.layout.optimum import GateMoves, blocks_of, in_a_row

Bits = NDArray[np.uint64]
WORD = 64


def closing_places(grid: Grid, places: GatePlaces, sizes: Measures, gates: tuple[GateMoves, ...]) -> Indices:
    """Return the places from which a row of stock panels leads round the loop back to the same place."""
    count, words = len(places.after), -(-len(places.after) // WORD)
    layers = len(gates) + 1
    inside = np.zeros((len(grid.stations), layers, sizes.most_posts + 1, words), dtype=np.uint64)
    ended = np.zeros((len(grid.stations), layers, words), dtype=np.uint64)
    numbers = np.arange(count)
    own = np.uint64(1) << (numbers % WORD).astype(np.uint64)
    np.bitwise_or.at(inside[:, 0, 1, :], (places.after, numbers // WORD), own)
    inside[~grid.open_nodes] = 0
    for start, end in blocks_of(grid, custom=False):
        _follow(grid, sizes, gates, inside, ended, slice(start, end))
    closed = (ended[places.before, -1, numbers // WORD] & own) != 0
    return np.nonzero(closed)[0]


def _follow(grid: Grid, sizes: Measures, gates: tuple[GateMoves, ...], inside: Bits, ended: Bits, here: slice) -> None:
    """Hand the bits on to the nodes of one block, in the order `optimum` works its keys out."""
    closed = ~grid.open_nodes[here]
    for column in range(grid.spacing_from.shape[1]):
        real = grid.spacing_key[here, column] < NEVER
        if not real.any():
            break
        sources = in_a_row(grid.spacing_from[here, column])
        if real.all():
            inside[here, :, 2:] |= inside[sources, :, 1:-1]
            continue
        reached = inside[sources, :, 1:-1] * real[:, None, None, None]
        inside[here, :, 2:] |= reached
    inside[here, :, 2:][closed] = 0
    for posts, _ in sizes.stock:
        ended[here] |= inside[here, :, posts]
    sources = grid.joint_from[here]
    after = ended[np.maximum(sources, 0)]
    after[sources < 0] = 0
    for number, moves in enumerate(gates):
        through = moves.from_nodes[here]
        good = through >= 0
        after[good, number + 1] |= ended[through[good], number]
    after[closed] = 0
    inside[here, :, 1] |= after
