"""The plan, made once: a DXF document with the site and the fence at true scale in its model space.

Layers by kind, line types, blocks with attributes for holes, gates and marks, DXF dimensions, text styles.  Sheets in paper
space are added by `plan_sheets`; the PDF pages are drawn from the same document by `pen`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import msgspec

from pipeline.drawings import typeface
from pipeline.drawings.ink import LINETYPES, Stroke, Words, dxf_text, lineweight, place_text, text_style
from pipeline.drawings.label_placing import Obstacles, inside, upright, words_box
from pipeline.drawings.plan_names import Names, Note, fabric_obstacles, heading_at
from pipeline.drawings.plan_view import View, is_mark
from pipeline.geometry.chain import Chain, Point
from pipeline.model.drilling import Drilling
from pipeline.model.layout import Gate, Hole, Layout, Panel
from pipeline.model.site import FittedLine, Mark, Site, SiteObject
from pipeline.units import INCH, MILLIMETRE, ReportUnits, format_length

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts.layout import Modelspace

UNIT: Final[dict[ReportUnits, float]] = {"inch": INCH, "mm": MILLIMETRE}  # [m] one drawing unit of the model space
_INSUNITS: Final[dict[ReportUnits, int]] = {"inch": 1, "mm": 4}  # DXF reference, $INSUNITS
DIMENSION_CAP: Final = 1.9  # [mm]
DIMENSION_GAP: Final = 0.6  # [mm] between a dimension's line and its text
_LEADER: Final = 2.6  # [mm] from a dimension's end to text that stands beside it
_JAMB: Final = 0.9  # [mm] half the depth of a door's or window's frame
_SETBACKS: Final = 4  # setbacks dimensioned on a plan
_SAGITTA: Final = 0.01  # [m] between an object's curved outline and the lines that stand for it where its name is placed
INK: Final = 0x000000
BLUE: Final = 0x1F4E79  # water; prints dark grey
TINT: Final = 0x8FABC3  # water's surface, a quarter of it: a faint grey on paper, a dim blue on a dark screen, under names that are black or white
TINT_SHARE: Final = 0.25
PALE: Final = 0x8C8C8C  # where holes were planned; prints light
SIENNA: Final = 0x8A3B12  # what no hole may meet; prints dark grey


class Layer(msgspec.Struct, frozen=True):
    """A layer of the plan: what lies on it, its colour, line type and width [mm], and its words in the legend."""

    name: str
    colour: int
    linetype: str
    width: float
    legend: str = ""


LAYERS: Final = (
    Layer("WATER", BLUE, "CONTINUOUS", 0.35, "water's edge"),
    Layer("WATER-SURFACE", TINT, "CONTINUOUS", 0.09),
    Layer("COPING", INK, "CONTINUOUS", 0.13, "coping, outer edge"),
    Layer("DECK", INK, "DASHEDX2", 0.18, "outer edge of deck"),
    Layer("WALL", INK, "CONTINUOUS", 0.7, "wall"),
    Layer("OPENING", INK, "CONTINUOUS", 0.35, "door or window"),
    Layer("STEP", INK, "DASHDOT", 0.25, "nosing of a riser"),
    Layer("JOINT", SIENNA, "DASHED", 0.18, "joint in the deck"),
    Layer("DRAIN", SIENNA, "DOT", 0.35, "drain"),
    Layer("UTILITY", SIENNA, "DIVIDE", 0.35, "located pipe or conductor"),
    Layer("OBJECT", INK, "CONTINUOUS", 0.18, "object"),
    Layer("FENCE-LINE", INK, "CONTINUOUS", 0.05, "line the holes stand on"),
    Layer("PANEL", INK, "CONTINUOUS", 0.5, "fabric of a panel"),
    Layer("PANEL-NAME", INK, "CONTINUOUS", 0.18),
    Layer("HOLE", INK, "CONTINUOUS", 0.18),
    Layer("HOLE-PLANNED", PALE, "CONTINUOUS", 0.09),
    Layer("HOLE-FILLED", INK, "CONTINUOUS", 0.13),
    Layer("HOLE-NUMBER", INK, "CONTINUOUS", 0.09),
    Layer("GATE", INK, "DASHED", 0.35, "gate and its swing"),
    Layer("GATE-NAME", INK, "CONTINUOUS", 0.18),
    Layer("MARK", INK, "CONTINUOUS", 0.25),
    Layer("MARK-NAME", INK, "CONTINUOUS", 0.18),
    Layer("NOTE", INK, "CONTINUOUS", 0.09),
    Layer("DIMENSION", INK, "CONTINUOUS", 0.09),
    Layer("CHECK", INK, "CONTINUOUS", 0.25),
    Layer("SHEET", INK, "CONTINUOUS", 0.18),
    Layer("LABEL", INK, "CONTINUOUS", 0.09),
    Layer("DETAIL", INK, "CONTINUOUS", 0.18),
    Layer("WINDOW", INK, "CONTINUOUS", 0.09),
)
NAME_LAYERS: Final = ("HOLE-NUMBER", "PANEL-NAME", "GATE-NAME", "MARK-NAME", "NOTE")
_BYLAYER: Final = 256  # DXF reference, group code 62
_BYBLOCK: Final = 0
HOLE_BLOCKS: Final = {"end": "HOLE-END", "inner": "HOLE-INNER", "gate": "HOLE-GATE", "pocket": "HOLE-POCKET"}


class Dimension(msgspec.Struct, frozen=True):
    """An aligned dimension between two points of the site [m], its line `offset` [m] to the left of the way between them.

    `beside` is the middle of its text [m] where that has no room between the two points: a leader leads to it.
    """

    start: Point
    end: Point
    offset: float
    text: str
    beside: Point | None = None


def new_document(units: ReportUnits, view: View) -> Drawing:
    """Return an empty document with units, layers, line types, text and dimension styles, and the plan's blocks."""
    from ezdxf._options import options
    from ezdxf.filemanagement import new
    from ezdxf.fonts import fonts

    fonts.font_manager.clear()  # the fonts of the machine must not decide anything
    options.write_fixed_meta_data_for_testing = True  # no date, no GUID, no program version: same inputs, same bytes
    document = new("R2010", setup=False, units=_INSUNITS[units])
    document.header["$MEASUREMENT"] = 0 if units == "inch" else 1
    document.header["$LTSCALE"] = _on_model(1.0, units, view)
    document.header["$PSLTSCALE"] = 0
    for name, (description, pattern) in LINETYPES.items():
        signed = [length if index % 2 == 0 else -length for index, length in enumerate(pattern)]
        document.linetypes.add(name, [sum(pattern), *signed], description=description)
    for layer in LAYERS:
        entry = document.layers.add(layer.name, linetype=layer.linetype, lineweight=lineweight(layer.width))
        if layer.colour != INK:  # ink stays colour 7, which is black on paper and white on a dark screen
            entry.rgb = (layer.colour >> 16, layer.colour >> 8 & 255, layer.colour & 255)
        entry.description = layer.legend
    document.styles.add("SHEET", font="arial.ttf")
    document.styles.add("SHEET-BOLD", font="arialbd.ttf")
    _dimension_style(document, units, view)
    _blocks(document, units, view)
    return document


def _on_model(millimetres: float, units: ReportUnits, view: View) -> float:
    """Return how many drawing units `millimetres` on the overview sheet are."""
    return millimetres * view.scale.ratio / 1000 / UNIT[units]


def _dimension_style(document: Drawing, units: ReportUnits, view: View) -> None:
    """Define how dimensions look, in style and header alike: sizes in drawing units at scale 1, because LibreCAD takes no scale of a style."""
    style = document.dimstyles.new("SITE")
    on_paper = {"dimtxt": DIMENSION_CAP, "dimgap": DIMENSION_GAP, "dimexo": 0.5, "dimexe": 0.8, "dimtsz": 0.9}  # [mm]
    settings = {
        "dimscale": 1.0, "dimdle": 0.0, "dimtad": 1, "dimtih": 0, "dimtoh": 0, "dimtix": 1, "dimtofl": 1, "dimdec": 3, "dimtxsty": "SHEET", "dimlwd": 9,
        "dimlwe": 9, "dimlunit": 2, **{name: _on_model(size, units, view) for name, size in on_paper.items()},
    }  # fmt: skip
    for name, value in settings.items():
        style.set_dxf_attrib(name, value)
    for name in ("dimscale", *on_paper):
        document.header[f"${name.upper()}"] = settings[name]
    document.header["$DIMSTYLE"] = "SITE"


def _blocks(document: Drawing, units: ReportUnits, view: View) -> None:
    """Define the symbols, sized for the overview sheet: ends filled, inner posts open, gates square, pockets crossed."""
    size = _on_model(0.42, units, view)
    for name in HOLE_BLOCKS.values():
        block = document.blocks.new(name)
        if name in ("HOLE-END", "HOLE-INNER"):
            block.add_circle((0, 0), size)
        else:
            block.add_lwpolyline(_square(size * 1.15), close=True)
        if name == "HOLE-POCKET":
            block.add_line((-size, -size), (size, size))
            block.add_line((-size, size), (size, -size))
        if name in ("HOLE-END", "HOLE-GATE"):
            hatch = block.add_hatch(color=_BYBLOCK)
            if name == "HOLE-END":
                hatch.paths.add_edge_path().add_arc((0, 0), size, 0, 360)
            else:
                hatch.paths.add_polyline_path(_square(size * 1.15), is_closed=True)
        for tag in ("NUMBER", "PANEL", "ROLE", "LEAN", "DEPTH"):
            block.add_attdef(tag, (0, 0), height=size, dxfattribs={"flags": 1})
    mark = document.blocks.new("MARK")
    arm = _on_model(1.2, units, view)
    mark.add_circle((0, 0), arm * 0.75)
    mark.add_line((-arm * 1.2, 0), (arm * 1.2, 0))
    mark.add_line((0, -arm * 1.2), (0, arm * 1.2))
    gate = document.blocks.new("GATE")
    gate.add_point((0, 0))
    for block, tags in ((mark, ("NAME", "LEVEL")), (gate, ("NAME", "LEAF", "OPENS"))):
        for tag in tags:
            block.add_attdef(tag, (0, 0), height=size, dxfattribs={"flags": 1})


def _square(half: float) -> list[Point]:
    return [(-half, -half), (half, -half), (half, half), (-half, half)]


def draw_model(document: Drawing, site: Site, layout: Layout, units: ReportUnits, view: View, names: Names, dimensions: Sequence[Dimension]) -> None:
    """Draw site and fence in the model space, named and dimensioned as placed for `view`."""
    pencil = _Pencil(document.modelspace(), units, view)
    _draw_site(pencil, site)
    _draw_fence(pencil, layout)
    _draw_holes(pencil, layout, names)
    for gate in layout.gates:
        _draw_gate(pencil, gate, layout, names)
    for mark in site.marks:
        if is_mark(mark, layout):
            _draw_mark(pencil, mark, names)
    for each in dimensions:
        pencil.dimension(each)
    for key in (panel.name for panel in layout.panels):
        pencil.name(names, key, "PANEL-NAME")
    for key in names.notes:
        pencil.name(names, key, "NOTE")


class _Pencil:
    """Puts site metres on the model space in its own unit."""

    def __init__(self, space: Modelspace, units: ReportUnits, view: View) -> None:
        self.space, self.units, self.view = space, units, view
        self.unit = UNIT[units]

    def at(self, point: Point) -> Point:
        return (point[0] / self.unit, point[1] / self.unit)

    def paper(self, millimetres: float) -> float:
        return _on_model(millimetres, self.units, self.view)

    def chain(self, chain: Chain, layer: str) -> None:
        """Add a chain as a polyline with its arcs kept as bulges."""
        bulges = (*chain.bulges, 0.0)[: len(chain.vertices)]
        points = [(*self.at(vertex), bulge) for vertex, bulge in zip(chain.vertices, bulges, strict=True)]
        self.space.add_lwpolyline(points, format="xyb", close=chain.closed, dxfattribs={"layer": layer})

    def polyline(self, points: Any, layer: str, *, close: bool = False) -> None:
        self.space.add_lwpolyline([self.at(point) for point in points], close=close, dxfattribs={"layer": layer})

    def cross(self, point: Point, arm: float, layer: str, *, slanted: bool = False) -> None:
        """Add two lines that cross at a point, each arm `arm` [mm] of paper long."""
        (x, y), reach = self.at(point), self.paper(arm) * (math.sqrt(0.5) if slanted else 1.0)
        ways = ((1, 1), (-1, 1)) if slanted else ((1, 0), (0, 1))
        for across, up in ways:
            start, end = (x - across * reach, y - up * reach), (x + across * reach, y + up * reach)
            self.space.add_line(start, end, dxfattribs={"layer": layer})

    def name(self, names: Names, key: str, layer: str) -> None:
        """Write a name that is no attribute of a block, with its leader, where it was placed."""
        candidate = names.of(key)
        if candidate is None:
            return
        text = self.space.add_text(dxf_text(candidate.words.text), dxfattribs={"layer": layer, "style": text_style(candidate.words.bold)})
        self.place(text, candidate.words)
        self.leader(candidate.leader, layer)

    def place(self, text: Any, words: Words) -> None:
        """Give a text or attribute the place and height it has on the overview sheet."""
        text.dxf.height = self.paper(words.cap)
        text.dxf.rotation = math.degrees(words.turn - self.view.turn)
        place_text(text, self.at(self.view.on_site(words.at)), words.align, words.middle)

    def leader(self, leader: tuple[Point, Point] | None, layer: str) -> None:
        if leader is not None:
            start, end = (self.at(self.view.on_site(point)) for point in leader)
            self.space.add_line(start, end, dxfattribs={"layer": layer})

    def dimension(self, dimension: Dimension) -> None:
        rendered = self.space.add_aligned_dim(
            self.at(dimension.start),
            self.at(dimension.end),
            distance=dimension.offset / self.unit,
            text=dimension.text,
            dimstyle="SITE",
            dxfattribs={"layer": "DIMENSION"},
        )
        if dimension.beside is not None:
            rendered.set_location(self.at(dimension.beside), leader=True)
        rendered.render()
        drawn = rendered.dimension.get_geometry_block()
        lines = list(drawn.query("LINE")) if drawn is not None else []
        for line in lines:
            line.dxf.lineweight = 9  # the leader's would be the layer's otherwise, and a program's own where it knows none
        if dimension.beside is not None:
            near, far = (self.at(self.view.on_site(point)) for point in dimension_marks(dimension, self.view)[1].points[-2:])
            lines[-2].dxf.end, lines[-1].dxf.start, lines[-1].dxf.end = near, near, far  # the leader, no longer under the text than it is in our face


def _draw_site(pencil: _Pencil, site: Site) -> None:
    for water in site.waters:
        bulges = (*water.chain.bulges, 0.0)[: len(water.chain.vertices)]
        hatch = pencil.space.add_hatch(color=_BYLAYER, dxfattribs={"layer": "WATER-SURFACE"})
        hatch.transparency = 1 - TINT_SHARE
        hatch.paths.add_polyline_path([(*pencil.at(at), bulge) for at, bulge in zip(water.chain.vertices, bulges, strict=True)], is_closed=True)
    lines: tuple[FittedLine, ...] = (*site.waters, *site.copings, *site.decks, *site.walls, *site.joints, *site.drains, *site.utilities)
    for line in lines:
        pencil.chain(line.chain, line.code)
    for riser in site.risers:
        pencil.chain(riser.nosing, "STEP")
    for opening in site.openings:
        pencil.polyline(_frame_of(opening.jambs, pencil.view), "OPENING", close=True)
    for thing in (*site.objects, *site.point_hazards):
        pencil.chain(thing.outline, "OBJECT")


def _frame_of(jambs: tuple[Point, Point], view: View) -> list[Point]:
    """Return a door's or window's frame: from jamb to jamb, and broader than the wall's line on the sheet."""
    (x0, y0), (x1, y1) = jambs
    length, half = math.dist(*jambs) or 1.0, _JAMB * view.scale.ratio / 1000
    across = (-(y1 - y0) / length * half, (x1 - x0) / length * half)
    return [(x0 - across[0], y0 - across[1]), (x1 - across[0], y1 - across[1]), (x1 + across[0], y1 + across[1]), (x0 + across[0], y0 + across[1])]


def _draw_fence(pencil: _Pencil, layout: Layout) -> None:
    pencil.chain(layout.line, "FENCE-LINE")
    places = {hole.name: hole.place for hole in layout.holes}
    for panel in layout.panels:
        pencil.polyline([places[name] for name in panel.holes], "PANEL")


def _draw_holes(pencil: _Pencil, layout: Layout, names: Names) -> None:
    line = [hole for hole in layout.holes if hole.role != "pocket"]
    for index, hole in enumerate(layout.holes):
        before = line[index - 1] if hole.role != "pocket" and (index or layout.closed) else None
        after = line[(index + 1) % len(line)] if hole.role != "pocket" and (index + 1 < len(line) or layout.closed) else None
        heading = heading_at(hole, before, after) if before or after else 0.0
        insert = pencil.space.add_blockref(
            HOLE_BLOCKS[hole.role], pencil.at(hole.place), dxfattribs={"layer": "HOLE", "rotation": math.degrees(heading)}
        )
        values = {"PANEL": hole.carries, "ROLE": hole.role, "LEAN": lean_words(hole), "DEPTH": format_length(hole.depth, pencil.units)}
        _number(pencil, insert, hole.name, names)
        for tag, value in values.items():
            insert.add_attrib(
                tag, value, pencil.at(hole.place), dxfattribs={"layer": "HOLE", "flags": 1, "height": pencil.paper(1.0), "style": "SHEET"}
            )


def signs_of(drilling: Drilling | None) -> tuple[str, ...]:
    """Return the signs that the legend has to explain once the holes are drilled."""
    if drilling is None or not drilling.as_drilled:
        return ()
    return ("planned", "filled") if any(hole.state == "abandoned" for hole in drilling.holes) else ("planned",)


def draw_planned_holes(document: Drawing, drilling: Drilling | None, units: ReportUnits, view: View) -> None:
    """Mark where each hole was planned by a light cross, and holes given up by a crossed ring, each on a layer of its own."""
    if drilling is None or not drilling.as_drilled:
        return
    pencil = _Pencil(document.modelspace(), units, view)
    for hole in drilling.holes:
        if hole.planned is not None:
            pencil.cross(hole.planned, 0.9, "HOLE-PLANNED")
        given_up = hole.place or hole.planned
        if hole.state == "abandoned" and given_up is not None:
            pencil.space.add_circle(pencil.at(given_up), pencil.paper(0.7), dxfattribs={"layer": "HOLE-FILLED"})
            pencil.cross(given_up, 0.7, "HOLE-FILLED", slanted=True)


def _number(pencil: _Pencil, insert: Any, key: str, names: Names, *, tag: str = "NUMBER", layer: str = "HOLE-NUMBER") -> None:
    """Give a block its number as a hidden attribute, and write it where it was placed as text, which every reader shows."""
    insert.add_attrib(tag, key, insert.dxf.insert, dxfattribs={"layer": layer, "flags": 1, "style": "SHEET-BOLD", "height": pencil.paper(1.0)})
    pencil.name(names, key, layer)


def lean_words(hole: Hole) -> str:
    """Return a hole's lean in words, "plumb" or "2.5° away from pool"."""
    if hole.lean_toward == "plumb":
        return "plumb"
    side = "away from pool" if hole.lean_toward == "away" else "toward pool"
    return f"{math.degrees(hole.lean):.1f}° {side}"


def _draw_gate(pencil: _Pencil, gate: Gate, layout: Layout, names: Names) -> None:
    places = {hole.name: hole.place for hole in layout.holes}
    hinge, latch = places[gate.hinge_hole], places[gate.latch_hole]
    pencil.polyline((hinge, latch), "GATE")
    if gate.swing:
        pencil.polyline(gate.swing, "GATE", close=True)
    middle = ((hinge[0] + latch[0]) / 2, (hinge[1] + latch[1]) / 2)
    insert = pencil.space.add_blockref("GATE", pencil.at(middle), dxfattribs={"layer": "GATE"})
    _number(pencil, insert, gate.name, names, tag="NAME", layer="GATE-NAME")
    for tag, value in (("LEAF", format_length(gate.leaf, pencil.units)), ("OPENS", "away from pool")):
        insert.add_attrib(tag, value, pencil.at(middle), dxfattribs={"layer": "GATE", "flags": 1, "height": pencil.paper(1.0), "style": "SHEET"})


def _draw_mark(pencil: _Pencil, mark: Mark, names: Names) -> None:
    insert = pencil.space.add_blockref("MARK", pencil.at(mark.place), dxfattribs={"layer": "MARK", "rotation": -math.degrees(pencil.view.turn)})
    _number(pencil, insert, mark.name, names, tag="NAME", layer="MARK-NAME")
    level = "" if mark.elev is None else format_length(mark.elev, pencil.units)
    insert.add_attrib("LEVEL", level, pencil.at(mark.place), dxfattribs={"layer": "MARK", "flags": 1, "height": pencil.paper(1.0), "style": "SHEET"})


def dimension_choices(site: Site, layout: Layout, view: View, units: ReportUnits) -> tuple[tuple[Dimension, ...], ...]:
    """Return what may be dimensioned, fullest first: setbacks of the fabric and leaves of the gates, setbacks alone, one, none."""
    setbacks = _setback_dimensions(site, layout, view, units)
    return ((*setbacks, *_leaf_dimensions(layout, view, units)), tuple(setbacks), tuple(setbacks[:1]), ())


def _leaf_dimensions(layout: Layout, view: View, units: ReportUnits) -> list[Dimension]:
    """Dimension every gate's leaf, on the side away from the water, where the text has room."""
    places = {hole.name: hole.place for hole in layout.holes}
    offset = -4.0 * view.scale.ratio / 1000  # to the right of the walk
    pairs = [(places[gate.hinge_hole], places[gate.latch_hole]) for gate in layout.gates]
    found = [Dimension(hinge, latch, offset, dimension_text(math.dist(hinge, latch), units)) for hinge, latch in pairs]
    return [_readable(each, view) for each in found if _fits(each, view)]


def dimension_text(length: float, units: ReportUnits) -> str:
    """Return a length [m] as plans carry it: millimetres as a bare number, for the title strip names the unit."""
    return format_length(length, units).removesuffix(" mm")


def _readable(dimension: Dimension, view: View) -> Dimension:
    """Return the dimension, turned round where its text would stand on its head on the sheet."""
    heading = math.atan2(dimension.end[1] - dimension.start[1], dimension.end[0] - dimension.start[0]) + view.turn
    if not upright(heading)[1]:
        return dimension
    return Dimension(dimension.end, dimension.start, -dimension.offset, dimension.text, dimension.beside)


def _setback_dimensions(site: Site, layout: Layout, view: View, units: ReportUnits) -> list[Dimension]:
    """Dimension the fabric's distance to the water on up to four chords spread along the walk.

    Where no text has room between the two it stands outside the fence at the end of a leader, and only where that has none over the water.
    """
    fabric = fabric_obstacles(layout, view)
    every, midway = ([each for panel in layout.panels for each in _setbacks(panel, site, layout, units, share)] for share in (0.2, 0.5))
    aside = [[_led_aside(each, view, beyond_end=beyond_end) for each in midway] for beyond_end in (False, True)]
    between, outside, over_water = (
        [each for each in wanted if _is_clear(each, view, fabric)] for wanted in ([each for each in every if _fits(each, view)], *aside)
    )
    clear = between if len(between) >= _SETBACKS else outside or between or over_water
    step = max(1, math.ceil(len(clear) / _SETBACKS))
    return [_readable(each, view) for each in clear[step // 2 :: step]]


def _is_clear(dimension: Dimension, view: View, fabric: Obstacles) -> bool:
    """Say whether a dimension's text lies on the sheet and off the fence."""
    box = words_box(dimension_marks(dimension, view)[0])
    return inside(box, view.area) and not fabric.overlapped(box)


def _led_aside(dimension: Dimension, view: View, *, beyond_end: bool) -> Dimension:
    """Return the dimension with its text in line with it, beyond its end or before its start, at the end of a leader."""
    start, end = view.on_sheet(dimension.start), view.on_sheet(dimension.end)
    start, end = (start, end) if beyond_end else (end, start)
    heading = math.atan2(end[1] - start[1], end[0] - start[0])
    turn, _ = upright(heading)
    along, up = _LEADER + typeface.width(dimension.text, DIMENSION_CAP) / 2, DIMENSION_GAP + DIMENSION_CAP / 2
    at = (end[0] + math.cos(heading) * along - math.sin(turn) * up, end[1] + math.sin(heading) * along + math.cos(turn) * up)
    return msgspec.structs.replace(dimension, beside=view.on_site(at))


def _setbacks(panel: Panel, site: Site, layout: Layout, units: ReportUnits, share: float) -> list[Dimension]:
    """Return the setback of each inner chord of a panel at a share along it: a fifth is out of the way of its name, a half of the numbers."""
    places = {hole.name: hole.place for hole in layout.holes}
    found = []
    for first, second in pairwise(panel.holes[1:-1]):
        (x0, y0), (x1, y1) = places[first], places[second]
        middle = (x0 + share * (x1 - x0), y0 + share * (y1 - y0))
        chain, (station, distance) = min(((line.chain, line.chain.nearest(middle)) for line in site.waters), key=lambda pair: pair[1][1])
        if distance > 0.01:
            found.append(Dimension(middle, chain.point_at(station), 0.0, dimension_text(distance, units)))
    return found


def _fits(dimension: Dimension, view: View) -> bool:
    room = math.dist(dimension.start, dimension.end) * 1000 / view.scale.ratio
    return typeface.width(dimension.text, DIMENSION_CAP) + 0.8 < room


def dimension_marks(dimension: Dimension, view: View) -> tuple[Words, Stroke]:
    """Return the text and the line of a dimension as they stand on the sheet; to keep other labels off them."""
    start, end = view.on_sheet(dimension.start), view.on_sheet(dimension.end)
    heading = math.atan2(end[1] - start[1], end[0] - start[0])
    turn, _ = upright(heading)
    offset = dimension.offset * 1000 / view.scale.ratio
    middle = ((start[0] + end[0]) / 2 - math.sin(heading) * offset, (start[1] + end[1]) / 2 + math.cos(heading) * offset)
    at = (middle[0] - math.sin(turn) * (DIMENSION_GAP + DIMENSION_CAP / 2), middle[1] + math.cos(turn) * (DIMENSION_GAP + DIMENSION_CAP / 2))
    half = (math.cos(heading) * math.dist(start, end) / 2, math.sin(heading) * math.dist(start, end) / 2)
    line = ((middle[0] - half[0], middle[1] - half[1]), (middle[0] + half[0], middle[1] + half[1]))
    if dimension.beside is not None:
        at = view.on_sheet(dimension.beside)
        under = (at[0] + math.sin(turn) * (DIMENSION_GAP + DIMENSION_CAP / 2), at[1] - math.cos(turn) * (DIMENSION_GAP + DIMENSION_CAP / 2))
        reach = typeface.width(dimension.text, DIMENSION_CAP) / 2 + DIMENSION_GAP
        ends = [(under[0] + sign * math.cos(turn) * reach, under[1] + sign * math.sin(turn) * reach) for sign in (-1, 1)]
        line = (*line, *sorted(ends, key=lambda end: math.dist(end, middle)))  # type: ignore[assignment]  # of four points now
    return Words(text=dimension.text, at=at, cap=DIMENSION_CAP, align="centre", middle=True, turn=turn), Stroke(points=line)


def site_notes(site: Site, units: ReportUnits) -> tuple[Note, ...]:
    """Return what objects, doors and windows are, in words, each with its outline; heights and sills where they are known."""
    notes = [
        Note(_noted(_thing_words(thing), "high", thing.height, units), tuple((float(x), float(y)) for x, y in thing.outline.densified(_SAGITTA)))
        for thing in (*site.objects, *site.point_hazards)
    ]
    notes += [Note(_noted(one.kind.lower(), "sill", one.sill, units), one.jambs) for one in site.openings]
    return tuple(notes)


def _thing_words(thing: SiteObject) -> str:
    """Return what a crew called a thing, without the code and the figures it wrote beside it."""
    words = [word for word in thing.remark.split() if "=" not in word and not word.upper().startswith("OBJECT")]
    return " ".join(words) or "object"


def _noted(words: str, what: str, height: float | None, units: ReportUnits) -> str:
    return words if height is None else f"{words}, {what} {format_length(height, units)}"
