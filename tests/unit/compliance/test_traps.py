"""Conflicts between documents and traps in them, one by one."""

from __future__ import annotations

import msgspec
import pytest

from pipeline.compliance.judge import judge
from pipeline.compliance.measures.posts import POUND_FORCE
from pipeline.compliance.stage import work_packs
from pipeline.intake.resolve import shipped_packs
from pipeline.model.job import Confirmation
from pipeline.model.rules import strictest
from pipeline.model.site import Opening
from pipeline.rule_files import confirmed
from tests.unit.compliance.made_fences import fence_along, job_with, site_with
from tests.unit.compliance.made_jobs import WALL_Y, loop, wall_to_wall

PACKS = shipped_packs()


def limit(pack: str, name: str):
    return next(one for one in PACKS[pack].limits if one.id == name)


def check(found, name: str):
    return next(one for one in found.checks if one.limit == name)


def test_1_chain_link_keeps_each_documents_own_mesh():
    mesh = {pack.id: one.value for pack in PACKS.values() for one in pack.limits if one.quantity == "chain-link-opening" and one.unit == "in"}
    assert {name: mesh[name] for name in ("us-ispsc-2021", "us-cpsc-362", "us-nc-appendix-g", "us-irc-2012-g", "us-nv-clark")} == {
        "us-ispsc-2021": 1.75,
        "us-cpsc-362": 1.25,
        "us-nc-appendix-g": 1.25,
        "us-irc-2012-g": 2.25,
        "us-nv-clark": 1.75,
    }


def test_2_of_the_gaps_under_a_fence_one_inch_rules_where_the_mesh_clause_binds():
    packs = tuple(PACKS[name] for name in ("us-irc-2012-g", "us-nv-clark", "us-ispsc-2021"))
    found = loop(*packs)
    rules = {one.limit: one.rules for one in found.checks if one.quantity.startswith("gap-under")}
    assert rules == {"us_irc_gap_under": False, "us_nv_clark_gap_under": False, "us_ispsc_gap_under_hard": False, "us_ispsc_mesh_gap_to_deck": True}


def test_2_without_a_mesh_clause_two_inches_rule():
    found = loop(PACKS["us-irc-2012-g"], PACKS["us-nv-clark"])
    assert check(found, "us_irc_gap_under").rules
    assert not check(found, "us_nv_clark_gap_under").rules


@pytest.mark.parametrize(
    ("pack", "name", "below_top", "radius", "holds"),
    [
        ("us-ispsc-2018", "us_ispsc_latch_height_threshold", 3, 18, True),
        ("us-az", "us_az_latch_height", 3, 18, False),
        ("us-az", "us_az_latch_height", 5, 18, False),
        ("us-az", "us_az_latch_height", 5, 24, True),
        ("us-ca", "us_ca_enclosure_latch_height", 5, 24, False),
    ],
)
def test_3_a_low_release_is_held_to_its_own_documents_rules(pack, name, below_top, radius, holds):
    """ISPSC: 3 in and 18 in; Arizona: 5 in and 24 in; California's enclosure: no low release at all."""
    inch, clear = 0.0254, 0.003
    gate = {
        "release_height": 45 * inch,
        "release_side": "pool",
        "release_below_top": below_top * inch + clear,
        "release_opening_radius": radius * inch + clear,
    }
    found = check(loop(PACKS[pack], gate=gate), name)
    assert ("pass" if holds else "on-site" if pack == "us-ca" else "fail") == found.verdict
    assert ("low release" in found.where) == holds


def test_3_a_low_release_reached_from_both_sides_has_no_alternative():
    found = loop(PACKS["us-ispsc-2018"], gate={"release_height": 45 * 0.0254, "release_side": "both"})
    assert check(found, "us_ispsc_latch_height_threshold").verdict == "fail"


def test_3_the_origin_of_a_latch_height_differs_by_the_gap_under_the_leaf():
    gate = {"release_height": 54.5 * 0.0254, "release_side": "both"}
    from_grade, from_bottom = loop(PACKS["us-ispsc-2018"], gate=gate), loop(PACKS["us-nc-appendix-g"], gate=gate)
    assert check(from_bottom, "us_nc_appg_latch_height").verdict == "fail"
    assert check(from_grade, "us_ispsc_latch_height_threshold").margin > 0 > check(from_bottom, "us_nc_appg_latch_height").margin


def test_4_the_florida_statute_asks_for_judgement_and_the_code_for_20_inches_from_memory():
    found = loop(PACKS["us-fl-statute"], PACKS["us-fl-residential"])
    statute, code = check(found, "us_fl_stat_setback_judgement"), check(found, "us_fl_fbc_setback")
    assert (statute.verdict, statute.limit_value) == ("on-site", None)
    assert (code.verdict, code.certainty) == ("on-site", "memory")
    assert code.margin > code.u95


def test_5_california_does_not_pass_48_inches_in_silence():
    found = loop(PACKS["us-ca"])
    assert check(found, "us_ca_mesh_height_open_question").verdict == "on-site"
    enclosure = check(found, "us_ca_enclosure_height")
    assert enclosure.margin < 0
    assert (enclosure.verdict, "option" in enclosure.look_at) == ("on-site", True)
    assert any("60 in" in warning.what for warning in found.warnings)
    assert found.verdict != "complies"


def test_5_california_catches_a_gap_of_exactly_four_inches():
    one = limit("us-ca", "us_ca_enclosure_ball")
    pack = msgspec.structs.replace(PACKS["us-ca"], limits=(msgspec.structs.replace(one, option=""),))
    layout = fence_along(joint=4 * 0.0254 + 0.0254)
    found = judge(job_with(pack), site_with(), layout, None, work_packs())
    assert (found.checks[0].verdict, found.checks[0].margin) == ("fail", 0.0)


def test_6_texas_chapter_757_says_that_it_is_no_law_for_a_single_family_yard():
    assert any("single-family" in warning.what for warning in loop(PACKS["us-tx-757"]).warnings)


def test_7_hollywood_is_asked_about_a_removable_fence():
    found = loop(PACKS["us-fl-hollywood"])
    assert [one.verdict for one in found.checks] == ["on-site"]
    assert "ask the city" in found.checks[0].look_at
    assert found.warnings


def test_8_clark_county_is_60_inches():
    found = check(loop(PACKS["us-nv-clark"]), "us_nv_clark_height")
    assert ("fail", pytest.approx(1.524)) == (found.verdict, found.limit_value)
    assert "5' 0\"" in found.cure


def test_9_quebec_has_no_limit_of_1400():
    assert 1400 not in {one.value for one in PACKS["ca-qc"].limits}


def test_10_misprints_are_not_taken_over():
    """45 in is 1143 mm, and 52 lbf is 231.3 N."""
    assert limit("us-fl-residential", "us_fl_mesh_joint_latch_height").metres == pytest.approx(1.143, abs=1e-12)
    assert pytest.approx(231.3, abs=0.05) == 52 * POUND_FORCE
    assert check(loop(PACKS["us-fl-residential"], post={"strength_tested": 235.0}), "us_fl_mesh_post_strength").verdict == "pass"
    assert check(loop(PACKS["us-fl-residential"], post={"strength_tested": 231.4}), "us_fl_mesh_post_strength").verdict == "marginal"
    assert check(loop(PACKS["us-fl-residential"], post={"strength_tested": 229.0}), "us_fl_mesh_post_strength").verdict == "fail"


def test_11_a_fence_at_20_inches_stands_over_the_bonding_ring():
    found = judge(job_with(PACKS["us-ispsc-2021"]), site_with(), fence_along(setback=20 * 0.0254), None, work_packs())
    (alarm,) = [one for one in found.cautions if "bonding" in one.text and "Alarm" in one.text]
    assert "H001" in alarm.raised_by
    assert "18 in to 24 in" in alarm.text
    far = judge(job_with(PACKS["us-ispsc-2021"]), site_with(), fence_along(setback=30 * 0.0254), None, work_packs())
    assert not [one for one in far.cautions if "Alarm" in one.text]


def test_12_the_mesh_clause_passes_nothing_until_the_office_confirms_it():
    mesh = [one for one in PACKS["us-ispsc-2021"].limits if one.clause.startswith("305.2.4")]
    assert {"memory"} == {one.certainty for one in mesh}
    before = check(loop(PACKS["us-ispsc-2021"]), "us_ispsc_mesh_setback")
    assert (before.verdict, "confirm the clause" in before.look_at) == ("on-site", True)
    entry = Confirmation(
        pack="us-ispsc-2021", limit="us_ispsc_mesh_setback", clause="305.2.4.1", value="20 in", who="R. Alder", when="2026-11-20", edition="2021"
    )
    (raised,) = confirmed((PACKS["us-ispsc-2021"],), [entry])
    job = msgspec.structs.replace(job_with(raised), confirmations=(entry,))
    after = check(judge(job, site_with(), fence_along(), None, work_packs()), "us_ispsc_mesh_setback")
    assert (after.verdict, after.certainty) == ("pass", "confirmed")
    assert "R. Alder" in after.certainty_note and "2021" in after.certainty_note


def test_a_limit_from_memory_that_is_missed_stays_a_fail():
    found = judge(job_with(PACKS["us-ispsc-2021"]), site_with(), fence_along(setback=0.4), None, work_packs())
    assert check(found, "us_ispsc_mesh_setback").verdict == "fail"
    assert found.verdict == "does not comply"


def test_a_summary_says_that_it_is_one():
    assert "summary" in check(loop(PACKS["us-ispsc-2018"]), "us_ispsc_gate_lockable").certainty_note


def test_guidance_that_is_missed_is_a_warning_and_no_breach():
    found = judge(job_with(PACKS["us-cpsc-362"]), site_with(), fence_along(height=1.0), None, work_packs())
    assert check(found, "us_cpsc_height").verdict == "fail"
    assert found.verdict != "does not comply"
    assert any(warning.ref == "misses-guidance" for warning in found.warnings)


def test_certainty_is_of_the_edition():
    """The gate section was read of in a summary of 2018, the house wall in the text of 2015: other editions are from memory."""
    assert [limit(f"us-ispsc-{year}", "us_ispsc_gate_opens_away").certainty for year in (2015, 2018, 2021)] == ["memory", "summary", "memory"]
    assert [limit(f"us-ispsc-{year}", "us_ispsc_wall_alarm_listing").certainty for year in (2015, 2018, 2021)] == ["read", "memory", "memory"]


def test_strictest_says_which_document_set_it():
    packs = tuple(PACKS[name] for name in ("us-ispsc-2021", "au-as1926", "us-az", "fr-nf-p90-306"))
    assert strictest(packs, "setback")[0].id == "fr-nf-p90-306"
    assert strictest(packs, "barrier-height")[0].id == "us-az"
    assert strictest(packs[:3], "gap-under", "gap-under-mesh")[0].id == "us-ispsc-2021"
    assert strictest(packs, "no-such-quantity") is None


def test_house_wall_of_the_ispsc_asks_of_each_door_and_low_window():
    found = wall_to_wall(PACKS["us-ispsc-2015"])
    alarms = [one for one in found.checks if one.limit == "us_ispsc_wall_alarm_listing"]
    assert [one.where for one in alarms] == ["door 1", "window 1"]
    sills = {one.where: one.verdict for one in found.checks if one.limit == "us_ispsc_wall_window_sill"}
    assert sills == {"window 2": "pass", "window 1": "on-site"}


def test_house_wall_of_florida_has_no_opening_at_all():
    found = check(wall_to_wall(PACKS["us-fl-statute"]), "us_fl_stat_house_wall_no_opening")
    assert found.verdict == "fail"
    assert "loop" in found.cure
    assert len({found.place, *found.also}) == len(found.where.split("; ")) == 3
    closed = check(wall_to_wall(PACKS["us-fl-statute"], openings=()), "us_fl_stat_house_wall_no_opening")
    assert closed.verdict == "on-site"


def test_an_opening_in_another_part_of_the_house_does_not_count():
    aside = Opening(kind="DOOR", line="9", jambs=((2.0, WALL_Y + 3.0), (2.9, WALL_Y + 3.0)))
    found = wall_to_wall(PACKS["us-fl-statute"], openings=(aside,))
    assert check(found, "us_fl_stat_house_wall_no_opening").verdict == "on-site"


def test_at_a_step_the_authority_is_asked_which_tread_counts():
    found = wall_to_wall(PACKS["us-ispsc-2018"])
    heights = [one for one in found.checks if one.limit == "us_ispsc_fence_height"]
    latches = [one for one in found.checks if one.limit == "us_ispsc_mesh_joint_fastener_height"]
    assert any("which tread" in one.look_at and one.verdict == "on-site" and one.margin < 0 for one in latches)
    assert heights
