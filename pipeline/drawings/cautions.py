"""What every booklet says first, whatever the job: who watches the water, what the fence is not, who decides.

The cautions a job raises, and the general ones with their sources, come from the compliance stage; here stands only what must
never be missing, and what to load.
"""

from __future__ import annotations

from typing import Final

from pipeline.model.compliance import Compliance
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.units import FOOT, ReportUnits, format_length

WATER_WATCH: Final = (
    "While holes are open and panels are down the pool has no barrier: one named person watches the water and does nothing else, from the "
    "first hole to the last latch."
)
SUPERVISION: Final = (
    "This fence replaces no supervision. It buys time. Keep an adult on watch who does nothing else, keep the gate shut and latched, put "
    "every panel back at once after use, keep chairs and toys well away from the outside."
)
DEFERENCE: Final = (
    "Local codes, the authority having jurisdiction and licensed practice decide. This package is drawn from the survey it names and from "
    "limits as they were read; it is no permit and no inspection."
)

AT_THE_BENCH: Final = (  # common practice of the trade, no source
    "Cut edges are sealed with heat: no flame or hot blade near solvent, epoxy or the pile of mesh; an extinguisher stands beside.",
    "Shears and cut posts are sharp: gloves and eye protection. Two people lift a roll.",
)


def deference(compliance: Compliance) -> tuple[str, ...]:
    """Return what has to stand on every print: compliance's own words where it gave any."""
    return compliance.deference or (SUPERVISION, DEFERENCE)


def _tape(length: float, units: ReportUnits) -> str:
    """Return a tape's length as tapes are sold: whole feet or metres."""
    return f"{length / FOOT:.0f} ft" if units == "inch" else f"{length:.0f} m"


def _counted(count: int, one: str, more: str = "") -> str:
    return f"{count} {one if count == 1 else more or f'{one}s'}"


def _hardware(layout: Layout) -> str:
    """Return the parts to load with the panels: screws only for what is screwed on site, plates for the ends that latch to a wall."""
    plates = sum(bool(end.wall) for end in layout.ends)
    parts = [_counted(len(layout.panels), "panel"), _counted(len(layout.gates), "gate set"), _counted(len(layout.joints), "latch", "latches"), "caps"]
    if plates:
        parts.append(f"{_counted(plates, 'latch plate')} for the wall with anchors that suit it")
    if _any_custom(layout):
        parts.append("screws")
    return ", ".join((*parts, "driver"))


def _any_custom(layout: Layout) -> bool:
    return any(panel.kind == "custom" for panel in layout.panels)


def tools(job: Job, layout: Layout, fabrication: Fabrication) -> tuple[str, ...]:
    """Return what to load, by the job's own numbers."""
    units = job.options.report_units
    bore, depth = format_length(layout.holes[0].bore, units), format_length(layout.holes[0].depth, units)
    leaned = sum(hole.lean_toward != "plumb" for hole in layout.holes)
    return (
        f"Rotary hammer with dust shroud, {bore} bit, depth stop at {depth}, guide for plumb holes{f' and the {leaned} leaned ones' if leaned else ''}",
        "HEPA vacuum with bags; hole brush to be used with the vacuum running",
        "Ground-fault outlet or cord, tested",
        f"Two steel tapes of {_tape(job.shop.setting_out.tape_length, units)}, string line, pencil, square, spirit level, angle gauge",
        "Locate ticket, and the locator's marks on the deck",
        "Eye, ear and hand protection; water and shade",
        f"{len(layout.holes)} sleeves with plugs, and spares; epoxy: about {fabrication.epoxy_ml:.0f} ml in the holes, waste not counted",
        _hardware(layout),
        "Shears, heat sealer for cut edges, fire extinguisher" if _any_custom(layout) else "Fire extinguisher",
        "This booklet, and a pencil for the sheet of the holes as drilled",
    )
