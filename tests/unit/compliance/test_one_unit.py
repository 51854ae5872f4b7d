"""A job in millimetres reads in millimetres, a job in inches in inches: no line of the report mixes them."""

from __future__ import annotations

import re

import msgspec
import pytest

from pipeline.compliance.judge import judge
from pipeline.compliance.stage import work_packs
from pipeline.intake.resolve import shipped_packs
from pipeline.model.job import Confirmation
from pipeline.model.shop import SiteOptions
from pipeline.rule_files import confirmed
from tests.made_sites import rectangle
from tests.unit.compliance.made_fences import fence_along, job_with, site_with
from tests.unit.compliance.made_jobs import loop, wall_to_wall

FOREIGN = {
    "mm": re.compile(r"""\d ?(?:in|ft)\b(?! the\b)|\d["']|\binch|\bfeet\b"""),
    "inch": re.compile(r"\d ?(?:mm|cm|m)\b|millimet"),
}
LOW = {"gate": {"release_height": 1.14, "release_side": "pool"}, "panel": {"fabric_opening": 0.012}, "sleeve": {"slab_thickness": 0.0889}}


def words(found) -> list[str]:
    """Every line a report prints, but for what somebody else wrote: documents, clauses, confirmations."""
    lines = [getattr(check, key) for check in found.checks for key in ("where", "look_at", "cure", "paraphrase")]
    lines += [one.why for one in found.not_applicable]
    lines += [text for one in found.cautions for text in (one.text, one.source, one.raised_by)]
    lines += [text for one in found.warnings for text in (one.what, one.why, one.do)]
    return [*lines, *found.not_covered, *found.deference]


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_no_line_holds_the_other_unit(units):
    packs = tuple(shipped_packs().values())
    on_pavers = judge(
        job_with(*packs, report_units=units, site=SiteOptions(slab="pavers")), site_with(), fence_along(height=1.0, setback=0.3), None, work_packs()
    )
    reports = [made(report_units=units) for made in (loop, wall_to_wall)] + [loop(report_units=units, **LOW), on_pavers]
    foreign = [line for found in reports for line in words(found) if FOREIGN[units].search(line)]
    assert foreign == []
    assert any(FOREIGN["inch" if units == "mm" else "mm"].search(line) for found in reports for line in words(found))


def test_a_clauses_value_is_exact_in_the_jobs_unit():
    heights = {units: next(one for one in loop(shipped_packs()["us-ispsc-2018"], report_units=units).checks) for units in ("mm", "inch")}
    assert "1219.2 mm" in heights["mm"].paraphrase
    assert "48 in" in heights["inch"].paraphrase


def test_what_the_office_confirmed_stays_as_it_was_printed():
    entry = Confirmation(
        pack="us-ispsc-2021", limit="us_ispsc_mesh_setback", clause="305.2.4.1", value="20 in", who="R. Alder", when="2026-11-20", edition="2021"
    )
    (raised,) = confirmed((shipped_packs()["us-ispsc-2021"],), [entry])
    job = msgspec.structs.replace(job_with(raised, report_units="mm"), confirmations=(entry,))
    found = judge(job, site_with(), fence_along(), None, work_packs())
    note = next(one.certainty_note for one in found.checks if one.limit == "us_ispsc_mesh_setback")
    assert note == "confirmed by R. Alder, 2026-11-20, 2021 edition: 20 in"


def test_the_pool_of_these_tests_has_a_deck_that_is_named_in_one_unit_too():
    """The near edge of a deck raises its caution with a length of the shop."""
    site = site_with(waters=site_with().waters, decks=(msgspec.structs.replace(site_with().decks[0], chain=rectangle(40.0, 10.82, -20.0, -0.82)),))
    found = judge(job_with(shipped_packs()["us-ispsc-2018"], report_units="mm"), site, fence_along(), None, work_packs())
    assert any("deck's edge than 76 mm" in one.text for one in found.cautions)
