"""Numbers as crews write them: with a decimal comma, as degrees-minutes-seconds, as feet, inches and fractions."""

from __future__ import annotations

import math
import re
from typing import Final

from pipeline.units import FOOT, INCH, METRES_PER, UnitName, parse_length, tidy

LARGEST_NUMBER: Final = 1e9  # no coordinate, distance or angle in any unit of ours is larger
_NUMBER: Final = re.compile(r"^[+-]?(?:\d+(?:\.\d*|,\d+)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?$")
_THOUSANDS: Final = re.compile(r"^[+-]?\d{1,3}(?:,\d{3})+\.\d+$")  # 5,432.123: with both signs there is no other way to read it
_POINT_NUMBER: Final = re.compile(r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?$")
_SEXAGESIMAL: Final = re.compile(r"""^([+-]?)(\d{1,3})(?:-|°|\s|d|:)\s*(\d{1,2})(?:(?:-|'|\s|m|:)\s*(\d{1,2}(?:\.\d*)?)?\s*["s]?)?'?$""")
_FRACTION: Final = re.compile(r"^(\d+)?[\s-]*(\d+)/(\d+)$")
_DECIMAL_INCHES: Final = re.compile(r"^(\d+)-(\d+\.\d+)$")  # 12-3.5, twelve feet three and a half inches
_INCHES_AFTER_FEET: Final = re.compile(r"^(\d+(?:\.\d*)?)\s*(?:feet|foot|ft\.?|'|-(?=\d))[\s-]*(\d+(?:\.\d*)?)(?!\d*\s*/)")
_ANY_FRACTION: Final = re.compile(r"(\d+)/(\d+)")
_SMALL_DIGITS: Final = {ord(sign): str(place % 10) for place, sign in enumerate("⁰¹²³⁴⁵⁶⁷⁸⁹₀₁₂₃₄₅₆₇₈₉")}
_MARKS: Final = str.maketrans(
    {"ʹ": "'", "´": "'", "`": "'", "ʼ": "'", "‛": "'", "ʺ": '"', "˝": '"', "‟": '"', "‐": "-", "‑": "-", "‒": "-", "\u202f": " "}
)


def is_number(text: str, *, comma: bool) -> bool:
    """Return whether a text is one plain number."""
    return (_NUMBER if comma else _POINT_NUMBER).match(text) is not None or _THOUSANDS.match(text) is not None


def number(text: str, *, comma: bool = True) -> float:
    """Return a number, with a decimal comma where allowed.

    Raises
    ------
    ValueError
        When it is none, is not finite, or is larger than anything measured.
    """
    plain = text.strip()
    if _THOUSANDS.match(plain):
        plain = plain.replace(",", "")
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
    plain = _in_plain_signs(text)
    if is_number(plain, comma=True):
        return number(plain) * METRES_PER[unit]
    _refuse_no_inches(plain, text)
    decimal = _DECIMAL_INCHES.match(plain)
    if decimal:
        return int(decimal[1]) * FOOT + float(decimal[2]) * INCH
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


def _in_plain_signs(text: str) -> str:
    """Return a reading with every quote, prime, dash and small digit a keyboard may make in plain signs: 6³⁄₁₆″ becomes 6-3/16"."""
    parted = re.sub(r"(\d)\s*(?=[⁰¹²³⁴⁵⁶⁷⁸⁹])", r"\1-", text)
    return tidy(re.sub(r"[´'’′]{2}", '"', parted.translate(_MARKS)).translate(_SMALL_DIGITS))


def _refuse_no_inches(plain: str, text: str) -> None:
    """Raise where what stands after the feet can be no inches: twelve or more of them, a fraction above one, or parts of a foot before them."""
    found = _INCHES_AFTER_FEET.match(plain)
    if found and float(found[2]) >= 12:
        raise ValueError(f"{text[:40]!r} has {found[2]} inches after the feet; 12 make a foot")
    if found and "." in found[1]:
        raise ValueError(f"{text[:40]!r} has both decimals of a foot and inches")
    if any(int(over) >= int(under) for over, under in _ANY_FRACTION.findall(plain)[:4]):
        raise ValueError(f"{text[:40]!r} has a fraction that is no part of an inch")
