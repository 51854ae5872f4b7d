"""Heights, gaps and findings as crew and inspector read them."""

from __future__ import annotations

import msgspec
import pytest

from pipeline.compliance.ground import Ground
from pipeline.compliance.standing import fence_of
from pipeline.drawings.booklets import draw
from pipeline.drawings.tops import gate_top, top_over_deck
from pipeline.errors import Reason
from pipeline.model.compliance import Compliance
from tests.made_layouts import made_survey
from tests.unit.drawings.cases import REVISION, case, drawn
from tests.unit.drawings.reading import pages_of


def said(content: bytes) -> str:
    return " ".join(" ".join(page.get_text().split()) for page in pages_of(content))


def inspection_with(**changes) -> str:
    it = case("rectangle")
    compliance = msgspec.structs.replace(it.compliance, **changes)
    made = draw(it.job, made_survey(it.site, it.layout), it.site, it.layout, it.fabrication, compliance, REVISION)
    return said(made.files["inspection.pdf"])


@pytest.mark.parametrize("from_deck", [False, True])
def test_the_top_drawn_is_the_top_the_checks_judge(from_deck):
    it = case("rectangle")
    panel = msgspec.structs.replace(it.job.shop.panel, height_from_deck=from_deck)
    job = msgspec.structs.replace(it.job, shop=msgspec.structs.replace(it.job.shop, panel=panel))
    judged = {(bay.kind, round(bay.height, 9)) for bay in fence_of(job, it.layout, Ground(it.site.levels)).bays}
    drawn_tops = {("panel", round(top_over_deck(job, panel.height), 9)) for panel in it.layout.panels}
    assert drawn_tops | {("gate", round(gate_top(job, it.layout, gate), 9)) for gate in it.layout.gates} == judged


def test_the_crew_reads_that_top_and_the_gap_of_the_gate_s_foot():
    words = said(drawn("rectangle").files["crew.pdf"])
    assert "top 4' 0-1/2\"" in words
    assert "Top of fabric and posts 4' 0-1/2\" above the deck" in words
    assert 'gap 1/2" at sides, 3/4" at the foot' in words
    assert ": post centre to post centre" in words


def test_what_holds_barely_is_named_with_the_verdict_and_listed_to_be_measured():
    words = inspection_with()
    summary, on_site = words.split("What the verdicts mean")[0], words.split("To be looked at on site")[1]
    assert "What holds by less than its uncertainty: to be measured on site • C001" in summary
    assert "C001" in on_site.split("Looked at by")[0]


def test_a_check_from_memory_that_holds_barely_and_a_miss_under_an_option_are_named():
    first, second, third = case("rectangle").compliance.checks
    barely = msgspec.structs.replace(first, verdict="on-site", certainty="memory", look_at="confirm the clause")
    missed = msgspec.structs.replace(second, verdict="on-site", margin=-0.1, look_at="missed, but binds only under an option")
    summary = inspection_with(checks=(barely, missed, third)).split("What the verdicts mean")[0]
    assert "to be measured on site • C001" in summary
    assert "to be settled before the work • C002" in summary


def test_warnings_stand_in_the_inspection_booklet_and_many_of_one_kind_are_counted():
    many = tuple(Reason(ref="off-the-edge", what=f"point {number} lies off the edge as fitted", do="shoot it again") for number in range(9))
    words = inspection_with(warnings=many)
    assert "point 0 lies off the edge as fitted. To do: shoot it again." in words
    assert "point 6" not in words
    assert "and 3 more like the last" in words


def test_a_warning_in_metres_is_printed_in_the_units_of_the_sheets():
    words = inspection_with(warnings=(Reason(ref="off-edge", what="off WATER as fitted: 106 (0.303 m outside)", file="points.csv", line=9),))
    assert 'off WATER as fitted: 106 (11-15/16" outside) (points.csv, line 9).' in words


def test_only_the_check_that_fails_is_named_a_fail_on_the_plan():
    it = case("150 m")
    first, second, third = it.compliance.checks
    together = msgspec.structs.replace(second, place=first.place)
    compliance: Compliance = msgspec.structs.replace(it.compliance, checks=(first, together, third))
    made = draw(it.job, made_survey(it.site, it.layout), it.site, it.layout, it.fabrication, compliance, REVISION)
    assert "C001 FAIL, C002" in said(made.files["inspection.pdf"])


def test_a_margin_too_small_to_print_is_said_to_be_so():
    first = case("rectangle").compliance.checks[0]
    small = inspection_with(checks=(msgspec.structs.replace(first, margin=0.0004, u95=0.0003),))
    short = inspection_with(checks=(msgspec.structs.replace(first, margin=-0.0004, u95=0.0003, verdict="fail"),))
    assert 'under 1/16" ± under 1/16"' in small
    assert 'short <1/16" ± under 1/16"' in short
