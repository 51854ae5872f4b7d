"""Simulated instruments: a total station, a steel tape and the errors they have, always the same for the same seed.

Standard deviations (common practice for the instruments of this trade, no published source): total station with a prism pole
on the coping 3 mm in plan and in height; steel tape with both ends held 3 mm; angles 5 seconds, distances 2 mm.
"""

from __future__ import annotations

import math
import random

from pipeline.geometry.chain import Point

SHOT_SIGMA = 0.003  # [m] east and north of one shot
HEIGHT_SIGMA = 0.003  # [m]
TAPE_SIGMA = 0.003  # [m]
POLE_SIGMA = 0.002  # [m] the pole's foot on the mark
DISTANCE_SIGMA = 0.002  # [m] of the instrument alone
ANGLE_SIGMA = math.radians(5 / 3600)
EARTH_RADIUS = 6_371_000.0  # [m]
REFRACTION = 0.13  # [-]


class Noise:
    """Normal errors from a fixed seed.

    The uniform numbers behind them are promised to stay the same from one Python to the next; the
    normal ones of the standard library are not, hence the transformation by hand (Box and Muller 1958).
    """

    def __init__(self, seed: int) -> None:
        self._source = random.Random(seed)

    def normal(self, sigma: float) -> float:
        """One error [same unit as sigma]."""
        radius = math.sqrt(-2.0 * math.log(1.0 - self._source.random()))
        return sigma * radius * math.cos(2.0 * math.pi * self._source.random())

    def uniform(self, low: float, high: float) -> float:
        return low + (high - low) * self._source.random()


def feet_and_inches(length: float, denominator: int = 16) -> str:
    """A tape reading as a crew writes it, to the nearest 1/`denominator` in: ``12' 3-1/2"``; [m] in."""
    parts = round(abs(length) / 0.0254 * denominator)
    feet, parts = divmod(parts, 12 * denominator)
    inches, parts = divmod(parts, denominator)
    common = math.gcd(parts, denominator)
    fraction = f"{parts // common}/{denominator // common}" if parts else ""
    small = "-".join(part for part in (str(inches) if inches or not fraction else "", fraction) if part)
    sign = "-" if length < 0 and (feet or inches or parts) else ""
    return f"{sign}{feet}' {small}\"" if feet else f'{sign}{small}"'


def degrees_minutes_seconds(angle: float) -> str:
    """An angle [rad] as ``DDD-MM-SS.s`` in 0 to 360 degrees."""
    tenths = round(math.degrees(angle) % 360 * 36000) % (360 * 36000)
    whole, tenths = divmod(tenths, 36000)
    minutes, tenths = divmod(tenths, 600)
    return f"{whole:03d}-{minutes:02d}-{tenths / 10:04.1f}"


class TotalStation:
    """An instrument set up over a point, its circle turned anyhow, with a collimation and an index error of its own."""

    def __init__(
        self, name: str, place: Point, elev: float, height: float, circle: float, noise: Noise, *, collimation: float = 0.0, index: float = 0.0
    ) -> None:
        self.name, self.place, self.elev, self.height = name, place, elev, height
        self._circle, self._noise, self._collimation, self._index = circle, noise, collimation, index

    def shot(self, place: Point, elev: float, target_height: float, face: int, *, pole_sigma: float = POLE_SIGMA) -> tuple[float, float, float]:
        """(horizontal reading, zenith reading [rad], slope distance [m]) to a pole's prism."""
        east = place[0] - self.place[0] + self._noise.normal(pole_sigma)
        north = place[1] - self.place[1] + self._noise.normal(pole_sigma)
        level = math.hypot(east, north)
        bending = (1 - REFRACTION) * level**2 / (2 * EARTH_RADIUS)  # the target looks lower by this much
        rise = elev + target_height - self.elev - self.height + self._noise.normal(0.001) - bending
        zenith = math.atan2(level, rise) + self._noise.normal(ANGLE_SIGMA)
        azimuth = math.atan2(east, north) + self._noise.normal(ANGLE_SIGMA)
        slope = math.hypot(level, rise) + self._noise.normal(DISTANCE_SIGMA)
        if face == 1:
            return azimuth - self._circle + self._collimation / math.sin(zenith), zenith + self._index, slope
        return azimuth - self._circle + math.pi - self._collimation / math.sin(zenith), 2 * math.pi - zenith + self._index, slope
