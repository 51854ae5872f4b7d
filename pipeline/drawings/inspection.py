"""inspection.pdf: clause by clause, with place, value, margin, uncertainty and how sure we are; what only a person can tell."""

from __future__ import annotations

import math
from typing import Any

from pipeline.drawings import cautions
from pipeline.drawings.crew import caution_flowables
from pipeline.drawings.dossier import Dossier
from pipeline.drawings.ink import FINE, Area, Mark, Stroke, Words, box, fitted
from pipeline.drawings.pages import Part, PlanPart, TextPart, TickBox, drawn, heading, listed, paragraph, space, subheading, table
from pipeline.model.compliance import Check
from pipeline.units import INCH, MILLIMETRE, format_length

_SMALL = 1 / 8 * INCH  # [m] margins below are printed finer
VERDICT_WORDS = {"pass": "pass", "marginal": "marginal", "fail": "FAIL", "on-site": "on site"}

_NOT_COVERED = (
    "Whether somebody watches the water. No barrier replaces that.",
    "How the fabric ages, how often the gate is tested, whether panels are put back after use.",
    "Concrete, its thickness and strength round the sleeves: no code names an edge distance for a sleeve.",
    "Neighbours' trees, furniture and toys moved to the fence after the survey.",
)


def inspection_parts(dossier: Dossier) -> tuple[Part, ...]:
    """Return the parts of the inspector's and owner's booklet in their order."""
    places = dossier.plan_sheets[-1]
    return (
        TextPart("Cautions", tuple(caution_flowables(dossier))),
        _summary(dossier),
        PlanPart("Places of the checks", places.name, places.frame),
        _documents(dossier),
        TextPart("On site, limits of this report", (*_on_site(dossier), *_not_covered(dossier))),
    )


def _summary(dossier: Dossier) -> TextPart:
    counts = {verdict: sum(check.verdict == verdict for check in dossier.compliance.checks) for verdict in VERDICT_WORDS}
    as_drilled = ", AS DRILLED" if dossier.compliance.as_drilled else ""
    flow: list[Any] = [heading(f"Verdict: {dossier.compliance.verdict.upper()}{as_drilled}")]
    basis = "the holes as drilled" if dossier.compliance.as_drilled else "the holes as planned"
    flow.append(
        paragraph(
            f"Computed along the whole fence from the survey, for {basis}. {counts['pass']} pass, {counts['marginal']} marginal, {counts['fail']} fail, {counts['on-site']} to be told on site."
        )
    )
    flow += listed(
        [
            "pass: the limit holds by more than the measurement's uncertainty at 95 %",
            "marginal: it holds, but by less than that uncertainty",
            f"fail: it does not hold {'as drilled' if dossier.compliance.as_drilled else 'as drawn'}",
            "on site: only a person there can tell, or the clause itself is known from memory only and has to be confirmed first",
        ]
    )
    failing = [check for check in dossier.compliance.checks if check.verdict == "fail"]
    if failing:
        flow.append(subheading("What fails, and what would cure it"))
        flow += listed([f"{check.document} {check.clause}, {check.where}: {check.paraphrase} {check.cure}" for check in failing])
    return TextPart("Verdict", tuple(flow), follows=True)


def _documents(dossier: Dossier) -> TextPart:
    flow: list[Any] = []
    head = ("", "clause", "what it asks", "where", "measured", "limit", "margin and its uncertainty", "verdict", "known")
    for document in dict.fromkeys(check.document for check in dossier.compliance.checks):
        checks = [check for check in dossier.compliance.checks if check.document == document]
        rows = [_row(dossier, check) for check in sorted(checks, key=lambda check: (_clause_key(check.clause), check.name))]
        flow += [heading(document), table(head, rows, (10, 25, 46, 25, 17, 15, 26, 14, 15), plain=False)]
    return TextPart("Clause by clause", tuple(flow))


def _clause_key(clause: str) -> tuple[tuple[int, str], ...]:
    """Return a key that sorts 305.2.10 after 305.2.9."""
    return tuple((int(part), "") if part.isdigit() else (0, part) for part in clause.replace("(", ".").replace(")", "").split("."))


def _row(dossier: Dossier, check: Check) -> tuple[Any, ...]:
    asks = check.paraphrase + (f" Look at: {check.look_at}" if check.look_at and check.verdict != "on-site" else "")
    known = check.certainty + (f": {check.certainty_note}" if check.certainty_note and check.certainty == "confirmed" else "")
    return (
        check.name, check.clause, asks, check.where, value_words(check.measured, check, dossier), value_words(check.limit_value, check, dossier),
        _margin_bar(check, dossier), verdict_words(check, dossier), known,
    )  # fmt: skip


def verdict_words(check: Check, dossier: Dossier) -> str:
    """Return a verdict for people, with what it stands on once the holes were measured."""
    drilled = dossier.compliance.as_drilled and check.verdict != "on-site"
    return f"{VERDICT_WORDS[check.verdict]}, as drilled" if drilled else VERDICT_WORDS[check.verdict]


def value_words(value: float | None, check: Check, dossier: Dossier) -> str:
    """Return a value of a check for people; empty for None."""
    if value is None:
        return ""
    return f"{math.degrees(value):.1f}°" if check.is_angle else format_length(value, dossier.units)


def _margin_bar(check: Check, dossier: Dossier) -> Any:
    """Draw the margin as a bar from the limit's line, and its 95 % uncertainty as a whisker about the bar's end."""
    if check.margin is None:
        return ""
    across, up, zero = 24.0, 8.0, 8.0
    reach = max(abs(check.margin) + (check.u95 or 0.0), 1e-9)
    span = (across - zero - 1.0) / reach if check.margin >= 0 else (zero - 1.0) / reach
    end = zero + check.margin * span
    marks: list[Mark] = [Stroke(points=((zero, 0.4), (zero, 4.4)), width=0.35)]
    low, high = min(zero, end), max(zero, end)
    corners = ((low, 1.2), (high, 1.2), (high, 3.6), (low, 3.6))
    marks.append(Area(points=corners, grey=0.0 if check.verdict == "fail" else 0.72))
    if check.u95:
        left, right = max(0.3, end - check.u95 * span), min(across - 0.3, end + check.u95 * span)
        marks += [Stroke(points=((left, 2.4), (right, 2.4)), width=0.25), *(Stroke(points=((x, 1.6), (x, 3.2)), width=0.25) for x in (left, right))]
    marks.append(box(0, 0, across, 4.8, width=FINE / 2))
    text = _margin_words(check.margin, check, dossier) + (f" ± {_margin_words(check.u95, check, dossier)}" if check.u95 else "")
    marks.append(Words(text=fitted(text, across, 1.5), at=(0, 5.8), cap=1.5))
    return drawn(marks, across, up)


def _margin_words(value: float, check: Check, dossier: Dossier) -> str:
    """Return a margin for people; a small one in hundredths of an inch or of a millimetre, so that it never reads as none."""
    if check.is_angle or value == 0 or abs(value) >= _SMALL:
        return value_words(value, check, dossier)
    return f'{value / INCH:.2f}"' if dossier.units == "inch" else f"{value / MILLIMETRE:.2f} mm"


def _on_site(dossier: Dossier) -> list[Any]:
    rows = [
        (TickBox(), check.name, f"{check.document} {check.clause}", check.where, check.look_at or check.paraphrase, "")
        for check in dossier.compliance.checks
        if check.verdict == "on-site"
    ]
    flow: list[Any] = [heading("To be looked at on site")]
    flow.append(paragraph("What no survey can tell. Tick when seen and in order; write what was not."))
    if rows:
        flow.append(table(("", "check", "clause", "where", "look at", "remark"), rows, (7, 13, 36, 24, 76, 36), plain=False))
    flow += [space(8), paragraph("Looked at by ______________________   Licence ______________   Date ______________")]
    return flow


def _limit_words(limit: str, rule_pack: str) -> str:
    """Return a limit's name as words, without its pack's own beginning.

    Examples
    --------
    >>> _limit_words("us_ispsc_pool_depth_trigger", "us-ispsc-2021")
    'pool depth trigger'
    """
    words, own = limit.replace("-", "_").split("_"), rule_pack.split("-")
    while len(words) > 1 and words[0] in own:
        words = words[1:]
    return " ".join(words)


def _not_covered(dossier: Dossier) -> list[Any]:
    flow: list[Any] = [heading("What these codes do not cover")]
    flow += listed(dossier.compliance.not_covered or _NOT_COVERED)
    if dossier.compliance.not_applicable:
        flow.append(subheading("Limits that do not apply here, and why"))
        rows = [(each.rule_pack, each.clause, _limit_words(each.limit, each.rule_pack), each.why) for each in dossier.compliance.not_applicable]
        flow.append(table(("pack", "clause", "limit", "why"), rows, (32, 26, 50, 84), plain=False))
    flow += [subheading("Who decides"), *(paragraph(line, "strong") for line in cautions.deference(dossier.compliance))]
    return flow
