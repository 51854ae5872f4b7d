"""One small layout, whole: a change in any hole shows here.  To renew after a change that is meant: ``python -m tests.golden.test_layout_golden``."""

from __future__ import annotations

import math
from pathlib import Path

from pipeline.geometry.chain import polyline
from pipeline.intake.resolve import default_job
from pipeline.layout.lay_out import lay_out
from pipeline.model.site import FittedLine, GateWish
from tests.made_sites import rectangle, site_of

GOLDEN = Path(__file__).parent / "layout.txt"


def as_text() -> str:
    """A rectangle with one joint in its deck and one gate, in whole millimetres and tenths of a degree."""
    joint = FittedLine(code="JOINT", chain=polyline([(6.0, -4.0), (6.0, -0.3)]))
    site = site_of(rectangle(8.2, 4.1), joints=(joint,), gates=(GateWish(name="G", place=(2.5, -0.8)),))
    layout = lay_out(default_job(), site)
    rows = [
        f"{hole.name} {hole.carries} {hole.role} station {hole.station * 1000:.0f} at {hole.east * 1000:.0f} {hole.north * 1000:.0f} "
        f"next {'-' if hole.to_next is None else f'{hole.to_next * 1000:.0f}'} turn {math.degrees(hole.turn) + 0.0:.1f} "
        f"lean {math.degrees(hole.lean):.1f} {hole.lean_toward} ties {' '.join(tie.mark for tie in hole.ties)}"
        for hole in layout.holes
    ]
    rows += [f"{panel.name} {panel.kind} {panel.holes[0]}..{panel.holes[-1]} {panel.length * 1000:.0f}" for panel in layout.panels]
    rows += [f"{joint.name} {joint.before} {joint.after} {joint.gap * 1000:.0f}" for joint in layout.joints]
    rows += [
        f"{gate.name} hinge {gate.hinge_hole} latch {gate.latch_hole} pocket {gate.pocket_hole} leaf {gate.leaf * 1000:.0f}" for gate in layout.gates
    ]
    rows += [f"objective {' '.join(f'{part:.3f}' for part in layout.certificate.objective)} gap {layout.certificate.gap:.3f}"]
    return "\n".join(rows).replace("turn -0.0", "turn 0.0") + "\n"


def test_the_layout_is_the_golden_one():
    assert GOLDEN.read_text(encoding="utf-8") == as_text()


if __name__ == "__main__":
    GOLDEN.write_text(as_text(), encoding="utf-8")
