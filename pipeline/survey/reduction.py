"""Reduction of distances and angles: slope to level, curvature and refraction, the air, the two faces.

References
----------
C. D. Ghilani, P. R. Wolf, "Elementary Surveying", chapters 4, 6 and 8 (from memory); J. M. Rüeger, "Electronic Distance
Measurement", for the first velocity correction (from memory).  Held in the tests against stored answers of other programs.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence
from typing import Final

EARTH_RADIUS: Final = 6_371_000.0  # [m] mean
REFRACTION: Final = 0.13  # [-] usual coefficient over land (common practice)
REFERENCE_INDEX: Final = 281.8  # [ppm] C of an infrared or red instrument set to 12 °C and 1013.25 hPa (from memory)
AIR_FACTOR: Final = 79.4  # [ppm K/hPa] D of the same
VAPOUR_FACTOR: Final = 11.27  # [ppm K/hPa]
HUMIDITY: Final = 0.6  # [-] assumed; ten per cent more or less is a tenth of a part in a million


def level_and_rise(slope: float, zenith: float, hi: float = 0.0, ht: float = 0.0) -> tuple[float, float]:
    """Return (level distance, rise from ground point to ground point) [m]; on face 2 the zenith reading is beyond π.

    Examples
    --------
    >>> level, rise = level_and_rise(100.0, math.radians(90), 1.5, 1.8)
    >>> round(level, 6), round(rise, 6)
    (100.0, -0.3)
    """
    return abs(slope * math.sin(zenith)), slope * math.cos(zenith) + hi - ht


def instrument_height(zeniths: Sequence[float], marks: Sequence[float]) -> tuple[float, float]:
    """Return (height of instrument, its spread) [m] from zenith angles to three or more marks on a staff held upright on the ground point.

    Each pair of neighbouring marks a and b, a the lower, fixes the instrument by the triangle's sines; the mean of the pairs is taken,
    and their standard deviation is the spread: ``h = a + (b − a) sin z_b / sin(z_a − z_b) · (−cos z_a)``.

    Parameters
    ----------
    zeniths : angles
        On face 1 [rad].
    marks : heights
        Of the marks above the ground point, from below, in the same order [m].

    Notes
    -----
    Neighbouring pairs share a mark, so that this is not the adjustment of all angles at once; it is what can be done in the field book, and
    its spread shows a misread mark.

    Examples
    --------
    >>> [round(value, 6) for value in instrument_height([math.atan2(6, up - 1.6) for up in (0.8, 1.2, 1.6, 2.0)], [0.8, 1.2, 1.6, 2.0])]
    [1.6, 0.0]
    """
    heights = [
        low - (high - low) * math.sin(to_high) / math.sin(to_low - to_high) * math.cos(to_low)
        for (low, to_low), (high, to_high) in itertools.pairwise(zip(marks, zeniths, strict=True))
    ]
    return statistics.mean(heights), statistics.stdev(heights)


def curvature(distance: float, radius: float = EARTH_RADIUS) -> float:
    """Return by how much the level surface drops below the horizontal at `distance` [m]."""
    return distance**2 / (2 * radius)


def refraction(distance: float, coefficient: float = REFRACTION, radius: float = EARTH_RADIUS) -> float:
    """Return by how much the bent line of sight makes a target look higher [m]."""
    return coefficient * curvature(distance, radius)


def straight_zenith(zenith: float, distance: float) -> float:
    """Return a zenith angle [rad] freed of curvature and refraction over a level `distance` [m]: targets look lower than they are."""
    return zenith - (1 - REFRACTION) * distance / (2 * EARTH_RADIUS)


def vapour_pressure(temperature: float, pressure: float, humidity: float = HUMIDITY) -> float:
    """Return the pressure of water vapour [hPa] at a temperature [°C], air pressure [hPa] and relative humidity [-] (Magnus formula)."""
    return humidity * (1.0007 + 3.46e-6 * pressure) * 6.1121 * math.exp(17.502 * temperature / (240.94 + temperature))


def air_correction(
    temperature: float,
    pressure: float,
    humidity: float = HUMIDITY,
    reference: float = REFERENCE_INDEX,
    factor: float = AIR_FACTOR,
) -> float:
    """Return the first velocity correction [m per m] of a distance measured through air other than the instrument was set to.

    ``C − D p / (273.15 + t) + 11.27 e / (273.15 + t)`` parts in a million.
    """
    kelvin = 273.15 + temperature
    return (reference - factor * pressure / kelvin + VAPOUR_FACTOR * vapour_pressure(temperature, pressure, humidity) / kelvin) * 1e-6


def collimation(face_one: float, face_two: float, zenith: float) -> float:
    """Return the collimation error [rad] from directions on both faces: ``(h1 − (h2 − π)) / 2 · sin z``."""
    return wrapped(face_one - face_two + math.pi) / 2 * math.sin(zenith)


def index_error(face_one: float, face_two: float) -> float:
    """Return the vertical circle's index error [rad] from zenith readings on both faces: ``(z1 + z2 − 2π) / 2``."""
    return wrapped(face_one + face_two) / 2


def wrapped(turn: float) -> float:
    """Return an angle [rad] in −π to π."""
    return math.remainder(turn, 2 * math.pi)
