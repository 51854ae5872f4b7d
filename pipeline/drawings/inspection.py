"""inspection.pdf: clause by clause, with place, value, margin, uncertainty and how sure we are; what only a person can tell."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any, Final

from pipeline.drawings import cautions
from pipeline.drawings.crew import caution_flowables
from pipeline.drawings.dossier import Dossier
from pipeline.drawings.edge_sheet import edge_part
from pipeline.drawings.ink import FINE, Area, Mark, Stroke, Words, box, fitted
from pipeline.drawings.pages import Part, PlanPart, TextPart, TickBox, drawn, heading, listed, paragraph, space, subheading, table
from pipeline.errors import Reason
from pipeline.model.compliance import Check
from pipeline.units import INCH, MILLIMETRE, format_length, said_in

_METRES: Final = re.compile(r"(?<![\w.,/-])(\d+\.\d+) m\b(?!/)")  # a length in metres, as the survey and the fit say it
_LONGEST: Final = 700  # letters of one item of a list on the page of the verdict
_OF_A_KIND: Final = 6  # warnings of one kind printed; the status of the job lists all
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
        _documents(dossier),
        TextPart("On site, limits", (*_on_site(dossier), *_not_covered(dossier)), follows=True),
        edge_part(dossier),
        PlanPart("Places of the checks", places.name, places.frame),
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
    flow += [*_failing(dossier), *_marginal(dossier), *_conditional(dossier), *_warned(dossier), subheading("What the verdicts mean")]
    flow += listed(
        [
            "pass: the limit holds by more than the measurement's uncertainty at 95 %",
            "marginal: it holds, but by less than that uncertainty, and is to be measured on site",
            f"fail: it does not hold {'as drilled' if dossier.compliance.as_drilled else 'as drawn'}",
            "on site: only a person there can tell, or the clause itself is known from memory only and has to be confirmed before it passes; a clause from memory that is missed is a fail all the same",
        ]
    )
    return TextPart("Verdict", tuple(flow), follows=True)


def _failing(dossier: Dossier) -> list[Any]:
    failing = [check for check in dossier.compliance.checks if check.verdict == "fail"]
    memory = {check.name: " Known from memory only: confirm the clause." for check in failing if check.certainty == "memory"}
    return _titled(
        "What fails, and what would cure it", [f"{_place(check)}: {check.paraphrase} {check.cure}{memory.get(check.name, '')}" for check in failing]
    )


def _marginal(dossier: Dossier) -> list[Any]:
    """Name what holds by less than its uncertainty, whether the clause was read or is known from memory."""
    found = [f"{_place(check)}: {check.paraphrase}" for check in dossier.compliance.checks if _holds_barely(check)]
    return _titled("What holds by less than its uncertainty: to be measured on site", found)


def _conditional(dossier: Dossier) -> list[Any]:
    """Name what is missed under one reading or option, and hangs on somebody's answer."""
    found = [f"{_place(check)}: {check.look_at or check.paraphrase}" for check in dossier.compliance.checks if _missed_if(check)]
    return _titled("What is missed under one reading, option or finding on site: to be settled before the work", found)


def _holds_barely(check: Check) -> bool:
    within = check.margin is not None and check.u95 is not None and 0 <= check.margin <= check.u95
    return check.verdict == "marginal" or (check.verdict == "on-site" and check.certainty == "memory" and within)


def _missed_if(check: Check) -> bool:
    missed = check.margin < 0 if check.margin is not None else bool(check.cure)
    return check.verdict == "on-site" and missed


def _place(check: Check) -> str:
    return ", ".join(part for part in (f"{check.name}, {check.document} {check.clause}", check.where) if part)


def _titled(title: str, lines: Sequence[str]) -> list[Any]:
    return [subheading(title), *listed([_cut(line) for line in lines])] if lines else []


def _cut(text: str) -> str:
    """Return a text of one item of a list, cut where it would fill a page; the clause's own table and the status have more of it."""
    return text if len(text) <= _LONGEST else text[:_LONGEST].rstrip() + "…"


def _warned(dossier: Dossier) -> list[Any]:
    """Return what the survey, the fit of the edge, the layout and the workshop warn of; of many of one kind the first few."""
    drilling = dossier.drilling.warnings if dossier.drilling is not None else ()
    survey, compliance = dossier.survey, [one for one in dossier.compliance.warnings if one.ref != "does-not-comply"]
    found = (*dossier.job.warnings, *survey.quarantined, *survey.warnings, *dossier.site.warnings, *dossier.layout.warnings)
    kinds: dict[str, list[Reason]] = {}
    for one in dict.fromkeys((*found, *dossier.fabrication.warnings, *drilling, *compliance)):
        kinds.setdefault(one.ref, []).append(one)
    lines = []
    for alike in kinds.values():
        lines += [_in_units(_warning(one), dossier) for one in alike[:_OF_A_KIND]]
        if len(alike) > _OF_A_KIND:
            lines.append(f"and {len(alike) - _OF_A_KIND} more like the last: the status of the job lists them all")
    return [subheading("Warnings of this job"), *listed([_cut(line) for line in lines], style="cell")] if lines else []


def _in_units(text: str, dossier: Dossier) -> str:
    """Return a warning with its lengths, those of the survey's metres too, in the units of the sheets."""
    return _METRES.sub(lambda found: format_length(float(found[1]), dossier.units), said_in(text, dossier.units))


def _warning(warning: Reason) -> str:
    where = f" ({warning.file}{f', line {warning.line}' if warning.line else ''})" if warning.file else ""
    said = [warning.what.rstrip(".") + where, f"To do: {warning.do.rstrip('.')}" if warning.do else ""]
    return " ".join(f"{part}." for part in said if part)


def _documents(dossier: Dossier) -> TextPart:
    flow: list[Any] = [
        subheading("How to read the tables"),
        paragraph(
            "Margin: the bar runs from the limit's line, to the right where the limit holds and black to the left where it does not; "
            "the whisker about its end is the uncertainty at 95 %."
        ),
        paragraph(
            "Known: read, the clause itself was read; summary, it was read about in a summary; memory, neither, so that it is to be confirmed; "
            "confirmed, somebody named checked it for this job."
        ),
    ]
    head = ("", "clause", "what it asks", "where", "measured", "limit", "margin and its uncertainty", "verdict", "known")
    for document in dict.fromkeys(check.document for check in dossier.compliance.checks):
        checks = [check for check in dossier.compliance.checks if check.document == document]
        rows = [_row(dossier, check) for check in sorted(checks, key=lambda check: (_clause_key(check.clause), check.name))]
        flow.append(table(head, rows, (10, 25, 46, 25, 17, 15, 26, 14, 15), plain=False, over=document))
    return TextPart("Clause by clause", tuple(flow), follows=True)


def _clause_key(clause: str) -> tuple[tuple[int, str], ...]:
    """Return a key that sorts 305.2.10 after 305.2.9."""
    return tuple((int(part), "") if part.isdigit() else (0, part) for part in clause.replace("(", ".").replace(")", "").split("."))


def _row(dossier: Dossier, check: Check) -> tuple[Any, ...]:
    asks = check.paraphrase + (f" On site: {check.look_at}" if check.look_at and check.verdict != "on-site" else "")
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
    marks.append(Words(text=fitted(text, across, 1.35), at=(0, 5.8), cap=1.35))
    return drawn(marks, across, up)


def _margin_words(value: float, check: Check, dossier: Dossier) -> str:
    """Return a margin for people; one under the least length that is printed is said to be so, that it never reads as none."""
    least, name = (INCH / 16, '1/16"') if dossier.units == "inch" else (MILLIMETRE, "1 mm")
    if check.is_angle or value == 0 or abs(value) >= least:
        return value_words(value, check, dossier)
    return f"short <{name}" if value < 0 else f"under {name}"


def _on_site(dossier: Dossier) -> list[Any]:
    rows = [
        (TickBox(), check.name, f"{check.document} {check.clause}", check.where, check.look_at or check.paraphrase, "")
        for check in dossier.compliance.checks
        if check.verdict in ("on-site", "marginal")
    ]
    flow: list[Any] = [heading("To be looked at on site")]
    flow.append(paragraph("What no survey can tell, and what holds by less than its uncertainty. Tick when seen and in order; write what was not."))
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
    flow += [subheading("Who decides"), *(paragraph(line, "strong") for line in cautions.deference(dossier.compliance))]
    if dossier.compliance.not_applicable:
        flow.append(subheading("Limits that do not apply here, and why"))
        rows = [(each.rule_pack, each.clause, _limit_words(each.limit, each.rule_pack), each.why) for each in dossier.compliance.not_applicable]
        flow.append(table(("pack", "clause", "limit", "why"), rows, (32, 26, 50, 84), plain=False))
    return flow
