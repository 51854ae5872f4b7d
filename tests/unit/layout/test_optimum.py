"""The dynamic program against plain enumeration of every way along small random lines."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from pipeline.geometry.chain import Chain
from pipeline.intake.resolve import default_job
from pipeline.layout.anywhere import least_anywhere
from pipeline.layout.gate_places import gate_sites
from pipeline.layout.gates import NEAR, REACH, places_for
from pipeline.layout.grid import grid_of, loop_nodes
from pipeline.layout.lay_out import drafted
from pipeline.layout.measures import measures_of
from pipeline.layout.optimum import CUSTOM_KEY, GateMoves, search, unpacked
from pipeline.layout.walk import walk_of
from pipeline.model.site import GateWish
from tests.made_sites import site_of
from tests.unit.layout.small_lines import SHOP, SmallLine, best_way, custom_moves, deviation_at, joint_moves, small_line, spacing_moves

JOB = default_job()
LONGEST = 4.2  # [m] beyond this the number of ways explodes


def enumerated(line: SmallLine, gate: GateMoves | None = None) -> tuple[int, int, int, int] | None:
    """Every way from the first node to the last, one by one: the least (custom panels, cost, give, deviation of holes and gate)."""
    spacing, joint, custom = spacing_moves(line), joint_moves(line), custom_moves(line)
    through: dict[int, list[tuple[int, int]]] = {}
    for after, before in enumerate(gate.from_nodes if gate else ()):
        if before >= 0 and line.grid.open_nodes[[before, after]].all():
            through.setdefault(int(before), []).append((after, int(gate.keys[after])))
    posts_price = dict(line.sizes.stock)
    last = len(line.grid.stations) - 1
    best: list[tuple[int, int, int, int]] = []

    def stock_ends(node: int, posts: int, give: int, off: int):
        if posts in posts_price:
            yield node, posts_price[posts], give, off
        if posts < max(posts_price):
            for end, used in spacing.get(node, ()):
                yield from stock_ends(end, posts + 1, give + used, off + deviation_at(line, end))

    def panels_from(node: int, customs: int, cost: int, give: int, move: int, passed: bool) -> None:
        if best and (customs, cost) > best[0][:2]:
            return
        ends = [(end, 0, price, used, off) for end, price, used, off in stock_ends(node, 1, 0, deviation_at(line, node))]
        ends += [(end, 1, price, 0, deviation_at(line, node) + deviation_at(line, end)) for end, price in custom.get(node, ())]
        for end, more, price, used, off in ends:
            reached = (customs + more, cost + price, give + used, move + off)
            if end == last and passed and (not best or reached < best[0]):
                best[:] = [reached]
            for start in joint.get(end, ()):
                panels_from(start, *reached, passed)
            for start, far in through.get(end, ()) if not passed else ():
                panels_from(start, *reached[:3], reached[3] + far, True)

    panels_from(0, 0, 0, 0, 0, gate is None)
    return best[0] if best else None


@pytest.mark.parametrize("block", range(8))
def test_against_every_way_there_is(block):
    found = 0
    for seed in range(block * 20, block * 20 + 20):
        line = small_line(seed, longest=LONGEST)
        way = best_way(line)
        assert (None if way is None else unpacked(way.key)) == enumerated(line), seed
        found += way is not None
    assert found >= 8  # most of the lines can be laid out, or the comparison says little


@pytest.mark.parametrize("block", range(2))
def test_with_a_gate_to_be_passed(block):
    found = 0
    for seed in range(300 + block * 15, 315 + block * 15):
        line = small_line(seed, longest=4.6)
        gate = made_gate(line, seed)
        way = best_way(line, (gate,))
        assert (None if way is None else unpacked(way.key)) == enumerated(line, gate), seed
        found += way is not None
    assert found >= 5


def made_gate(line: SmallLine, seed: int) -> GateMoves:
    """Places of a gate about the middle of a line, 8 steps wide, each with what it costs to be there."""
    nodes, source = len(line.grid.stations), random.Random(seed)
    before, keys = np.full(nodes, -1, dtype=np.intp), np.zeros(nodes, dtype=np.int64)
    middle = nodes // 2
    for after in range(max(middle - 12, 9), min(middle + 20, nodes)):
        before[after], keys[after] = after - 8, abs(after - middle) + source.randint(0, 3)
    return GateMoves(before, keys)


@pytest.mark.parametrize(("straight", "custom"), [(2.3, False), (3.7, False), (1.7, True)])
def test_the_best_place_of_a_loops_gate_is_the_best_of_all_its_places(straight, custom):
    """Branch and bound over the places of the gate a loop is cut at, against a search from every place by itself; by whole panels, or where none closes so with a custom one."""
    water = Chain(((0.0, -1.0), (straight, -1.0), (straight, 1.0), (0.0, 1.0)), (0.0, 1.0, 0.0, 1.0), True)
    sizes, site = measures_of(JOB), site_of(water, decks=(), gates=(GateWish(name="G", place=(0.9, -1.8)),))
    draft = drafted(JOB, site, sizes, both_hands=False)
    walk, wish = walk_of(draft.line), draft.laid.gates[0]
    margin = REACH + wish.leaf + 2 * sizes.joint
    stations = loop_nodes(walk, wish.station, wish.station - margin, wish.station + margin + walk.length, sizes.step)
    grid = grid_of(walk, stations, np.zeros(len(stations), dtype=bool), (), sizes, JOB.shop)
    places = gate_sites(places_for(walk, grid.stations, wish, wish.station, walk.length, sizes, NEAR), grid, wish, walk, JOB, site, NEAR)
    assert len(places.after) == 2 * math.floor(NEAR / sizes.step) + 1  # every station within reach
    assert draft.laid.key == min(_from_each(grid, sizes, places, custom=custom))
    assert bool(unpacked(draft.laid.key)[0]) is custom


def _from_each(grid, sizes, places, *, custom) -> list[int]:
    """Least key of a row from every place of a gate back to it, each searched by itself."""
    found: list[int] = []
    for first in range(0, len(places.after), 32):
        batch = range(first, min(first + 32, len(places.after)))
        starts = [[(int(places.after[place]), int(places.moves[place]))] for place in batch]
        run = search(grid, sizes, starts, custom=custom, must=custom)
        found += [run.best_end(row, [(int(places.before[place]), 0)])[0] for row, place in enumerate(batch)]
    return found


def test_the_bound_over_all_places_is_one():
    """What windows say of custom panels and cost is never more than what any grid reaches, coarse or fine."""
    seen = 0
    for seed in range(60):
        line = small_line(seed, longest=7.0)
        way = best_way(line)
        ends = [(np.array([station]), np.array([station])) for station in (0.0, line.walk.length)]
        bound = int(least_anywhere(line.walk, line.sizes, SHOP, *ends, (), 2 * CUSTOM_KEY)[0])
        assert way is None or bound <= way.key, seed
        seen += way is not None
    assert seen >= 30


def test_of_rows_with_two_custom_panels_the_bound_tells_the_number_only():
    """The windows do not follow a second custom panel, so they cannot say what two of them cost at least."""
    line, known = small_line(3, longest=7.0), 2 * CUSTOM_KEY + 10**12
    ends = [(np.array([station]), np.array([station])) for station in (0.0, 0.05)]  # nothing fits between them
    assert int(least_anywhere(line.walk, line.sizes, SHOP, *ends, (), known)[0]) == 2 * CUSTOM_KEY


@pytest.mark.parametrize("straight", [1.7, 2.3, 3.1])
def test_the_bound_over_all_places_of_a_loops_gate_is_met(straight):
    water = Chain(((0.0, -1.0), (straight, -1.0), (straight, 1.0), (0.0, 1.0)), (0.0, 1.0, 0.0, 1.0), True)
    laid = drafted(JOB, site_of(water, decks=(), gates=(GateWish(name="G", place=(0.9, -1.8)),)), measures_of(JOB)).laid
    assert unpacked(laid.anywhere)[:2] == unpacked(laid.key)[:2]


def test_a_way_is_made_of_the_moves_it_says():
    for seed in range(40):
        line = small_line(1000 + seed, longest=8.0)
        way = best_way(line)
        if way is None:
            continue
        spacing, joint, custom = spacing_moves(line), joint_moves(line), custom_moves(line)
        for start, end, kind in zip(way.holes, way.holes[1:], way.kinds, strict=False):
            ends = {
                "spacing": [each[0] for each in spacing.get(start, ())],
                "joint": joint.get(start, ()),
                "custom": [each[0] for each in custom.get(start, ())],
            }
            assert end in ends[kind], (seed, start, end, kind)
