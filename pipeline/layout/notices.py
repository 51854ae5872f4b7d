"""What the office and the crew have to be told about a finished layout: gates proposed or moved, a line that gave way, steps crossed askew."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from pipeline.errors import Reason
from pipeline.layout.nearness import chord_clearances
from pipeline.layout.stretches import SQUARE_LEAST, Crossing
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.shop import CornerStyle
from pipeline.model.site import Site
from pipeline.units import ReportUnits, format_length

MOVED_FAR: Final = 0.5  # [m] a gate moved by more is worth a word (own judgement)
LEAF_READ: Final = 0.01  # [m] a leaf this much narrower is another one
GAVE_WAY: Final = 0.005  # [m] a fabric this much inside the wanted setback is worth a word


def notices(layout: Layout, crossings: Sequence[Crossing], job: Job, site: Site, *, proposed: bool, corner: CornerStyle) -> tuple[Reason, ...]:
    """Return the warnings of a layout."""
    other = () if corner == job.shop.panel.corner else (_other_corner(corner, job.shop.panel.corner),)
    return (*other, *_all(layout, crossings, job, site, proposed))


def setback_raised(asked: float, least: float, units: ReportUnits) -> tuple[Reason, ...]:
    """Return the warning that a setback [m] below the rule packs' least one was not followed."""
    if asked >= least - 1e-9:
        return ()
    return (
        Reason(
            ref="setback-raised",
            what=f"the job asks for {format_length(asked, units)} from fabric to water; the fence is laid out at {format_length(least, units)}",
            why="that is the least the rule packs of the job allow",
            file="job.toml",
            do="write that setback in [fence], or name the packs that bind this site",
        ),
    )


def _all(layout: Layout, crossings: Sequence[Crossing], job: Job, site: Site, proposed: bool) -> Iterator[Reason]:
    units = job.options.report_units
    if proposed:
        yield _no_gate_asked(layout)
    for gate in layout.gates:
        if gate.wished_at is not None and gate.moved > MOVED_FAR:
            yield _gate_moved(gate.name, format_length(gate.moved, units))
    yield from _narrower_leaves(layout, job, site)
    yield from _gave_way(layout, site, units)
    for crossing in crossings:
        if crossing.angle < SQUARE_LEAST:
            yield _askew(crossing)
    for panel in layout.panels:
        if panel.kind == "custom" and panel.length < job.shop.panel.custom_least - 1e-6:
            yield _short_panel(panel.name, format_length(panel.length, units), format_length(job.shop.panel.custom_least, units))
    free = [end.hole for end in layout.ends if not end.wall]
    if free:
        yield _ends_free(free)
    if not site.decks:
        yield _no_deck()
    untied = [hole.name for hole in layout.holes if not hole.ties]
    if untied:
        yield _untied(untied)


def _gave_way(layout: Layout, site: Site, units: ReportUnits) -> Iterator[Reason]:
    line = [hole for hole in layout.holes if hole.role != "pocket"]
    places = np.array([hole.place for hole in line])
    starts, ends = (places, np.roll(places, -1, axis=0)) if layout.closed else (places[:-1], places[1:])
    clear = np.min([chord_clearances(starts, ends, water.chain) for water in site.waters], axis=0)
    worst = int(clear.argmin())
    if clear[worst] < layout.setback - GAVE_WAY:
        after = line[(worst + 1) % len(line)].name
        yield Reason(
            ref="line-gave-way",
            what=f"the line gives way: the fabric stands {format_length(float(clear[worst]), units)} from the water between {line[worst].name} and {after}, "
            f"{format_length(layout.setback, units)} was wanted",
            why="the deck is too narrow there, or an object stands in the way; the least setback of the rule packs is kept",
            do="see that this is wanted, or move what stands in the way",
        )


def _other_corner(corner: CornerStyle, wanted: CornerStyle) -> Reason:
    return Reason(
        ref="other-corner",
        what=f"the line goes {corner} round the pool's corners; {wanted} was wanted and does not fit",
        why="the deck leaves no room for the holes of the wanted line",
        do="see that this is wanted",
    )


def _no_gate_asked(layout: Layout) -> Reason:
    gate = layout.gates[0]
    return Reason(
        ref="no-gate-asked",
        what=f"no gate was asked for; one is proposed between {gate.hinge_hole} and {gate.latch_hole}, where the deck is widest",
        why="a fence without any gate has no way in",
        do="shoot the middle of the wanted gate as GATE, or name a point in a [[gate]] entry",
    )


def _gate_moved(name: str, moved: str) -> Reason:
    return Reason(
        ref="gate-moved",
        what=f"gate {name} stands {moved} from where it was asked for",
        why="it goes where two panels meet, with the fewest custom panels, and its holes and swing have to be free",
        do="see that the place is right; a [[gate]] entry near another point moves it",
    )


def _narrower_leaves(layout: Layout, job: Job, site: Site) -> Iterator[Reason]:
    """Yield a word for every gate nobody gave a leaf that did not get the shop's first one."""
    first, units = float(job.shop.gate.leaf[0]), job.options.report_units
    given = {gate.place for gate in site.gates if gate.leaf}
    for gate in layout.gates:
        if gate.wished_at not in given and gate.leaf < first - LEAF_READ:
            yield Reason(
                ref="narrower-leaf",
                what=f"gate {gate.name} has a leaf of {format_length(gate.leaf, units)}; the shop's first one, {format_length(first, units)}, finds no place",
                why="its three holes have to be drilled, its leaf has to keep the setback and to swing away from the water free of objects, walls and risers",
                do="see that the way is wide enough for who and what has to pass; move what stands in the way, or ask for another place or leaf ([[gate]] near, leaf)",
            )


def _askew(crossing: Crossing) -> Reason:
    return Reason(
        ref="riser-askew",
        what=f"the line crosses STEP{crossing.riser} at {math.degrees(crossing.angle):.0f} degrees",
        why="the joint keeps its width along the line, so both holes stand nearer to the step's edge than on a square crossing",
        do="look at the edge distance of both holes on site",
    )


def _short_panel(name: str, length: str, least: str) -> Reason:
    return Reason(
        ref="short-tread",
        what=f"panel {name} is {length} long, the shop's least custom panel is {least}",
        why="every tread that is crossed carries a panel of its own",
        do="ask the shop whether it makes one so short",
    )


def _ends_free(names: list[str]) -> Reason:
    return Reason(
        ref="fence-ends-free",
        what=f"the fence ends free at {' and '.join(names)}, as asked: fence and surveyed walls do not close the barrier round the water",
        why="no WALL was surveyed where the fence ends; a barrier with a gap is none",
        do="see on site what closes the barrier between the ends, and survey it as WALL if it can stand as one; until then somebody watches the water",
    )


def _no_deck() -> Reason:
    return Reason(
        ref="no-deck-edge",
        what="the survey has no DECK line",
        why="whether every hole stands on the deck, and far enough from its edge, is not checked",
        do="shoot the deck's outer edge, or look at every hole before drilling",
    )


def _untied(names: list[str]) -> Reason:
    shown = ", ".join(names[:6]) + (" and more" if len(names) > 6 else "")
    return Reason(
        ref="holes-without-ties",
        what=f"{len(names)} holes have no two marks that cross well enough to tape from: {shown}",
        why="ties that cross at less than 30 degrees, or are longer than the tape, place nothing well",
        do="survey more marks (code MARK) around the pool, or set these holes out with the total station",
    )
