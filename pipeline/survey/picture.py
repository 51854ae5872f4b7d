"""A small picture of the points with numbers and codes, for whoever stands on the deck: SVG, made by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final
from xml.sax.saxutils import escape

from pipeline.model.survey import SurveyPoint
from pipeline.survey.completeness import is_closed, lines_of

WIDTH: Final = 900  # [px] of the picture without its margins
MARGIN: Final = 50
LABELLED: Final = 400  # points beyond this many get no labels, but for those in trouble
DRAWN: Final = 5000
COLOURS: Final = {"WATER": "#1769aa", "DECK": "#7a5c3e", "WALL": "#333333", "STEP": "#6d3fa0", "MARK": "#0a7a3c", "OBJECT": "#8a6d00"}
OTHER: Final = "#666666"
TROUBLE: Final = "#c62828"


def survey_picture(points: Sequence[SurveyPoint], title: str) -> str:
    """Return an SVG document: lines in the order shot, points with number and code, those in trouble ringed in red."""
    shown = [point for point in points if math.isfinite(point.east) and math.isfinite(point.north)][:DRAWN]
    if not shown:
        return _document(WIDTH, 80, [_text(MARGIN, 40, f"{title}: no points")])
    west, south = min(point.east for point in shown), min(point.north for point in shown)
    wide = max(max(point.east for point in shown) - west, 0.1)
    deep = max(max(point.north for point in shown) - south, 0.1)
    scale = WIDTH / max(wide, deep)
    height = deep * scale

    def at(point: SurveyPoint) -> tuple[float, float]:
        return MARGIN + (point.east - west) * scale, MARGIN + height - (point.north - south) * scale

    parts = [_text(MARGIN, 20, title, size=15)]
    for (code, _), line in lines_of(shown).items():
        corners = " ".join("{:.1f},{:.1f}".format(*at(point)) for point in line)
        tag = "polygon" if is_closed(code, line) else "polyline"
        parts.append(f'<{tag} points="{corners}" fill="none" stroke="{COLOURS.get(code, OTHER)}" stroke-width="1"/>')
    for point in shown:
        parts += _point(point, *at(point), labelled=len(shown) <= LABELLED)
    bar = 10 ** math.floor(math.log10(max(wide, deep) / 3))
    parts += [
        f'<path d="M{MARGIN} {MARGIN + height + 25:.1f}h{bar * scale:.1f}" stroke="black" stroke-width="2"/>',
        _text(MARGIN, MARGIN + height + 42, f"{bar:g} m, north is up"),
    ]
    return _document(MARGIN * 2 + wide * scale + 60, height + MARGIN * 2 + 10, parts)


def _point(point: SurveyPoint, x: float, y: float, *, labelled: bool) -> list[str]:
    trouble = point.state in ("suspect", "rejected")
    colour = COLOURS.get(point.code, OTHER)
    parts = [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.5" fill="{colour}"/>']
    if trouble:
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="8" fill="none" stroke="{TROUBLE}" stroke-width="2"/>')
    if labelled or trouble:
        parts.append(_text(x + 4, y - 4, f"{point.point} {point.code}{point.line}".strip(), colour=TROUBLE if trouble else colour, size=9))
    return parts


def _text(x: float, y: float, words: str, *, colour: str = "#000000", size: int = 11) -> str:
    printable = "".join(sign for sign in words[:80] if sign.isprintable())
    return f'<text x="{x:.1f}" y="{y:.1f}" font-family="sans-serif" font-size="{size}" fill="{colour}">{escape(printable)}</text>'


def _document(width: float, height: float, parts: Sequence[str]) -> str:
    head = f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height:.0f}" viewBox="0 0 {width:.0f} {height:.0f}">'
    return "\n".join([head, '<rect width="100%" height="100%" fill="white"/>', *parts, "</svg>", ""])
