import math

import pytest

from pipeline.survey.quantities import angle, number, tape_length
from pipeline.units import INCH


@pytest.mark.parametrize(
    ("text", "unit", "inches"),
    [
        ("12' 3-1/2\"", "foot", 147.5),
        ("12-3-1/2", "foot", 147.5),
        ("12 ft 6 3/4 in", "foot", 150.75),
        ('150.75"', "foot", 150.75),
        ("12’ 6 ¾”", "foot", 150.75),
        ("12′ 6¾″", "foot", 150.75),
        ("12'-6 3/4\"", "foot", 150.75),
        ("12' 6.75\"", "foot", 150.75),
        ("12.5625", "foot", 150.75),
        ("12,5625", "foot", 150.75),
        ("150 3/4", "inch", 150.75),
        ("150.75", "inch", 150.75),
        ("12'", "inch", 144),
        ("3829.05 mm", "foot", 150.75),
        ("3.82905 m", "foot", 150.75),
        ("3.82905", "metre", 150.75),
        ('½"', "foot", 0.5),
        ("12-3.5", "foot", 147.5),
        ("12ʹ 6ʺ", "foot", 150),
        ("12´ 6´´", "foot", 150),
        ("12`6", "foot", 150),
        ("12′ 6³⁄₁₆″", "foot", 150.1875),
        ("0-11-7/8", "foot", 11.875),
        ("12' 6‑¾\"", "foot", 150.75),
    ],
)
def test_every_notation_of_a_tape(text, unit, inches):
    assert tape_length(text, unit) == pytest.approx(inches * INCH, abs=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "twelve",
        "12' 3-1/0\"",
        "nan",
        "inf",
        "1e400",
        "12''''",
        "1/0",
        "-",
        "'" * 30,
        "12 ft 6 3/4 in and a bit more than anyone can read",
        "9" * 400,
        "12' 13\"",
        "12-12-1/2",
        "12' 3-17/16\"",
        "12.5' 3\"",
    ],
)
def test_what_is_no_length_is_refused(text):
    with pytest.raises(ValueError):
        tape_length(text, "inch")


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("123-30-18", 123.505),
        ("123-30-18.0", 123.505),
        ("123.505", 123.505),
        ("123,505", 123.505),
        ("123° 30' 18\"", 123.505),
        ("-5-30-00", -5.5),
        ("0-00-01.8", 0.0005),
        ("90-30", 90.5),
    ],
)
def test_angles(text, degrees):
    assert math.degrees(angle(text)) == pytest.approx(degrees, abs=1e-12)


@pytest.mark.parametrize("text", ["12-60-00", "12-00-60", "abc", "1e12", "", "12-3-4-5"])
def test_what_is_no_angle_is_refused(text):
    with pytest.raises(ValueError):
        angle(text)


def test_a_decimal_comma_only_where_it_is_allowed():
    assert number("1234,5") == 1234.5
    with pytest.raises(ValueError, match="not a number"):
        number("1234,5", comma=False)
