"""The plan as a DXF file: read back by ezdxf as a person's CAD program would."""

from __future__ import annotations

import csv
import io
import platform
import re
import sys
import tempfile
from collections import Counter
from pathlib import Path

import ezdxf
import pytest

from pipeline.drawings.plan import INK, LAYERS
from pipeline.package.tables import holes_csv
from tests.conftest import ROOT
from tests.unit.drawings.cases import NAMES, case, drawn
from tests.unit.drawings.reading import pages_of

IN_MM = {1: 25.4, 4: 1.0}  # $INSUNITS


@pytest.fixture(params=NAMES)
def name(request):
    return request.param


def plan(name: str):
    return ezdxf.read(io.StringIO(drawn(name).files["plan.dxf"].decode()))


def attributes(insert) -> dict[str, str]:
    return {attribute.dxf.tag: attribute.dxf.text for attribute in insert.attribs}


def test_the_auditor_finds_nothing(name):
    auditor = plan(name).audit()
    assert [error.message for error in auditor.errors] == []
    assert [fix.message for fix in auditor.fixes] == []


def _contrast(one: float, other: float) -> float:
    return (max(one, other) + 0.05) / (min(one, other) + 0.05)


def _luminance(colour: tuple[float, ...]) -> float:
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in colour]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("screen", [0x000000, 0x212830, 0xFFFFFF])
def test_names_over_the_water_are_read_on_any_background(screen):
    """The water is a glaze: white names on it on dark screens, black ones on light; 4.5 : 1, as text on a page (WCAG 2.2, 1.4.3, from memory)."""
    document = plan(NAMES[0])
    hatch = next(hatch for hatch in document.modelspace().query("HATCH") if hatch.dxf.layer == "WATER-SURFACE")
    tint, below = document.layers.get("WATER-SURFACE").rgb, (screen >> 16, screen >> 8 & 255, screen & 255)
    seen = tuple((hatch.transparency * under + (1 - hatch.transparency) * over) / 255 for under, over in zip(below, tint, strict=True))
    name = 0.0 if screen == 0xFFFFFF else 1.0
    assert _contrast(_luminance(seen), name) > 4.5
    assert _contrast(_luminance(seen), _luminance(tuple(part / 255 for part in below))) > 1.1  # and the water is seen


def test_ink_is_black_on_paper_and_light_on_a_dark_screen(name):
    """Layers of ink are of colour 7, which programs turn to suit their background; on the pages every letter of theirs is black."""
    document = plan(name)
    ink = [document.layers.get(layer.name) for layer in LAYERS if layer.colour == INK]
    assert len(ink) > 15
    assert all(layer.dxf.color == 7 and not layer.dxf.hasattr("true_color") for layer in ink)
    for sheet in document.layouts:
        assert [
            text.dxf.text
            for text in sheet.query("TEXT")
            if text.dxf.layer in {layer.dxf.name for layer in ink} - {"SHEET"} and text.dxf.hasattr("true_color")
        ] == []
    for page in pages_of(drawn(name).files["crew.pdf"]):
        spans = [span for block in page.get_text("dict")["blocks"] for line in block.get("lines", ()) for span in line["spans"]]
        numbers = [span for span in spans if re.fullmatch(r"H\d{3}", span["text"].strip())]
        assert {span["color"] for span in numbers} <= {0}


def test_holes_stand_where_the_table_has_them_to_a_tenth_of_a_millimetre(name):
    document = plan(name)
    unit = IN_MM[document.header["$INSUNITS"]]
    holes = {attributes(insert)["NUMBER"]: insert for insert in document.modelspace().query("INSERT[layer=='HOLE']")}
    rows = list(csv.DictReader(io.StringIO(holes_csv(case(name).layout).decode())))
    assert set(holes) == {row["hole"] for row in rows}
    for row in rows:
        insert, told = holes[row["hole"]].dxf.insert, attributes(holes[row["hole"]])
        assert insert.x * unit == pytest.approx(float(row["east_mm"]), abs=0.1)
        assert insert.y * unit == pytest.approx(float(row["north_mm"]), abs=0.1)
        assert told["PANEL"] == row["panel"]
        assert told["ROLE"] == row["role"]
        assert (told["LEAN"] == "plumb") == (row["lean_toward"] == "plumb")
        assert told["DEPTH"]


def test_units_of_the_model_space_are_those_of_the_job(name):
    expected = 1 if case(name).job.options.report_units == "inch" else 4
    assert plan(name).header["$INSUNITS"] == expected


def test_every_hole_number_is_to_be_seen_in_the_model_space(name):
    written = [text.dxf.text for text in plan(name).modelspace().query("TEXT[layer=='HOLE-NUMBER']")]
    assert sorted(written) == sorted(hole.name for hole in case(name).layout.holes)


def test_layers_linetypes_styles_and_sheets_are_there(name):
    document = plan(name)
    assert {layer.name for layer in LAYERS} <= {layer.dxf.name for layer in document.layers}
    assert {"DASHEDX2", "DASHED", "DASHDOT"} <= {linetype.dxf.name for linetype in document.linetypes}
    assert {"SHEET", "SHEET-BOLD"} <= {style.dxf.name for style in document.styles}
    sheets = [layout for layout in document.layouts if re.fullmatch(r"Plan|Checks|Detail \d+", layout.name)]
    assert {"Plan", "Checks"} <= {layout.name for layout in sheets}
    for layout in sheets:
        windows = [entity for entity in layout.query("VIEWPORT") if entity.dxf.status == 2]
        assert len(windows) == 1
        assert any(text.dxf.text.startswith("Scale") for text in layout.query("TEXT"))


def test_a_window_has_the_scale_its_sheet_names():
    document = plan("spa")
    window = next(entity for entity in document.layouts.get("Plan").query("VIEWPORT") if entity.dxf.status == 2)
    words = [text.dxf.text for text in document.layouts.get("Plan").query("TEXT")]
    ratio = window.dxf.view_height / window.dxf.height
    assert f"Scale 1:{ratio:.0f}" in words


def test_dimensions_are_dimensions_and_say_what_they_measure():
    document = plan("spa")
    dimensions = document.modelspace().query("DIMENSION")
    assert len(dimensions) >= 3
    for dimension in dimensions:
        assert dimension.dxf.text == f"{dimension.get_measurement():.0f}"


def test_water_is_closed_and_keeps_its_arcs():
    water = next(iter(plan("spa").modelspace().query("LWPOLYLINE[layer=='WATER']")))
    assert water.closed
    assert [round(bulge, 9) for *_, bulge in water.get_points("xyb")] == [1.0, 1.0]


def test_it_goes_through_ezdxf_with_the_same_entities(name):
    first = plan(name)
    text = io.StringIO()
    first.write(text)
    again = ezdxf.read(io.StringIO(text.getvalue()))

    def census(document):
        return Counter((layout.name, entity.dxftype(), entity.dxf.layer) for layout in document.layouts for entity in layout)

    assert census(first) == census(again)
    assert sum(census(first).values()) > 100


def test_no_machine_is_in_it(name):
    text = drawn(name).files["plan.dxf"].decode()
    for place in (str(ROOT), sys.prefix, tempfile.gettempdir(), str(Path.home()), platform.node()):
        assert f"{place}/" not in text
