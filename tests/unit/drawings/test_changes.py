"""What the crew is told when a package follows another."""

from __future__ import annotations

import msgspec
import pymupdf

from pipeline.drawings.booklets import draw
from pipeline.drawings.changes import changes, read_before
from pipeline.model.drilling import DrilledHole, Drilling
from pipeline.model.status import Revision
from pipeline.package.tables import holes_csv, panels_csv
from tests.made_layouts import made_fabrication, made_survey
from tests.unit.drawings.cases import case

IT = case("risers")
BEFORE = read_before(1, holes_csv(IT.layout), panels_csv(IT.layout, IT.fabrication))


def moved(name: str, east: float):
    """The same fence with one hole drilled off its place [m]."""
    holes = tuple(
        msgspec.structs.replace(hole, east=hole.east + east, to_next=(hole.to_next or 0) - east) if hole.name == name else hole
        for hole in IT.layout.holes
    )
    return msgspec.structs.replace(IT.layout, holes=holes)


def test_the_same_fence_has_no_changes():
    assert changes(BEFORE, IT.layout, IT.fabrication, "inch") == ()


def test_a_hole_off_its_place_is_named_with_its_distances():
    found = changes(BEFORE, moved("H007", 0.0127), IT.fabrication, "inch")
    assert [(change.which, change.what, change.now) for change in found] == [
        ("H007", "stands elsewhere, by", '1/2"'),
        ("H007", "to next", "2' 11-1/2\""),
    ]
    assert found[1].was == "3' 0\""


def test_less_than_the_tables_can_hold_is_no_change():
    assert changes(BEFORE, moved("H007", 0.0001), IT.fabrication, "mm") == ()


def test_panels_that_are_cut_otherwise_and_things_that_are_no_more():
    panels = tuple(msgspec.structs.replace(panel, length=panel.length - 0.02) if panel.kind == "custom" else panel for panel in IT.layout.panels)
    layout = msgspec.structs.replace(IT.layout, panels=panels, holes=IT.layout.holes[:-1])
    custom = panels[-1].name
    found = changes(BEFORE, layout, made_fabrication(IT.layout), "mm")
    assert (custom, "length") in [(change.which, change.what) for change in found]
    assert (IT.layout.holes[-1].name, "is no more") in [(change.which, change.what) for change in found]


def test_the_crew_reads_it_before_the_plan():
    compliance = msgspec.structs.replace(IT.compliance, as_drilled=True)
    made = (Revision(revision=1, content="fedcba9876543210"),)
    layout = moved("H007", 0.0127)
    holes = tuple(
        DrilledHole(hole=now.name, state="measured" if now.place == was.place else "moved", planned=was.place, place=now.place)
        for was, now in zip(IT.layout.holes, layout.holes, strict=True)
    )
    drawn = draw(
        IT.job, made_survey(IT.site, IT.layout), IT.site, layout, IT.fabrication, compliance,
        Revision(revision=2, content="0123456789abcdef", as_drilled=True), made=made, before=BEFORE,
        drilling=Drilling(layout=layout, holes=holes), planned=IT.layout,
    )  # fmt: skip
    document = pymupdf.open(stream=drawn.files["crew.pdf"], filetype="pdf")
    titles = [title for _, title, _ in document.get_toc()]
    assert titles[0] == "Changes"
    assert "one named person watches the water" in document[0].get_text().replace("\n", " ")
    page = next(page.get_text() for page in document if "What changed since revision 1" in page.get_text())
    assert "holes as they were drilled" in page
    assert "H007" in page
    plan = next(page.get_text() for page in document if "end hole of a panel" in page.get_text())
    assert "fedcba98" in plan
    assert "01234567" in plan
