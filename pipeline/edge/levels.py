"""The deck's level as plane patches between risers and joints, each with its uncertainty.

Heights that lie on the deck are gathered, the plan is cut along the risers (always) and along joints (where the
heights say so), and each cell gets the plane its own heights give.  A cell with too few of them keeps the slope that
all cells have in common and only its own height.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Point
from pipeline.geometry.planes import PlanePatch
from pipeline.geometry.propagation import propagated
from pipeline.model.site import JointLevels
from pipeline.model.survey import SurveyPoint

Array = NDArray[np.float64]

ON_DECK: Final = frozenset({"WATER", "COPING", "DECK", "SPOT", "STEP", "GATE", "START", "END", "JOINT"})
ON_COPING: Final = frozenset({"WATER", "COPING"})
BEYOND: Final = 500.0  # [m] how far patches reach past the shots
OWN_PLANE: Final = 6  # heights a cell needs for a slope of its own
SPREAD: Final = 0.4  # [m] least extent across for a slope of its own
DEFAULT_SIGMA: Final = 0.006  # [m] of a height that came without one
LEAST_ROUGHNESS: Final = 0.002  # [m] broom finish and fall of a deck about any plane (common practice)
SLOPE_GUESS: Final = 0.02  # [-] standard deviation of a slope no height tells (decks fall 1 to 2 %, common practice)
JOINT_SPEAKS: Final = 16.3  # chi-square, 3 degrees of freedom, 0.1 %: beyond it the two sides of a joint differ
ROUGHER: Final = 1.645  # [-] normal quantile of 5 %, one-sided: so much the heights have to say before a deck is taken rougher than that
OUTLYING: Final = 4.0  # [-] a height this many standard deviations off is set aside, the worst first


class Cut(msgspec.Struct, frozen=True, kw_only=True):
    """A straight cut of the deck: through `place` [m], running in `direction` [rad]."""

    place: Point
    direction: float
    always: bool

    def side(self, points: Array) -> Array:
        """Return the signed distance of points (n, 2), left positive [m]."""
        normal = np.array([-math.sin(self.direction), math.cos(self.direction)])
        return np.asarray((points - np.asarray(self.place)) @ normal)


class Heights(msgspec.Struct, frozen=True, kw_only=True):
    """Heights on the deck: places (n, 2), levels and standard deviations (n,) [m], and point names.

    `side` holds, for a shot on a riser, which side's level it tells: +1 the high (left) one, -1 the low one, for the
    riser in `riser`; 0 and -1 for all others.
    """

    places: Array
    levels: Array
    sigmas: Array
    names: tuple[str, ...]


class Patched(msgspec.Struct, frozen=True, kw_only=True):
    """The patches, the names of heights set aside, and how well a network's nodes are known together."""

    patches: tuple[PlanePatch, ...]
    set_aside: tuple[str, ...] = ()
    joint: JointLevels | None = None


def heights_of(points: Sequence[SurveyPoint]) -> tuple[Heights, NDArray[np.bool_]]:
    """Gather the heights that lie on the deck's surface, and say which of them lie on the coping."""
    row = [point for point in points if point.elev is not None and point.code in ON_DECK]
    coping = np.array([point.code in ON_COPING for point in row], dtype=bool)
    heights = Heights(
        places=np.array([point.place for point in row], dtype=np.float64).reshape(-1, 2),
        levels=np.array([point.elev for point in row], dtype=np.float64),
        sigmas=np.array([point.sigma_elev or DEFAULT_SIGMA for point in row], dtype=np.float64),
        names=tuple(point.point for point in row),
    )
    return heights, coping


def patches_of(heights: Heights, cuts: Sequence[Cut]) -> Patched:
    """Return the level surface over the cells of the cuts; the last patch has no limits.

    Parameters
    ----------
    heights : Heights
        Shots on a riser are to be moved a little to the side they belong to.
    cuts : sequence of Cut
        Risers and joints.
    """
    if not len(heights.levels):
        return Patched(patches=())
    chosen: list[Cut] = [one for one in cuts if one.always]
    for one in cuts:
        if not one.always and _differs(heights, chosen, one):
            chosen.append(one)
    regions = _regions(heights.places, chosen)
    owner = _owners(heights.places, chosen)
    pooled = _pooled_slope(heights, owner)
    patches, aside = [], []
    for signs in sorted(regions):
        own = np.flatnonzero([sign == signs for sign in owner])
        if not len(own):
            continue
        patch, out = _plane(heights, own, pooled)
        patches.append((len(own), msgspec.structs.replace(patch, region=regions[signs])))
        aside += [heights.names[index] for index in out]
    main = max(patches, key=lambda pair: pair[0])[1]
    limited = tuple(patch for _, patch in patches) if len(patches) > 1 else ()
    return Patched(patches=(*limited, msgspec.structs.replace(main, region=())), set_aside=tuple(aside))


Signs = tuple[int, ...]


def _owners(places: Array, cuts: Sequence[Cut]) -> list[Signs]:
    """Return for each place the side of every cut it lies on."""
    if not cuts:
        return [()] * len(places)
    sides = np.column_stack([np.where(one.side(places) > 0, 1, -1) for one in cuts])
    return [tuple(int(sign) for sign in row) for row in sides]


def _regions(places: Array, cuts: Sequence[Cut]) -> dict[Signs, tuple[Point, ...]]:
    """Return the outline of every cell the cuts make of a wide square."""
    x0, y0 = (float(value) for value in places.min(axis=0) - BEYOND)
    x1, y1 = (float(value) for value in places.max(axis=0) + BEYOND)
    cells: dict[Signs, tuple[Point, ...]] = {(): ((x0, y0), (x1, y0), (x1, y1), (x0, y1))}
    for one in cuts:
        parted = {}
        for signs, outline in cells.items():
            for sign in (1, -1):
                part = _clipped(outline, one, sign)
                if len(part) >= 3:
                    parted[(*signs, sign)] = part
        cells = parted
    return cells


def _clipped(outline: tuple[Point, ...], one: Cut, sign: int) -> tuple[Point, ...]:
    sides = sign * one.side(np.asarray(outline))
    kept: list[Point] = []
    for index, (point, side) in enumerate(zip(outline, sides, strict=True)):
        after, after_side = outline[(index + 1) % len(outline)], sides[(index + 1) % len(outline)]
        if side >= 0:
            kept.append(point)
        if (side > 0) != (after_side > 0) and side != after_side:
            share = side / (side - after_side)
            kept.append((float(point[0] + share * (after[0] - point[0])), float(point[1] + share * (after[1] - point[1]))))
    return tuple(kept)


def _pooled_slope(heights: Heights, owner: list[Signs]) -> tuple[Array, Array]:
    """Return the slope (2,) all cells have in common and its covariance (2, 2); weakly held at level."""
    normal, right = np.eye(2) / SLOPE_GUESS**2, np.zeros(2)
    for signs in sorted(set(owner)):
        own = np.flatnonzero([sign == signs for sign in owner])
        w = 1 / (heights.sigmas[own] ** 2 + LEAST_ROUGHNESS**2)
        offsets = heights.places[own] - w @ heights.places[own] / w.sum()
        levels = heights.levels[own] - w @ heights.levels[own] / w.sum()
        normal += (offsets * w[:, None]).T @ offsets
        right += (offsets * w[:, None]).T @ levels
    covariance = np.linalg.inv(normal)
    return np.asarray(covariance @ right), np.asarray(covariance)


def _plane(heights: Heights, own: NDArray[np.intp], pooled: tuple[Array, Array]) -> tuple[PlanePatch, list[int]]:
    """Fit a cell's plane, setting outlying heights aside one by one; a slope the cell cannot tell comes from all cells."""
    aside: list[int] = []
    slope, slope_covariance = pooled
    kept = own
    while True:
        places, levels = heights.places[kept], heights.levels[kept]
        origin = places.mean(axis=0)
        rows = np.column_stack((np.ones(len(kept)), places - origin))
        variances = heights.sigmas[kept] ** 2 + LEAST_ROUGHNESS**2
        free = len(kept) >= OWN_PLANE and _across(places) >= SPREAD
        prior = np.zeros((3, 3))
        if not free:
            prior[1:, 1:] = np.linalg.inv(slope_covariance)
        normal = (rows / variances[:, None]).T @ rows + prior
        covariance = np.linalg.inv(normal)
        mean = covariance @ ((rows / variances[:, None]).T @ levels + prior @ np.array([0.0, *slope]))
        residuals = levels - rows @ mean
        freedom = len(kept) - (3 if free else 1)
        factor = float(residuals @ (residuals / variances)) / freedom if freedom > 0 else 1.0
        shown = 1 - propagated(rows, covariance) / variances
        statistic = np.abs(residuals) / np.sqrt(variances * np.maximum(shown, 1e-6) * max(1.0, _without_worst(residuals, variances, freedom)))
        worst = int(np.argmax(statistic))
        if len(kept) < 5 or shown[worst] < 0.2 or statistic[worst] < OUTLYING:
            break
        aside.append(int(kept[worst]))
        kept = np.delete(kept, worst)
    factor = factor if factor > _by_luck(freedom) else 1.0
    roughness = math.sqrt(max(LEAST_ROUGHNESS**2, float(np.mean(variances)) * factor - float(np.mean(heights.sigmas[kept] ** 2))))
    return (
        PlanePatch(
            region=(),
            origin=(float(origin[0]), float(origin[1])),
            coefficients=(float(mean[0]), float(mean[1]), float(mean[2])),
            covariance=tuple(float(value) for value in (covariance * factor).ravel()),
            sigma=roughness,
        ),
        aside,
    )


def _by_luck(freedom: int) -> float:
    """Return the variance factor that residuals exceed by luck in 5 % of all cases (Wilson and Hilferty, 1931, from memory)."""
    part = 2 / (9 * max(freedom, 1))
    return float((1 - part + ROUGHER * math.sqrt(part)) ** 3)


def _without_worst(residuals: Array, variances: Array, freedom: int) -> float:
    squares = np.sort(residuals**2 / variances)
    return float(squares[:-1].sum() / (freedom - 1)) if freedom > 1 else 1.0


def _across(places: Array) -> float:
    """Return the least extent of places [m]: four standard deviations across their longest direction."""
    return 4 * math.sqrt(max(float(np.linalg.eigvalsh(np.cov(places.T))[0]), 0.0))


def _differs(heights: Heights, cuts: Sequence[Cut], joint: Cut) -> bool:
    """Say whether the heights on the two sides of a joint ask for two planes."""
    owner = _owners(heights.places, cuts)
    side = joint.side(heights.places) > 0
    drop, cells = 0.0, 0
    for signs in sorted(set(owner)):
        own = np.array([sign == signs for sign in owner])
        parts = [np.flatnonzero(own & side), np.flatnonzero(own & ~side)]
        if min(len(part) for part in parts) < OWN_PLANE or min(_across(heights.places[part]) for part in parts) < SPREAD:
            continue
        drop += _misfit(heights, np.flatnonzero(own)) - sum(_misfit(heights, part) for part in parts)
        cells += 1
    return cells > 0 and drop > JOINT_SPEAKS * cells


def _misfit(heights: Heights, own: NDArray[np.intp]) -> float:
    rows = np.column_stack((np.ones(len(own)), heights.places[own] - heights.places[own].mean(axis=0)))
    root = 1 / np.sqrt(heights.sigmas[own] ** 2 + LEAST_ROUGHNESS**2)
    solution = np.linalg.lstsq(rows * root[:, None], heights.levels[own] * root, rcond=None)[0]
    residuals = (heights.levels[own] - rows @ solution) * root
    return float(residuals @ residuals)
