"""Propagation of a covariance to what depends on the same numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def propagated(rows: Array, covariance: Array) -> Array:
    """Return the variances (n,) of quantities with derivatives `rows` (n, k) by numbers with a covariance (k, k): the diagonal of A C Aᵀ."""
    return np.asarray(((rows @ covariance) * rows).sum(axis=1))
