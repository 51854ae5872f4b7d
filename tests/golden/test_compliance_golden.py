"""The findings of one made fence, as they were when they were last looked over; a change shows here line by line.

To renew after a wanted change: ``python -m tests.golden.test_compliance_golden``, and read the difference.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.intake.resolve import shipped_packs
from pipeline.model.compliance import Check, Compliance
from tests.unit.compliance.made_jobs import loop, wall_to_wall

GOLDEN = Path(__file__).parent / "compliance.txt"


def line(check: Check) -> str:
    values = (check.measured, check.limit_value, check.margin, check.u95)
    numbers = " ".join("-" if value is None else f"{value * 1000:.1f}" for value in values)
    return f"{check.name} {check.rule_pack} {check.clause} {check.quantity} | {numbers} | {check.verdict} {check.certainty} | {check.where}"


def told(name: str, found: Compliance) -> str:
    rows = [f"{name}: {found.verdict}", *map(line, found.checks)]
    rows += [f"- {one.rule_pack} {one.limit}: {one.why}" for one in found.not_applicable]
    rows += [f"! {one.raised_by}: {one.text}" for one in found.cautions if one.raised_by]
    return "\n".join(rows)


def report() -> str:
    packs = shipped_packs()
    first = told("loop, ISPSC 2018", loop(packs["us-ispsc-2018"]))
    second = told("wall to wall, ISPSC 2015 and Florida", wall_to_wall(packs["us-ispsc-2015"], packs["us-fl-residential"], packs["us-fl-statute"]))
    return f"{first}\n\n{second}\n"


def test_findings_are_as_they_were():
    assert report().splitlines() == GOLDEN.read_text(encoding="utf-8").splitlines()


if __name__ == "__main__":
    GOLDEN.write_text(report(), encoding="utf-8")
