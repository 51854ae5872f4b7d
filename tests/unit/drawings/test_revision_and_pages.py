from __future__ import annotations

import re

import msgspec
import pymupdf
import pytest

from pipeline.drawings.booklets import draw
from pipeline.drawings.ink import Words, to_canvas
from pipeline.drawings.revision import content_digest, next_revision
from pipeline.drawings.thumbnail import plan_svg
from pipeline.model.status import Revision
from tests.made_layouts import made_survey
from tests.unit.drawings.cases import REVISION, case, drawn
from tests.unit.drawings.reading import overlapping, texts

MADE = (Revision(revision=1, content="a"), Revision(revision=2, content="b"))


@pytest.mark.parametrize(("made", "content", "expected"), [((), "a", 1), (MADE, "b", 2), (MADE, "c", 3), (MADE, "a", 3)])
def test_the_same_content_keeps_its_number(made, content, expected):
    assert next_revision(made, content).revision == expected


def test_the_digest_of_the_content_knows_the_order():
    assert content_digest(["a", "b"]) != content_digest(["b", "a"])


def test_the_reader_of_sheets_sees_an_overlap_when_there_is_one():
    """Guards the test of overlaps itself: two lines of text laid on each other, level and turned."""
    from reportlab.pdfgen.canvas import Canvas

    canvas = Canvas("none", pagesize=(300, 300))
    words = [Words(text="H001", at=(50, 50), cap=2.5), Words(text="P01", at=(52, 51), cap=2.5), Words(text="H002", at=(54, 48), cap=2.5, turn=1.2)]
    to_canvas(canvas, [*words, Words(text="M1", at=(80, 80))])
    page = pymupdf.open(stream=canvas.getpdfdata(), filetype="pdf")[0]
    assert set(overlapping(texts(page))) == {("H001", "P01"), ("H001", "H002"), ("P01", "H002")}


def test_a_title_in_a_script_the_face_lacks_warns_the_office():
    it = case("spa")
    options = msgspec.structs.replace(it.job.options, title="水 Spa")
    found = draw(
        msgspec.structs.replace(it.job, options=options), made_survey(it.site, it.layout), it.site, it.layout, it.fabrication, it.compliance, REVISION
    )
    assert [reason.ref for reason in found.warnings] == ["unprintable-letters"]
    assert "水" in found.warnings[0].what
    assert drawn("spa").warnings == ()


def test_the_thumbnail_shows_the_fence_and_no_script():
    it = case("150 m")
    svg = plan_svg(it.site, it.layout, complies=False)
    assert svg.count("<path") == 4
    assert "script" not in svg
    width, height = (float(found) for found in re.findall(r'(?:width|height)="([\d.]+)"', svg)[:2])
    assert max(width, height) == pytest.approx(240, abs=1)
    assert "stroke-dasharray" in svg


def test_every_fail_is_cured_or_named_in_the_inspection_booklet():
    document = pymupdf.open(stream=drawn("150 m").files["inspection.pdf"], filetype="pdf")
    whole = " ".join(page.get_text() for page in document).replace("\n", " ")
    assert "FAIL" in whole
    assert "stock 60 in high" in whole
    for check in case("150 m").compliance.checks:
        assert check.name in whole
        assert check.clause in whole


def test_the_sheet_of_holes_as_drilled_has_the_heads_the_office_types():
    document = pymupdf.open(stream=drawn("sixty").files["crew.pdf"], filetype="pdf")
    sheet = next(page.get_text() for page in document if "The holes as drilled" in page.get_text())
    for head in ("hole", "to_next", "tie_a", "tie_b"):
        assert re.search(rf"\b{head}\b", sheet)


def test_details_are_drawn_for_every_gate_end_and_riser():
    for name, wanted in (
        ("risers", ["Joint J01 over riser 1", "Joint J04 over riser", "Gate G1, plan"]),
        ("walls", ["End at H001, H0", "Gate G1, from outside"]),
    ):
        whole = " ".join(page.get_text() for page in pymupdf.open(stream=drawn(name).files["crew.pdf"], filetype="pdf"))
        for title in wanted:
            assert title in whole


@pytest.mark.parametrize("rows", range(30, 46))
def test_a_heading_never_stands_alone_at_the_foot_of_a_page(rows):
    """Wherever the page runs out, the last heading has at least the beginning of its table under it."""
    from pipeline.drawings.pages import TextPart, bind, heading, paragraph, table
    from tests.unit.drawings.cases import planned, sheet_facts

    it = case("spa")
    flow = (
        *(paragraph(f"line {number}") for number in range(rows)),
        heading("Alone?"),
        table(("a", "b"), [("x " * 120, "y")] * 3, (30, 60), plain=False),
    )
    content = bind((TextPart("Test", flow),), sheet_facts(it.job, it.compliance, REVISION), planned("spa")[0], "test")
    pages = [page.get_text() for page in pymupdf.open(stream=content, filetype="pdf")]
    page = next(text for text in pages if "Alone?" in text)
    assert "x x x" in page.split("Alone?")[1]
