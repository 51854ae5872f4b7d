from __future__ import annotations

import math
from fractions import Fraction

import pytest

from pipeline.drawings import typeface
from pipeline.drawings.ink import Stroke, Words, extent, fitted, lineweight
from pipeline.drawings.paper import INCH_SCALES, METRIC_SCALES, Scale, frame_of, largest_scale, scale_bar
from pipeline.units import FOOT, INCH


@pytest.mark.parametrize("text", ["Hérön", "Ωραία", "Жуковка", "Łódź", "Ağaç", "→ 2.5° ≥ 1/16 × ±"])
def test_latin_greek_cyrillic_and_signs_are_in_the_face(text):
    assert typeface.printable(text) == text
    assert typeface.unprintable(text) == ""


def test_what_the_face_lacks_is_an_open_box_and_is_named():
    assert typeface.printable("水 pool שלום") == "▯ pool ▯▯▯▯"
    assert typeface.unprintable("水水 pool של") == "水של"


def test_letters_and_accents_typed_apart_are_joined():
    assert typeface.printable("e\u0301\u200b\n") == "é "


def test_width_grows_with_the_text_and_the_size():
    assert typeface.width("H001H001", 2.0) == pytest.approx(2 * typeface.width("H001", 2.0))
    assert typeface.width("H001", 4.0) == pytest.approx(2 * typeface.width("H001", 2.0))
    assert typeface.width("H001", 2.0, bold=True) > typeface.width("H001", 2.0)


def test_a_text_too_wide_is_cut_with_an_ellipsis():
    short = fitted("a long title that does not fit", 20.0, 2.0)
    assert short.endswith("…")
    assert typeface.width(short, 2.0) <= 20.0


def test_the_box_of_a_line_holds_its_descenders():
    plain, deep = extent(Words(text="HHH", at=(0, 0), cap=2.0)), extent(Words(text="Hgj", at=(0, 0), cap=2.0))
    assert plain[2] == pytest.approx(1.0)
    assert deep[2] > plain[2]
    assert deep[0][1] < plain[0][1]


@pytest.mark.parametrize(
    ("size", "units", "expected"), [((9.0, 5.0), "mm", 50), ((9.5, 5.0), "mm", 75), ((9.0, 5.0), "inch", 48), ((0.05, 0.05), "mm", 2)]
)
def test_the_largest_standard_scale_that_fits(size, units, expected):
    assert largest_scale(size, (189.0, 230.0), units).ratio == expected


def test_a_site_beyond_every_scale_still_gets_one():
    assert largest_scale((5000.0, 100.0), (190.0, 230.0), "mm").ratio >= 5000 / 0.190


@pytest.mark.parametrize("scale", [*INCH_SCALES, *METRIC_SCALES])
def test_every_scale_is_what_its_name_says(scale):
    if scale.name.startswith("1:"):
        assert float(scale.name[2:]) == scale.ratio
        return
    paper, site = scale.name.split(" = ")
    inches = float(sum(Fraction(part) for part in paper.strip('"').split("-")))
    feet = float(site.split("'")[0])
    assert feet * FOOT / (inches * INCH) == pytest.approx(scale.ratio)


@pytest.mark.parametrize(
    ("scale", "units"), [(Scale("1:50", 50), "mm"), (Scale('1/4" = 1\'-0"', 48), "inch"), (Scale("1:500", 500), "mm"), (Scale("1:5", 5), "mm")]
)
def test_the_scale_bar_is_as_long_as_it_says(scale, units):
    marks = scale_bar(10.0, 20.0, scale, units)
    bar = next(mark for mark in marks if isinstance(mark, Stroke))
    long = bar.points[1][0] - bar.points[0][0]
    last = [mark.text for mark in marks if isinstance(mark, Words)][-1]
    number, unit = (
        (float(last[:-1]), {"'": FOOT, '"': INCH}[last[-1]])
        if units == "inch"
        else (float(last.split()[0]), {"m": 1.0, "mm": 0.001}[last.split()[1]])
    )
    assert long * scale.ratio / 1000 == pytest.approx(number * unit)
    assert 20 < long < 110


def test_paper_lies_and_stands():
    upright, lying = frame_of("a4"), frame_of("a4", "lying")
    assert (upright.width, upright.height) == (lying.height, lying.width) == (210.0, 297.0)
    assert math.prod(upright.room) > 0.6 * 210 * 297


@pytest.mark.parametrize(("width", "expected"), [(0.18, 18), (0.5, 50), (0.35, 35), (0.05, 5), (3.0, 100)])
def test_line_weights_are_those_dxf_allows(width, expected):
    assert lineweight(width) == expected
