"""Which latch hardware each end of a panel carries, and how high: level joints, joints over a step, gates and walls."""

from __future__ import annotations

import msgspec

from pipeline.model.job import Job
from pipeline.model.layout import FenceEnd, Joint, Layout, Panel
from pipeline.units import format_length


class EndLatch(msgspec.Struct, frozen=True, kw_only=True):
    """The latch at one end of a panel: in words, height above its own deck [m], and strip screws it takes the place of."""

    words: str
    height: float | None = None
    screws_out: int = 0


class Latches:
    """The latches of a layout, by panel end: the last post of a panel carries the hook, the first post of the next the eye."""

    def __init__(self, job: Job, layout: Layout) -> None:
        self._units = job.options.report_units
        self._level = float(job.shop.latch.height)
        self._pitch = float(job.shop.latch.hole_pitch)
        self._before = {joint.before: joint for joint in layout.joints}
        self._after = {joint.after: joint for joint in layout.joints}
        self._ends = {end.hole: end for end in layout.ends}
        self._gates = {hole: gate.name for gate in layout.gates for hole in (gate.hinge_hole, gate.latch_hole)}
        self._closed = layout.closed

    def at_first(self, panel: Panel) -> EndLatch:
        hole = panel.holes[0]
        joint = self._after.get(hole)
        if joint is not None:
            return self._at_joint(joint, "eye", joint.rise, joint.before)
        return self._at_end(hole)

    def at_last(self, panel: Panel) -> EndLatch:
        hole = panel.holes[-1]
        joint = self._before.get(hole)
        if joint is not None:
            return self._at_joint(joint, "hook", -joint.rise, joint.after)
        return self._at_end(hole)

    def _at_joint(self, joint: Joint, part: str, above: float, other: str) -> EndLatch:
        """Return the latch on the side whose deck lies `above` the other's [m]."""
        height = joint.latch_height - max(0.0, above)
        words = f"{part}, {self._length(height)} above the deck"
        lowered = self._level - height
        if joint.riser:
            words += f", stepped joint {joint.name}"
        if lowered >= self._pitch / 2:
            words += f", lowered {self._length(lowered)}"
        if other in self._gates:
            words += f", to the post of gate {self._gates[other]}"
        return EndLatch(words=words, height=height, screws_out=1)

    def _at_end(self, hole: str) -> EndLatch:
        if hole in self._gates:
            return EndLatch(words=f"post of gate {self._gates[hole]}: hardware comes with the gate set")
        end: FenceEnd | None = self._ends.get(hole)
        if end is not None and end.wall:
            return EndLatch(words=f"latch plate at the wall, {self._length(self._level)} above the deck", height=self._level, screws_out=1)
        return EndLatch(words="none: free end")

    def _length(self, length: float) -> str:
        return format_length(length, self._units)
