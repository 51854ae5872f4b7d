"""Every sample's sheets, as the night left them, read as a person would: no text on text, none on the fence, nothing lost, scales true."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections import Counter
from functools import cache
from itertools import combinations

import ezdxf
import msgspec
import pymupdf
import pypdf
import pytest

from pipeline.drawings.paper import INCH_SCALES, MARGIN, METRIC_SCALES
from pipeline.units import format_length
from tests.end_to_end.conftest import night  # noqa: F401  # the fixture: one night over the samples for the whole run
from tests.truth.sites import all_sites
from tests.unit.drawings.reading import MM, Line, Text, lines, on_lines, outside, overlapping, texts

COMPLETE = sorted(site.name for site in all_sites() if site.expected == "complete")
BOOKLETS = ("crew.pdf", "shop.pdf", "inspection.pdf")
FABRIC = 0.5  # [mm] width of the fabric's line on the plan
POST = 0.35  # [mm] width of a post's line on the fence unrolled
STRIP = 55.0  # [mm] legend and title strip end below this
UNIT_MM = {1: 25.4, 4: 1.0}  # $INSUNITS
RATIO = {scale.name: scale.ratio for scale in (*INCH_SCALES, *METRIC_SCALES)}
PLAN = re.compile(r"Plan|Detail \d+|Places of the checks")
SCALE = 0.002  # the issue's: 0.2 %


class Page(msgspec.Struct, frozen=True):
    """A page as it was read: its part of the booklet, size [mm], text and lines."""

    part: str
    width: float
    height: float
    texts: list[Text]
    lines: list[Line]
    dots: list[tuple[float, float]]
    words: str


class Package(msgspec.Struct, frozen=True):
    folder: object
    holes: list[dict[str, str]]
    panels: list[dict[str, str]]
    gates: list[dict[str, str]]
    pages: dict[str, list[Page]]

    @property
    def inch(self) -> bool:
        return "feet and inches" in self.pages["crew.pdf"][0].words

    def titled(self, booklet: str, part: str) -> list[Page]:
        return [page for page in self.pages[booklet] if re.fullmatch(part, page.part)]


@cache
def read_package(folder) -> Package:
    tables = [rows(folder / name) for name in ("holes.csv", "panels.csv", "gates.csv")]
    return Package(folder, *tables, pages={booklet: read_booklet(folder / booklet) for booklet in BOOKLETS})


def read_booklet(path) -> list[Page]:
    with pymupdf.open(path) as document:
        starts = [(page, title) for _, title, page in document.get_toc()]
        return [read_page(page, [title for start, title in starts if start <= page.number + 1][-1]) for page in document]


def read_page(page, part: str) -> Page:
    small = [drawing["rect"] for drawing in page.get_drawings() if 0.5 < drawing["rect"].width * MM < 2.5]
    dots = [((rect.x0 + rect.x1) / 2 * MM, (page.rect.height - (rect.y0 + rect.y1) / 2) * MM) for rect in small]
    return Page(part, page.rect.width * MM, page.rect.height * MM, texts(page), lines(page), dots, page.get_text())


@pytest.fixture(params=COMPLETE)
def package(request, night) -> Package:  # noqa: F811  # pytest hands the fixture in
    folder = night.job(request.param) / "package"
    if not folder.exists():
        pytest.fail(f"{request.param} has no package")
    return read_package(folder)


def rows(path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def words_of(pages: list[Page]) -> set[str]:
    return {word.strip(",;:.()") for page in pages for text in page.texts for word in text.words.split()}


def test_no_text_lies_on_text_and_no_page_is_empty(package):
    for booklet, pages in package.pages.items():
        for number, page in enumerate(pages, 1):
            assert overlapping(page.texts) == [], f"{booklet}, page {number}"
            assert len(page.texts) > 14, f"{booklet}, page {number} is empty"


def test_nothing_stands_outside_the_margins(package):
    """Texts and lines alike; only the page's own number stands in the lower margin."""
    for booklet, pages in package.pages.items():
        for number, page in enumerate(pages, 1):
            body = [text for text in page.texts if f"page {number} of" not in text.words]
            assert outside(body, page.width, page.height, MARGIN - 0.3) == [], f"{booklet}, page {number}"
            for line in page.lines:
                for x, y in (line.start, line.end):
                    assert MARGIN - 0.6 <= x <= page.width - MARGIN + 0.6, f"{booklet}, page {number}"
                    assert MARGIN - 0.6 <= y <= page.height - MARGIN + 0.6, f"{booklet}, page {number}"


def test_no_text_is_cut_short(package):
    """Ellipses stand where a text found no room: none on the crew's sheets, and in the shop's only in titles on labels."""
    for page in package.pages["crew.pdf"]:
        assert [text.words for text in page.texts if "…" in text.words] == []
    for page in package.pages["inspection.pdf"]:
        assert [text.words for text in page.texts if text.words.endswith("…") and "C0" not in text.words] == []


def test_every_hole_panel_and_gate_is_named_on_the_plan_and_no_name_lies_on_the_fabric(package):
    pages = package.titled("crew.pdf", r"Plan|Detail \d+")
    for page in [*pages, *package.titled("inspection.pdf", "Places of the checks")]:
        found = [text for text in page.texts if text.box[0][1] > STRIP]
        fabric = [line for line in page.lines if abs(line.width - FABRIC) < 0.02 and min(line.start[1], line.end[1]) > STRIP]
        assert fabric
        assert on_lines(found, fabric) == []
    named = Counter(word for page in pages for text in page.texts for word in text.words.split())
    for row in package.holes:
        assert named[row["hole"]] >= 1, row["hole"]
        assert named[row["hole"]] <= 2, row["hole"]  # a second time only beside a match line
    assert {row["panel"] for row in package.panels} | {row["gate"] for row in package.gates} <= set(named)


def test_every_hole_stands_once_in_the_schedule_and_on_the_sheet_for_the_holes_as_drilled(package):
    expected = Counter(row["hole"] for row in package.holes)
    for part in ("Hole schedule", "As drilled"):
        found = Counter()
        for page in package.titled("crew.pdf", part):
            head = max((text.box[0][1] for text in page.texts if text.words.startswith("Holes, in walking order")), default=page.height)
            found.update(text.words for text in page.texts if re.fullmatch(r"H\d{3,}", text.words) and text.box[0][1] < head)
        assert found == expected, part


def test_every_panel_is_hung_and_every_hole_and_panel_stands_unrolled(package):
    hung = words_of(package.titled("crew.pdf", "Panels and latches"))
    assert {row["panel"] for row in package.panels} | {row["gate"] for row in package.gates} <= hung
    unrolled = package.titled("crew.pdf", "Fence unrolled.*")
    found = Counter(word for page in unrolled for text in page.texts for word in text.words.split())
    for row in package.holes:
        assert found[row["hole"]] == (row["role"] != "pocket"), row["hole"]
    for name in [row["panel"] for row in package.panels] + [row["gate"] for row in package.gates]:
        assert found[name] == 1, name


def test_gates_ends_and_risers_have_their_details(package):
    titles = " ".join(text.words for page in package.titled("crew.pdf", "Details.*") for text in page.texts)
    for row in package.gates:
        assert f"Gate {row['gate']}, plan" in titles
        assert f"{row['pocket_hole']} pocket" in titles
        assert {row["hinge_hole"], row["latch_hole"]} <= set(titles.split())
    line = [row for row in package.holes if row["role"] != "pocket"]
    if not line[-1]["to_next_mm"]:
        assert re.search(rf"End at {line[0]['hole']}, {line[-1]['hole']}|End at {line[0]['hole']}.*End at {line[-1]['hole']}", titles)
    joints = [
        (one, other)
        for one, other in zip(line, [*line[1:], line[0]], strict=True)
        if one["panel"] != other["panel"] and one["to_next_mm"] and float(one["to_next_mm"]) < 200
    ]
    for one, other in joints:
        if abs(float(one["elev_mm"]) - float(other["elev_mm"])) > 20:
            assert f"{one['hole']} {other['hole']}" in titles.replace("\n", " ") or {one["hole"], other["hole"]} <= set(titles.split())


def test_every_custom_panel_is_drawn_with_its_mark_and_cut(package):
    pages = package.titled("shop.pdf", "Custom panels.*")
    units = "inch" if package.inch else "mm"
    written = " ".join(text.words for page in pages for text in page.texts)
    for row in package.panels:
        if row["kind"] == "custom":
            assert row["panel"] in words_of(pages)
            for name in ("mark_mm", "cut_mm"):
                readings = {format_length((float(row[name]) + by) / 1000, units) for by in (-0.05, 0.0, 0.05)}
                assert any(reading in written for reading in readings), (row["panel"], name)
    assert bool(pages) == any(row["kind"] == "custom" for row in package.panels)


def test_the_plan_and_the_table_have_the_holes_at_the_same_places(package):
    document = ezdxf.readfile(package.folder / "plan.dxf")
    unit = UNIT_MM[document.header["$INSUNITS"]]
    auditor = document.audit()
    assert auditor.errors == []
    assert auditor.fixes == []
    found = {}
    for insert in document.modelspace().query("INSERT[layer=='HOLE']"):
        number = next(attribute.dxf.text for attribute in insert.attribs if attribute.dxf.tag == "NUMBER")
        found[number] = (insert.dxf.insert.x * unit, insert.dxf.insert.y * unit)
    for row in package.holes:
        assert found.pop(row["hole"]) == pytest.approx((float(row["east_mm"]), float(row["north_mm"])), abs=0.1)
    assert found == {}


def test_the_plan_goes_through_ezdxf_with_the_same_entities(package):
    first = ezdxf.readfile(package.folder / "plan.dxf")
    text = io.StringIO()
    first.write(text)
    again = ezdxf.read(io.StringIO(text.getvalue()))

    def census(document):
        return Counter((layout.name, entity.dxftype(), entity.dxf.layer) for layout in document.layouts for entity in layout)

    assert census(first) == census(again)
    assert sum(census(first).values()) > 100


def test_every_page_of_drawings_is_a_sheet_of_the_dxf_with_the_same_words(package):
    """One document, two pens: what a page of the PDF says, its sheet in plan.dxf (and its window's names) says too."""
    document = ezdxf.readfile(package.folder / "plan.dxf")
    model = Counter(text.dxf.text for text in document.modelspace().query("TEXT"))
    drawn = 0
    for booklet in BOOKLETS:
        for number, page in enumerate(package.pages[booklet], 1):
            name = "Checks" if page.part == "Places of the checks" else page.part
            if name not in document.layouts:
                continue
            drawn += 1
            sheet = Counter(text.dxf.text for text in document.layouts.get(name).query("TEXT"))
            on_page = Counter(text.words for text in page.texts if f"page {number} of" not in text.words)
            assert sheet - on_page == Counter(), f"{booklet}, page {number}"
            rest = on_page - sheet
            if PLAN.fullmatch(page.part):
                rest -= model + Counter(dimension.dxf.text for dimension in document.modelspace().query("DIMENSION"))
            assert rest == Counter(), f"{booklet}, page {number}"
            assert {"Job", "Sheet", "Revision", "Rules"} <= set(sheet)
            if PLAN.fullmatch(page.part):
                assert {"N", "revision"} <= set(sheet)
                assert any(words.startswith("Scale ") for words in sheet)
    assert drawn == len(document.layouts) - 2  # model space and the empty sheet every DXF document has


def test_sheets_stand_beside_the_model_space_and_beside_each_other(package):
    """LibreCAD lays paper space over model space: nothing of a sheet may lie on the plan, nor on another sheet."""
    document = ezdxf.readfile(package.folder / "plan.dxf")
    boxes = []
    for layout in document.layouts:
        if layout.name not in ("Model", "Layout1"):
            low, high = layout.dxf_layout.dxf.limmin, layout.dxf_layout.dxf.limmax
            boxes.append((low[0], low[1], high[0], high[1]))
            for text in layout.query("TEXT"):
                assert low[0] <= text.dxf.insert.x <= high[0]
                assert low[1] <= text.dxf.insert.y <= high[1]
    places = [(point[0], point[1]) for line in document.modelspace().query("LWPOLYLINE") for point in line.get_points("xy")]
    places += [(text.dxf.insert.x, text.dxf.insert.y) for text in document.modelspace().query("TEXT")]
    assert all(not (left <= x <= right and bottom <= y <= top) for x, y in places for left, bottom, right, top in boxes)
    assert all(one[2] <= other[0] or other[2] <= one[0] for one, other in combinations(boxes, 2))


def stated(page: Page) -> float:
    """The ratio of the scale a page states."""
    names = [text.words.removeprefix("Scale ") for text in page.texts if text.words.startswith("Scale ")]
    assert names
    return RATIO[names[0]]


def test_scale_of_every_plan_sheet_is_true_between_any_two_marks(package):
    """Mark's symbols (crosses) measured from the page's vectors against the distances the crew's own table gives."""
    checked = 0
    units = "inch" if package.inch else "mm"
    between = distances_between_marks(package, units)
    pages = [*package.titled("crew.pdf", r"Plan|Detail \d+"), *package.titled("inspection.pdf", "Places of the checks")]
    for page in pages:
        at = mark_places(page, {name for pair in between for name in pair})
        for (first, second), distance in between.items():
            if first in at and second in at:
                measured = math.dist(at[first], at[second]) * stated(page) / 1000
                assert measured == pytest.approx(distance, rel=SCALE), (page.part, first, second)
                checked += 1
    assert checked >= len(pages)


def distances_between_marks(package: Package, units: str) -> dict[tuple[str, str], float]:
    """The table "Between marks" of the crew's booklet, read by its rows [m]."""
    page = package.titled("crew.pdf", "Setting out|Hole schedule")[0]
    top = next(text.box[0][1] for text in page.texts if text.words == "Between marks")
    foot = next((text.box[0][1] for text in page.texts if text.words.startswith("Holes, in walking")), 0.0)
    found = {}
    beside = [text for text in page.texts if foot < text.box[0][1] < top - 5 and text.box[0][0] < page.width / 2]  # the diagonals stand right of them
    lefts = sorted(beside, key=lambda text: -text.box[0][1])
    for first in [text for text in lefts if text.box[0][0] < MARGIN + 5]:
        row = sorted((text for text in lefts if abs(text.box[0][1] - first.box[0][1]) < 1), key=lambda text: text.box[0][0])
        if len(row) == 3:
            found[(row[0].words, row[1].words)] = length_read(row[2].words, units)
    assert found
    return found


def length_read(words: str, units: str) -> float:
    """A printed length [m]: 12' 3-1/2" or 762 mm."""
    if units == "mm":
        return float(words.removesuffix(" mm")) / 1000
    parts = re.fullmatch(r"(?:(\d+)')? ?(?:(\d+)?-?(?:(\d+)/(\d+))?\")?", words)
    assert parts, words
    feet, inches, top, bottom = parts.groups()
    return (int(feet or 0) * 12 + int(inches or 0) + (int(top) / int(bottom) if top else 0)) * 0.0254


def mark_places(page: Page, names: set[str]) -> dict[str, tuple[float, float]]:
    """The crosses nearest to the marks' names: where a level and an upright line of 2.88 mm meet."""
    arms = [line for line in page.lines if abs(math.dist(line.start, line.end) - 2.88) < 0.05 and min(line.start[1], line.end[1]) > STRIP]
    level = [middle(line) for line in arms if abs(line.start[1] - line.end[1]) < 0.02]
    upright = [middle(line) for line in arms if abs(line.start[0] - line.end[0]) < 0.02]
    crosses = [one for one in level if any(math.dist(one, other) < 0.05 for other in upright)]
    found = {}
    for text in page.texts:
        if text.words in names and text.box[0][1] > STRIP and crosses:
            centre = (sum(x for x, _ in text.box) / 4, sum(y for _, y in text.box) / 4)
            found[text.words] = min(crosses, key=lambda cross: math.dist(cross, centre))
    return found


def middle(line: Line) -> tuple[float, float]:
    return ((line.start[0] + line.end[0]) / 2, (line.start[1] + line.end[1]) / 2)


def test_scale_of_the_fence_unrolled_is_true_between_the_posts_of_every_panel(package):
    """The outer posts of each panel against its length in panels.csv; the deck's fall between them is no part of it."""
    lengths = {row["panel"]: float(row["length_mm"]) for row in package.panels}
    pages = package.titled("crew.pdf", "Fence unrolled.*")
    checked = 0
    for page in pages:
        posts = [line for line in page.lines if abs(line.width - POST) < 0.02 and abs(line.start[0] - line.end[0]) < 0.02]
        for text in page.texts:
            if text.words in lengths:
                x = (text.box[0][0] + text.box[1][0]) / 2
                own = [line for line in posts if 0 < text.box[0][1] - max(line.start[1], line.end[1]) < 6]
                expected = lengths[text.words] / stated(page)
                first, last = (min(own, key=lambda line: abs(line.start[0] - at)) for at in (x - expected / 2, x + expected / 2))
                assert last.start[0] - first.start[0] == pytest.approx(expected, rel=SCALE, abs=0.01), (text.words, page.part)
                checked += 1
    assert checked == len(lengths)


def test_scale_of_every_detail_of_a_gate_and_of_every_custom_panel_is_true(package):
    """Leaf of every gate between its posts' circles, length of every custom panel between its outer posts: 0.2 %."""
    for page in package.titled("crew.pdf", "Details.*"):
        for title in [text for text in page.texts if re.fullmatch(r"Gate G\d+, plan", text.words)]:
            gate = next(row for row in package.gates if title.words == f"Gate {row['gate']}, plan")
            (left, bottom), cell = title.box[0], (page.width - 2 * MARGIN) / 2
            scale = next(
                text for text in page.texts if abs(text.box[0][1] - bottom) < 1.5 and 0 < text.box[0][0] - left < cell and text.words in RATIO
            )
            expected = float(gate["leaf_mm"]) / RATIO[scale.words]
            own = [dot for dot in page.dots if left - 3 < dot[0] < left + cell and bottom - 80 < dot[1] < bottom]
            assert any(abs(math.dist(one, other) / expected - 1) < SCALE for one, other in combinations(own, 2)), title.words
    for page in package.titled("shop.pdf", "Custom panels.*"):
        for row in package.panels:
            if row["kind"] == "custom" and row["panel"] in [text.words for text in page.texts]:
                expected = float(row["mark_mm"]) / stated(page)
                posts = sorted({round(line.start[0], 3) for line in page.lines if abs(line.start[0] - line.end[0]) < 0.02 and line.width > 0.4})
                assert any(abs((other - one) / expected - 1) < SCALE for one, other in combinations(posts, 2)), row["panel"]


def test_feet_and_millimetres_are_never_mixed(package):
    """One system throughout a package, the shop's own words for its stock included."""
    foreign = re.compile(r"\d ?mm\b" if package.inch else r"\d['\"]|\d in\b|\d ft\b")
    for booklet in BOOKLETS:
        for page in package.pages[booklet]:
            for text in page.texts:
                assert not foreign.search(text.words), (booklet, text.words)


def test_the_office_finds_the_other_setbacks_with_the_job_s_own_marked(package):
    """Every setback the layout tried stands in the shop's booklet, the one of this package marked."""
    layout = json.loads((package.folder.parent / "layout.json").read_text(encoding="utf-8"))["body"]
    units = "inch" if package.inch else "mm"
    (page,) = [page for page in package.pages["shop.pdf"] if "For the office: this job at other setbacks" in page.words]
    table = page.words.split("For the office: this job at other setbacks")[1]
    for other in layout["alternatives"]:
        own = abs(other["setback"] - layout["setback"]) < 1e-6
        row = [format_length(other["setback"], units), str(other["holes"]), str(other["custom_panels"]), f"{other['cost']:,.2f}"]
        row = row[:1] + ["–"] * 3 if other["note"] else row
        assert "\n".join(row) + "\n" in table, other
        assert not own or other["holes"] == len(package.holes)
    assert table.count("this package") == 1


def test_pypdf_reads_titles_page_counts_and_every_hole_number(package):
    for booklet in BOOKLETS:
        reader = pypdf.PdfReader(package.folder / booklet, strict=True)
        assert booklet.removesuffix(".pdf") in reader.metadata.title
        assert len(reader.pages) == len(package.pages[booklet])
        assert len(reader.outline) >= 2
        if booklet == "crew.pdf":
            read = [page.extract_text() for page in reader.pages]
            assert all(f"page {number} of {len(read)}" in words for number, words in enumerate(read, 1))
            found = Counter(re.findall(r"\bH\d{3,}\b", " ".join(read)))
            assert all(found[row["hole"]] >= 3 for row in package.holes)


def test_a_package_is_small(package):
    assert sum(path.stat().st_size for path in package.folder.iterdir()) < 3e6
