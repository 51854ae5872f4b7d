"""What changed since the last package: holes, distances and panels, told from that package's own tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Final

import msgspec

from pipeline.model.fabrication import Fabrication
from pipeline.model.layout import Layout
from pipeline.units import MILLIMETRE, ReportUnits, format_length

_SAME: Final = 0.0006  # [m] the tables have tenths of a millimetre; less is rounding


class Change(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that is not as it was: which, what about it, what it was and what it is, in report units."""

    which: str
    what: str
    was: str
    now: str


class Before(msgspec.Struct, frozen=True, kw_only=True):
    """The last package: its revision, and its tables of holes and panels by name."""

    revision: int
    holes: dict[str, dict[str, str]]
    panels: dict[str, dict[str, str]]


def read_before(revision: int, holes_csv: bytes, panels_csv: bytes) -> Before:
    """Return an older package from its tables."""
    return Before(revision=revision, holes=_rows(holes_csv, "hole"), panels=_rows(panels_csv, "panel"))


def _rows(content: bytes, key: str) -> dict[str, dict[str, str]]:
    return {row[key]: row for row in csv.DictReader(io.StringIO(content.decode()))}


def changes(before: Before, layout: Layout, fabrication: Fabrication, units: ReportUnits) -> tuple[Change, ...]:
    """Return what is not as it was in the last package: holes in walking order, then panels, then what is no more."""
    found = list(_hole_changes(before, layout, units))
    found += _panel_changes(before, fabrication, layout, units)
    now = {hole.name for hole in layout.holes} | {panel.name for panel in layout.panels}
    found += [Change(which=name, what="is no more", was="", now="") for name in (*before.holes, *before.panels) if name not in now]
    return tuple(found)


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
