"""shop.pdf: custom panels to scale, cut tickets by source, picking list, labels."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

from pipeline.drawings.dossier import Dossier
from pipeline.drawings.ink import BROAD, FINE, Mark, Stroke, Words, box, fitted
from pipeline.drawings.pages import DrawingPart, Part, TextPart, TickBox, heading, paragraph, subheading, table
from pipeline.drawings.paper import Frame, Scale, frame_of, scales_of
from pipeline.model.fabrication import PanelDrawing
from pipeline.units import format_length

_A_PAGE = 3  # custom panels drawn on one page


def shop_parts(dossier: Dossier) -> tuple[Part, ...]:
    """Return the parts of the shop's booklet in their order."""
    return (_list(dossier), *_drawings(dossier), _tickets(dossier), _picking(dossier))


def _list(dossier: Dossier) -> TextPart:
    units = dossier.units
    rows = [
        (TickBox(), panel.panel, panel.kind, format_length(panel.post_stations[-1], units), format_length(panel.height, units), str(len(panel.post_stations)),
         panel.made_from, f"{panel.latch_first} / {panel.latch_last}", f"{panel.mass:.1f} kg")
        for panel in dossier.fabrication.panels
    ]  # fmt: skip
    flow = [
        heading("Panels of this job"),
        paragraph(
            "Custom panels are cut only when the holes are drilled and measured: lengths below are the planned ones until the revision says as drilled.",
            "strong",
        ),
        table(
            ("", "panel", "kind", "length", "height", "posts", "made from", "latch first / last", "mass"), rows, (7, 14, 16, 25, 20, 12, 33, 50, 16)
        ),
    ]
    return TextPart("Panel list", tuple(flow))


def _drawings(dossier: Dossier) -> list[DrawingPart]:
    custom = [panel for panel in dossier.fabrication.panels if panel.kind == "custom"]
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
    room, high = frame.right - frame.left - 12, (frame.top - frame.bottom) / _A_PAGE - 32
    needed = max(widest * 1000 / room, tallest * 1000 / high)
    return next(scale for scale in scales_of(dossier.units) if scale.ratio >= needed)


def panel_marks(dossier: Dossier, panel: PanelDrawing, frame: Frame, scale: Scale, bottom: float, slot: float) -> list[Mark]:
    """Draw one panel to scale with posts, mark, cut and latch sides, its foot above `bottom` [mm]."""
    factor = 1000 / scale.ratio
    left, foot = frame.left + 6, bottom + 17
    tall = panel.height * factor
    units = dossier.units
    marks: list[Mark] = [Words(text=panel.panel, at=(frame.left, bottom + slot - 6), cap=3.2, bold=True)]
    what = f"{panel.kind}, {len(panel.post_stations)} posts, from {panel.made_from}; {panel.takes_off or 'nothing comes off'}; {panel.colour}; {panel.mass:.1f} kg"
    marks.append(Words(text=fitted(what, frame.right - frame.left - 18, 1.7), at=(frame.left + 16, bottom + slot - 6), cap=1.7))
    end = (panel.cut or panel.post_stations[-1]) * factor
    marks.append(box(left, foot, end, tall, width=FINE))
    for station in panel.post_stations:
        x = left + station * factor
        marks.append(Stroke(points=((x, foot - 1.5), (x, foot + tall)), width=BROAD))
    marks += _chain_of_dimensions(panel, left, foot - 4.5, factor, units)
    if panel.mark is not None and panel.cut is not None:
        marks += _mark_and_cut(panel, left, foot, tall, factor, units)
    marks.append(Words(text=f"first: {panel.latch_first}", at=(left, foot + tall + 1.4), cap=1.7))
    marks.append(Words(text=f"last: {panel.latch_last}", at=(left + end, foot + tall + 1.4), cap=1.7, align="right"))
    return marks


def _chain_of_dimensions(panel: PanelDrawing, left: float, y: float, factor: float, units: Any) -> list[Mark]:
    marks: list[Mark] = [Stroke(points=((left, y), (left + panel.post_stations[-1] * factor, y)), width=FINE)]
    stations = panel.post_stations
    for station in stations:
        x = left + station * factor
        marks.append(Stroke(points=((x - 0.6, y - 0.6), (x + 0.6, y + 0.6)), width=0.25))
    for first, second in itertools.pairwise(stations):
        text = format_length(second - first, units)
        marks.append(Words(text=text, at=(left + (first + second) / 2 * factor, y - 2.8), cap=1.7, align="centre"))
    return marks


def _mark_and_cut(panel: PanelDrawing, left: float, foot: float, tall: float, factor: float, units: Any) -> list[Mark]:
    assert panel.mark is not None and panel.cut is not None
    cut = left + panel.cut * factor
    text = f"mark at {format_length(panel.mark, units)}   cut at {format_length(panel.cut, units)}, both from the first post's centre"
    return [
        Stroke(points=((cut, foot - 2), (cut, foot + tall + 1)), width=0.35, dash=(1.2, 0.8)),
        Words(text=text, at=(left, foot - 12.5), cap=1.9, bold=True),
    ]


def _tickets(dossier: Dossier) -> TextPart:
    units = dossier.units
    flow: list[Any] = [heading("Cut tickets")]
    if not dossier.fabrication.cuts:
        flow.append(paragraph("Nothing has to be cut for this job: every panel is a stock panel."))
    for source in dict.fromkeys(cut.source for cut in dossier.fabrication.cuts):
        cuts = [cut for cut in dossier.fabrication.cuts if cut.source == source]
        rows = [
            (TickBox(), cut.cut, cut.panel, format_length(cut.start, units), format_length(cut.end, units), format_length(cut.end - cut.start, units))
            for cut in cuts
        ]
        flow += [subheading(source), table(("", "cut", "panel", "from", "to", "length"), rows, (7, 18, 18, 36, 36, 36))]
        flow.append(paragraph(f"Left over: {format_length(cuts[-1].left_over, units)}"))
    flow.append(paragraph("Seal every cut edge with heat, away from solvent and the pile of mesh.", "strong"))
    return TextPart("Cut tickets", tuple(flow))


def _picking(dossier: Dossier) -> TextPart:
    rows = [
        (TickBox(), line.item, line.description, f"{line.needed:g} {line.unit}", f"{line.packs} × {line.pack:g}")
        for line in dossier.fabrication.order
    ]
    flow = [heading("Picking list"), table(("", "item", "description", "needed", "packs"), rows, (7, 36, 90, 30, 25))]
    return TextPart("Picking list", tuple(flow))
