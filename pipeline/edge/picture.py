"""A picture of the fit: lines as fitted, each shot with its residual drawn larger, a scale bar, as SVG."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final
from xml.sax.saxutils import escape

import numpy as np

from pipeline.geometry.chain import Chain, Point
from pipeline.model.site import FittedLine, Residual, Site

WIDTH: Final = 900.0  # [px]
MARGIN: Final = 46.0  # [px]
MAGNIFIED: Final = 200.0  # [-] residuals are drawn this much larger than the plan, or less where they would cover it
LONGEST_WHISKER: Final = 60.0  # [px]
RING: Final = 4.5  # [px]
LETTER: Final = 6.4  # [px] width, and
LINE: Final = 13.0  # [px] from one line of text to the next
BARS: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)  # [m] lengths a scale bar may have
STYLE: Final = (
    ".water{stroke:#0b5cad;stroke-width:1.8}.deck{stroke:#8a8a8a}.coping{stroke:#5b9bd5;stroke-dasharray:5 3}"
    ".wall{stroke:#222;stroke-width:3}.riser{stroke:#8b5a00}.object{stroke:#777}.band{stroke:#0b5cad;stroke-opacity:.18}"
    ".whisker{stroke:#c0392b;stroke-width:1.2}.aside{stroke:#e67e22;stroke-width:1.2}line,path,circle{fill:none}"
    ".shot{fill:#c0392b;stroke:none}.off{fill:none;stroke:#e67e22;stroke-width:1.5}.join{fill:#fff;stroke:#0b5cad}"
    "text{font:11px sans-serif;fill:#333;stroke:#fff;stroke-width:3px;stroke-linejoin:round;paint-order:stroke}"
)


class _Sheet:
    """From plan coordinates [m] to the picture's [px]."""

    def __init__(self, lines: list[Chain]) -> None:
        points = np.vstack([line.densified(0.02) for line in lines])
        self.low, high = points.min(axis=0), points.max(axis=0)
        extent = np.maximum(high - self.low, 0.1)
        self.scale = min((WIDTH - 2 * MARGIN) / extent[0], (WIDTH - 2 * MARGIN) / extent[1])
        self.height = extent[1] * self.scale + 2 * MARGIN + 34
        self.top = high[1]

    def at(self, place: Point) -> tuple[float, float]:
        return MARGIN + (place[0] - float(self.low[0])) * self.scale, MARGIN + (float(self.top) - place[1]) * self.scale

    def path(self, chain: Chain) -> str:
        parts = ["M{:.1f} {:.1f}".format(*self.at(chain.vertices[0]))]
        for piece in chain.pieces():
            x, y = self.at(piece.end)
            if not piece.is_arc:
                parts.append(f"L{x:.1f} {y:.1f}")
                continue
            radius = piece.radius * self.scale
            large, sweeping = int(abs(piece.sweep) > math.pi), int(piece.bulge < 0)
            parts.append(f"A{radius:.1f} {radius:.1f} 0 {large} {sweeping} {x:.1f} {y:.1f}")
        return "".join(parts) + ("Z" if chain.closed else "")


def fit_picture(site: Site) -> str:
    """Return an SVG of the fitted lines with residual whiskers.

    Parameters
    ----------
    site : Site
        As fitted.

    Returns
    -------
    str
        A whole SVG document; the same text for the same site.
    """
    sheet = _Sheet([line.chain for line in (*site.waters, *site.copings, *site.decks, *site.walls)])
    largest = max((abs(row.offset) for line in site.waters for row in line.residuals if row.used), default=0.0)
    times = min(MAGNIFIED, LONGEST_WHISKER / (largest * sheet.scale)) if largest > 0 else MAGNIFIED
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:.0f} {sheet.height:.0f}" role="img">',
        "<title>The water's edge as fitted, with the residual of every shot</title>",
        f"<style>{STYLE}</style>",
        *_background(site, sheet),
    ]
    for line in site.waters:
        parts += _fit(line, sheet, times)
    parts += _legend(sheet, times, site)
    parts.append("</svg>\n")
    return "\n".join(parts)


def _background(site: Site, sheet: _Sheet) -> Iterator[str]:
    for kind, chains in (
        ("deck", [line.chain for line in site.decks]),
        ("coping", [line.chain for line in site.copings]),
        ("object", [thing.outline for thing in site.objects]),
        ("riser", [riser.nosing for riser in site.risers]),
        ("wall", [line.chain for line in site.walls]),
    ):
        for chain in chains:
            yield f'<path class="{kind}" d="{sheet.path(chain)}"/>'


def _fit(line: FittedLine, sheet: _Sheet, times: float) -> Iterator[str]:
    band = 2 * max(line.sigma_normals) * times * sheet.scale
    yield f'<path class="band" d="{sheet.path(line.chain)}" stroke-width="{min(2 * band, LONGEST_WHISKER):.1f}"/>'
    yield f'<path class="water" d="{sheet.path(line.chain)}"/>'
    ends = [_whisker(line, row, sheet, times) for row in line.residuals]
    taken = [(x - RING, y + RING, 2 * RING) for row, (_, (x, y)) in zip(line.residuals, ends, strict=True) if not row.used]
    for vertex in line.chain.vertices:
        x, y = sheet.at(vertex)
        yield f'<circle class="join" cx="{x:.1f}" cy="{y:.1f}" r="3"/>'
    for row, ((x0, y0), (x1, y1)) in zip(line.residuals, ends, strict=True):
        what = f"{row.point}: {row.offset * 1000:+.1f} mm" + ("" if row.used else ", set aside")
        kind, dot = ("whisker", "shot") if row.used else ("aside", "off")
        yield f'<line class="{kind}" x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}"/>'
        yield f'<circle class="{dot}" cx="{x1:.1f}" cy="{y1:.1f}" r="{2.2 if row.used else RING}"><title>{escape(what)}</title></circle>'
        if not row.used:
            said = f"{row.point}: {abs(row.offset):.3f} m"
            x, y = _free_place(x1 + 7, y1 + 4, len(said) * LETTER, taken)
            yield f'<text x="{x:.1f}" y="{y:.1f}">{escape(said)}</text>'


def _whisker(line: FittedLine, row: Residual, sheet: _Sheet, times: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return where the whisker of a shot begins on the line, and where it ends [px]."""
    bearing = line.chain.direction_at(row.station) + math.pi / 2
    x, y = sheet.at(line.chain.point_at(row.station))
    reach = max(min(row.offset * times * sheet.scale, LONGEST_WHISKER), -LONGEST_WHISKER)
    return (x, y), (x + reach * math.cos(bearing), y - reach * math.sin(bearing))


def _free_place(x: float, y: float, width: float, taken: list[tuple[float, float, float]]) -> tuple[float, float]:
    """Return where a text of some width [px] overlaps none set before: as far below as that asks; it is then taken."""
    while any(abs(y - other_y) < LINE and x < other_x + other_width and other_x < x + width for other_x, other_y, other_width in taken):
        y += 1.0
    taken.append((x, y, width))
    return x, y


def _legend(sheet: _Sheet, times: float, site: Site) -> Iterator[str]:
    bar = max((length for length in BARS if length * sheet.scale <= 160), default=BARS[0])
    y = sheet.height - 20
    yield f'<line x1="{MARGIN}" y1="{y:.1f}" x2="{MARGIN + bar * sheet.scale:.1f}" y2="{y:.1f}" stroke="#333" stroke-width="3"/>'
    spread = ", ".join(f"WATER{line.line} {line.sigma0 * 1000:.1f} mm" for line in site.waters)
    yield (
        f'<text x="{MARGIN}" y="{y + 14:.1f}">{bar:g} m; residuals and the band of two standard deviations drawn {times:.0f} times larger; '
        f"one shot about its line: {escape(spread)}</text>"
    )
    if any(not row.used for line in site.waters for row in line.residuals):
        yield f'<text x="{MARGIN}" y="{y - 8:.1f}">rings: shots set aside, drawn on their side of the line but not to scale; how far off is written beside them</text>'
