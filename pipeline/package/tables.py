"""The package's tables, as section 4 of the contracts has them: CSV, millimetres with one decimal, job-plan coordinates."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence

from pipeline.inert_text import inert_cell
from pipeline.model.compliance import Check, Compliance
from pipeline.model.fabrication import Fabrication, OrderLine
from pipeline.model.layout import Hole, Layout
from pipeline.model.survey import Survey
from pipeline.units import METRES_PER

HOLES = (
    "hole", "panel", "role", "station_mm", "east_mm", "north_mm", "elev_mm", "to_next_mm", "water_mm", "turn_deg", "lean_deg", "lean_toward",
    "bore_mm", "depth_mm", "tie_a", "tie_a_mm", "tie_b", "tie_b_mm",
)  # fmt: skip
PANELS = ("panel", "kind", "first_hole", "last_hole", "posts", "length_mm", "height_mm", "mark_mm", "cut_mm", "made_from")
GATES = ("gate", "hinge_hole", "latch_hole", "leaf_mm", "opens", "pocket_hole")
CUTS = ("cut", "panel", "source", "from_mm", "to_mm", "left_over_mm")
ORDER = ("item", "description", "unit", "needed", "pack", "packs", "unit_price", "price")
CHECKS = (
    "check", "rule_pack", "document", "clause", "quantity", "where", "measured_mm", "limit_mm", "margin_mm", "u95_mm", "verdict", "certainty",
    "measured_deg", "limit_deg", "margin_deg", "u95_deg", "look_at", "basis",
)  # fmt: skip
STAKEOUT = ("P", "N", "E", "Z", "D")


def written(head: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    """Return a table as CSV in UTF-8, lines ended by a line feed; no text in it is a formula."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([inert_cell(cell) for cell in row] for row in rows)
    return text.getvalue().encode()


def millimetres(length: float | None) -> str:
    """Return a length [m] in millimetres with one decimal; empty for None, never "-0.0".

    Examples
    --------
    >>> millimetres(-0.00001), millimetres(0.9144)
    ('0.0', '914.4')
    """
    return "" if length is None else f"{length * 1000:z.1f}"


def degrees(angle: float | None) -> str:
    """Return an angle [rad] in degrees with two decimals; empty for None."""
    return "" if angle is None else f"{math.degrees(angle):z.2f}"


def holes_csv(layout: Layout) -> bytes:
    """Return holes.csv."""
    return written(HOLES, (_hole_row(hole) for hole in layout.holes))


def _hole_row(hole: Hole) -> tuple[str, ...]:
    ties = [(tie.mark, millimetres(tie.distance)) for tie in hole.ties[:2]]
    ties += [("", "")] * (2 - len(ties))
    return (
        hole.name, hole.carries, hole.role, millimetres(hole.station), millimetres(hole.east), millimetres(hole.north), millimetres(hole.elev),
        millimetres(hole.to_next), millimetres(hole.water), degrees(hole.turn), degrees(hole.lean), hole.lean_toward, millimetres(hole.bore),
        millimetres(hole.depth), *ties[0], *ties[1],
    )  # fmt: skip


def panels_csv(layout: Layout, fabrication: Fabrication) -> bytes:
    """Return panels.csv."""
    drawings = {panel.panel: panel for panel in fabrication.panels}
    rows = []
    for panel in layout.panels:
        drawing = drawings[panel.name]
        rows.append(
            (panel.name, panel.kind, panel.holes[0], panel.holes[-1], panel.posts, millimetres(panel.length), millimetres(panel.height),
             millimetres(drawing.mark), millimetres(drawing.cut), drawing.made_from)
        )  # fmt: skip
    return written(PANELS, rows)


def gates_csv(layout: Layout) -> bytes:
    """Return gates.csv."""
    return written(GATES, ((gate.name, gate.hinge_hole, gate.latch_hole, millimetres(gate.leaf), "away", gate.pocket_hole) for gate in layout.gates))


def cuts_csv(fabrication: Fabrication) -> bytes:
    """Return cuts.csv: the cuts that are still to be made."""
    cuts = (cut for cut in fabrication.cuts if not cut.done)
    return written(CUTS, ((cut.cut, cut.panel, cut.source, millimetres(cut.start), millimetres(cut.end), millimetres(cut.left_over)) for cut in cuts))


def order_csv(lines: Iterable[OrderLine]) -> bytes:
    """Return order.csv: what has to be bought, once drilled only what is needed beyond earlier revisions' orders."""
    return written(
        ORDER,
        (
            (line.item, line.description, line.unit, f"{line.needed:g}", f"{line.pack:g}", line.packs, f"{line.unit_price:.2f}", f"{line.price:.2f}")
            for line in lines
        ),
    )


def checks_csv(compliance: Compliance) -> bytes:
    """Return checks.csv."""
    basis = "as drilled" if compliance.as_drilled else "as planned"
    return written(CHECKS, (_check_row(check, basis) for check in compliance.checks))


def _check_row(check: Check, basis: str) -> tuple[str, ...]:
    values = (check.measured, check.limit_value, check.margin, check.u95)
    lengths = ("",) * 4 if check.is_angle else tuple(millimetres(value) for value in values)
    angles = tuple(degrees(value) for value in values) if check.is_angle else ("",) * 4
    named = (check.name, check.rule_pack, check.document, check.clause, check.quantity, check.where)
    return (*named, *lengths, check.verdict, check.certainty, *angles, check.look_at, basis)


def stakeout_csv(layout: Layout, survey: Survey) -> bytes:
    """Return every hole in the survey file's own unit and frame, for the total station: P, N, E, Z, D."""
    unit = METRES_PER[survey.frame.unit]
    rows = []
    for hole in layout.holes:
        east, north = survey.frame.to_survey(hole.east, hole.north)
        level = "" if hole.elev is None else f"{hole.elev / unit:z.4f}"
        rows.append((hole.name, f"{north / unit:z.4f}", f"{east / unit:z.4f}", level, f"HOLE {hole.role} {hole.carries}"))
    return written(STAKEOUT, rows)
