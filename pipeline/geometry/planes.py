"""Level surfaces made of plane patches, each with its uncertainty."""

from __future__ import annotations

import math

import msgspec
import numpy as np

from pipeline.geometry.chain import Point


class PlanePatch(msgspec.Struct, frozen=True, kw_only=True):
    """One plane z = c + a (x - x0) + b (y - y0) over a region.

    Parameters
    ----------
    region : tuple of Point
        Corners of the region's outline [m]; empty for a plane without limits.
    origin : Point
        (x0, y0) [m]
    coefficients : tuple of float
        (c [m], a [-], b [-])
    covariance : tuple of float
        Row-major 3 x 3 covariance of the coefficients.
    sigma : float
        Standard deviation of the deck's roughness about the plane [m]; added to every predicted level.
    nodes : tuple of int
        Which nodes of a network stand at the corners of `region`, in their order; empty for a plane fitted by itself.
    """

    region: tuple[Point, ...]
    origin: Point
    coefficients: tuple[float, float, float]
    covariance: tuple[float, ...]
    sigma: float
    nodes: tuple[int, ...] = ()

    def level(self, point: Point) -> tuple[float, float]:
        """Return (level [m], its standard deviation [m]) at `point` [m]."""
        row = np.array([1.0, point[0] - self.origin[0], point[1] - self.origin[1]])
        variance = row @ np.asarray(self.covariance).reshape(3, 3) @ row
        return float(row @ np.asarray(self.coefficients)), math.sqrt(max(float(variance), 0.0) + self.sigma**2)

    def contains(self, point: Point) -> bool:
        """Say whether `point` [m] lies in the region (even-odd rule); a region without corners holds everything."""
        if not self.region:
            return True
        inside = False
        x, y = point
        before = self.region[-1]
        for corner in self.region:
            if (before[1] > y) != (corner[1] > y):
                # from the lower end up, so that two regions that share an edge agree on its sides to the last bit
                (x0, y0), (x1, y1) = (before, corner) if before[1] < corner[1] else (corner, before)
                if x < x0 + (y - y0) / (y1 - y0) * (x1 - x0):
                    inside = not inside
            before = corner
        return inside
