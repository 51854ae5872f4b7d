"""What the errors of adjusted points have in common, as a few movements of all of them: the covariance between points in a compact form.

Detail points hang on setups and marks, each by observations of its own.  With h those hubs and d the details, the normal equations'
inverse is ``Q_hh``, ``Q_dh = X Q_hh`` and ``Q_dd = N_dd⁻¹ + X Q_hh Xᵀ``, the first term of which is block diagonal: between different
points there is nothing but ``L Lᵀ`` with ``L`` the columns of a Cholesky factor over the hubs' unknowns alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from pipeline.model.survey import CommonErrors
from pipeline.survey.adjustment import Solution, columns_of_cofactors, variances_of_unknowns
from pipeline.survey.design import Floats, Indices
from pipeline.survey.elimination import independent_owners
from pipeline.survey.summary import rounded, scale_of_sigmas

MOST_FACTORS: Final = 40  # movements handed on: a setup has five unknowns, a base line one
ORIENTATION_REACH: Final = 10.0  # [m] at which an orientation's error is held against a coordinate's
SMALLEST_SHARE: Final = 1e-9  # of an unknown's variance, below which nothing of it is left but rounding
ROUNDING: Final = 1e-6  # share by which two variances differ for no other reason


def common_errors(found: Solution, names: Sequence[str]) -> CommonErrors | None:
    """Return the common errors of an adjustment's points, those of `names` that it has; None where no two have anything in common."""
    design = found.design
    if not design.unknowns:
        return None
    number_of = {name: number for number, name in enumerate(design.names)}
    chosen = [name for name in names if name in number_of]
    factors, left_out = _factors(found, _hubs(found))
    columns = design.columns[[number_of[name] for name in chosen]].ravel()
    moved = np.where(columns >= 0, factors[:, np.maximum(columns, 0)], 0.0) * math.sqrt(scale_of_sigmas(found))
    kept = [tuple(rounded(value) for value in factor) for factor in moved.tolist()]
    if not any(any(factor) for factor in kept):
        return None
    return CommonErrors(points=tuple(chosen), factors=tuple(kept), left_out=rounded(left_out * math.sqrt(scale_of_sigmas(found))))


def _hubs(found: Solution) -> Indices:
    """Return the unknowns of the points that details hang on; of a free network all, since its frame ties every point to every other."""
    if found.factor is None:
        return np.arange(found.design.unknowns)
    details = independent_owners(found.jacobian.T @ found.jacobian, found.design.owners)
    return np.flatnonzero(~details[found.design.owners])


def _factors(found: Solution, hubs: Indices) -> tuple[Floats, float]:
    """Return (columns of the pivoted Cholesky factor as rows, largest standard deviation left over [m]); the largest variance goes first."""
    weight = np.where(np.isin(hubs, found.design.orientations), ORIENTATION_REACH**2, 1.0)
    whole = variances_of_unknowns(found, hubs)
    left = whole.copy()
    factors = np.zeros((0, found.design.unknowns))
    for _ in range(min(MOST_FACTORS, len(hubs))):
        size = np.where(left > SMALLEST_SHARE * whole, left * weight, 0.0)
        if not size.any():
            break
        place = int(np.argmax(size >= size.max() * (1 - ROUNDING)))  # the first of equals, so that every machine takes the same
        unknown = int(hubs[place])
        column = columns_of_cofactors(found, np.array([unknown]))[:, 0] - factors[:, unknown] @ factors
        factors = np.vstack([factors, column / math.sqrt(column[unknown])])
        left = np.maximum(whole - (factors[:, hubs] ** 2).sum(axis=0), 0.0)
    rest = np.where(left > SMALLEST_SHARE * whole, left * weight, 0.0)
    return factors, math.sqrt(float(rest.max(initial=0.0)))
