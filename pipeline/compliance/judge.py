"""Every limit of every rule pack held against the fence: the verb of the compliance stage."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, Literal, TypeVar

import msgspec

from pipeline.compliance import cautions
from pipeline.compliance.readings import COVERAGE, STRICT, Fact, LookAt, Measured, NotHere, Outcome, Reading, margin_of, rounded_up, tightest
from pipeline.compliance.standing import Scene, scene_of
from pipeline.compliance.treatments import TREATMENTS
from pipeline.errors import Reason
from pipeline.geometry.chain import Point
from pipeline.model.compliance import Check, Compliance, NotApplicable, Verdict
from pipeline.model.drilling import Drilling
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Confirmation, Job
from pipeline.model.layout import Layout
from pipeline.model.rules import Limit, RulePack
from pipeline.model.site import Site
from pipeline.units import ReportUnits, format_length, said_in

Worded = TypeVar("Worded", bound=msgspec.Struct)
Overall = Literal["complies", "marginal", "does not comply", "on-site items open"]

ALIKE: Final = {  # quantities that limit one and the same thing; the strictest among them rules
    "gap-under-mesh": "gap-under",
    "gap-under-hard": "gap-under",
    "under-panel-sphere": "opening-sphere",
}
DEFERENCE: Final = (
    "Local codes, the authority having jurisdiction and licensed practice decide. This report holds the fence as laid out against "
    "limits as they were read or are remembered; it is no permit and no inspection.",
    "No fence makes a pool child-proof, and this one replaces no supervision: it buys time. Keep a grown-up on watch who does nothing else, "
    "keep the gate shut and latched, put every panel back at once, keep chairs and toys away from the outside.",
)
NOT_COVERED: Final = (
    "No general tolerance of building was found in any of these texts: least and greatest values are taken as hard limits.",
    "Strength of the slab and of the grip of sleeves in it; no code's edge distance for a sleeve hole was found.",
    "How hard the ball is pushed, and how the fabric gives: only the lift of the hem is limited.",
    "Fabric, posts and hardware themselves: their tests and certificates belong to who makes them.",
    "Objects, doors and windows that were not surveyed, and whatever is put near the fence later.",
    "Rules of owners' associations and insurers, and local rules that no pack of this job holds.",
)
GUARD: Final = 1.5  # [-] times u95: nearer than that one built fence in a thousand may miss what its plan passes (ILAC-G8:09/2019, table 1, w = 1.5 U, from memory)
MEASURE_AGAIN: Final = "holds with 95 %, with little to spare: measure it again at {where} once the holes are drilled"
MEASURE_THERE: Final = "holds by less than its uncertainty: measure it on site{where}"
SEE_PAPERS: Final = "holds by less than its uncertainty: measure it on site, or see its papers{where}"
CONFIRM: Final = "confirm the clause: {clause}{printed} is known from memory only"


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    """What one limit comes to at one place, before it is put in words and numbered."""

    verdict: Verdict
    reading: Reading | None = None
    u95: float | None = None
    place: Point | None = None
    also: tuple[Point, ...] = ()
    where: str = ""
    look_at: str = ""
    cure: str = ""


def judge(
    job: Job, site: Site, layout: Layout, fabrication: Fabrication | None, work: tuple[RulePack, ...], drilling: Drilling | None = None
) -> Compliance:
    """Hold a laid-out fence against every limit of the job's rule packs.

    Parameters
    ----------
    job, site, layout, fabrication
        As the stages before hand them on.
    work : tuple of RulePack
        What documents say of the work itself: they raise cautions whatever the job is bound by.
    drilling : Drilling or None
        Once the holes are drilled: how well each is known.
    """
    scene = scene_of(job, site, layout, drilling)
    ruling = _ruling(job.packs)
    checks: list[Check] = []
    absent: list[NotApplicable] = []
    for pack in job.packs:
        for limit in pack.limits:
            outcome = TREATMENTS[limit.quantity](scene, pack, limit)
            if isinstance(outcome, NotHere):
                absent.append(NotApplicable(rule_pack=pack.id, limit=limit.id, clause=limit.clause, why=outcome.why))
                continue
            for finding in _findings(scene, limit, outcome):
                checks.append(_check(scene, pack, limit, finding, len(checks) + 1, (pack.id, limit.id) in ruling))
    found = Compliance(
        checks=tuple(checks),
        not_applicable=tuple(absent),
        cautions=cautions.cautions_of(scene, fabrication, work),
        verdict=overall(job.packs, tuple(checks)),
        as_drilled=_drilled(scene),
        warnings=tuple(_warnings(job, tuple(checks))),
        deference=DEFERENCE,
        not_covered=NOT_COVERED,
    )
    return _in_one_unit(found, job.options.report_units)


def _in_one_unit(found: Compliance, units: ReportUnits) -> Compliance:
    """Return the report with every length in its words in the job's own units; what somebody confirmed stays as it was printed."""

    def said(record: Worded, *keys: str) -> Worded:
        return msgspec.structs.replace(record, **{key: said_in(getattr(record, key), units) for key in keys})

    return msgspec.structs.replace(
        found,
        checks=tuple(said(check, "where", "look_at", "cure", "paraphrase") for check in found.checks),
        not_applicable=tuple(said(one, "why") for one in found.not_applicable),
        cautions=tuple(said(one, "text", "source", "raised_by") for one in found.cautions),
        warnings=tuple(said(one, "what", "why", "do") for one in found.warnings),
        not_covered=tuple(said_in(text, units) for text in found.not_covered),
    )


def overall(packs: tuple[RulePack, ...], checks: tuple[Check, ...]) -> Overall:
    """Return the verdict on the whole fence; guidance counts for no more than a warning."""
    advice = {pack.id for pack in packs if pack.kind == "guidance"}
    verdicts = {check.verdict for check in checks if not (check.rule_pack in advice and check.verdict == "fail")}
    if "fail" in verdicts:
        return "does not comply"
    if "marginal" in verdicts:
        return "marginal"
    return "on-site items open" if "on-site" in verdicts else "complies"


def _findings(scene: Scene, limit: Limit, outcome: Outcome) -> Iterator[Finding]:
    """Yield what a limit comes to: one finding for its tightest place, and one for every place left to a person."""
    if isinstance(outcome, Measured):
        if outcome.readings:
            yield _measured(scene, limit, outcome)
        for aside in outcome.asides:
            yield _looked_at(aside)
    elif isinstance(outcome, LookAt):
        yield _looked_at(outcome)
    elif isinstance(outcome, Fact):
        verdict: Verdict = ("pass" if outcome.surely else "marginal") if outcome.holds else "fail"
        cure = "" if outcome.holds else outcome.cure
        look_at = _joined(_at(SEE_PAPERS, outcome.where), outcome.look_at) if verdict == "marginal" else outcome.look_at
        finding = Finding(verdict=verdict, place=outcome.place, also=outcome.also, where=outcome.where, look_at=look_at, cure=cure)
        yield _softened(limit, finding)


def _measured(scene: Scene, limit: Limit, outcome: Measured) -> Finding:
    reading, margin, u95, verdict = tightest(outcome.readings, limit.comparator, limit.metres)
    cure = _cure(reading.cure or outcome.cure, margin, u95, scene.job.options.report_units) if verdict == "fail" else ""
    look_at = outcome.look_at
    if verdict == "marginal":
        look_at = _joined(_at(MEASURE_THERE, reading.where), look_at)
    elif verdict == "pass" and margin < GUARD * u95 and not _drilled(scene):
        look_at = _joined(MEASURE_AGAIN.format(where=reading.where), look_at)
    finding = Finding(verdict=verdict, reading=reading, u95=u95, place=reading.place, where=reading.where, look_at=look_at, cure=cure)
    return _softened(limit, finding)


def _cure(text: str, margin: float, u95: float, units: ReportUnits) -> str:
    """Return what would cure a miss, with what is missing, and what it takes to hold beyond the uncertainty."""
    short, sure = (format_length(rounded_up(length, units), units) for length in (abs(margin), abs(margin) + u95))
    return text.format(short=short) + (f" ({sure} to hold beyond its uncertainty)" if "{short}" in text and sure != short else "")


def _drilled(scene: Scene) -> bool:
    return scene.drilling is not None and scene.drilling.as_drilled


def _looked_at(outcome: LookAt) -> Finding:
    reading = outcome.reading
    place, u95 = (reading.place, COVERAGE * reading.sigma) if reading else (None, None)
    return Finding(verdict="on-site", reading=reading, u95=u95, place=place, where=outcome.where, look_at=outcome.text, cure=outcome.cure)


def _softened(limit: Limit, finding: Finding) -> Finding:
    """Apply how sure the limit is: from memory it passes nothing, and under an option it fails nothing."""
    look_at, verdict = finding.look_at, finding.verdict
    if limit.option and verdict == "fail":
        verdict = "on-site"
        look_at = _joined(f"missed, but binds only under the option {limit.option}: settle by which option the pool complies", look_at)
    elif limit.certainty == "memory" and verdict != "fail":
        verdict = "on-site"
        look_at = _joined(_confirm(limit), look_at)
    return msgspec.structs.replace(finding, verdict=verdict, look_at=look_at)


def _at(text: str, where: str) -> str:
    return text.format(where=f" ({where})" if where else "")


def _confirm(limit: Limit) -> str:
    """Ask for a clause known from memory to be confirmed, with its value where it has one beside yes or no."""
    return CONFIRM.format(clause=limit.clause, printed="" if isinstance(limit.value, bool) else f" ({limit.printed})")


def _check(scene: Scene, pack: RulePack, limit: Limit, finding: Finding, number: int, rules: bool) -> Check:
    reading = finding.reading if limit.is_length else None
    margin = margin_of(reading.value, limit.comparator, limit.metres) if reading else None
    return Check(
        name=f"C{number:03d}",
        rule_pack=pack.id,
        document=f"{pack.document} {pack.edition}",
        clause=limit.clause,
        limit=limit.id,
        quantity=limit.quantity,
        where=finding.where,
        place=finding.place,
        also=finding.also,
        measured=reading.value if reading else None,
        limit_value=limit.metres if limit.is_length else None,
        margin=margin,
        u95=finding.u95 if reading else None,
        verdict=finding.verdict,
        certainty=limit.certainty,
        look_at=finding.look_at,
        cure=finding.cure,
        paraphrase=limit.paraphrase,
        rules=rules,
        certainty_note=_certainty_note(scene.job, pack, limit),
    )


def _certainty_note(job: Job, pack: RulePack, limit: Limit) -> str:
    if limit.certainty == "confirmed":
        entry = next((one for one in job.confirmations if (one.pack, one.limit) == (pack.id, limit.id)), None)
        return _confirmation(entry) if entry else "confirmed by the office"
    if limit.certainty == "summary":
        return f"from a summary, the clause itself was not read: {limit.source}"
    return "from memory" if limit.certainty == "memory" else limit.source


def _confirmation(entry: Confirmation) -> str:
    return f"confirmed by {entry.who}, {entry.when}, {entry.edition} edition: {entry.value}"


def _ruling(packs: tuple[RulePack, ...]) -> set[tuple[str, str]]:
    """Return (pack, limit) of every limit that is the strictest of its quantity; of yes-or-no limits the first."""
    best: dict[tuple[str, bool], tuple[tuple[float, bool], tuple[str, str]]] = {}
    for pack in packs:
        for limit in pack.limits:
            if limit.option:
                continue
            least = limit.comparator == "min"
            key = (ALIKE.get(limit.quantity, limit.quantity), least)
            value = (-limit.metres if least else limit.metres) if limit.bounds_a_length else 0.0
            rank = (value, limit.comparator not in STRICT)
            if key not in best or rank < best[key][0]:
                best[key] = (rank, (pack.id, limit.id))
    return {where for _, where in best.values()}


def _warnings(job: Job, checks: tuple[Check, ...]) -> Iterator[Reason]:
    for pack in job.packs:
        if pack.warn:
            yield Reason(
                ref="rule-pack",
                what=f"{pack.document} {pack.edition}: {pack.warn}",
                why="the verdicts under it stand on that",
                do="settle it with the authority",
            )
    advice = {pack.id for pack in job.packs if pack.kind == "guidance"}
    for check in checks:
        if check.verdict == "fail":
            law = check.rule_pack not in advice
            yield Reason(
                ref="does-not-comply" if law else "misses-guidance",
                what=f"{check.document} {check.clause}: {check.paraphrase}  Missed at {check.where}",
                why="a fence that misses a limit is not to be built as it is"
                if law
                else "guidance is advice, not law, and was written from what happened",
                do=check.cure,
            )


def _joined(first: str, then: str) -> str:
    return f"{first}; {then}" if then else first
