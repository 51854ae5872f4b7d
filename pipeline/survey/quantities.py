"""Numbers as crews write them: with a decimal comma, as degrees-minutes-seconds, as feet, inches and fractions."""

from __future__ import annotations

import math
import re
from typing import Final

from pipeline.units import METRES_PER, UnitName, parse_length, tidy

LARGEST_NUMBER: Final = 1e9  # no coordinate, distance or angle in any unit of ours is larger
_NUMBER: Final = re.compile(r"^[+-]?(?:\d+(?:\.\d*|,\d+)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?$")
_POINT_NUMBER: Final = re.compile(r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?$")
_SEXAGESIMAL: Final = re.compile(r"""^([+-]?)(\d{1,3})(?:-|°|\s|d|:)\s*(\d{1,2})(?:(?:-|'|\s|m|:)\s*(\d{1,2}(?:\.\d*)?)?\s*["s]?)?'?$""")
_FRACTION: Final = re.compile(r"^(\d+)?[\s-]*(\d+)/(\d+)$")


def is_number(text: str, *, comma: bool) -> bool:
    """Return whether a text is one plain number."""
    return (_NUMBER if comma else _POINT_NUMBER).match(text) is not None


def number(text: str, *, comma: bool = True) -> float:
    """Return a number, with a decimal comma where allowed.

    Raises
    ------
    ValueError
        When it is none, is not finite, or is larger than anything measured.
    """
    plain = text.strip()
    if not is_number(plain, comma=comma):
        raise ValueError(f"{text[:40]!r} is not a number")
    value = float(plain.replace(",", "."))
    if not math.isfinite(value) or abs(value) > LARGEST_NUMBER:
        raise ValueError(f"{text[:40]!r} is too large")
    return value


def angle(text: str) -> float:
    """Return an angle [rad], written as decimal degrees or ``DDD-MM-SS.s``.

    Examples
    --------
    >>> round(math.degrees(angle("123-30-18")), 6)
    123.505
    """
    plain = tidy(text)
    found = _SEXAGESIMAL.match(plain)
    if found is None or is_number(plain, comma=True):
        return math.radians(number(plain.removesuffix("°")))
    minutes, seconds = int(found[3]), float(found[4] or 0)
    if minutes >= 60 or seconds >= 60:
        raise ValueError(f"{text[:40]!r} has 60 or more minutes or seconds")
    value = int(found[2]) + minutes / 60 + seconds / 3600
    return math.radians(-value if found[1] == "-" else value)


def tape_length(text: str, unit: UnitName) -> float:
    """Return a length [m] as read off a tape: with its unit, as feet-inches-fraction, or a bare number in `unit`.

    Examples
    --------
    >>> round(tape_length("12-3-1/2", "foot") / 0.0254, 6)
    147.5
    >>> round(tape_length("150.75", "inch") / 0.0254, 6)
    150.75
    """
    plain = tidy(text)
    if is_number(plain, comma=True):
        return number(plain) * METRES_PER[unit]
    fraction = _FRACTION.match(plain)
    if fraction and unit == "inch":
        if int(fraction[3]) == 0:
            raise ValueError(f"{text[:40]!r} has 0 below the line")
        return (int(fraction[1] or 0) + int(fraction[2]) / int(fraction[3])) * METRES_PER[unit]
    if len(plain) > 40:
        raise ValueError(f"{text[:40]!r} is not a length")
    value = float(parse_length(plain))
    if abs(value) > LARGEST_NUMBER:
        raise ValueError(f"{text[:40]!r} is too large")
    return value
