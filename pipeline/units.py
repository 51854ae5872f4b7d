"""The door for lengths and angles: every parse and print passes here; metres and radians inside."""

from __future__ import annotations

import math
import re
from fractions import Fraction
from typing import Final, Literal

INCH: Final = 0.0254  # [m] exact, international
FOOT: Final = 0.3048  # [m] exact, international
US_SURVEY_FOOT: Final = 1200 / 3937  # [m] exact by definition, deprecated 2022 (FR 85 62698)
MILLIMETRE: Final = 0.001  # [m]

UnitName = Literal["metre", "millimetre", "foot", "us-survey-foot", "inch"]
ReportUnits = Literal["inch", "mm"]

METRES_PER: Final[dict[str, float]] = {
    "metre": 1.0,
    "millimetre": MILLIMETRE,
    "foot": FOOT,
    "us-survey-foot": US_SURVEY_FOOT,
    "inch": INCH,
}


class Length(float):
    """A length [m] that was written with its unit."""

    __slots__ = ()


class Angle(float):
    """An angle [rad] that was written with its unit."""

    __slots__ = ()


_QUOTES = str.maketrans(
    {"′": "'", "’": "'", "‘": "'", "″": '"', "”": '"', "“": '"', "–": "-", "—": "-", "−": "-", "⁄": "/", "\u00a0": " ", "\u2009": " "}
)
_UNICODE_FRACTIONS = {
    "½": "1/2",
    "¼": "1/4",
    "¾": "3/4",
    "⅛": "1/8",
    "⅜": "3/8",
    "⅝": "5/8",
    "⅞": "7/8",
    "⅓": "1/3",
    "⅔": "2/3",
    "⅙": "1/6",
    "⅚": "5/6",
}
_NUMBER = r"(?:\d+(?:\.\d*)?|\.\d+)"
_MIXED = rf"(?:(?P<{{0}}whole>{_NUMBER})(?:[\s-]+(?P<{{0}}num>\d+)/(?P<{{0}}den>\d+))?|(?P<{{0}}num2>\d+)/(?P<{{0}}den2>\d+))"
_FOOT_MARK = r"(?:feet|foot|ft\.?|')"
_INCH_MARK = r"(?:inches|inch|in\.?|\"|'')"
_FEET_INCHES = re.compile(rf"^(?P<feet>{_NUMBER})\s*{_FOOT_MARK}(?:[\s-]*{_MIXED.format('i')}\s*{_INCH_MARK}?)?$")
_INCHES = re.compile(rf"^{_MIXED.format('i')}\s*{_INCH_MARK}$")
_DASHED = re.compile(r"^(?P<feet>\d+)-(?P<inches>\d+)(?:-(?P<num>\d+)/(?P<den>\d+))?$")
_METRIC = re.compile(
    rf"^(?P<value>{_NUMBER}(?:e[+-]?\d+)?)\s*(?P<unit>mm|cm|m|millimet(?:er|re)s?|centimet(?:er|re)s?|met(?:er|re)s?|us-survey-feet|us-survey-foot|usft|ftus)$"
)
_METRIC_UNIT = {"mm": 0.001, "cm": 0.01, "m": 1.0, "mi": 0.001, "ce": 0.01, "me": 1.0, "us": US_SURVEY_FOOT, "ft": US_SURVEY_FOOT}
_ANGLE = re.compile(rf"^(?P<value>{_NUMBER}(?:e[+-]?\d+)?)\s*(?P<unit>deg|degrees?|°|rad|gon|sec|\"|'|min)$")
_ANGLE_UNIT = {
    "d": math.pi / 180,
    "°": math.pi / 180,
    "r": 1.0,
    "g": math.pi / 200,
    "s": math.pi / 648000,
    '"': math.pi / 648000,
    "'": math.pi / 10800,
    "m": math.pi / 10800,
}


def tidy(text: str) -> str:
    """Return `text` with typographic quotes, dashes and fractions in plain characters, trimmed and in lower case."""
    plain = text.translate(_QUOTES)
    for sign, fraction in _UNICODE_FRACTIONS.items():
        if sign in plain:
            plain = re.sub(rf"(\d)\s*{sign}", rf"\1-{fraction}", plain).replace(sign, fraction)
    return plain.strip().lower()


def parse_length(text: str) -> Length:
    r"""Read a length written with its unit, ``"30 in"``, ``"2 ft 6 in"``, ``"12' 3-1/2\\""``, ``"12-3-1/2"`` or ``"760 mm"``.

    Returns
    -------
    Length
        [m]

    Raises
    ------
    ValueError
        When no unit stands beside the number, or the notation is not known; says what is allowed.

    Examples
    --------
    >>> round(parse_length("12' 3-1/2\"") / INCH, 6)
    147.5
    >>> parse_length("760 mm")
    0.76
    """
    plain = tidy(text)
    negative = plain.startswith("-")
    plain = plain.lstrip("+-").strip()
    value = _feet_and_inches(plain)
    if value is None:
        found = _METRIC.match(plain)
        if found is None:
            raise ValueError(f'{text!r} is not a length with its unit: write it like "30 in", "2 ft 6 in", "12\' 3-1/2\\"" or "760 mm"')
        value = float(found["value"]) * _METRIC_UNIT[found["unit"][:2]]
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is too large for a length")
    return Length(-value if negative else value)


def _feet_and_inches(plain: str) -> float | None:
    """Return [m] for any notation of feet, inches and fractions, None when it is not one."""
    found = _FEET_INCHES.match(plain)
    if found:
        return (float(found["feet"]) * 12 + _mixed(found)) * INCH
    found = _INCHES.match(plain)
    if found:
        return _mixed(found) * INCH
    found = _DASHED.match(plain)
    if found:
        fraction = _fraction(found["num"], found["den"]) if found["num"] else 0.0
        return (int(found["feet"]) * 12 + int(found["inches"]) + fraction) * INCH
    return None


def _mixed(found: re.Match[str]) -> float:
    whole = float(found["iwhole"]) if found["iwhole"] else 0.0
    if found["inum"]:
        return whole + _fraction(found["inum"], found["iden"])
    if found["inum2"]:
        return _fraction(found["inum2"], found["iden2"])
    return whole


def _fraction(numerator: str, denominator: str) -> float:
    if int(denominator) == 0:
        raise ValueError("a fraction of an inch has 0 below the line")
    return float(Fraction(int(numerator), int(denominator)))


def parse_angle(text: str) -> Angle:
    """Read an angle written with its unit, ``"2 deg"``, ``"5 sec"``, ``"0.1 gon"``; returns [rad].

    Raises
    ------
    ValueError
        When no known unit stands beside the number.
    """
    found = _ANGLE.match(tidy(text))
    if found is None:
        raise ValueError(f'{text!r} is not an angle with its unit: write it like "2 deg" or "5 sec"')
    return Angle(float(found["value"]) * _ANGLE_UNIT[found["unit"][0]])


def format_length(length: float, units: ReportUnits) -> str:
    r"""Print a length [m] for people: feet and inches to 1/16, or whole millimetres.

    Beside feet the whole inches are always printed, 0 too: a foot mark before a bare fraction is misread.

    Examples
    --------
    >>> format_length(0.762, "inch")
    '2\' 6"'
    >>> format_length(168.6875 * INCH, "inch")
    '14\' 0-11/16"'
    >>> format_length(0.762, "mm")
    '762 mm'
    """
    return feet_inches(length) if units == "inch" else f"{length / MILLIMETRE:z.0f} mm"


def feet_inches(length: float, denominator: int = 16) -> str:
    """Print a length [m] as feet, whole inches and a reduced fraction, to the nearest 1/`denominator` inch."""
    sign = "-" if length < 0 else ""
    parts = round(abs(length) / INCH * denominator)
    if parts == 0:
        return '0"'
    inches, rest = divmod(parts, denominator)
    feet, inches = divmod(inches, 12)
    fraction = ""
    if rest:
        reduced = Fraction(rest, denominator)
        fraction = f"{reduced.numerator}/{reduced.denominator}"
    small = "-".join(part for part in (str(inches) if inches or feet or not fraction else "", fraction) if part)
    if not feet:
        return f'{sign}{small}"'
    return f"{sign}{feet}' {small}\""


_SAID: Final = re.compile(
    r"(?<![\w.,/-])(\d+(?:\.\d+)?|(?:(?P<whole>\d+)-)?(?P<num>\d+)/(?P<den>[1-9]\d*)) (ft\b|mm\b|in\b(?! (?:the|a|an|it|this|any|front|place|\d)\b))"
)


def said_in(text: str, units: ReportUnits) -> str:
    r"""Return a text with every length written like "4 in", "1-1/2 in", "5 ft" or "100 mm" in one system of units, as exactly as it is printed.

    A clause's own value is exact in its own unit; nothing of it is rounded away but what no rule shows.

    Examples
    --------
    >>> said_in("a ball of 4 in, 914 mm up, in H012 in the band", "mm")
    'a ball of 101.6 mm, 914 mm up, in H012 in the band'
    >>> said_in("under 100 mm, over 5 ft", "inch")
    'under 3.937 in, over 5 ft'
    >>> said_in("a screw of 1/2 in in a bore of 1-1/2 in", "mm")
    'a screw of 12.7 mm in a bore of 38.1 mm'
    """

    def said(found: re.Match[str]) -> str:
        value = float(found["whole"] or 0) + float(Fraction(int(found["num"]), int(found["den"]))) if found["num"] else float(found[1])
        unit = found[5]
        if (unit == "mm") == (units == "mm"):
            return found[0]
        length = value * (MILLIMETRE if unit == "mm" else INCH if unit == "in" else FOOT)
        digits, step, name = (2, MILLIMETRE, "mm") if units == "mm" else (3, INCH, "in")
        return f"{f'{length / step:.{digits}f}'.rstrip('0').rstrip('.')} {name}"

    return _SAID.sub(said, text)


def nearest_sixteenth(length: float) -> float:
    """Return the length [m] rounded to the nearest 1/16 in, as a tape reads it."""
    return round(length / INCH * 16) / 16 * INCH
