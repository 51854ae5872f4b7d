"""Every sample's sheets, as the night left them, read as a person would: no text on text, none on the fence, nothing lost."""

from __future__ import annotations

import csv
import io
import re

import ezdxf
import pymupdf
import pytest

from pipeline.drawings.paper import MARGIN
from tests.end_to_end.conftest import night  # noqa: F401  # the fixture: one night over the samples for the whole run
from tests.truth.sites import all_sites
from tests.unit.drawings.reading import MM, lines, on_lines, outside, overlapping, texts

COMPLETE = sorted(site.name for site in all_sites() if site.expected == "complete")
FABRIC = 0.5  # [mm] width of the fabric's line on the plan
STRIP = 55.0  # [mm] legend and title strip end below this
UNIT_MM = {1: 25.4, 4: 1.0}  # $INSUNITS


@pytest.fixture(params=COMPLETE)
def package(request, night):  # noqa: F811  # pytest hands the fixture in
    folder = night.job(request.param) / "package"
    if not folder.exists():
        pytest.fail(f"{request.param} has no package")
    return folder


def rows(path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def plan_pages(document) -> list[pymupdf.Page]:
    starts = {page: title for _, title, page in document.get_toc()}
    return [document[number - 1] for number, title in starts.items() if title == "Plan" or re.fullmatch(r"Detail \d+", title)]


@pytest.mark.parametrize("booklet", ["crew.pdf", "shop.pdf", "inspection.pdf"])
def test_no_text_lies_on_text_and_none_outside_the_margins(package, booklet):
    with pymupdf.open(package / booklet) as document:
        for page in document:
            found = texts(page)
            assert overlapping(found) == [], f"page {page.number + 1}"
            assert outside(found, page.rect.width * MM, page.rect.height * MM, MARGIN - 4.0) == [], f"page {page.number + 1}"
            assert len(found) > 8, f"page {page.number + 1} is empty"


def test_every_hole_and_panel_is_named_on_the_plan_and_no_name_lies_on_the_fabric(package):
    names = set()
    with pymupdf.open(package / "crew.pdf") as document:
        assert plan_pages(document)
        for page in plan_pages(document):
            found = [text for text in texts(page) if text.box[0][1] > STRIP]
            fabric = [line for line in lines(page) if abs(line.width - FABRIC) < 0.02 and min(line.start[1], line.end[1]) > STRIP]
            assert fabric
            assert on_lines(found, fabric) == []
            names |= {word for text in found for word in text.words.split()}
    assert {row["hole"] for row in rows(package / "holes.csv")} <= names
    assert {row["panel"] for row in rows(package / "panels.csv")} <= names
    assert {row["gate"] for row in rows(package / "gates.csv")} <= names


def test_the_plan_and_the_table_have_the_holes_at_the_same_places(package):
    document = ezdxf.readfile(package / "plan.dxf")
    unit = UNIT_MM[document.header["$INSUNITS"]]
    assert document.audit().errors == []
    found = {}
    for insert in document.modelspace().query("INSERT[layer=='HOLE']"):
        number = next(attribute.dxf.text for attribute in insert.attribs if attribute.dxf.tag == "NUMBER")
        found[number] = (insert.dxf.insert.x * unit, insert.dxf.insert.y * unit)
    for row in rows(package / "holes.csv"):
        assert found.pop(row["hole"]) == pytest.approx((float(row["east_mm"]), float(row["north_mm"])), abs=0.1)
    assert found == {}


def test_a_package_is_small(package):
    assert sum(path.stat().st_size for path in package.iterdir()) < 3e6
