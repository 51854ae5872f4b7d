"""Levels of the deck under and beside the fence, and how well differences of them are known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from pipeline.geometry.chain import Point
from pipeline.geometry.planes import PlanePatch
from pipeline.model.site import LevelSurface

Term = tuple[float, Point]  # weight [-] and place [m]
ROUGH_REACH: Final = 0.05  # [m] places nearer than this share the deck's roughness (own judgement)


class Ground:
    """The level surface, asked for weighted sums of levels.

    Heights over a deck are differences of levels.  Two places on one plane patch share its errors, so that most of the
    patch's uncertainty cancels; their roughness does not.
    """

    def __init__(self, surface: LevelSurface) -> None:
        self._patches = surface.patches
        self._coefficients = [np.asarray(patch.coefficients) for patch in surface.patches]
        self._covariances = [np.asarray(patch.covariance).reshape(3, 3) for patch in surface.patches]

    @property
    def known(self) -> bool:
        return bool(self._patches)

    def level(self, place: Point) -> float | None:
        """Return the level [m] at a place, None where nothing is known."""
        index = self._patch_at(place)
        if index is None:
            return None
        return float(self._row(index, place) @ self._coefficients[index])

    def weighted(self, terms: Sequence[Term]) -> tuple[float, float] | None:
        """Return (sum of weight x level, its standard deviation) [m]; None where a level is not known.

        Notes
        -----
        The variance is r' C r of each patch, with r the weighted sum of its design rows, plus the roughness of every
        single place, which is independent from place to place; places within a hand's breadth on one patch share it.
        """
        rows: dict[int, np.ndarray] = {}
        places: list[tuple[int, Point, float]] = []
        for weight, place in terms:
            index = self._patch_at(place)
            if index is None:
                return None
            rows[index] = rows.get(index, np.zeros(3)) + weight * self._row(index, place)
            places = _gathered(places, index, place, weight)
        value = sum(float(row @ self._coefficients[index]) for index, row in rows.items())
        variance = sum(float(row @ self._covariances[index] @ row) for index, row in rows.items())
        variance += sum((weight * self._patches[index].sigma) ** 2 for index, _, weight in places)
        return value, math.sqrt(max(variance, 0.0))

    def slope_at(self, place: Point) -> float:
        """Return the steepest slope of the deck [-] at a place; 0 where nothing is known."""
        index = self._patch_at(place)
        return 0.0 if index is None else math.hypot(*self._patches[index].coefficients[1:])

    def _patch_at(self, place: Point) -> int | None:
        return next((index for index, patch in enumerate(self._patches) if patch.contains(place)), None)

    def _row(self, index: int, place: Point) -> np.ndarray:
        patch: PlanePatch = self._patches[index]
        return np.array([1.0, place[0] - patch.origin[0], place[1] - patch.origin[1]])

    def breaks(self, start: Point, end: Point) -> list[float]:
        """Return where (as ratios, ascending) the straight way from `start` to `end` [m] meets the border of a patch."""
        found = [ratio for edge in self._borders for ratio in _crossing(start, end, *edge)]
        return sorted(found)

    def corners(self) -> list[Point]:
        """Return the corners of all patches [m]."""
        return [corner for patch in self._patches for corner in patch.region]

    @property
    def _borders(self) -> list[tuple[Point, Point]]:
        return [edge for patch in self._patches for edge in zip(patch.region, patch.region[1:] + patch.region[:1], strict=True)]


def _gathered(places: list[tuple[int, Point, float]], patch: int, place: Point, weight: float) -> list[tuple[int, Point, float]]:
    """Return the places with one more weight, added to a place nearby on the same patch if there is one."""
    for number, (index, there, gathered) in enumerate(places):
        if index == patch and math.dist(there, place) < ROUGH_REACH:
            return [*places[:number], (index, there, gathered + weight), *places[number + 1 :]]
    return [*places, (patch, place, weight)]


def _crossing(start: Point, end: Point, first: Point, last: Point) -> list[float]:
    """Return where on start-end it crosses first-last, as a list of no or one ratio."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    ex, ey = last[0] - first[0], last[1] - first[1]
    cross = dx * ey - dy * ex
    if cross == 0:
        return []
    along = ((first[0] - start[0]) * ey - (first[1] - start[1]) * ex) / cross
    across = ((first[0] - start[0]) * dy - (first[1] - start[1]) * dx) / cross
    return [along] if 0 <= along <= 1 and 0 <= across <= 1 else []
