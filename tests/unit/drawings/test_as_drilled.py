"""The sheets once the holes are drilled: what the crew, the shop and the inspector read of it, and what the plan shows."""

from __future__ import annotations

import itertools
from functools import cache

import ezdxf
import msgspec
import pymupdf
import pytest

from pipeline.drawings.as_drilled import off_told, which_way
from pipeline.drawings.booklets import Drawn, draw
from pipeline.drawings.changes import read_before
from pipeline.drawings.further_order import ordered_with
from pipeline.model.drilling import Cure, DrilledHole, Drilling, Misfit, Reading, ToTape
from pipeline.model.fabrication import Cut, CutTicket
from pipeline.model.layout import Panel
from pipeline.model.status import Revision
from pipeline.package.tables import holes_csv, panels_csv
from tests.made_layouts import made_survey
from tests.unit.drawings.cases import Case, case

STATES = {"H003": "moved", "H005": "missing", "H007": "abandoned", "H009": "planned"}
CURRENCY = "USD"


def drilling_of(it: Case) -> Drilling:
    """Every hole 4 mm east of its plan, some of them special, one reading a foot too much, one panel that does not hang."""
    holes = tuple(
        DrilledHole(hole=hole.name, state=STATES.get(hole.name, "measured"), planned=hole.place, place=(hole.east + 0.004, hole.north), remark="")
        for hole in it.layout.holes
    )
    added = DrilledHole(hole="H007a", state="added", place=(0.0, 0.0), instead_of="H007", remark="5 in beside")
    reading = Reading(
        hole="H002", to="H003", kind="to-next", value=1.2192, planned=0.9144, residual=0.3048, sigma=0.001, followed=False,
        why="the holes on both sides say otherwise", cause="a foot too much", row=4,
    )  # fmt: skip
    cure = Cure(hole="H003", move=0.0127, toward="toward H004", place=(0, 0), range=(0.01, 0.02), saves=("P01",), cost=25.0, cost_as_is=61.5)
    return Drilling(
        layout=it.layout, holes=(*holes, added), readings=(reading,), cures=(cure,),
        misfits=(Misfit(panel="P01", first="H003", last="H004", off=0.0142, extra=61.5),),
    )  # fmt: skip


@cache
def sheets(name: str, *, followed: bool = True) -> Drawn:
    it = case(name)
    before = read_before(1, holes_csv(it.layout), panels_csv(it.layout, it.fabrication), ordered_with(it.fabrication.order, it.fabrication.order))
    return draw(
        it.job, made_survey(it.site, it.layout), it.site, it.layout, it.fabrication, msgspec.structs.replace(it.compliance, as_drilled=True),
        Revision(revision=2, content="0123456789abcdef", as_drilled=True), made=(Revision(revision=1, content="fedcba9876543210"),),
        before=before if followed else None, drilling=drilling_of(it), planned=it.layout,
    )  # fmt: skip


def pages(drawn: Drawn, booklet: str) -> list[str]:
    document = pymupdf.open(stream=drawn.files[f"{booklet}.pdf"], filetype="pdf")
    return [" ".join(page.get_text().split()) for page in document]


@pytest.mark.parametrize("name", ["rectangle", "spa"])
@pytest.mark.parametrize("booklet", ["crew", "shop", "inspection"])
def test_every_page_says_as_drilled(name, booklet):
    for number, page in enumerate(pages(sheets(name), booklet), 1):
        assert "2, as drilled" in page, number


def test_the_crew_is_told_at_once_what_changed_and_what_is_left_to_do():
    first = pages(sheets("rectangle"), "crew")[0]
    assert first.startswith("Job") or "What changed since revision 1" in first
    assert "one named person watches the water" in first
    assert "H002 to H003: 4' 0\" on the sheet (line 4), the holes have 3' 0\". The holes on both sides say otherwise; a foot too much." in first
    assert "H005: NOT DRILLED YET" in first
    assert "H007: GIVEN UP, filled: no post here" in first
    assert "H007a: added, instead of H007, 5 in beside" in first
    assert 'P01 is made custom: H003 to H004 is 9/16" too wide; it costs 61.50' in first
    assert 'H003: drill it again 1/2" toward H004 (from 3/8" to 13/16" does): P01 stays a stock panel; 25.00' in first
    assert "instead of 61.50, 36.50 less" in first


def test_the_nearest_cure_is_named_where_it_is_dearer_too():
    it = case("rectangle")
    drilling = drilling_of(it)
    dear = msgspec.structs.replace(drilling.cures[0], cost=80.0)
    drilling = msgspec.structs.replace(drilling, cures=(), misfits=(msgspec.structs.replace(drilling.misfits[0], cure=dear),))
    drawn = draw(
        it.job, made_survey(it.site, it.layout), it.site, it.layout, it.fabrication, msgspec.structs.replace(it.compliance, as_drilled=True),
        Revision(revision=1, content="0" * 16, as_drilled=True), drilling=drilling, planned=it.layout,
    )  # fmt: skip
    first = pages(drawn, "crew")[0]
    assert 'H003 drilled again 1/2" toward H004 would save it, at 80.00' in first
    assert "What would cost less" not in first


def test_without_an_earlier_package_the_same_is_told():
    first = pages(sheets("rectangle", followed=False), "crew")[0]
    assert "The fence follows the holes as drilled" in first
    assert "H005: NOT DRILLED YET" in first
    assert "order-is-whole" in [reason.ref for reason in sheets("rectangle", followed=False).warnings]
    assert "order-is-whole" not in [reason.ref for reason in sheets("rectangle").warnings]


def test_the_schedule_has_drilled_and_planned_distances_and_the_way_a_hole_is_off():
    schedule = next(page for page in pages(sheets("rectangle"), "crew") if "Holes as drilled, in walking order" in page)
    assert 'H001 P01 end 3\' 0" 3\' 0" 3/16"' in schedule
    assert "NOT DRILLED" in schedule
    assert "not measured" in schedule
    assert "Still to drill" in " ".join(pages(sheets("rectangle"), "crew"))


def test_the_schedule_says_where_a_distance_leads_that_is_not_the_next_rows():
    it = case("spa")
    schedule = " ".join(page for page in pages(sheets("spa"), "crew") if "Holes as drilled, in walking order" in page)
    line = [hole.name for hole in it.layout.holes if hole.role != "pocket"]
    assert it.layout.closed
    assert f"(to {line[0]})" in schedule
    assert "in a closed fence" not in schedule


def test_only_what_has_to_be_measured_again_is_on_the_sheet_to_fill_in():
    again = next(page for page in pages(sheets("rectangle"), "crew") if "Holes to measure, still or again" in page)
    rows = [word for word in again[again.index("about to_next") :].split() if word.startswith("H0") and not word.endswith(")")]
    assert rows == ["H002", "H005", "H009"]
    assert "(to H003)" in again and "(to H006)" in again  # the rows between are left out: to which hole is said


def test_ways_are_as_seen_on_the_walk():
    line = [DrilledHole(hole=f"H{n}", state="measured", planned=(float(n), 0.0), place=(float(n), 0.0)) for n in range(3)]
    for place, way in (((1.01, 0.0), "ahead"), ((0.99, 0.0), "back"), ((1.0, 0.01), "to the pool"), ((1.0, -0.01), "away")):
        hole = DrilledHole(hole="H1", state="moved", planned=(1.0, 0.0), place=place)
        assert which_way(hole, Drilling(layout=case("spa").layout, holes=(line[0], hole, line[2]))) == way


def test_of_a_hole_that_stands_elsewhere_the_surest_direction_is_told():
    """20 mm ahead by distances good to 1 mm; 50 mm across are noise of 40."""
    line = [DrilledHole(hole=f"H{n}", state="measured", planned=(float(n), 0.0), place=(float(n), 0.0)) for n in range(3)]
    hole = DrilledHole(hole="H1", state="moved", planned=(1.0, 0.0), place=(1.02, 0.05), variance_east=0.001**2, variance_north=0.04**2)
    told = off_told(hole, Drilling(layout=case("spa").layout, holes=(line[0], hole, line[2])))
    assert told == (pytest.approx(0.02), "ahead")
    plain = msgspec.structs.replace(hole, state="measured")
    assert off_told(plain, Drilling(layout=case("spa").layout, holes=(line[0], plain, line[2])))[1] == "to the pool"


def test_the_inspector_reads_verdicts_as_drilled():
    booklet = " ".join(pages(sheets("rectangle"), "inspection"))
    assert "Verdict: ON-SITE ITEMS OPEN, AS DRILLED" in booklet
    assert "for the holes as drilled" in booklet
    assert "marginal, as drilled" in booklet


def test_the_shop_cuts_from_the_truth():
    booklet = " ".join(pages(sheets("rectangle"), "shop"))
    assert "Cut from this revision, and from no earlier one" in booklet
    assert "ordered before" in booklet


@cache
def waiting() -> tuple[Panel, Drawn]:
    """A custom panel of which the first two distances were not taped."""
    it = case("rectangle")
    custom = next(panel for panel in it.layout.panels if panel.kind == "custom")
    to_tape = ToTape(panel=custom.name, spans=tuple(itertools.pairwise(custom.holes[:3])), sigma=0.0035)
    drilling = msgspec.structs.replace(drilling_of(it), to_tape=(to_tape,))
    cut = Cut(cut="K01", panel=custom.name, source="roll-48 #1", start=0.0, end=custom.length)
    ticket = CutTicket(source="roll-48 #1", length=30.0, height=1.2, colour="black", cuts=(cut,), left_over=1.0, usable=False)
    return custom, draw(
        it.job, made_survey(it.site, it.layout), it.site, it.layout, msgspec.structs.replace(it.fabrication, tickets=(ticket,)), msgspec.structs.replace(it.compliance, as_drilled=True),
        Revision(revision=1, content="0" * 16, as_drilled=True), drilling=drilling, planned=it.layout,
    )  # fmt: skip


def test_the_shop_is_told_what_to_tape_before_it_cuts():
    custom, drawn = waiting()
    first = pages(drawn, "shop")[0]
    assert "Not released" in first
    assert f'{custom.name}: {custom.holes[0]} to {custom.holes[2]}, every hole to the next, known to 1/4" only; it is not cut before' in first
    assert f"wait {custom.name} custom" in first
    assert "Not released" not in pages(sheets("rectangle"), "shop")[0]


def test_a_panel_that_waits_has_neither_mark_nor_cut_on_its_drawing_nor_a_box_on_its_ticket():
    custom, drawn = waiting()
    (page,) = (page for page in pages(drawn, "shop") if f"{custom.name} custom" in page and "first post:" in page)
    own = page[page.index(f"{custom.name} custom") :]
    assert "NOT RELEASED. Tape first" in own
    assert "mark at" not in own.split("custom, ")[1]
    tickets = next(page for page in pages(drawn, "shop") if "Cut tickets" in page)
    assert f"wait K01 {custom.name}" in tickets
    assert "K01: NOT RELEASED. Do not cut" in tickets


def test_the_crew_is_asked_for_the_distances_a_panel_waits_for():
    custom, drawn = waiting()
    first = pages(drawn, "crew")[0]
    assert f"{custom.name}: {custom.holes[0]} to {custom.holes[2]}, every hole to the next" in first
    again = next(page for page in pages(drawn, "crew") if "Holes to measure, still or again" in page)
    assert f"{custom.name} ({custom.holes[0]} to {custom.holes[-1]})" in again
    assert {custom.holes[0], custom.holes[1]} <= set(again.split())
    assert f"{custom.name} waits for a tape" in drawn.succession.changed


def test_the_plan_has_planned_places_on_a_layer_of_their_own(tmp_path):
    it, path = case("rectangle"), tmp_path / "plan.dxf"
    path.write_bytes(sheets("rectangle").files["plan.dxf"])
    space = ezdxf.readfile(path).modelspace()
    crosses = [entity for entity in space if entity.dxf.layer == "HOLE-PLANNED"]
    assert len(crosses) == 2 * len(it.layout.holes)
    middles = {(round((line.dxf.start.x + line.dxf.end.x) / 2, 4), round((line.dxf.start.y + line.dxf.end.y) / 2, 4)) for line in crosses}
    assert middles == {(round(hole.east / 0.0254, 4), round(hole.north / 0.0254, 4)) for hole in it.layout.holes}
    assert sum(entity.dxftype() == "CIRCLE" for entity in space if entity.dxf.layer == "HOLE-FILLED") == 1


def test_a_plan_that_is_not_drilled_has_neither():
    it = case("rectangle")
    drawn = draw(it.job, made_survey(it.site, it.layout), it.site, it.layout, it.fabrication, it.compliance, Revision(revision=1, content="0" * 16))
    assert b"HOLE-PLANNED" in drawn.files["plan.dxf"]  # the layer is there
    document = pymupdf.open(stream=drawn.files["crew.pdf"], filetype="pdf")
    assert "as drilled" not in document[0].get_text().lower().replace("holes as drilled", "")
    assert drawn.succession.order == it.fabrication.order


def test_the_succession_counts_what_became_of_the_holes():
    words = sheets("rectangle").succession.changed
    assert words == (
        "1 hole off plan",
        "1 hole not drilled",
        "1 hole added",
        "1 hole given up",
        "1 reading not followed",
        "H003 drilled again would cost less",
    )
