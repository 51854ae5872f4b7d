"""Lengths and angles as people write them, and as we print them back."""

import math

import pytest

from pipeline.units import INCH, US_SURVEY_FOOT, feet_inches, format_length, parse_angle, parse_length

EXACT = 1e-12  # [m] rounding of a few binary operations


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("30 in", 30),
        ("2 ft 6 in", 30),
        ("12' 3-1/2\"", 147.5),
        ("12-3-1/2", 147.5),
        ("12-3", 147),
        ("12'-6 3/4\"", 150.75),
        ("12 ft 6 3/4 in", 150.75),
        ("12' 6.75\"", 150.75),
        ('150.75"', 150.75),
        ("12′ 3½″", 147.5),
        ("12' ½\"", 144.5),
        ("3/4 in", 0.75),
        ("1-1/2 in", 1.5),
        ("12.56'", 150.72),
        ("-3 in", -3),
    ],
)
def test_feet_and_inches_in_every_notation(text: str, inches: float) -> None:
    assert parse_length(text) == pytest.approx(inches * INCH, abs=EXACT)


@pytest.mark.parametrize(("text", "metres"), [("760 mm", 0.76), ("76 cm", 0.76), ("0.76 m", 0.76), ("1e-3 m", 0.001)])
def test_metric(text: str, metres: float) -> None:
    assert parse_length(text) == pytest.approx(metres, abs=EXACT)


@pytest.mark.parametrize("text", ["", "30", "thirty in", "1/0 in", "30 parsecs", "12' 3-1/2\" x", "nan m", "1e999 m"])
def test_what_is_no_length_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match=r"30 in|below the line|too large"):
        parse_length(text)


@pytest.mark.outside(
    source="Federal Register 85 FR 62698 (5 Oct 2020)", compares="US survey foot 1200/3937 m, 2 ppm above the international", tolerance="1e-15 m"
)
def test_us_survey_foot() -> None:
    assert pytest.approx(0.3048006096012192, abs=1e-15) == US_SURVEY_FOOT


def test_a_sixteenth_is_the_finest_print() -> None:
    assert [feet_inches(inches * INCH) for inches in (30, 1.5, 0.375, 0, 48, 12.5, 11.99, -3.03125)] == [
        "2' 6\"",
        '1-1/2"',
        '3/8"',
        '0"',
        "4' 0\"",
        "1' 0-1/2\"",
        "1' 0\"",
        '-3"',
    ]


def test_print_and_read_agree_to_the_sixteenth() -> None:
    for sixteenths in range(1, 2000, 7):
        length = sixteenths / 16 * INCH
        assert parse_length(feet_inches(length)) == pytest.approx(length, abs=EXACT)


def test_a_fraction_never_stands_beside_feet_without_its_inches() -> None:
    """A foot mark before a bare fraction is misread by a foot; the form that others write so is read all the same."""
    for feet in (1, 5, 14, 120):
        for sixteenths in range(1, 16):
            length = (feet * 12 + sixteenths / 16) * INCH
            said = feet_inches(length)
            assert said.startswith(f"{feet}' 0-")
            assert parse_length(said) == pytest.approx(length, abs=EXACT)
            assert parse_length(said.replace(" 0-", " ")) == pytest.approx(length, abs=EXACT)


def test_millimetres() -> None:
    assert format_length(0.762, "mm") == "762 mm"


def test_angles() -> None:
    assert parse_angle("2 deg") == pytest.approx(math.radians(2))
    assert parse_angle("5 sec") == pytest.approx(math.radians(5 / 3600))
    with pytest.raises(ValueError, match="2 deg"):
        parse_angle("2")
