"""What changed since the last package: holes, distances and panels, told from that package's own tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Final

import msgspec

from pipeline.drawings.further_order import further, left_over, ordered_with
from pipeline.model.drilling import Drilling
from pipeline.model.fabrication import Fabrication
from pipeline.model.layout import Layout
from pipeline.model.status import Revision
from pipeline.model.succession import Ordered, Succession
from pipeline.units import MILLIMETRE, ReportUnits, format_length

_STATES: Final = {"moved": "off plan", "missing": "not drilled", "added": "added", "abandoned": "given up"}
_SAME: Final = 0.0006  # [m] the tables have tenths of a millimetre; less is rounding


class Change(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that is not as it was: which, what about it, what it was and what it is, in report units."""

    which: str
    what: str
    was: str
    now: str


class Before(msgspec.Struct, frozen=True, kw_only=True):
    """The last package: its revision, its tables of holes and panels by name, and what was ordered with it."""

    revision: int
    holes: dict[str, dict[str, str]]
    panels: dict[str, dict[str, str]]
    ordered: Ordered | None = None


def read_before(revision: int, holes_csv: bytes, panels_csv: bytes, ordered: Ordered | None = None) -> Before:
    """Return an older package from its tables."""
    return Before(revision=revision, holes=_rows(holes_csv, "hole"), panels=_rows(panels_csv, "panel"), ordered=ordered)


def _rows(content: bytes, key: str) -> dict[str, dict[str, str]]:
    return {row[key]: row for row in csv.DictReader(io.StringIO(content.decode()))}


def changes(before: Before, layout: Layout, fabrication: Fabrication, units: ReportUnits) -> tuple[Change, ...]:
    """Return what is not as it was in the last package: holes in walking order, then panels, then what is no more."""
    found = list(_hole_changes(before, layout, units))
    found += _panel_changes(before, fabrication, layout, units)
    now = {hole.name for hole in layout.holes} | {panel.name for panel in layout.panels}
    found += [Change(which=name, what="is no more", was="", now="") for name in (*before.holes, *before.panels) if name not in now]
    return tuple(found)


def succession(
    revision: Revision, before: Before | None, layout: Layout, fabrication: Fabrication, drilling: Drilling | None, units: ReportUnits
) -> Succession:
    """Return how a revision follows the package before it: what changed, and what has to be bought.

    Once the holes are drilled, or panels cut, what earlier revisions ordered is there: the order is what is needed beyond it.  A plan that was
    changed before is ordered anew as a whole, as every night orders what is planned.
    """
    ordered = before.ordered if before is not None and drilling is not None else None
    lines = fabrication.order if ordered is None else further(fabrication.order, ordered)
    found = changes(before, layout, fabrication, units) if before is not None else ()
    return Succession(
        revision=revision.revision,
        since=before.revision if before is not None else 0,
        as_drilled=revision.as_drilled,
        further=ordered is not None,
        order=lines,
        total=round(sum(line.price for line in lines), 2),
        before=ordered,
        ordered=ordered_with(fabrication.order, lines, ordered),
        left_over=left_over(fabrication.order, ordered) if ordered is not None else {},
        changed=tuple(_in_a_few_words(found, layout, drilling)),
        waits=tuple(one.panel for one in drilling.to_tape) if drilling is not None else (),
    )


def _in_a_few_words(found: Sequence[Change], layout: Layout, drilling: Drilling | None) -> Iterator[str]:
    """Say what changed for the board: counts of holes by what became of them, panels by name."""
    for state, words in _STATES.items():
        count = sum(hole.state == state for hole in drilling.holes) if drilling is not None else 0
        if count:
            yield f"{count} {'hole' if count == 1 else 'holes'} {words}"
    for kind in ("stock", "custom"):
        now = [change.which for change in found if change.what == "kind" and change.now == kind]
        if now:
            yield f"{', '.join(now)} {'is' if len(now) == 1 else 'are'} {kind} now"
    marks = [change.which for change in found if change.what == "mark" and change.was and change.now]
    if marks:
        yield f"{', '.join(marks)} {'has its mark' if len(marks) == 1 else 'have their marks'} elsewhere"
    wrong = len(drilling.not_followed) if drilling is not None else 0
    if wrong:
        yield f"{wrong} {'reading' if wrong == 1 else 'readings'} not followed"
    waiting = [one.panel for one in drilling.to_tape] if drilling is not None else []
    if waiting:
        yield f"{', '.join(waiting)} {'waits' if len(waiting) == 1 else 'wait'} for a tape"
    if drilling is not None and drilling.cures:
        yield f"{drilling.cures[0].hole} drilled again would cost less"


def _hole_changes(before: Before, layout: Layout, units: ReportUnits) -> Iterator[Change]:
    for hole in layout.holes:
        was = before.holes.get(hole.name)
        if was is None:
            yield Change(which=hole.name, what="is new", was="", now="")
            continue
        moved = ((_metres(was["east_mm"]) or 0.0) - hole.east, (_metres(was["north_mm"]) or 0.0) - hole.north)
        distance = (moved[0] ** 2 + moved[1] ** 2) ** 0.5
        if distance > 2 * _SAME:
            yield Change(which=hole.name, what="stands elsewhere, by", was="", now=format_length(distance, units))
        yield from _length_change(hole.name, "to next", _metres(was["to_next_mm"]), hole.to_next, units)


def _panel_changes(before: Before, fabrication: Fabrication, layout: Layout, units: ReportUnits) -> Iterator[Change]:
    drawings = {drawing.panel: drawing for drawing in fabrication.panels}
    for panel in layout.panels:
        was = before.panels.get(panel.name)
        if was is None:
            yield Change(which=panel.name, what="is new", was="", now="")
            continue
        if was["kind"] != panel.kind:
            yield Change(which=panel.name, what="kind", was=was["kind"], now=panel.kind)
        yield from _length_change(panel.name, "length", _metres(was["length_mm"]), panel.length, units)
        yield from _length_change(panel.name, "mark", _metres(was["mark_mm"]), drawings[panel.name].mark, units)
        yield from _length_change(panel.name, "cut", _metres(was["cut_mm"]), drawings[panel.name].cut, units)


def _length_change(which: str, what: str, was: float | None, now: float | None, units: ReportUnits) -> Iterator[Change]:
    if was is None and now is None:
        return
    if was is None or now is None or abs(was - now) > _SAME:
        before, after = ("" if value is None else format_length(value, units) for value in (was, now))
        yield Change(which=which, what=what, was=before, now=after)


def _metres(cell: str) -> float | None:
    return float(cell) * MILLIMETRE if cell else None
