"""Small lines with coarse grids, small enough to be searched by other means: plain enumeration, and a mixed-integer program."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

import numpy as np

from pipeline.geometry.chain import Chain
from pipeline.intake.resolve import default_job
from pipeline.layout.grid import Grid, Measures, grid_of, stretch_nodes
from pipeline.layout.optimum import GateMoves, Way
from pipeline.layout.stretches import best_between
from pipeline.layout.walk import Walk, walk_of

SHOP = default_job().shop


@dataclass(frozen=True)
class SmallLine:
    walk: Walk
    grid: Grid
    sizes: Measures


def small_line(seed: int, *, longest: float) -> SmallLine:
    """A random line of straights and bends with random places no hole may take, and coarse sizes."""
    source = random.Random(seed)
    step = source.choice([0.05, 0.06])
    sizes = Measures(
        spacing=12 * step,
        give=2 * step,
        joint=2 * step,
        least=5 * step,
        step=step,
        stock=((3, 100), (4, 131)) if source.random() < 0.5 else ((2, 60), (3, 100), (4, 155)),
        custom=((22 * step, 100), (34 * step, 131)),
        height=1.2192,
    )
    walk = walk_of(_wiggly(source, source.uniform(0.5, 1.0) * longest))
    stations = stretch_nodes(0.0, walk.length, step)
    blocked = np.zeros(len(stations), dtype=bool)
    for _ in range(source.randint(0, 4)):
        middle = source.uniform(0.1, 0.9) * walk.length
        blocked |= np.abs(stations - middle) < source.uniform(0.5, 2.5) * step
    blocked[[0, -1]] = False
    off = np.maximum(0.0, source.uniform(-0.1, 0.1) + 0.1 * np.sin(stations * source.uniform(0.5, 2.0))) if source.random() < 0.5 else None
    return SmallLine(walk, grid_of(walk, stations, blocked, (), sizes, SHOP, off), sizes)


def _wiggly(source: random.Random, length: float) -> Chain:
    point, heading, run = (0.0, 0.0), source.uniform(0, 6), 0.0
    vertices, bulges = [point], []
    while run < length:
        part = source.uniform(0.6, 1.8)
        curvature = 0.0 if len(bulges) % 2 == 0 else source.choice([-1, 1]) * source.uniform(0.2, 0.9)
        sweep = curvature * part
        chord = part * (math.sin(sweep / 2) / (sweep / 2) if sweep else 1.0)
        point = (point[0] + chord * math.cos(heading + sweep / 2), point[1] + chord * math.sin(heading + sweep / 2))
        heading += sweep
        run += part
        vertices.append(point)
        bulges.append(math.tan(sweep / 4))
    return Chain(tuple(vertices), tuple(bulges))


def best_way(line: SmallLine, gates: tuple[GateMoves, ...] = ()) -> Way | None:
    """The best way, with custom panels only where whole ones do not close it."""
    found = (best_between(line.grid, line.sizes, gates, custom=custom) for custom in (False, True))
    return next((each.way for each in found if each), None)


def deviation_at(line: SmallLine, node: int) -> int:
    """What a hole at a node stands off the wanted line, in the units gates' moves are counted in."""
    return int(line.grid.hole_key[node])


def places(line: SmallLine) -> list[tuple[float, float]]:
    return [line.walk.chain.point_at(float(station)) for station in line.grid.stations]


def spacing_moves(line: SmallLine) -> dict[int, list[tuple[int, int]]]:
    """By plain loops: from every node the nodes one post spacing on, with the give as a tape reads it [1/16 in].

    The rule: 36 in +- half a grid step anywhere; where the line turns by 1 degree or more the opening of the posts' fan more, to one side.
    """
    points, sizes, chain = places(line), line.sizes, line.walk.chain
    headings = [chain.direction_at(float(station)) for station in line.grid.stations]
    found: dict[int, list[tuple[int, int]]] = {}
    for start, a in enumerate(points):
        for end in range(start + 1, len(points)):
            chord = math.dist(a, points[end])
            if line.grid.stations[end] - line.grid.stations[start] > 2 * sizes.spacing:
                break
            net = math.remainder(headings[end] - headings[start], 2 * math.pi)
            total = _turning(chain, float(line.grid.stations[start]), float(line.grid.stations[end]))
            give = _fan_give(net, line.grid.stations[end] - line.grid.stations[start], sizes) if total >= math.radians(1.0) else 0.0
            low = -give if net > 0 else 0.0
            high = give if net < 0 else 0.0
            slack = sizes.step / 2 + 1e-6
            off = chord - sizes.spacing
            bound = max(sizes.give, slack)
            if max(low - slack, -bound) <= off <= min(high + slack, bound) and _open(line, start, end):
                found.setdefault(start, []).append((end, round(abs(off) / (0.0254 / 16))))
    return found


def joint_moves(line: SmallLine) -> dict[int, list[int]]:
    """From every node the node whose joint leads there: the one nearest to a joint behind it, if within half a step."""
    points, sizes = places(line), line.sizes
    found: dict[int, list[int]] = {}
    for end in range(len(points)):
        near = [(abs(math.dist(points[start], points[end]) - sizes.joint), start) for start in range(end)]
        if near and min(near)[0] <= sizes.step / 2 + 1e-6 and _open(line, min(near)[1], end):
            found.setdefault(min(near)[1], []).append(end)
    return found


def custom_moves(line: SmallLine) -> dict[int, list[tuple[int, int]]]:
    """From every node the ends of custom panels with their price."""
    points, sizes = places(line), line.sizes
    found: dict[int, list[tuple[int, int]]] = {}
    for start in range(len(points)):
        for end in range(start + 1, len(points)):
            length = float(line.grid.stations[end] - line.grid.stations[start])
            prices = [price for longest, price in sizes.custom if length <= longest + 1e-6]
            if prices and math.dist(points[start], points[end]) >= sizes.least - 1e-6 and _open(line, start, end):
                found.setdefault(start, []).append((end, min(prices)))
    return found


def _open(line: SmallLine, *nodes: int) -> bool:
    return all(line.grid.open_nodes[node] for node in nodes)


def _fan_give(turn: float, length: float, sizes: Measures) -> float:
    """c h sin(lean) / 2R, with the lean of the default post for this turn; at most the shop's give."""
    post = SHOP.post
    inertia = math.pi * (post.diameter**4 - (post.diameter - 2 * post.wall) ** 4) / 64
    rotation = 2 * post.tension * math.sin(abs(turn) / 2) * sizes.height**2 / (8 * post.modulus * inertia)
    lean = min(max(rotation, post.lean[0]), post.lean[1]) * min(max((math.degrees(abs(turn)) - 1) / 3, 0), 1)
    return min(sizes.give, sizes.spacing * sizes.height * math.sin(lean) * abs(turn) / length / 2)


def _turning(chain: Chain, start: float, end: float) -> float:
    total, station = 0.0, 0.0
    for piece in chain.pieces():
        shared = min(end, station + piece.length) - max(start, station)
        total += abs(piece.curvature) * max(shared, 0.0)
        station += piece.length
    return total
