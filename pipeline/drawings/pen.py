"""The second pen: sheets of the DXF document drawn on PDF pages by ezdxf's drawing add-on, as vectors and real text.

`SheetPen` is a back end of that add-on which draws on a reportlab canvas; `_WordsPipeline` hands text through as text instead
of outlines.  Lines are dashed by the PDF itself, with the line types' lengths taken as millimetres on paper.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from typing import Any

from ezdxf.addons.drawing.backend import Backend
from ezdxf.addons.drawing.config import BackgroundPolicy, ColorPolicy, Configuration, LinePolicy
from ezdxf.addons.drawing.frontend import UniversalFrontend
from ezdxf.addons.drawing.pipeline import RenderPipeline2d
from ezdxf.addons.drawing.properties import RenderContext
from ezdxf.document import Drawing
from ezdxf.fonts.font_face import FontFace
from ezdxf.fonts.font_measurements import FontMeasurements
from ezdxf.math import Vec2

from pipeline.drawings import typeface
from pipeline.geometry.chain import Point

_POINTS = 72 / 25.4  # points per millimetre
_FLATTENING = 0.02  # [mm] between a curve and the lines that stand for it where a window cuts it


def draw_sheet(canvas: Any, context: SheetContext, sheet: str) -> None:
    """Draw one paper-space sheet of the context's document on the current page of a reportlab canvas: its windows first, what is written over them then."""
    document = context.document
    configuration = Configuration(
        background_policy=BackgroundPolicy.OFF,
        color_policy=ColorPolicy.COLOR,
        line_policy=LinePolicy.SOLID,  # dashes are the PDF's own
        max_flattening_distance=_FLATTENING,
    )
    layout = document.layouts.get(sheet)
    pen = SheetPen(canvas, Vec2(layout.dxf_layout.dxf.limmin))
    canvas.saveState()
    canvas.setLineCap(1)
    canvas.setLineJoin(1)
    pipeline = WordsPipeline(pen)
    front_end = UniversalFrontend(context, pipeline, configuration)
    front_end.push_property_override_function(pipeline.hide_frozen)
    front_end.draw_layout(layout, finalize=False, filter_func=_is_window)
    front_end.draw_layout(layout, filter_func=lambda entity: not _is_window(entity))
    canvas.restoreState()


def _is_window(entity: Any) -> bool:
    return bool(entity.dxftype() == "VIEWPORT")


def _in_window(entity: Any, limits: tuple[Point, Point], margin: float) -> bool:
    """Say whether an entity can show in a window; what has no few points of its own always can."""
    points = _points_of(entity)
    if not points:
        return True
    (left, bottom), (right, top) = limits
    return not (
        max(x for x, _ in points) < left - margin
        or min(x for x, _ in points) > right + margin
        or max(y for _, y in points) < bottom - margin
        or min(y for _, y in points) > top + margin
    )


def _points_of(entity: Any) -> list[Point]:
    kind = entity.dxftype()
    if kind == "LINE":
        return [(entity.dxf.start.x, entity.dxf.start.y), (entity.dxf.end.x, entity.dxf.end.y)]
    if kind in ("INSERT", "TEXT"):
        return [(entity.dxf.insert.x, entity.dxf.insert.y)]
    if kind == "LWPOLYLINE" and not entity.has_arc:
        return [(x, y) for x, y in entity.get_points("xy")]
    return []


class SheetContext(RenderContext):
    """A document as it is drawn; resolves every text style to the sheets' own typeface, never to a font of the machine."""

    def __init__(self, document: Drawing) -> None:
        typeface.register()
        super().__init__(document)
        self.document = document

    def add_text_style(self, text_style: Any) -> None:
        name = text_style.dxf.name
        self.fonts[name.lower()] = FontFace(filename=typeface.face(name == "SHEET-BOLD"))


class SheetPen(Backend):
    """Draws the add-on's marks on a reportlab canvas; one unit is a millimetre, `corner` is the sheet's lower left in paper space."""

    def __init__(self, canvas: Any, corner: Vec2) -> None:
        super().__init__()
        self.canvas = canvas
        self._left, self._bottom = corner.x, corner.y
        self._set: tuple[Any, ...] = ()

    def _points(self, at: Any) -> tuple[float, float]:
        """Return a place of paper space on the page [points]."""
        return ((at.x - self._left) * _POINTS, (at.y - self._bottom) * _POINTS)

    def set_background(self, color: str) -> None:
        """Paper is white."""

    def clear(self) -> None:
        """A page is drawn once."""

    def draw_image(self, image_data: Any, properties: Any) -> None:
        raise NotImplementedError("the plan holds no images")

    def draw_point(self, pos: Any, properties: Any) -> None:
        """A point has no size on paper."""

    def draw_line(self, start: Any, end: Any, properties: Any) -> None:
        self._ready(properties)
        self.canvas.line(*self._points(start), *self._points(end))

    def draw_path(self, path: Any, properties: Any) -> None:
        if len(path):
            self._ready(properties)
            self.canvas.drawPath(self._outline([path]), stroke=1, fill=0)

    def draw_filled_paths(self, paths: Iterable[Any], properties: Any) -> None:
        outline = self._outline(path for path in paths if len(path))
        self.canvas.setFillColorRGB(*_rgb(properties.color))
        self.canvas.drawPath(outline, stroke=0, fill=1, fillMode=0)

    def draw_filled_polygon(self, points: Any, properties: Any) -> None:
        corners = points.vertices()
        if len(corners) < 3:
            return
        path = self.canvas.beginPath()
        path.moveTo(*self._points(corners[0]))
        for corner in corners[1:]:
            path.lineTo(*self._points(corner))
        path.close()
        self.canvas.setFillColorRGB(*_rgb(properties.color))
        self.canvas.drawPath(path, stroke=0, fill=1)

    def write(self, text: str, matrix: Any, cap: float, properties: Any) -> None:
        """Write a line of text whose baseline starts at the matrix' origin, with capitals `cap` high before it."""
        along = matrix.transform_direction((1, 0, 0))
        points = typeface.points_of(cap * along.magnitude)
        direction = along.normalize()
        origin = matrix.transform((0, 0, 0))
        line = self.canvas.beginText()
        bold = properties.font is not None and properties.font.filename == typeface.BOLD
        line.setFont(typeface.face(bold), points)
        line.setTextTransform(direction.x, direction.y, -direction.y, direction.x, *self._points(origin))
        line.textOut(typeface.printable(text))
        self.canvas.setFillColorRGB(*_rgb(properties.color))
        self.canvas.drawText(line)

    def _ready(self, properties: Any) -> None:
        """Set colour, width and dashes where they differ from what is set."""
        pattern = tuple(self.entity_stack[-1][1].linetype_pattern) if self.entity_stack else ()
        wanted = (properties.color, properties.lineweight, pattern)
        if wanted == self._set:
            return
        self._set = wanted
        self.canvas.setStrokeColorRGB(*_rgb(properties.color))
        self.canvas.setLineWidth(properties.lineweight * _POINTS)
        self.canvas.setDash([max(length, 0.05) * _POINTS for length in pattern])

    def _outline(self, paths: Iterable[Any]) -> Any:
        outline = self.canvas.beginPath()
        for path in paths:
            outline.moveTo(*self._points(path.start))
            for command in path.to_path().commands():
                self._continue(outline, command)
        return outline

    def _continue(self, outline: Any, command: Any) -> None:
        """Draw one command of an ezdxf path on a reportlab path."""
        end = self._points(command.end)
        if hasattr(command, "ctrl2"):
            outline.curveTo(*self._points(command.ctrl1), *self._points(command.ctrl2), *end)
        elif hasattr(command, "ctrl"):
            raise NotImplementedError("the plan's curves are lines and cubic curves")
        elif command.type.name == "MOVE_TO":
            outline.moveTo(*end)
        else:
            outline.lineTo(*end)


class Measures:
    """Measures text in the sheets' own typeface, whatever fonts the machine has."""

    def get_font_measurements(self, font_face: Any, cap_height: float = 1.0) -> FontMeasurements:
        descent = cap_height * typeface.DESCENT_RATIO / typeface.CAP_RATIO
        return FontMeasurements(baseline=0.0, cap_height=cap_height, x_height=cap_height * 0.77, descender_height=descent)

    def get_text_line_width(self, text: str, font_face: Any, cap_height: float = 1.0) -> float:
        return typeface.width(text, cap_height, bold=font_face.filename == typeface.BOLD)


class WordsPipeline(RenderPipeline2d):
    """The add-on's pipeline with text left as text."""

    text_engine = Measures()  # type: ignore[assignment]  # all that the front end asks of it
    frozen: frozenset[str] = frozenset()

    def draw_viewport(self, vp: Any, layout_ctx: Any, bbox_cache: Any = None) -> None:
        """Draw what can show in a window; numbers stand up to a quarter of its height away from their holes' places."""
        self.frozen = frozenset(vp.frozen_layers)
        back = vp.get_transformation_matrix()
        back.inverse()
        reach = [back.transform((corner.x, corner.y, 0)) for corner in vp.clipping_rect_corners()]
        low, high = (min(at.x for at in reach), min(at.y for at in reach)), (max(at.x for at in reach), max(at.y for at in reach))
        margin = 0.25 * (high[1] - low[1])
        shown = [entity for entity in vp.doc.modelspace() if entity.dxf.layer not in self.frozen and _in_window(entity, (low, high), margin)]
        if self.enter_viewport(vp):
            self.draw_entities(layout_ctx.from_viewport(vp), shown)
            self.exit_viewport()  # type: ignore[no-untyped-call]  # the add-on leaves it untyped
        self.frozen = frozenset()

    def hide_frozen(self, entity: Any, properties: Any) -> None:
        """Hide what lies on a layer frozen in the window; the add-on forgets that for the attributes of blocks."""
        if entity.dxf.layer in self.frozen:
            properties.is_visible = False

    def draw_text(self, text: str, transform: Any, properties: Any, cap_height: float, dxftype: str = "TEXT") -> None:
        if not text.strip():
            return
        matrix = transform
        if self.clipping_portal.is_active:
            middle = transform.transform((typeface.width(text, cap_height) / 2, cap_height / 2, 0))
            if self.clipping_portal.clip_point(Vec2(middle)) is None:
                return
            matrix = self.clipping_portal.transform_matrix(transform.copy())
        self.backend.write(text, matrix, cap_height, properties)  # type: ignore[attr-defined]  # our own pen


@cache
def _rgb(colour: str) -> tuple[float, float, float]:
    """Return what a colour, #rrggbb or #rrggbbaa, looks like on white paper."""
    red, green, blue, share = (int(colour[at : at + 2] or "ff", 16) / 255 for at in (1, 3, 5, 7))
    return tuple(1 - share * (1 - part) for part in (red, green, blue))  # type: ignore[return-value]  # three of them
