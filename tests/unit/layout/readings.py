"""What a layout says, read back from its holes and panels by plain code of its own."""

from __future__ import annotations

import itertools
import math

from pipeline.model.job import Job
from pipeline.model.layout import Hole, Layout
from pipeline.model.site import Site
from tests.truth.distances import chord_to_chain

INCH = 0.0254
SIXTEENTH = INCH / 16
STEP = INCH / 16  # the grid's


def line_of(layout: Layout) -> list[Hole]:
    return [hole for hole in layout.holes if hole.role != "pocket"]


def spans(layout: Layout) -> list[tuple[Hole, Hole]]:
    line = line_of(layout)
    return list(itertools.pairwise([*line, line[0]] if layout.closed else line))


def nearest_fabric(layout: Layout, site: Site) -> float:
    return min(chord_to_chain(one.place, other.place, water.chain) for one, other in spans(layout) for water in site.waters)


def cost_of(layout: Layout, job: Job) -> float:
    """Stock panels at their price; a custom panel at the price of the next stock panel it can be cut from, its length along the line."""
    stock = {
        item.posts: item.price / item.pack
        for item in job.shop.stock.values()
        if item.kind == "stock-panel" and abs(item.height - job.options.fence.height) < 1e-4
    }
    stations = {hole.name: hole.station for hole in layout.holes}
    lap = layout.line.length
    total = 0.0
    for panel in layout.panels:
        if panel.kind == "stock":
            total += stock[panel.posts]
            continue
        length = (stations[panel.holes[-1]] - stations[panel.holes[0]]) % lap
        enough = [price for posts, price in stock.items() if (posts - 1) * job.shop.panel.post_spacing - job.shop.panel.custom_extra >= length - 1e-5]
        total += min(enough)
    return total


def give_of(layout: Layout, job: Job) -> float:
    """Sum over stock spacings of the difference to the post spacing, to the nearest 1/16 in [m]."""
    stock = {panel.name for panel in layout.panels if panel.kind == "stock"}
    used = [
        abs(math.dist(one.place, other.place) - job.shop.panel.post_spacing) for one, other in spans(layout) if one.carries == other.carries in stock
    ]
    return sum(round(each / SIXTEENTH) for each in used) * SIXTEENTH


def gates_off(layout: Layout) -> float:
    """How far gates stand from where they were wished, along the line, in sum [m]."""
    places = {hole.name: hole.place for hole in layout.holes}
    total = 0.0
    for gate in layout.gates:
        if gate.wished_at is not None:
            (x0, y0), (x1, y1) = places[gate.hinge_hole], places[gate.latch_hole]
            off = layout.line.nearest(((x0 + x1) / 2, (y0 + y1) / 2))[0] - layout.line.nearest(gate.wished_at)[0]
            total += abs(math.remainder(off, layout.line.length)) if layout.closed else abs(off)
    return total


def counted_again(layout: Layout, job: Job) -> tuple[float, float, float, float]:
    """The four levels of the objective, from the row the certificate names: custom panels, cost, give and deviation, the last two in whole 1/16 in."""
    certificate, line, chain = layout.certificate, line_of(layout), layout.line
    stock = {panel.name for panel in layout.panels if panel.kind == "stock"}
    ends = {name for panel in layout.panels for name in (panel.holes[0], panel.holes[-1])}
    stations = dict(zip((hole.name for hole in line), certificate.stations, strict=True))
    places = {name: chain.point_at(station) for name, station in stations.items()}
    spacings = [(one, other) for one, other in spans(layout) if one.carries == other.carries in stock]
    give = sum(round(abs(math.dist(places[one.name], places[other.name]) - job.shop.panel.post_spacing) / SIXTEENTH) for one, other in spacings)
    off = 0
    if layout.wanted is not None:
        counted = [hole.name for hole in line if hole.role != "gate" and (hole.carries in stock or hole.name in ends)]
        off = sum(round(layout.wanted.nearest(places[name])[1] / SIXTEENTH) for name in counted)
    for gate, wanted in zip(layout.gates, certificate.gates, strict=True):
        apart = (
            (stations[gate.latch_hole] - stations[gate.hinge_hole]) % chain.length
            if layout.closed
            else stations[gate.latch_hole] - stations[gate.hinge_hole]
        )
        far = stations[gate.hinge_hole] + apart / 2 - wanted
        far = math.remainder(far, chain.length) if layout.closed else far
        off += math.ceil(abs(far) / SIXTEENTH - 0.5 - 1e-3)
    return (float(len(layout.panels) - len(stock)), cost_of(layout, job), give * SIXTEENTH, off * SIXTEENTH)


def broken_rules(layout: Layout, job: Job, site: Site) -> list[str]:
    """Everything a finished layout promises, as sentences where it does not hold."""
    panel, found = job.shop.panel, []
    stock = {each.name for each in layout.panels if each.kind == "stock"}
    for one, other in spans(layout):
        apart = math.dist(one.place, other.place)
        if one.to_next is None or abs(one.to_next - apart) > 1e-9:
            found.append(f"{one.name} does not measure to {other.name}")
        if one.carries == other.carries and one.carries in stock and abs(apart - panel.post_spacing) > panel.spacing_give + 1e-6:
            found.append(f"spacing after {one.name}: {apart:.4f}")
        if one.carries == other.carries and one.carries not in stock and one.role != "gate" and apart > panel.post_spacing + 1e-6:
            found.append(f"custom spacing after {one.name}: {apart:.4f}")
        if one.carries != other.carries and abs(apart - panel.joint) > STEP / 2 + 1e-6:
            found.append(f"joint after {one.name}: {apart:.4f}")
    for each in layout.panels:
        if each.kind == "stock" and each.posts not in panel.stock_posts:
            found.append(f"{each.name} has {each.posts} posts")
    if nearest_fabric(layout, site) < min(layout.setback, layout.least_setback or layout.setback) - 0.001:
        found.append("fabric nearer than the least setback")
    for gate in layout.gates:
        holes = {hole.name: hole for hole in layout.holes}
        leaf = math.dist(holes[gate.hinge_hole].place, holes[gate.latch_hole].place)
        if min(abs(leaf - each) for each in job.shop.gate.leaf) > STEP / 2 + 1e-6:
            found.append(f"{gate.name}: a leaf of {leaf:.4f}")
        if abs(math.dist(holes[gate.pocket_hole].place, holes[gate.latch_hole].place) - job.shop.gate.pocket) > 1e-6:
            found.append(f"{gate.name}: pocket hole")
        if holes[gate.pocket_hole].water >= holes[gate.latch_hole].water:
            found.append(f"{gate.name}: pocket hole not on the pool side")
    return found
