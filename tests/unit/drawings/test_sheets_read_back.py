"""What a person sees on the sheets, measured from the PDF files as a viewer reads them."""

from __future__ import annotations

import csv
import io
import math
import re

import pymupdf
import pytest

from pipeline.drawings.paper import MARGIN
from pipeline.package.tables import holes_csv
from pipeline.units import format_length
from tests.unit.drawings.cases import NAMES, TITLE, case, drawn, drawn_anew, planned
from tests.unit.drawings.reading import MM, lines, on_lines, outside, overlapping, pages_of, texts

BOOKLETS = ("crew.pdf", "shop.pdf", "inspection.pdf")
FABRIC = 0.5  # [mm] width of the fabric's line on the plan
EDGE = MARGIN - 4.0  # [mm] the page's number stands in the margin, 7 mm from the edge


@pytest.fixture(params=NAMES)
def name(request):
    return request.param


@pytest.mark.parametrize("booklet", BOOKLETS)
def test_no_text_lies_on_text(name, booklet):
    for number, page in enumerate(pages_of(drawn(name).files[booklet]), 1):
        assert overlapping(texts(page)) == [], f"{name}, {booklet}, page {number}"


@pytest.mark.parametrize("booklet", BOOKLETS)
def test_nothing_stands_outside_the_margins(name, booklet):
    for number, page in enumerate(pages_of(drawn(name).files[booklet]), 1):
        width, height = page.rect.width * MM, page.rect.height * MM
        assert outside(texts(page), width, height, EDGE) == [], f"{name}, {booklet}, page {number}"
        for line in lines(page):
            for x, y in (line.start, line.end):
                assert MARGIN - 0.6 <= x <= width - MARGIN + 0.6, f"{name}, {booklet}, page {number}"
                assert MARGIN - 0.6 <= y <= height - MARGIN + 0.6, f"{name}, {booklet}, page {number}"


def plan_pages(name: str) -> list[pymupdf.Page]:
    sheets = {sheet.name for sheet in planned(name)[1][:-1]}
    outline = drawn_outline(name)
    return [page for page, title in zip(pages_of(drawn(name).files["crew.pdf"]), outline, strict=True) if title in sheets]


def drawn_outline(name: str) -> list[str]:
    """The title of every page of the crew's booklet, by its outline."""
    document = pymupdf.open(stream=drawn(name).files["crew.pdf"], filetype="pdf")
    starts = {page: title for _, title, page in document.get_toc()}
    titles, current = [], ""
    for number in range(1, len(document) + 1):
        current = starts.get(number, current)
        titles.append(current)
    return titles


def test_no_name_lies_on_the_fabric(name):
    assert plan_pages(name)
    for page in plan_pages(name):
        fabric = [line for line in lines(page) if abs(line.width - FABRIC) < 0.02 and line.start[1] > 55 and line.end[1] > 55]
        assert fabric
        assert on_lines([text for text in texts(page) if text.box[0][1] > 55], fabric) == []


def test_every_hole_and_panel_is_on_plan_schedule_and_sheets(name):
    it = case(name)
    holes, panels = {hole.name for hole in it.layout.holes}, {panel.name for panel in it.layout.panels}
    on_plan = {word for page in plan_pages(name) for text in texts(page) for word in text.words.split()}
    assert holes <= on_plan
    assert panels | {gate.name for gate in it.layout.gates} <= on_plan
    whole = {}
    for page, title in zip(pages_of(drawn(name).files["crew.pdf"]), drawn_outline(name), strict=True):
        whole.setdefault(re.sub(r" \d+ of \d+", "", title), set()).update(re.split(r"[\s,]+", page.get_text()))
    assert holes <= whole["Hole schedule"]
    assert holes - {gate.pocket_hole for gate in it.layout.gates} <= whole["Fence unrolled"]
    assert holes <= whole["As drilled"]
    assert panels <= whole["Panels and latches"]
    assert panels <= whole["Fence unrolled"]


def test_scale_of_the_plan_is_true_between_holes_far_apart(name):
    """The hole symbols' centres on the page against the holes' places: 0.2 %."""
    _, sheets = planned(name)
    view = sheets[0].view
    page = plan_pages(name)[0]
    assert view.scale.name in page.get_text()
    places = [hole.place for hole in case(name).layout.holes]
    first = min(places)
    last = max(places, key=lambda place: math.dist(place, first))
    centres = symbol_centres(page)
    ends = [nearest(centres, view.on_sheet(place)) for place in (first, last)]
    measured = math.dist(*ends) * view.scale.ratio / 1000
    assert measured == pytest.approx(math.dist(first, last), rel=0.002)


def nearest(centres: list[tuple[float, float]], at: tuple[float, float]) -> tuple[float, float]:
    return min(centres, key=lambda centre: math.dist(centre, at))


def symbol_centres(page) -> list[tuple[float, float]]:
    height = page.rect.height
    small = [drawing["rect"] for drawing in page.get_drawings() if 0.1 < drawing["rect"].width * MM < 2.5]
    return [((rect.x0 + rect.x1) / 2 * MM, (height - (rect.y0 + rect.y1) / 2) * MM) for rect in small]


def test_titles_and_page_numbers_read_back():
    for booklet in BOOKLETS:
        document = pymupdf.open(stream=drawn("rectangle").files[booklet], filetype="pdf")
        assert TITLE in document.metadata["title"]
        assert "revision 3" in document.metadata["title"]
        assert document.metadata["producer"] == "sleeveline"
        for number, page in enumerate(document, 1):
            assert f"page {number} of {len(document)}" in page.get_text()
            assert TITLE[:12] in page.get_text()


def test_markup_in_a_title_is_shown_and_not_obeyed():
    page = pages_of(drawn("rectangle").files["crew.pdf"])[0]
    assert "<b>&amp;" in page.get_text() or "…" in page.get_text()


def test_a_job_that_does_not_comply_says_so_on_every_page():
    for booklet in BOOKLETS:
        for page in pages_of(drawn("150 m").files[booklet]):
            assert "DOES NOT COMPLY" in page.get_text()
    assert "DOES NOT COMPLY" not in pages_of(drawn("spa").files["crew.pdf"])[0].get_text()


def test_cautions_come_first_and_who_watches_the_water_first_of_all():
    for booklet in ("crew.pdf", "inspection.pdf"):
        said = pages_of(drawn("rectangle").files[booklet])[0].get_text().split("\n")
        assert said[next(line for line in range(len(said)) if said[line].startswith("Before anything else")) + 1].startswith("While holes are open")


def test_feet_and_millimetres_are_never_mixed_on_one_line(name):
    for page in pages_of(drawn(name).files["crew.pdf"]):
        for text in texts(page):
            assert not (re.search(r"\d mm\b", text.words) and re.search(r"\d['\"]", text.words)), text.words


def test_lengths_in_the_schedule_are_those_of_the_table():
    it = case("sixty")
    schedule = "\n".join(
        page.get_text()
        for page, title in zip(pages_of(drawn("sixty").files["crew.pdf"]), drawn_outline("sixty"), strict=True)
        if title == "Hole schedule"
    )
    schedule = schedule[schedule.index("Holes, in walking order") :]
    for row in csv.DictReader(io.StringIO(holes_csv(it.layout).decode())):
        line = schedule[schedule.index(row["hole"]) :][:120]
        if row["to_next_mm"]:
            assert format_length(float(row["to_next_mm"]) / 1000, "inch") in line
        assert format_length(float(row["tie_a_mm"]) / 1000, "inch") in line


def test_same_job_same_bytes():
    assert drawn_anew("risers").files == drawn("risers").files


def test_fonts_are_embedded_and_text_can_be_searched():
    document = pymupdf.open(stream=drawn("sixty").files["crew.pdf"], filetype="pdf")
    for page in document:
        for xref, extension, kind, *_ in page.get_fonts():
            assert (extension, kind) == ("ttf", "Type0") or extension in ("ttf", "ttf2"), (xref, extension, kind)
    assert sum(len(page.search_for("H070")) for page in document) >= 3


@pytest.mark.parametrize("booklet", BOOKLETS)
def test_details_sheets_cover_a_large_site_and_name_each_other(booklet):
    sheets = planned("150 m")[1]
    details = [sheet for sheet in sheets if sheet.name.startswith("Detail")]
    assert 4 <= len(details) <= 12
    if booklet == "crew.pdf":
        for number, page in enumerate(plan_pages("150 m")[1:], 1):
            after = number % len(details) + 1
            assert f"to Detail {after}" in page.get_text()


def test_a_package_stays_small(name):
    assert sum(len(content) for content in drawn(name).files.values()) < 3e6
