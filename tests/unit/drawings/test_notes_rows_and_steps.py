"""Names off their own things, dimensions off the water, details large enough, gates beside panels, titles in full, every place of a check."""

from __future__ import annotations

import math
import re
from itertools import pairwise

import msgspec
import pytest
from shapely import LineString, Polygon

from pipeline.drawings import plan, plan_names, plan_view
from pipeline.drawings.booklets import draw
from pipeline.drawings.ink import Words
from pipeline.drawings.label_placing import words_box
from pipeline.drawings.paper import INCH_SCALES, STRIP, frame_of, scales_of, title_strip
from pipeline.drawings.unrolled import _rows, _Span
from pipeline.geometry.chain import polyline
from pipeline.model.fabrication import Label
from pipeline.model.layout import Alternative
from pipeline.model.site import SiteObject
from pipeline.units import INCH, said_in
from tests.made_layouts import made_survey
from tests.made_sites import rectangle
from tests.unit.drawings.cases import REVISION, Case, case, drawn
from tests.unit.drawings.reading import overlapping, pages_of, texts

LONG = "The garden of the old harbour master's house, second terrace, by the lower pool, behind the boat shed"


def sheets(it: Case, **changes):
    it = msgspec.structs.replace(it, **changes)
    return draw(it.job, made_survey(it.site, it.layout), it.site, it.layout, it.fabrication, it.compliance, REVISION)


def said(content: bytes) -> str:
    return " ".join(" ".join(page.get_text().split()) for page in pages_of(content))


# ---- notes ------------------------------------------------------------------------------------------------------------------------------


def corners_of(words: Words) -> Polygon:
    x, y, half, high, turn = words_box(words)
    along, up = (math.cos(turn), math.sin(turn)), (-math.sin(turn), math.cos(turn))
    return Polygon(
        [(x + a * half * along[0] + b * high * up[0], y + a * half * along[1] + b * high * up[1]) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    )


def noted(thing: SiteObject):
    """Where a thing's name was put on the plan of the made rectangle, and its outline there [mm]."""
    it = case("sixty")
    site = msgspec.structs.replace(it.site, objects=(thing,))
    _, view = plan_view.overview(site, it.layout, "letter", "inch")
    names = plan_names.place_names(site, it.layout, view, notes=plan.site_notes(site, "inch"))
    (key,) = names.notes
    outline = [view.on_sheet((float(x), float(y))) for x, y in thing.outline.densified(0.01)]
    deck = [view.on_sheet(vertex) for vertex in site.decks[0].chain.vertices]
    return names.of(key), LineString(outline), Polygon(outline), LineString([*deck, deck[0]])


@pytest.mark.parametrize("turn", [0, 20, 45, 70])
@pytest.mark.parametrize("at", [(-2.6, 3.0), (9.0, -2.5), (20.9, 8.9), (-2.99, -2.99)])
def test_the_name_of_a_thing_lies_on_no_line_of_it_nor_of_the_deck(turn, at):
    half = 0.75
    ends = [(half * math.cos(math.radians(turn + quarter)), half * math.sin(math.radians(turn + quarter))) for quarter in (45, 135, 225, 315)]
    thing = SiteObject(name="O1", outline=polyline([(at[0] + x, at[1] + y) for x, y in ends], closed=True), height=0.508, remark="planter")
    candidate, outline, _, deck = noted(thing)
    assert candidate.words.text == "planter, high 1' 8\""
    assert not corners_of(candidate.words).intersects(outline)
    assert not corners_of(candidate.words).intersects(deck)
    if candidate.leader is not None:
        assert LineString([candidate.leader[0]] * 2).distance(outline) < 0.05  # the leader begins at the thing


def test_a_large_thing_carries_its_name_within():
    thing = SiteObject(name="O1", outline=rectangle(4.0, 1.2, 4.0, 3.0), height=0.508, remark="stage")
    candidate, _, inner, _ = noted(thing)
    assert inner.contains(corners_of(candidate.words))


@pytest.mark.parametrize("hole", ["H010", "H030", "H055"])
def test_a_number_moves_off_a_small_thing_that_was_shot_as_one_point(hole):
    it = case("sixty")
    _, view = plan_view.overview(it.site, it.layout, "letter", "inch")
    alone = plan_names.place_names(it.site, it.layout, view).of(hole)
    x, y = view.on_site(words_box(alone.words)[:2])
    thing = SiteObject(name="572", outline=rectangle(0.1, 0.1, x - 0.05, y - 0.05), remark="post")
    beside = plan_names.place_names(msgspec.structs.replace(it.site, point_hazards=(thing,)), it.layout, view).of(hole)
    outline = Polygon([view.on_sheet(vertex) for vertex in thing.outline.vertices])
    assert corners_of(alone.words).intersects(outline)
    assert not corners_of(beside.words).intersects(outline)


# ---- setbacks ---------------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "ratio"), [("sixty", 192), ("rectangle", 192), ("spa", 150)])
def test_a_setback_without_room_stands_outside_the_fence_and_not_over_the_water(name, ratio):
    it = case(name)
    units = it.job.options.report_units
    _, view = plan_view.overview(it.site, it.layout, it.job.options.paper, units)
    view = msgspec.structs.replace(view, scale=next(scale for scale in scales_of(units) if scale.ratio == ratio))
    setbacks = plan._setback_dimensions(it.site, it.layout, view, units)
    assert setbacks and all(each.beside is not None for each in setbacks)
    fence = Polygon([hole.place for hole in it.layout.holes if hole.role != "pocket"])
    for each in setbacks:
        words = plan.dimension_marks(each, view)[0]
        assert not fence.intersects(Polygon([view.on_site(corner) for corner in corners_of(words).exterior.coords]))


# ---- steps ------------------------------------------------------------------------------------------------------------------------------


def test_joints_over_risers_are_drawn_large_enough_to_read_and_say_that_posts_are_broken():
    it, found = case("risers"), {}
    for page in pages_of(drawn("risers").files["crew.pdf"]):
        for text in texts(page):
            if text.words.startswith("Joint J"):
                scale = min((one for one in texts(page) if one.words in {scale.name for scale in INCH_SCALES}), key=lambda one: far(one, text))
                found[text.words] = next(each.ratio for each in INCH_SCALES if each.name == scale.words)
    assert len(found) == sum(abs(joint.rise) > 0.02 for joint in it.layout.joints) > 0
    assert max(found.values()) <= 24
    assert said(drawn("risers").files["crew.pdf"]).count("posts broken between the zigzags") == len(found)


def far(scale, title) -> float:
    """How far a scale stands right of a title, on its own line."""
    (x, y), (x0, y0) = scale.box[0], title.box[0]
    return x - x0 if abs(y - y0) < 3 and x > x0 else math.inf


def test_the_letters_of_a_detail_s_title_are_larger_than_those_within():
    sizes = [
        (span["text"], span["size"])
        for page in pages_of(drawn("risers").files["crew.pdf"])
        for block in page.get_text("dict")["blocks"]
        for line in block.get("lines", ())
        for span in line["spans"]
    ]
    titles = {size for text, size in sizes if text.startswith(("Joint J", "Gate G1, plan"))}
    assert titles and min(titles) > 2.5 / 0.69 * 72 / 25.4


# ---- the fence unrolled -----------------------------------------------------------------------------------------------------------------


def span(name: str, start: float, end: float, posts: int) -> _Span:
    return _Span(name, start, end, tuple(start + (end - start) * index / (posts - 1) for index in range(posts)) if posts else (), (), 1.23)


@pytest.mark.parametrize("room", [5.0, 6.0, 7.5, 9.0, 12.0])
def test_a_gate_never_stands_alone_on_a_row_that_has_room_for_a_panel(room):
    for lengths in ((4.5, 4.5, 0.9), (4.5, 0.9, 4.5), (2.7, 2.7, 3.6, 0.9, 4.5), (4.5, 4.5, 4.5, 0.9, 4.5, 0.9)):
        spans, at = [], 0.0
        for number, length in enumerate(lengths):
            spans.append(span(f"S{number}", at, at + length, 0 if length < 1 else 4))
            at += length
        rows = _rows(spans, room)
        assert [one for row in rows for one in row] == spans
        assert all(row[-1].end - row[0].start <= room + 1e-9 for row in rows)
        for before, row in pairwise(rows):
            alone = not any(one.stations for one in row)
            assert not (alone and len(before) > 1 and row[-1].end - before[-1].start <= room)


# ---- titles -----------------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("title", ["Made pool", LONG, "W" * 70, "one " * 24, "Ägäische Straße " * 6])
@pytest.mark.parametrize("orientation", ["upright", "lying"])
def test_a_title_stands_in_full_in_the_strip_and_touches_nothing(title, orientation):
    it = case("150 m")
    facts = msgspec.structs.replace(plan_facts(it), title=title, rules="us-ispsc-2021, us-fl-residential, us-fl-statute")
    words = [
        mark for mark in title_strip(frame_of("a4", orientation), facts, "Cautions, tools, material, Setting out", "1:100") if isinstance(mark, Words)
    ]
    text = "".join("".join(mark.text.split()) for mark in words)
    assert "".join(title.split()) in text
    assert "us-ispsc-2021,us-fl-residential,us-fl-statute" in text
    boxes = [corners_of(mark) for mark in words]
    assert all(not one.intersects(other) for index, one in enumerate(boxes) for other in boxes[index + 1 :])
    assert all(11.0 <= y <= 11.0 + STRIP for box in boxes for _, y in box.exterior.coords)


def plan_facts(it: Case):
    from pipeline.drawings.booklets import sheet_facts

    return sheet_facts(it.job, it.compliance, REVISION)


def test_a_title_no_strip_holds_is_cut_with_a_sign():
    facts = msgspec.structs.replace(plan_facts(case("150 m")), title="W" * 400)
    assert any("…" in mark.text for mark in title_strip(frame_of("letter"), facts, "Plan", "1:100") if isinstance(mark, Words))


def test_a_long_title_overlaps_nothing_on_the_pages_themselves():
    it = case("risers")
    made = sheets(it, job=msgspec.structs.replace(it.job, options=msgspec.structs.replace(it.job.options, title=LONG)))
    for page in pages_of(made.files["shop.pdf"]):
        assert overlapping(texts(page)) == []
        assert "".join(LONG.split()) in "".join(page.get_text().split())


# ---- places of checks -------------------------------------------------------------------------------------------------------------------


def test_a_check_that_fails_in_several_places_is_marked_at_each():
    it = case("sixty")
    first, second, third = it.compliance.checks
    places = (it.layout.holes[20].place, it.layout.holes[40].place)
    failing = msgspec.structs.replace(first, verdict="fail", also=places)
    made = sheets(it, compliance=msgspec.structs.replace(it.compliance, checks=(failing, second, third)))
    *_, last = pages_of(made.files["inspection.pdf"])
    assert [text.words for text in texts(last) if text.words.startswith("C001")] == ["C001 FAIL"] * 3
    assert "C001 FAIL" not in said(drawn("sixty").files["inspection.pdf"])


# ---- the office's table -----------------------------------------------------------------------------------------------------------------

OTHERS = (
    Alternative(setback=20 * INCH, holes=40, custom_panels=2, cost=1890.5, least_margin=0.0, proven=True),
    Alternative(setback=25 * INCH, holes=0, custom_panels=0, cost=0.0, least_margin=0.0, note="no room beside the wall"),
    Alternative(setback=30 * INCH, holes=44, custom_panels=1, cost=1790.0, least_margin=10 * INCH, proven=True),
    Alternative(setback=35 * INCH, holes=47, custom_panels=1, cost=1834.25, least_margin=-0.5 * INCH),
)


def test_the_office_finds_the_other_setbacks_with_the_job_s_own_marked():
    it = case("sixty")
    text = said(sheets(it, layout=msgspec.structs.replace(it.layout, setback=30 * INCH, alternatives=OTHERS)).files["shop.pdf"])
    rows = text.split("For the office: this job at other setbacks")[1].split("remark", 1)[1]
    assert '1\' 8" 40 2 1,890.50 0"' in rows
    assert "2' 1\" – – – – cannot be built: no room beside the wall" in rows
    assert '2\' 6" 44 1 1,790.00 10" this package' in rows
    assert '2\' 11" 47 1 1,834.25 short by 1/2" not proven to be the best there' in rows
    assert rows.count("this package") == 1


def test_the_table_and_what_it_means_stand_on_one_page():
    it = case("spa")
    layout = msgspec.structs.replace(it.layout, setback=30 * INCH, alternatives=OTHERS)
    for count in range(3, 7):  # labels push it down until it goes to a page of its own
        labels = tuple(Label(panel=f"P{number:02d}", lines=("Made", f"P{number:02d}", "holes"), code="") for number in range(3 * count))
        made = sheets(it, layout=layout, fabrication=msgspec.structs.replace(it.fabrication, labels=labels))
        (page,) = [page.get_text() for page in pages_of(made.files["shop.pdf"]) if "For the office" in page.get_text()]
        assert "everything is worked out anew" in page and "this package" in page


def test_there_is_no_such_table_where_there_is_nothing_to_choose():
    it = case("sixty")
    assert "other setbacks" not in said(sheets(it).files["shop.pdf"])
    one = msgspec.structs.replace(it.layout, setback=30 * INCH, alternatives=OTHERS[2:3])
    assert "other setbacks" not in said(sheets(it, layout=one).files["shop.pdf"])


# ---- units ------------------------------------------------------------------------------------------------------------------------------


def test_a_millimetre_job_s_picking_list_names_no_inches():
    it = case("spa")
    lines = (
        msgspec.structs.replace(it.fabrication.order[0], description="Stock panel, 4 posts, 48 in"),
        msgspec.structs.replace(it.fabrication.order[1], description="No. 8 x 1/2 in screw, 150 ft of it"),
    )
    text = said(sheets(it, fabrication=msgspec.structs.replace(it.fabrication, order=lines)).files["shop.pdf"])
    assert "Stock panel, 4 posts, 1219.2 mm" in text and "No. 8 x 12.7 mm screw, 45720 mm of it" in text
    assert re.search(r"\d (in|ft)\b", text.split("Picking list")[1].split("mm of it")[0]) is None


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1-1/2 in of it", "38.1 mm of it"),
        ("3/4 in", "19.05 mm"),
        ("12-3-1/2", "12-3-1/2"),
        ("pack 1/0 in all", "pack 1/0 in all"),
        ("7/8 of 2 in", "7/8 of 50.8 mm"),
    ],
)
def test_fractions_of_an_inch_are_said_in_millimetres(text, expected):
    assert said_in(text, "mm") == expected
    assert said_in(text, "inch") == text
