"""Every row of the published table of limits is computed, left to a person on site, listed with the reason, or a caution: none is silently absent."""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import pytest

from pipeline.compliance.judge import judge
from pipeline.compliance.stage import work_packs
from pipeline.compliance.treatments import TREATMENTS, WORK
from pipeline.intake.resolve import default_job, shipped_packs
from pipeline.model.vocabulary import VOCABULARY
from tests.made_sites import rectangle
from tests.unit.compliance.made_fences import fence_along, job_with, line_of, site_with
from tests.unit.compliance.made_jobs import all_packs, loop, wall_to_wall

ROWS = list(csv.DictReader(line for line in (Path(__file__).parent / "rows.csv").read_text(encoding="utf-8").splitlines() if line[:1] != "#"))
SURE = {"memory": 0, "summary": 1, "read": 2}
PUBLISHED = {"memory": "memory", "read_secondary": "summary", "read": "read"}
COMPARED = {
    "must_not_pass": "must-not-pass",
    "less_than": "less-than",
    "more_than": "more-than",
    "ask_official": "ask-official",
    "not_required": "not-required",
}
SAID_OTHERWISE = {  # rows whose comparator says the same in the packs' own words
    "us_ispsc_height_keep_strip": "within",
    "us_ispsc_close_rails_pool_side": "min",
    "us_fl_mesh_weathering_hours": "min",
    "astm_f2286_scope_age": "to",
    "job_silica_action_level": "from",
    "nec_bonding_region_width": "within",
}


@pytest.fixture(scope="module")
def judged():
    """A loop, a fence from wall to wall, a loop with a low release on the pool side, an open fabric and test reports, and a fence over grass."""
    reports = {"fabric_tensile": 500.0, "fabric_ball_burst": 700.0, "fabric_weathering": 1300.0}
    low = {
        "gate": {"release_height": 1.14, "release_side": "pool"},
        "panel": {"fabric_opening": 0.012, **reports},
        "post": {"strength_tested": 300.0},
    }
    grass = site_with(decks=(line_of("DECK", rectangle(12.0, 6.0, -3.0, -0.5)),))
    return loop(), wall_to_wall(), loop(**low), judge(job_with(*all_packs()), grass, fence_along(gate_after=0), None, work_packs())


def limits_in_packs():
    return [(pack, limit) for pack in shipped_packs().values() for limit in pack.limits]


def outcome(row: str, judged) -> str:
    """What became of a row, at its best: computed, on-site, or not here."""
    checks = [check for found in judged for check in found.checks if check.limit == row]
    facts = [
        check
        for check in checks
        if check.limit_value is None and (check.verdict in ("pass", "fail") or check.look_at.startswith("confirm the clause"))
    ]
    if facts or any(check.measured is not None for check in checks):
        return "computed"
    if checks:
        return "on-site"
    absent = [one for found in judged for one in found.not_applicable if one.limit == row]
    quantities = {limit.quantity for _, limit in limits_in_packs() if limit.id == row}
    if absent and all(TREATMENTS[quantity] is WORK for quantity in quantities):
        return "caution"
    return "not here" if absent else "silently absent"


@pytest.mark.parametrize("row", [row for row in ROWS if row["outcome"] != "shop"], ids=lambda row: row["row"])
def test_every_row_ends_as_the_table_says(row, judged):
    assert row["outcome"] == outcome(row["row"], judged)


def test_every_limit_of_every_pack_stands_in_each_report(judged):
    wanted = Counter((pack.id, limit.id) for pack, limit in limits_in_packs())
    for found in judged:
        said = {(check.rule_pack, check.limit) for check in found.checks} | {(one.rule_pack, one.limit) for one in found.not_applicable}
        assert set(wanted) == said
        assert all(one.why for one in found.not_applicable)
        assert all(check.look_at for check in found.checks if check.verdict == "on-site")


def test_every_quantity_of_the_vocabulary_has_a_treatment():
    assert set(VOCABULARY) == set(TREATMENTS)


def test_rows_of_own_judgement_stand_in_the_shop_file():
    """No code: 3 in from a hole's edge to the deck's edge, and 50 mm beyond the code's setback."""
    job = default_job()
    assert [row["row"] for row in ROWS if row["outcome"] == "shop"] == ["own_hole_edge_working_value", "own_setback_margin"]
    assert min(job.shop.sleeve.edge_distance, job.shop.sleeve.joint_distance) == pytest.approx(0.0762, abs=1e-9)
    assert job.options.fence.setback >= 0.508 + 0.050


def test_count_is_printed(capsys):
    counts = Counter(row["outcome"] for row in ROWS)
    with capsys.disabled():
        print(f"\n{len(ROWS)} rows of the published table: " + ", ".join(f"{count} {name}" for name, count in sorted(counts.items())))
        print(f"{len(limits_in_packs())} limits in {len(all_packs())} rule packs")
    assert len(ROWS) == 198


@pytest.mark.outside(
    source="table of limits published beside the project (standards.yaml)",
    compares="value, unit, clause, sense, certainty of 196 rows",
    tolerance="exact",
)
def test_packs_say_what_the_published_table_says(checks_folder):
    """Values and units are the table's; a certainty is nowhere higher than the table's."""
    yaml = pytest.importorskip("yaml")
    source = checks_folder.parent / "standards.yaml"
    if not source.is_file():
        pytest.skip("the published table is not here")
    table = {row["id"]: row for row in yaml.safe_load(source.read_text(encoding="utf-8"))["rule_packs"]}
    assert sorted(table) == sorted(row["row"] for row in ROWS)
    by_id = {}
    for _, limit in limits_in_packs():
        by_id.setdefault(limit.id, []).append(limit)
    for name, row in table.items():
        if row["confidence"] == "own_judgement":
            continue
        for limit in by_id[name]:
            assert (row["value"], row["unit"]) == (limit.value, limit.unit), name
            assert row["clause"] in limit.clause or row["clause"] == "-", name
            assert SAID_OTHERWISE.get(name, COMPARED.get(row["comparator"], row["comparator"])) == limit.comparator or name in SAID_OTHERWISE, name
            assert SURE[limit.certainty] <= SURE[PUBLISHED[row["confidence"]]], name
            if row["value_mm"] is not None:
                assert limit.metres * 1000 == pytest.approx(row["value_mm"], abs=1e-9), name
