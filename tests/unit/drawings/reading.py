"""Reading sheets back as a viewer shows them: lines of text as turned boxes, strokes by width; all in mm from the lower left."""

from __future__ import annotations

import math

import msgspec
import pymupdf
from shapely import LineString, Polygon, STRtree

MM = 25.4 / 72
CAP, DROP = 0.69, 0.22  # of the font size: height of capitals, depth of descenders
DESCENDERS = set("gjpqy(),;/Qµ")


class Text(msgspec.Struct, frozen=True):
    words: str
    box: tuple[tuple[float, float], ...]

    @property
    def polygon(self) -> Polygon:
        return Polygon(self.box)


class Line(msgspec.Struct, frozen=True):
    start: tuple[float, float]
    end: tuple[float, float]
    width: float


def pages_of(content: bytes) -> list[pymupdf.Page]:
    document = pymupdf.open(stream=content, filetype="pdf")
    return list(document)


def texts(page: pymupdf.Page) -> list[Text]:
    """Every run of text as the box its letters fill."""
    found = []
    for block in page.get_text("rawdict")["blocks"]:
        for line in block.get("lines", ()):
            for span in line["spans"]:
                text = _text(page, line["dir"], span)
                if text is not None:
                    found.append(text)
    return found


def _text(page, direction, span) -> Text | None:
    letters = [letter for letter in span["chars"] if letter["c"].strip()]
    if not letters:
        return None
    words = "".join(letter["c"] for letter in span["chars"]).strip()
    along, up = (direction[0], -direction[1]), (direction[1], direction[0])  # a page's y runs down
    first, last = letters[0], letters[-1]
    font = _font(span["font"])
    length = math.dist(first["origin"], last["origin"]) + font.text_length(last["c"], span["size"])
    low = -DROP * span["size"] if DESCENDERS & set(words) else 0.0
    x, y = first["origin"][0], page.rect.height - first["origin"][1]
    corners = ((0, low), (length, low), (length, CAP * span["size"]), (0, CAP * span["size"]))
    return Text(words, tuple(((x + a * along[0] + b * up[0]) * MM, (y + a * along[1] + b * up[1]) * MM) for a, b in corners))


def _font(name: str) -> pymupdf.Font:
    import pymupdf_fonts

    return _FONTS.setdefault(name, pymupdf.Font(fontbuffer=pymupdf_fonts.myfont("figbo" if "Bold" in name else "figo")))


_FONTS: dict[str, pymupdf.Font] = {}


def lines(page: pymupdf.Page) -> list[Line]:
    height = page.rect.height
    found = []
    for drawing in page.get_drawings():
        if drawing["width"] is None:
            continue
        for item in drawing["items"]:
            if item[0] == "l":
                found.append(Line((item[1].x * MM, (height - item[1].y) * MM), (item[2].x * MM, (height - item[2].y) * MM), drawing["width"] * MM))
    return found


def overlapping(found: list[Text], least: float = 0.06) -> list[tuple[str, str]]:
    """Pairs of texts that share more than `least` [mm²]."""
    shapes = [text.polygon for text in found]
    tree = STRtree(shapes)
    pairs = []
    for index, other in zip(*tree.query(shapes, predicate="intersects"), strict=True):
        if index < other and shapes[index].intersection(shapes[other]).area > least:
            pairs.append((found[index].words, found[other].words))
    return pairs


def on_lines(found: list[Text], drawn: list[Line]) -> list[str]:
    """Texts that a line runs through."""
    if not drawn:
        return []
    tree = STRtree([LineString((line.start, line.end)) for line in drawn])
    return sorted({found[index].words for index in tree.query([text.polygon for text in found], predicate="intersects")[0]})


def outside(found: list[Text], width: float, height: float, margin: float) -> list[str]:
    """Texts that reach over the margin [mm]."""
    return [text.words for text in found if any(not (margin <= x <= width - margin and margin <= y <= height - margin) for x, y in text.box)]
