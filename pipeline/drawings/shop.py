"""shop.pdf: custom panels to scale, cut tickets by source, picking list, labels."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Any

from pipeline.drawings import as_drilled, cautions, typeface
from pipeline.drawings.code_block import code_block
from pipeline.drawings.dossier import Dossier
from pipeline.drawings.ink import BROAD, FINE, Mark, Ring, Stroke, Words, box, fitted, in_lines
from pipeline.drawings.other_setbacks import other_setbacks
from pipeline.drawings.pages import DrawingPart, Part, TextPart, TickBox, drawn, heading, listed, paragraph, subheading, table
from pipeline.drawings.paper import Frame, Scale, frame_of, scales_of
from pipeline.model.fabrication import CutTicket, Label, OrderLine, PanelDrawing
from pipeline.units import ReportUnits, format_length, said_in

_A_PAGE = 2  # custom panels drawn on one page
_FOOT = 20.0  # [mm] under a panel's foot: its dimensions, mark and cut
_LABEL = (60.0, 32.0)  # [mm] a label, three in a row
_LENGTHS = ("foot", "metre", "m", "ft")  # units of the stock that are measured and not counted
POUND = 0.45359237  # [kg]
_CODE = 24.0  # [mm] side of the code block on a label
_LINE = 2.6  # [mm] from line to line of a label: six, and one more where the title takes two
_CAP = 1.8  # [mm] height of a label's capitals
_CAPS = ((_CAP, 1), (0.85 * _CAP, 1), (_CAP, 2), (0.8 * _CAP, 2), (0.6 * _CAP, 3))  # the same, and how many lines of it


def shop_parts(dossier: Dossier) -> tuple[Part, ...]:
    """Return the parts of the shop's booklet in their order."""
    return (
        TextPart("Panels, picking list", (*_list(dossier), *_picking(dossier))),
        *_drawings(dossier),
        TextPart("Cut tickets, labels", (*_tickets(dossier), *_labels(dossier))),
        *other_setbacks(dossier),
    )


def _list(dossier: Dossier) -> list[Any]:
    """Return what the shop reads first, then every panel of the job."""
    head = ("", "panel", "kind", "length as made", "height", "posts", "made from", "first post", "last post", "mass")
    rows = [_panel_row(dossier, panel) for panel in dossier.fabrication.panels]
    return [
        *_first(dossier),
        heading("Panels of this job"),
        *_about_lengths(dossier),
        *_to_tape(dossier),
        table(head, rows, (7, 13, 15, 22, 15, 11, 29, 34, 34, 14), plain=False),
        *_cut_already(dossier),
    ]


def _panel_row(dossier: Dossier, panel: PanelDrawing) -> tuple[Any, ...]:
    units = dossier.units
    long, high = format_length(panel.post_stations[-1], units), format_length(panel.height, units)
    posts, mass = str(len(panel.post_stations)), _mass(panel.mass, units)
    return (_box(panel.panel, dossier), panel.panel, panel.kind, long, high, posts, panel.made_from, panel.latch_first, panel.latch_last, mass)


def _about_lengths(dossier: Dossier) -> list[Any]:
    """Say when custom panels are cut, and what the lengths of the list are between."""
    kinds = {panel.kind for panel in dossier.fabrication.panels}
    custom = (
        "Custom panels are cut only when the holes are drilled and measured: lengths below are the planned ones until the revision says as drilled."
        if dossier.drilled is None
        else "As drilled: the lengths below are those of the holes as they are. Cut from this revision, and from no earlier one."
    )
    stock = " The holes of a stock panel may be a little nearer or further apart: its label and the crew's booklet have its length between its holes."
    lengths = "Length as made: from the first post's centre to the last one's." + (stock if "stock" in kinds else "")
    return [*([paragraph(custom, "strong")] if "custom" in kinds else []), paragraph(lengths)]


def _to_tape(dossier: Dossier) -> list[Any]:
    """Say which distances have to be measured before a panel is cut or hung."""
    told = as_drilled.to_tape_words(dossier)
    return [subheading("Not released: not to be cut, or hung, before these are taped"), *listed(told, boxes=True)] if told else []


def _box(panel: str, dossier: Dossier) -> Any:
    """Return the box to tick once a panel is made; a word where it waits for a tape."""
    return "wait" if as_drilled.waits(panel, dossier) else TickBox()


def _cut_already(dossier: Dossier) -> list[Any]:
    """Say what of the pieces cut so far is kept, and what of it no longer fits its holes."""
    told = as_drilled.cut_words(dossier)
    return [subheading("Cut already"), *listed(told)] if told else []


def _first(dossier: Dossier) -> list[Any]:
    """Return what the shop reads before it cuts anything."""
    flow: list[Any] = [heading("Before anything else")]
    if not dossier.facts.complies:
        flow.append(paragraph("DOES NOT COMPLY: at least one clause is not met as drawn. Ask the office before anything is cut.", "loud"))
    return [*flow, *listed(cautions.AT_THE_BENCH)]


def _drawings(dossier: Dossier) -> list[DrawingPart]:
    custom = [as_drilled.as_released(panel, dossier) for panel in dossier.fabrication.panels if panel.kind == "custom"]
    frame = frame_of(dossier.facts.paper)
    pages = [custom[start : start + _A_PAGE] for start in range(0, len(custom), _A_PAGE)]
    parts = []
    for number, page in enumerate(pages, 1):
        scale = _scale(dossier, frame, page)
        marks: list[Mark] = []
        slot = (frame.top - frame.bottom) / _A_PAGE
        for index, panel in enumerate(page):
            marks += panel_marks(dossier, panel, frame, scale, frame.top - (index + 1) * slot, slot)
        parts.append(DrawingPart("Custom panels" if len(pages) == 1 else f"Custom panels {number} of {len(pages)}", frame, scale.name, tuple(marks)))
    return parts


def _scale(dossier: Dossier, frame: Frame, panels: Sequence[PanelDrawing]) -> Scale:
    widest = max((panel.cut or panel.post_stations[-1]) for panel in panels)
    tallest = max(panel.height for panel in panels)
    steps = max(len(panel.recipe) for panel in panels)
    room, high = frame.right - frame.left - 12, (frame.top - frame.bottom) / _A_PAGE - _FOOT - 20 - 2.8 * steps
    needed = max(widest * 1000 / room, tallest * 1000 / high)
    return next(scale for scale in scales_of(dossier.units) if scale.ratio >= needed)


def panel_marks(dossier: Dossier, panel: PanelDrawing, frame: Frame, scale: Scale, bottom: float, slot: float) -> list[Mark]:
    """Draw one panel to scale with posts, mark, cut and latch sides, its foot above `bottom` [mm]."""
    factor = 1000 / scale.ratio
    left, foot = frame.left + 6, bottom + _FOOT + 2.8 * len(panel.recipe)
    tall = panel.height * factor
    units = dossier.units
    marks: list[Mark] = [Words(text=panel.panel, at=(frame.left, bottom + slot - 6), cap=3.2, bold=True)]
    if bottom + slot < frame.top - 1.0:
        marks.append(Stroke(points=((frame.left, bottom + slot - 0.5), (frame.right, bottom + slot - 0.5)), width=FINE))
    what = f"{panel.kind}, {len(panel.post_stations)} posts, from {panel.made_from}; {panel.takes_off or 'nothing comes off'}; {panel.colour}; {_mass(panel.mass, units)}"
    marks.append(Words(text=fitted(what, frame.right - frame.left - 18, 1.7), at=(frame.left + 16, bottom + slot - 6), cap=1.7))
    end = (panel.cut or panel.post_stations[-1]) * factor
    marks.append(box(left, foot, end, tall, width=FINE))
    for station in panel.post_stations:
        x = left + station * factor
        marks.append(Stroke(points=((x, foot - 1.5), (x, foot + tall)), width=BROAD))
    marks += _chain_of_dimensions(panel, left, foot - 4.5, factor, units)
    if panel.mark is not None and panel.cut is not None:
        marks += _mark_and_cut(panel, left, foot, tall, factor, units)
    for station, height in ((panel.post_stations[0], panel.latch_first_height), (panel.post_stations[-1], panel.latch_last_height)):
        if height is not None:
            marks.append(
                Ring(centre=(left + station * factor, foot + (height - float(dossier.job.shop.panel.hem_gap)) * factor), radius=0.9, fill=1.0)
            )
    room = frame.right - left
    marks.append(Words(text=fitted(f"first post: {panel.latch_first} (ring: its latch)", room, 1.7), at=(left, foot + tall + 4.4), cap=1.7))
    marks.append(Words(text=fitted(f"last post: {panel.latch_last}", room, 1.7), at=(left, foot + tall + 1.4), cap=1.7))
    return [*marks, *_recipe(panel, frame, bottom)]


def _recipe(panel: PanelDrawing, frame: Frame, bottom: float) -> list[Mark]:
    """Write how the panel is made, step by step, at the foot of its slot."""
    lines = [f"{number}. {step}" for number, step in enumerate(panel.recipe, 1)]
    return [
        Words(text=fitted(line, frame.right - frame.left - 6, 1.7), at=(frame.left + 6, bottom + 2.8 * (len(lines) - row) - 1.4), cap=1.7)
        for row, line in enumerate(lines)
    ]


def _chain_of_dimensions(panel: PanelDrawing, left: float, y: float, factor: float, units: Any) -> list[Mark]:
    marks: list[Mark] = [Stroke(points=((left, y), (left + panel.post_stations[-1] * factor, y)), width=FINE)]
    stations = panel.post_stations
    for station in stations:
        x = left + station * factor
        marks.append(Stroke(points=((x - 0.6, y - 0.6), (x + 0.6, y + 0.6)), width=0.25))
    for first, second in itertools.pairwise(stations):
        text = format_length(second - first, units)
        marks.append(_bay_text(text, left + (first + second) / 2 * factor, y, (second - first) * factor))
    return marks


def _bay_text(text: str, x: float, y: float, room: float) -> Words:
    """Write a bay's length under its dimension line, standing upright where the bay is too narrow for it."""
    if typeface.width(text, 1.7) + 1.0 < room:
        return Words(text=text, at=(x, y - 2.8), cap=1.7, align="centre")
    return Words(text=text, at=(x, y - 1.2), cap=1.7, align="right", middle=True, turn=math.pi / 2)


def _mark_and_cut(panel: PanelDrawing, left: float, foot: float, tall: float, factor: float, units: Any) -> list[Mark]:
    assert panel.mark is not None and panel.cut is not None
    cut = left + panel.cut * factor
    text = f"mark at {format_length(panel.mark, units)}   cut at {format_length(panel.cut, units)}, both from the first post's centre"
    mark = left + panel.mark * factor
    return [
        Stroke(points=((cut, foot - 2), (cut, foot + tall)), width=0.35, dash=(1.2, 0.8)),
        Words(text="mark", at=(mark - 1.0, foot + 2.0), cap=1.7, align="right"),
        Words(text="cut", at=(cut + 0.8, foot + 2.0), cap=1.7),
        Words(text=text, at=(left, foot + tall + 8.0), cap=1.9, bold=True),
    ]


def _tickets(dossier: Dossier) -> list[Any]:
    units = dossier.units
    flow: list[Any] = [heading("Cut tickets")]
    if not dossier.fabrication.tickets:
        return [*flow, paragraph("Nothing has to be cut for this job: every panel is a stock panel.")]
    for ticket in dossier.fabrication.tickets:
        rows = [
            (
                "cut" if cut.done else _box(cut.panel, dossier),
                cut.cut,
                cut.panel,
                format_length(cut.start, units),
                format_length(cut.end, units),
                format_length(cut.end - cut.start, units),
            )
            for cut in ticket.cuts
        ]
        what = f"{said_in(ticket.description, units) or ticket.item}, {format_length(ticket.length, units)} long, {format_length(ticket.height, units)} high, {ticket.colour}"
        flow += [subheading(f"{ticket.source}: {what}{f'; lies at {ticket.where}' if ticket.where else ''}")]
        flow += [
            table(("", "cut", "panel", "from, off the fabric's edge", "to, off the same edge", "length of the piece"), rows, (7, 18, 18, 36, 36, 36)),
            *_not_to_cut(ticket, dossier),
            paragraph(_left_over(ticket, units)),
        ]
    return [*flow, paragraph("Seal every cut edge with heat, away from solvent and the pile of mesh.", "strong")]


def _not_to_cut(ticket: CutTicket, dossier: Dossier) -> list[Any]:
    """Say which cuts of a source wait, and for what."""
    held = [cut.cut for cut in ticket.cuts if not cut.done and as_drilled.waits(cut.panel, dossier)]
    return [paragraph(f"{', '.join(held)}: NOT RELEASED. Do not cut: tape first, as the first page says.", "strong")] if held else []


def _left_over(ticket: CutTicket, units: Any) -> str:
    goes = f"to the shelf ({ticket.fit_for})" if ticket.usable and ticket.fit_for else "to the shelf" if ticket.usable else "too short to keep"
    kerf = f"Each cut takes {format_length(ticket.kerf, units)}. " if ticket.kerf else ""
    posts = f"Posts on it {ticket.posts_on}, used {ticket.posts_used}, left on it {ticket.posts_left}, brought to it {ticket.posts_in}."
    return f"Left over: {format_length(ticket.left_over, units)}, {goes}. {kerf}{posts}"


def _picking(dossier: Dossier) -> list[Any]:
    """Return what the job needs; once drilled with what was ordered before and what is to be ordered still."""
    lines, followed = dossier.fabrication.order, dossier.succession
    if not followed.further or followed.before is None:
        needed = [(TickBox(), line.item, said_in(line.description, dossier.units), _needed(line), _packs(line)) for line in lines]
        return [heading("Picking list"), table(("", "item", "description", "needed", "packs"), needed, (7, 36, 90, 30, 25))]
    had, more = followed.before.had, {line.item: line for line in followed.order}
    rows = [
        (TickBox(), line.item, said_in(line.description, dossier.units), _needed(line), _count(had.get(line.item, 0.0)), _packs(more.get(line.item)))
        for line in lines
    ]
    said = f"Ordered before: in the packs of revision {followed.since} and those before it. To order: only what is needed beyond them."
    spare = ", ".join(f"{_count(units)} {item}" for item, units in followed.left_over.items())
    return [
        heading("Picking list"),
        paragraph(said),
        *([paragraph(f"Ordered before and not needed now, put aside: {spare}.", "strong")] if spare else []),
        table(("", "item", "description", "needed", "ordered before", "to order"), rows, (7, 34, 74, 30, 24, 25)),
    ]


def _packs(line: OrderLine | None) -> str:
    return "" if line is None else f"{line.packs} × {line.pack:g}"


def _needed(line: OrderLine) -> str:
    """Return what to pick, in whole pieces: nobody picks six tenths of a latch; a length keeps its decimal."""
    if line.unit in _LENGTHS:
        return f"{line.needed:.1f} {line.unit}"
    count = math.ceil(line.needed - 1e-9)
    return f"{count} {line.unit}{'' if count == 1 else 's'}"


def _count(units: float) -> str:
    """Print a count with at most one decimal."""
    return f"{units:.1f}".removesuffix(".0")


def _mass(kilograms: float, units: ReportUnits) -> str:
    return f"{kilograms / POUND:.1f} lb" if units == "inch" else f"{kilograms:.1f} kg"


def _labels(dossier: Dossier) -> list[Any]:
    """Return one label a panel, to be cut out along its frame."""
    labels = dossier.fabrication.labels
    rows = [labels[start : start + 3] for start in range(0, len(labels), 3)]
    flow: list[Any] = [heading("Labels"), paragraph("One a panel: cut out along the frame and fasten it to the first post.")]
    for row in rows:
        marks = [mark for column, label in enumerate(row) for mark in _label_marks(label, column * (_LABEL[0] + 3.0))]
        flow.append(drawn(marks, 3 * _LABEL[0] + 6.0, _LABEL[1] + 3.0))
    return flow


def _label_marks(label: Label, x: float) -> list[Mark]:
    across, up = _LABEL
    marks: list[Mark] = [box(x, 0, across, up, width=FINE, dash=(1.6, 1.0))]
    marks.append(Words(text=label.panel, at=(x + 3, up - 8.0), cap=5.0, bold=True))
    room, low = across - _CODE - 4, up - 12.0
    for line in (part for whole in label.lines for part in whole.split("  ") if part != label.panel):
        pieces, cap = in_lines(line, room, _CAPS)
        pitch = _LINE if len(pieces) < 3 else _LINE * 2 / 3
        marks += [Words(text=piece, at=(x + 3, low + _CAP - cap - row * pitch), cap=cap) for row, piece in enumerate(pieces)]
        low -= _LINE * (1 if len(pieces) == 1 else 2)
    if label.code:
        marks += code_block(label.code, (x + across - _CODE - 0.5, up - _CODE - 0.5), _CODE)
    marks.append(Words(text=fitted(label.code, across - 6, 1.4), at=(x + 3, 1.8), cap=1.4))
    return marks
