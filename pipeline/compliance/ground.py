"""Levels of the deck under and beside the fence, and how well differences of them are known.

All levels come out of one adjustment, so that two places share most of their errors: what a height over the deck needs is
the covariance between the places, not the variance of each.  The surface is therefore kept as one row of unknowns (the
levels of the network's nodes, the coefficients of planes fitted by themselves) with one factor of their covariance, and every
level as a weighted sum of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Point
from pipeline.geometry.planes import PlanePatch
from pipeline.model.site import JointLevels, LevelSurface

Array = NDArray[np.float64]
Term = tuple[float, Point]  # weight [-] and place [m]

ROUGH_REACH: Final = 0.05  # [m] places nearer than this share the deck's roughness (own judgement)
CELL: Final = 1.0  # [m] patches are looked up by squares of this size
FLAT: Final = 1e-12  # [m²] a facet with less than twice this area has no inside


class Sums(msgspec.Struct, frozen=True, kw_only=True):
    """Weighted sums of levels: values (n,) and standard deviations (n,) [m]; not a number where a level is not known.

    `own` is the part of the standard deviation that the deck's roughness at the last place of each sum brings alone [m].
    """

    values: Array
    sigmas: Array
    own: Array


class Ground:
    """The level surface, asked for weighted sums of levels.

    Heights over a deck are differences of levels.  The errors that the adjustment gave the two places together cancel as far as
    they are common; the deck's roughness is each place's own, shared within a hand's breadth on one patch or its neighbour.
    """

    def __init__(self, surface: LevelSurface) -> None:
        self._patches = surface.patches
        self._origins = np.array([patch.origin for patch in surface.patches]).reshape(-1, 2)
        self._coefficients = np.array([patch.coefficients for patch in surface.patches]).reshape(-1, 3)
        self._roughness = np.array([patch.sigma for patch in surface.patches])
        self._bases, self._factor = _unknowns(surface.patches, surface.joint)
        self._borders = _borders(surface.patches)
        self._corners = np.unique(np.array([corner for patch in surface.patches for corner in patch.region]).reshape(-1, 2), axis=0)
        self._wide, self._near = _cells(surface.patches)
        self._found: dict[Point, int | None] = {}

    @property
    def known(self) -> bool:
        return bool(self._patches)

    def level(self, place: Point) -> float | None:
        """Return the level [m] at a place, None where nothing is known."""
        index = self._patch_at(place)
        if index is None:
            return None
        (x0, y0), (level, east, north) = self._origins[index], self._coefficients[index]
        return float(level + east * (place[0] - x0) + north * (place[1] - y0))

    def weighted(self, terms: Sequence[Term]) -> tuple[float, float] | None:
        """Return (sum of weight x level, its standard deviation) [m]; None where a level is not known."""
        sums = self.sums(np.array([[weight for weight, _ in terms]]), [[place for _, place in terms]])
        value, sigma = float(sums.values[0]), float(sums.sigmas[0])
        return None if math.isnan(value) else (value, sigma)

    def sums(self, weights: Array, places: Sequence[Sequence[Point]]) -> Sums:
        """Return many weighted sums of levels at once.

        Parameters
        ----------
        weights : array (n, k)
            [-]
        places : n rows of k places
            [m]

        Notes
        -----
        With r the weighted sum of the places' rows of unknowns and F the factor of their covariance the variance is
        |F' r|², plus sum of w_i w_j s_i s_j over all pairs of places of a row that share their roughness s.
        """
        at = [[self._patch_at(place) for place in row] for row in places]
        missing = np.array([None in row for row in at])
        patches = np.array([[index or 0 for index in row] for row in at], dtype=np.intp)
        spots = np.array(places, dtype=np.float64)
        if not len(self._patches):
            nothing = np.full(len(spots), math.nan)
            return Sums(values=nothing, sigmas=nothing, own=nothing)
        offsets = spots - self._origins[patches]
        rows = np.concatenate([np.ones((*offsets.shape[:2], 1)), offsets], axis=2) * weights[:, :, None]
        values = np.einsum("nkc,nkc->n", rows, self._coefficients[patches])
        unknowns = np.einsum("nkc,nkcu->nu", rows, self._bases[patches])
        parts = weights * self._roughness[patches]
        pairs = self._sharing(patches, spots)
        variances = np.sum((unknowns @ self._factor) ** 2, axis=1) + np.sum(parts**2, axis=1)
        for row, one, other in pairs:
            variances[row] += 2 * parts[row, one] * parts[row, other]
        own = np.abs(parts[:, -1])
        own[[row for row, one, _ in pairs if one == parts.shape[1] - 1]] = 0.0
        sigmas = np.sqrt(np.maximum(variances, 0.0))
        return Sums(values=np.where(missing, math.nan, values), sigmas=np.where(missing, math.nan, sigmas), own=own)

    def breaks(self, start: Point, end: Point) -> list[float]:
        """Return where (as ratios, ascending) the straight way from `start` to `end` [m] meets the border of a patch."""
        if not len(self._borders):
            return []
        first, ways = self._borders[:, :2], self._borders[:, 2:]
        way = np.subtract(end, start)
        cross = way[0] * ways[:, 1] - way[1] * ways[:, 0]
        off = first - np.asarray(start)
        with np.errstate(divide="ignore", invalid="ignore"):
            along = (off[:, 0] * ways[:, 1] - off[:, 1] * ways[:, 0]) / cross
            across = (off[:, 0] * way[1] - off[:, 1] * way[0]) / cross
        meets = (cross != 0) & (along >= 0) & (along <= 1) & (across >= 0) & (across <= 1)
        return [float(ratio) for ratio in np.unique(along[meets])]

    def corners_within(self, origin: Point, along: Point, reach: tuple[float, float], out: Point, strip: float) -> list[tuple[float, float]]:
        """Return (run along, run out) [m] from `origin` of the patches' corners in a box along unit vectors `along` and `out`."""
        off = self._corners - np.asarray(origin)
        runs = np.column_stack([off @ np.asarray(along), off @ np.asarray(out)])
        held = (runs[:, 0] >= reach[0]) & (runs[:, 0] <= reach[1]) & (runs[:, 1] >= 0) & (runs[:, 1] <= strip)
        return [(float(run), float(far)) for run, far in runs[held]]

    def _sharing(self, patches: NDArray[np.intp], places: Array) -> list[tuple[int, int, int]]:
        """Return (row, one, other) of every two places of a sum, the later one first, that share the deck's roughness."""
        found = []
        for one in range(places.shape[1]):
            for other in range(one):
                near = np.hypot(*(places[:, one] - places[:, other]).T) < ROUGH_REACH
                rows = (int(row) for row in np.flatnonzero(near))
                found += [(row, one, other) for row in rows if self._neighbours(int(patches[row, one]), int(patches[row, other]))]
        return found

    def _neighbours(self, one: int, other: int) -> bool:
        return one == other or bool(set(self._patches[one].nodes) & set(self._patches[other].nodes))

    def _patch_at(self, place: Point) -> int | None:
        if place not in self._found:
            cell = (math.floor(place[0] / CELL), math.floor(place[1] / CELL))
            held = (index for index in self._near.get(cell, self._wide) if self._patches[index].contains(place))
            self._found[place] = next(held, None)
        return self._found[place]


def _unknowns(patches: Sequence[PlanePatch], joint: JointLevels | None) -> tuple[Array, Array]:
    """Return (p, 3, u): coefficients of every patch from the unknowns, and (u, u): the factor of the unknowns' covariance.

    The unknowns are the levels of the network's nodes, then three coefficients of each plane that was fitted by itself;
    patches of one and the same plane share theirs.
    """
    count = joint.count if joint else 0
    planes: dict[tuple[float, ...], int] = {}
    for patch in patches:
        if not (joint and patch.nodes):
            planes.setdefault(_plane(patch), count + 3 * len(planes))
    size = count + 3 * len(planes)
    bases, factor = np.zeros((len(patches), 3, size)), np.zeros((size, size))
    if joint:
        factor[:count, :count] = joint.rows()
    for index, patch in enumerate(patches):
        if joint and patch.nodes:
            bases[index][:, list(patch.nodes)] = _of_corners(patch)
        else:
            first = planes[_plane(patch)]
            bases[index][:, first : first + 3] = np.eye(3)
            factor[first : first + 3, first : first + 3] = _root(np.asarray(patch.covariance).reshape(3, 3))
    return bases, factor


def _plane(patch: PlanePatch) -> tuple[float, ...]:
    return (*patch.origin, *patch.coefficients, *patch.covariance)


def _of_corners(patch: PlanePatch) -> Array:
    """Return (3, 3): level at the origin and slopes of a facet, from the levels of its corners."""
    corners = np.asarray(patch.region) - np.asarray(patch.origin)
    (ax, ay), (bx, by) = corners[1] - corners[0], corners[2] - corners[0]
    if abs(ax * by - ay * bx) < FLAT:
        return np.vstack([np.full(3, 1 / 3), np.zeros((2, 3))])
    return np.asarray(np.linalg.inv(np.column_stack([np.ones(3), corners])))


def _root(covariance: Array) -> Array:
    """Return a root R of a covariance, R R' = C; a coefficient known exactly is no fault."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def _borders(patches: Sequence[PlanePatch]) -> Array:
    """Return (b, 4): first corner and way to the next of every edge of the patches, an edge of two neighbours once [m]."""
    edges = {(min(pair), max(pair)) for patch in patches for pair in zip(patch.region, (*patch.region[1:], *patch.region[:1]), strict=True)}
    return np.array([(*first, last[0] - first[0], last[1] - first[1]) for first, last in sorted(edges)]).reshape(-1, 4)


def _cells(patches: Sequence[PlanePatch]) -> tuple[tuple[int, ...], dict[tuple[int, int], tuple[int, ...]]]:
    """Return the patches that reach far, and for each cell with others all that may hold a place in it, in their order."""
    wide: list[int] = []
    held: dict[tuple[int, int], list[int]] = {}
    for index, patch in enumerate(patches):
        cells = _cells_of(patch)
        if cells is None:
            wide.append(index)
        for cell in cells or ():
            held.setdefault(cell, []).append(index)
    return tuple(wide), {cell: tuple(sorted((*found, *wide))) for cell, found in held.items()}


def _cells_of(patch: PlanePatch) -> Iterable[tuple[int, int]] | None:
    """Return the cells under a patch; None for one without limits, or with wider ones than are worth it."""
    if not patch.region:
        return None
    xs, ys = ([math.floor(corner[axis] / CELL) for corner in patch.region] for axis in (0, 1))
    if (max(xs) - min(xs)) * (max(ys) - min(ys)) > 10_000:
        return None
    return [(x, y) for x in range(min(xs), max(xs) + 1) for y in range(min(ys), max(ys) + 1)]
