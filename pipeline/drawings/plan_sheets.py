"""Sheets in paper space: windows on the plan at a standard scale, with title strip, legend, scale bar and north."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Final

import msgspec

from pipeline.drawings import paper
from pipeline.drawings.ink import FINE, LINETYPES, Area, Mark, Ring, Stroke, Words, box, fitted, moved, to_layout
from pipeline.drawings.label_placing import Bounds
from pipeline.drawings.plan import INK, LAYERS, NAME_LAYERS, UNIT
from pipeline.drawings.plan_names import Names
from pipeline.drawings.plan_view import LEGEND, View
from pipeline.geometry.chain import Point

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts.layout import Paperspace

_BESIDE: Final = 0.15  # of the model space's width, between it and the first sheet
_APART: Final = 20.0  # [mm] between sheets
_PLOT_WINDOW: Final = 4  # DXF reference, PLOTSETTINGS, group code 72

_SYMBOLS: Final = (
    ("end", "end hole of a panel"),
    ("inner", "inner hole"),
    ("gate", "gate hole"),
    ("pocket", "pocket hole"),
    ("mark", "mark that stays"),
)

_MORE_SYMBOLS: Final = {
    "check": "place of a check",
    "fail": "a check that fails there",
    "match": "goes on on another sheet",
    "planned": "hole as planned",
    "filled": "hole given up, filled",
}


class PlanSheet(msgspec.Struct, frozen=True, kw_only=True):
    """One sheet of the plan.

    Parameters
    ----------
    name : str
        Of the sheet in the DXF document.
    frame : Frame
    view : View
        Its window on the site.
    names : Names
        What is named on it, and where.
    own_names : bool
        True writes `names` on the sheet and hides those of the model space; False shows the model space's own.
    hidden : tuple of str
        Further layers of the model space that the sheet does not show.
    signs : tuple of str
        Signs beyond those of the plan that the legend has to explain.
    more : tuple of Mark
        What else stands on the sheet (match lines, places of checks).
    """

    name: str
    frame: paper.Frame
    view: View
    names: Names
    own_names: bool = False
    hidden: tuple[str, ...] = ()
    signs: tuple[str, ...] = ()
    more: tuple[Mark, ...] = ()


class SheetRow:
    """Paper-space sheets of a document, one beside the other to the right of all that stands in the model space.

    LibreCAD 2.2 lays what is in paper space over the model space; so every sheet has its lower left corner where nothing else is, and
    its page setup plots that window.  One unit of paper space is a millimetre, whatever the model space's is.
    """

    def __init__(self, document: Drawing, facts: paper.SheetFacts, drawn: Bounds) -> None:
        left, bottom, right, _ = (value / UNIT[facts.units] for value in drawn)
        self._document, self._facts = document, facts
        self._corner = (float(math.ceil((right + _BESIDE * (right - left)) / 10) * 10), float(math.floor(bottom / 10) * 10))

    def _new(self, name: str, frame: paper.Frame) -> tuple[Paperspace, Point]:
        """Return the next sheet, empty, and where its lower left corner is [mm]."""
        layout, (x, y) = self._document.layouts.new(name), self._corner
        layout.page_setup(size=(frame.width, frame.height), margins=(0, 0, 0, 0), units="mm", name=name)
        settings = layout.dxf_layout.dxf
        settings.limmin, settings.limmax = (x, y), (x + frame.width, y + frame.height)
        settings.plot_type = _PLOT_WINDOW
        settings.plot_window_x1, settings.plot_window_y1 = x, y
        settings.plot_window_x2, settings.plot_window_y2 = x + frame.width, y + frame.height
        self._corner = (x + frame.width + _APART, y)
        return layout, (x, y)

    def add_plan(self, sheet: PlanSheet, layers_used: frozenset[str]) -> None:
        """Add a sheet with a window on the model space; `layers_used` are those the legend explains."""
        layout, corner = self._new(sheet.name, sheet.frame)
        left, bottom, right, top = sheet.view.area
        unit = UNIT[self._facts.units]
        middle = sheet.view.on_site(((left + right) / 2, (bottom + top) / 2))
        window = layout.add_viewport(
            center=(corner[0] + (left + right) / 2, corner[1] + (bottom + top) / 2),
            size=(right - left, top - bottom),
            view_center_point=(0, 0),  # from the target, and turned about it
            view_height=(top - bottom) * sheet.view.scale.ratio / 1000 / unit,
            status=2,
            dxfattribs={
                "layer": "WINDOW",
                "view_target_point": (middle[0] / unit, middle[1] / unit, 0),
                "view_twist_angle": math.degrees(sheet.view.turn),
            },
        )
        window.frozen_layers = [*(NAME_LAYERS if sheet.own_names else ()), *sheet.hidden]
        marks: list[Mark] = [box(left, bottom, right - left, top - bottom, width=FINE)]
        if sheet.own_names:
            marks += names_as_marks(sheet.names)
        marks += [*sheet.more, *_legend_band(sheet, self._facts, layers_used)]
        marks += paper.title_strip(sheet.frame, self._facts, sheet.name, sheet.view.scale.name)
        to_layout(layout, [moved(mark, corner) for mark in marks])

    def add_drawing(self, name: str, frame: paper.Frame, scale: str, marks: Sequence[Mark]) -> None:
        """Add a sheet of marks alone: details, the fence unrolled, panels."""
        layout, corner = self._new(name, frame)
        strip = paper.title_strip(frame, self._facts, name, scale)
        to_layout(layout, [*(moved(mark, corner, "DETAIL") for mark in marks), *(moved(mark, corner) for mark in strip)])


def names_as_marks(names: Names) -> list[Mark]:
    """Return placed names and their leaders as marks on paper."""
    marks: list[Mark] = []
    for each in names.placed:
        if each.free:
            marks.append(msgspec.structs.replace(each.candidate.words, layer="LABEL"))
            if each.candidate.leader is not None:
                marks.append(Stroke(points=each.candidate.leader, width=FINE, layer="LABEL"))
    return marks


def _legend_band(sheet: PlanSheet, facts: paper.SheetFacts, layers_used: frozenset[str]) -> list[Mark]:
    left, bottom, right = sheet.frame.left, sheet.frame.bottom, sheet.frame.right
    marks: list[Mark] = [*paper.revision_table(right - 70.0, bottom + 11.6, facts), *paper.north_arrow(right - 8.0, bottom + 14.0, sheet.view.turn)]
    marks += paper.scale_bar(right - 70.0, bottom + 2.0, sheet.view.scale, facts.units)
    marks.append(Words(text=f"Scale {sheet.view.scale.name}", at=(right - 70.0, bottom + 8.6), cap=1.9, bold=True))
    entries = [layer for layer in LAYERS if layer.legend and layer.name in layers_used]
    cells = [(_sample(layer.name), layer.legend) for layer in entries] + [(_symbol(kind), words) for kind, words in _SYMBOLS]
    cells += [(_symbol(kind), _MORE_SYMBOLS[kind]) for kind in sheet.signs]
    rows = 5
    pitch = (right - left - 76.0) / max(3, math.ceil(len(cells) / rows))
    for index, (draw, words) in enumerate(cells):
        x, y = left + index // rows * pitch, bottom + LEGEND - 3.5 - index % rows * 4.0
        marks += draw(x, y)
        marks.append(Words(text=fitted(words, pitch - 11.0, 1.5), at=(x + 10.0, y), cap=1.5, middle=True))
    return marks


def _sample(name: str) -> Callable[[float, float], list[Mark]]:
    """Return what draws a sample of a layer's line, in its colour on the plan."""
    layer = next(layer for layer in LAYERS if layer.name == name)
    dash = LINETYPES[layer.linetype][1] if layer.linetype in LINETYPES else ()

    def draw(x: float, y: float) -> list[Mark]:
        return [Stroke(points=((x, y), (x + 8.5, y)), width=layer.width, dash=dash, colour=None if layer.colour == INK else layer.colour)]

    return draw


def _symbol(kind: str) -> Callable[[float, float], list[Mark]]:
    """Return what draws a symbol of the plan."""

    def draw(x: float, y: float) -> list[Mark]:
        middle = (x + 4.2, y)
        if kind in ("end", "inner"):
            return [Ring(centre=middle, radius=0.6, fill=0.0 if kind == "end" else None)]
        if kind in ("check", "fail"):
            corners = ((x + 4.2, y - 1.1), (x + 3.0, y + 1.0), (x + 5.4, y + 1.0))
            return [Area(points=corners), Stroke(points=corners, closed=True)] if kind == "fail" else [Stroke(points=corners, closed=True)]
        if kind == "match":
            return [Stroke(points=((x, y), (x + 8.5, y)), width=0.25, dash=(3.2, 0.9, 0.2, 0.9))]
        if kind == "planned":
            return [Stroke(points=((x + 3.3, y), (x + 5.1, y)), grey=0.55), Stroke(points=((x + 4.2, y - 0.9), (x + 4.2, y + 0.9)), grey=0.55)]
        if kind == "filled":
            slants = (((x + 3.7, y - 0.5), (x + 4.7, y + 0.5)), ((x + 3.7, y + 0.5), (x + 4.7, y - 0.5)))
            return [Ring(centre=middle, radius=0.7), *(Stroke(points=slant) for slant in slants)]
        if kind == "mark":
            return [
                Ring(centre=middle, radius=0.9),
                Stroke(points=((x + 2.8, y), (x + 5.6, y))),
                Stroke(points=((x + 4.2, y - 1.4), (x + 4.2, y + 1.4))),
            ]
        square = ((x + 3.6, y - 0.6), (x + 4.8, y - 0.6), (x + 4.8, y + 0.6), (x + 3.6, y + 0.6))
        if kind == "gate":
            return [Area(points=square)]
        return [Stroke(points=square, closed=True), Stroke(points=square[::2]), Stroke(points=square[1::2])]

    return draw
