"""Which places of the cut gate a loop closes from with whole panels only: all of them followed round at once, one bit each."""

from __future__ import annotations

import numpy as np

from pipeline.layout import tables
from pipeline.layout.gates import GatePlaces
from pipeline.layout.grid import Grid, Indices, Measures
from pipeline.layout.optimum import GateMoves, looked_back, moves_of


def closing_places(grid: Grid, places: GatePlaces, sizes: Measures, gates: tuple[GateMoves, ...]) -> Indices:
    """Return the places from which a row of stock panels leads round the loop back to the same place."""
    moves = moves_of(grid, sizes, gates, custom=False)
    return np.nonzero(tables.follow(moves, places.after, places.before, looked_back(moves)))[0]
