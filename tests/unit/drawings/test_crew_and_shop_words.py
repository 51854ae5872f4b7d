"""Words a crew or a bench could take wrongly: to which hole a distance goes, which way a step, which length, which edge; titles in full."""

from __future__ import annotations

import math
from functools import cache

import msgspec
import pymupdf
import pytest

from pipeline.drawings.booklets import Drawn, draw
from pipeline.drawings.pages import paragraph
from pipeline.fabrication.panels import label_of
from pipeline.units import format_length
from tests.made_layouts import made_survey
from tests.unit.drawings.cases import REVISION, Case, case, drawn

LONG = "The garden of the old harbour master's house, second terrace, by the lower pool"


@pytest.mark.parametrize("name", ["rectangle", "spa", "risers"])
def test_the_last_hole_of_a_loop_and_the_pocket_say_to_which_hole(name):
    it, rows = case(name), schedule(name)
    units, line = it.job.options.report_units, [hole for hole in it.layout.holes if hole.role != "pocket"]
    assert f"{format_length(line[-1].to_next, units)} (to H001)" in rows[line[-1].name]
    for gate in it.layout.gates:
        (pocket,) = (hole for hole in it.layout.holes if hole.name == gate.pocket_hole)
        apart = {math.dist(hole.place, pocket.place): hole.name for hole in line}
        assert f"{format_length(min(apart), units)} (to {apart[min(apart)]})" in rows[gate.pocket_hole]
    assert [name for name, cells in rows.items() if any("(to H" in cell for cell in cells)] == [
        line[-1].name,
        *(hole.name for hole in it.layout.holes if hole.role == "pocket"),
    ]


def test_a_pocket_is_explained_once_and_only_where_there_is_one():
    assert booklet(drawn("rectangle"), "crew").count("the one extra hole a gate takes") == 1
    it = case("rectangle")
    holes = tuple(hole for hole in it.layout.holes if hole.role != "pocket")
    without = msgspec.structs.replace(it, layout=msgspec.structs.replace(it.layout, holes=holes, gates=()))
    text = booklet(sheets(without), "crew")
    assert "a gate takes" not in text and "A pocket stands" not in text


def test_a_step_says_which_way_and_the_latch_from_which_deck():
    it, text = case("risers"), booklet(drawn("risers"), "crew")
    stepped = [joint for joint in it.layout.joints if joint.rise]
    assert stepped
    for joint in stepped:
        way, units = "up" if joint.rise > 0 else "down", it.job.options.report_units
        assert (
            f"latch {joint.before} to {joint.after} at {format_length(joint.latch_height, units)} above the lower deck, "
            f"step {way} {format_length(abs(joint.rise), units)}"
        ) in text
    assert "lower deck" not in booklet(drawn("rectangle"), "crew")


def test_of_two_crossings_the_right_one_is_named():
    assert "take the one on the fence's side; the plan shows it" in booklet(drawn("rectangle"), "crew")


def test_lengths_say_what_they_are_between():
    assert "length between its holes" in booklet(drawn("rectangle"), "crew")
    shop = booklet(drawn("rectangle"), "shop")
    assert "length as made" in shop and "its label and the crew's booklet have its length between its holes" in shop


def test_a_fence_between_walls_says_where_it_is_latched_to_them_first_and_last():
    it = case("walls")
    ends = tuple(msgspec.structs.replace(end, wall="house") for end in it.layout.ends)
    text = booklet(sheets(msgspec.structs.replace(it, layout=msgspec.structs.replace(it.layout, ends=ends))), "crew")
    first, last = (end.hole for end in ends)
    assert f"Begin at the wall: latch {first} to the plate on the wall at 1168 mm above the deck." in text
    assert f"latch {last} to the plate on the wall at 1168 mm above the deck" in text
    assert "the fence ends here" not in text
    free = booklet(drawn("walls"), "crew")
    assert "to the plate" not in free and free.count("the fence ends here") == 1
    assert "the fence ends here" not in booklet(drawn("rectangle"), "crew")


def test_a_gate_s_leaned_posts_are_told_on_its_detail():
    it = case("rectangle")
    gate = it.layout.gates[0]
    holes = tuple(
        msgspec.structs.replace(hole, lean=math.radians(2.5), lean_toward="away") if hole.name == gate.hinge_hole else hole
        for hole in it.layout.holes
    )
    text = booklet(sheets(msgspec.structs.replace(it, layout=msgspec.structs.replace(it.layout, holes=holes))), "crew")
    assert f"{gate.hinge_hole} leaned 2.5° away from the pool" in text
    assert f"{gate.hinge_hole} leaned" not in booklet(drawn("rectangle"), "crew")


def test_under_pavers_a_footing_is_drawn_and_no_slab():
    it = case("rectangle")
    site = msgspec.structs.replace(it.job.options.site, slab="pavers")
    job = msgspec.structs.replace(it.job, options=msgspec.structs.replace(it.job.options, site=site))
    assert 'footing 4": measure' in booklet(sheets(msgspec.structs.replace(it, job=job)), "crew")
    assert 'slab 4": measure' in booklet(drawn("rectangle"), "crew")


def test_a_table_that_runs_on_says_again_of_which_document_it_is():
    it = case("rectangle")
    many = tuple(msgspec.structs.replace(it.compliance.checks[1], name=f"C{number:03d}") for number in range(1, 60))
    made = sheets(msgspec.structs.replace(it, compliance=msgspec.structs.replace(it.compliance, checks=many)))
    pages = pymupdf.open(stream=made.files["inspection.pdf"], filetype="pdf")
    of_clauses = [page.get_text() for page in pages if "margin and its" in page.get_text()]
    assert len(of_clauses) > 1
    assert all("ISPSC 2021\n" in text.split("margin and its")[0] for text in of_clauses)


def test_nothing_is_said_of_custom_panels_where_there_are_none():
    it = case("rectangle")
    assert "Custom panels are" in booklet(drawn("rectangle"), "crew") and "Custom panels are" in booklet(drawn("rectangle"), "shop")
    stock = sheets(only_stock(it))
    assert "Custom panels" not in booklet(stock, "crew") + booklet(stock, "shop")


@pytest.mark.parametrize("title", ["Made pool", LONG, "W" * 60, "one " * 18])
def test_a_label_has_its_title_in_full(title):
    text = label_text(title)
    assert "".join(title.split()) in text.replace(" ", "")
    assert "…" not in text and "between its holes" in text


def test_a_title_no_label_holds_is_cut_with_a_sign():
    assert "…" in label_text("W" * 300)


@pytest.mark.parametrize("width", range(60, 140, 8))
def test_feet_and_their_inches_stay_on_one_line(width):
    flowable = paragraph("at 14' 0-11/16\" above the deck", "cell")
    flowable.wrap(width, 1000)
    lines = [" ".join(line[1] if isinstance(line, tuple) else line.words) for line in flowable.blPara.lines]
    assert sum("14'\N{NO-BREAK SPACE}0-11/16\"" in line for line in lines) == 1


def only_stock(it: Case) -> Case:
    panels = tuple(msgspec.structs.replace(panel, kind="stock", stock_posts=panel.posts) for panel in it.layout.panels)
    made = tuple(msgspec.structs.replace(panel, kind="stock", mark=None, cut=None) for panel in it.fabrication.panels)
    return msgspec.structs.replace(
        it, layout=msgspec.structs.replace(it.layout, panels=panels), fabrication=msgspec.structs.replace(it.fabrication, panels=made)
    )


@cache
def labelled(title: str) -> Drawn:
    it = case("risers")
    job = msgspec.structs.replace(it.job, options=msgspec.structs.replace(it.job.options, title=title))
    label = label_of(job, it.layout.panels[0], 1.2192)
    return sheets(msgspec.structs.replace(it, job=job, fabrication=msgspec.structs.replace(it.fabrication, labels=(label,))))


def sheets(it: Case) -> Drawn:
    return draw(it.job, made_survey(it.site, it.layout), it.site, it.layout, it.fabrication, it.compliance, REVISION)


def booklet(made: Drawn, name: str) -> str:
    """A booklet's text in one line."""
    pages = pymupdf.open(stream=made.files[f"{name}.pdf"], filetype="pdf")
    return " ".join(" ".join(page.get_text() for page in pages).split())


def schedule(name: str) -> dict[str, list[str]]:
    """The cells of every row of the hole schedule, by the hole's name."""
    pages = pymupdf.open(stream=drawn(name).files["crew.pdf"], filetype="pdf")
    text = " ".join(page.get_text() for page in pages).split("Holes, in walking order, pool on the left")[1]
    names = {hole.name for hole in case(name).layout.holes}
    rows: dict[str, list[str]] = {}
    own: list[str] = []
    for cell in (line.strip() for line in text.splitlines()):
        if cell in names:
            own = rows.setdefault(cell, [])
        own.append(cell)
    return rows


def label_text(title: str) -> str:
    return booklet(labelled(title), "shop").split("fasten it to the first post.")[1].split("holes H001 to")[0]
