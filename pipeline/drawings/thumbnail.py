"""A small picture of the plan for the board: water, walls and fence as one SVG, without fonts or scripts."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.drawings.plan_view import bounds_of
from pipeline.geometry.chain import Chain, Point
from pipeline.model.layout import Layout
from pipeline.model.site import Site

_SIDE = 240.0  # [px] the longer side
_TOLERANCE = 0.02  # [m] between an arc and its lines


def plan_svg(site: Site, layout: Layout, *, complies: bool) -> str:
    """Return the plan as an SVG no larger than 240 px; the fence is broad, and dashed where it does not comply."""
    points = [hole.place for hole in layout.holes] + [point for line in site.waters for point in _points(line.chain)]
    left, bottom, right, top = bounds_of(points)
    pad = 0.06 * max(right - left, top - bottom)
    factor = _SIDE / (max(right - left, top - bottom) + 2 * pad)
    width, height = (right - left + 2 * pad) * factor, (top - bottom + 2 * pad) * factor

    def path(chain_points: Iterable[Point], closed: bool) -> str:
        moved = [f"{(x - left + pad) * factor:.1f} {height - (y - bottom + pad) * factor:.1f}" for x, y in chain_points]
        return "M" + "L".join(moved) + ("Z" if closed else "")

    places = {hole.name: hole.place for hole in layout.holes}
    water = " ".join(path(_points(line.chain), True) for line in site.waters)
    walls = " ".join(path(_points(line.chain), line.chain.closed) for line in site.walls)
    fabric = " ".join(path((places[name] for name in panel.holes), False) for panel in layout.panels)
    gates = " ".join(path((places[gate.hinge_hole], places[gate.latch_hole]), False) for gate in layout.gates)
    dash = "" if complies else ' stroke-dasharray="7 3"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height:.0f}" viewBox="0 0 {width:.1f} {height:.1f}" role="img">'
        f'<path d="{water}" fill="#e3eaf0" stroke="#1f4e79" stroke-width="1"/>'
        f'<path d="{walls}" fill="none" stroke="#555" stroke-width="3"/>'
        f'<path d="{fabric}" fill="none" stroke="#111" stroke-width="2.2"{dash}/>'
        f'<path d="{gates}" fill="none" stroke="#8a3b12" stroke-width="2.2" stroke-dasharray="2 2"/>'
        "</svg>\n"
    )


def _points(chain: Chain) -> list[Point]:
    return [(float(x), float(y)) for x, y in chain.densified(_TOLERANCE)]
