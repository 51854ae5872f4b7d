"""The package's tables against section 4 of the contracts."""

from __future__ import annotations

import csv
import io
import math

import msgspec
import pytest

from pipeline.model.compliance import Check, Compliance
from pipeline.model.survey import Frame
from pipeline.package import tables
from pipeline.units import US_SURVEY_FOOT
from tests.made_layouts import made_compliance, made_fabrication, made_survey, opened
from tests.unit.drawings.cases import case

AGREED = {
    "holes": "hole panel role station_mm east_mm north_mm elev_mm to_next_mm water_mm turn_deg lean_deg lean_toward bore_mm depth_mm tie_a tie_a_mm tie_b tie_b_mm",
    "panels": "panel kind first_hole last_hole posts length_mm height_mm mark_mm cut_mm made_from",
    "gates": "gate hinge_hole latch_hole leaf_mm opens pocket_hole",
    "cuts": "cut panel source from_mm to_mm left_over_mm",
    "order": "item description unit needed pack packs unit_price price",
    "stakeout": "P N E Z D",
}


@pytest.fixture
def layout():
    return case("sixty").layout


@pytest.fixture
def site():
    return case("sixty").site


def rows(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8"))))


def head(content: bytes) -> list[str]:
    return content.decode().split("\n", 1)[0].split(",")


def test_columns_are_the_agreed_ones(layout, site):
    made = made_fabrication(layout)
    written = {
        "holes": tables.holes_csv(layout),
        "panels": tables.panels_csv(layout, made),
        "gates": tables.gates_csv(layout),
        "cuts": tables.cuts_csv(made),
        "order": tables.order_csv(made.order),
        "stakeout": tables.stakeout_csv(layout, made_survey(site, layout)),
    }
    assert {name: " ".join(head(content)) for name, content in written.items()} == AGREED


def test_checks_begin_with_the_agreed_columns_and_angles_stand_in_columns_of_their_own(layout):
    agreed = [
        "check",
        "rule_pack",
        "document",
        "clause",
        "quantity",
        "where",
        "measured_mm",
        "limit_mm",
        "margin_mm",
        "u95_mm",
        "verdict",
        "certainty",
    ]
    angle = Check(name="C009", rule_pack="x", document="X", clause="1", limit="y", quantity="lean", measured=math.radians(3), limit_value=math.radians(5),
                  margin=math.radians(2), is_angle=True, verdict="pass", certainty="read")  # fmt: skip
    made = made_compliance(layout)
    content = tables.checks_csv(Compliance(checks=(*made.checks, angle), not_applicable=(), cautions=(), verdict="marginal"))
    assert head(content)[: len(agreed)] == agreed
    last = rows(content)[-1]
    assert (last["measured_mm"], last["measured_deg"], last["limit_deg"], last["margin_deg"]) == ("", "3.00", "5.00", "2.00")
    on_site = rows(content)[2]
    assert on_site["verdict"] == "on-site"
    assert on_site["look_at"].startswith("Open the gate")
    assert on_site["measured_mm"] == ""


def test_chords_and_ties_in_the_table_are_those_between_its_own_coordinates(layout, site):
    found = rows(tables.holes_csv(layout))
    line = [row for row in found if row["role"] != "pocket"]
    places = {row["hole"]: (float(row["east_mm"]), float(row["north_mm"])) for row in found}
    marks = {mark.name: mark.place for mark in site.marks}
    for row, after in zip(line, line[1:] + line[:1], strict=True):
        assert float(row["to_next_mm"]) == pytest.approx(math.dist(places[row["hole"]], places[after["hole"]]), abs=0.15)
        east, north = marks[row["tie_a"]]
        assert float(row["tie_a_mm"]) == pytest.approx(math.dist(places[row["hole"]], (east * 1000, north * 1000)), abs=0.15)
    assert [row["hole"] for row in found] == sorted(row["hole"] for row in found)
    assert found[-1]["role"] == "pocket"
    assert found[-1]["to_next_mm"] == ""


def test_an_open_line_ends_without_a_next_hole(layout, site):
    found = [row for row in rows(tables.holes_csv(opened(layout, site))) if row["role"] != "pocket"]
    assert found[-1]["to_next_mm"] == ""
    assert all(row["to_next_mm"] for row in found[:-1])


@pytest.mark.parametrize(
    ("length", "expected"), [(None, ""), (0.0, "0.0"), (-0.00004, "0.0"), (-0.00006, "-0.1"), (0.9144, "914.4"), (12.34567, "12345.7")]
)
def test_millimetres_have_one_decimal_and_no_negative_nothing(length, expected):
    assert tables.millimetres(length) == expected


def test_stakeout_is_in_the_files_own_unit_and_frame(layout, site):
    frame = Frame(unit="us-survey-foot", crs="EPSG:2236", origin_east=200000.0, origin_north=300000.0, combined_factor=0.99995)
    survey = msgspec.structs.replace(made_survey(site, layout), frame=frame)
    found = rows(tables.stakeout_csv(layout, survey))
    for row, hole in zip(found, layout.holes, strict=True):
        east, north = float(row["E"]) * US_SURVEY_FOOT, float(row["N"]) * US_SURVEY_FOOT
        assert ((east - 200000.0) / 0.99995, (north - 300000.0) / 0.99995) == pytest.approx(hole.place, abs=5e-5)
        assert float(row["Z"]) * US_SURVEY_FOOT == pytest.approx(hole.elev, abs=5e-5)
        assert row["D"] == f"HOLE {hole.role} {hole.carries}"


def test_words_with_commas_and_quotes_survive_the_table(layout):
    made = made_fabrication(layout)
    line = msgspec.structs.replace(made.order[0], description='Sleeve, 1-3/8" "deck"\nnon-conductive')
    assert rows(tables.order_csv((line,)))[0]["description"] == line.description
