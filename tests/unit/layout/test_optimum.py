"""The dynamic program against plain enumeration of every way along small random lines."""

from __future__ import annotations

import pytest

from pipeline.layout.optimum import unpacked
from pipeline.layout.stretches import best_between
from tests.unit.layout.small_lines import SmallLine, custom_moves, joint_moves, small_line, spacing_moves

LONGEST = 4.2  # [m] beyond this the number of ways explodes


def enumerated(line: SmallLine) -> tuple[int, int, int] | None:
    """Every way from the first node to the last, one by one: the least (custom panels, cost, give)."""
    spacing, joint, custom = spacing_moves(line), joint_moves(line), custom_moves(line)
    posts_price = dict(line.sizes.stock)
    last = len(line.grid.stations) - 1
    best: list[tuple[int, int, int]] = []

    def stock_ends(node: int, posts: int, give: int):
        if posts in posts_price:
            yield node, posts_price[posts], give
        if posts < max(posts_price):
            for end, used in spacing.get(node, ()):
                yield from stock_ends(end, posts + 1, give + used)

    def panels_from(node: int, customs: int, cost: int, give: int) -> None:
        if best and (customs, cost) > best[0][:2]:
            return
        ends = [(end, 0, price, used) for end, price, used in stock_ends(node, 1, 0)]
        ends += [(end, 1, price, 0) for end, price in custom.get(node, ())]
        for end, more, price, used in ends:
            reached = (customs + more, cost + price, give + used)
            if end == last and (not best or reached < best[0]):
                best[:] = [reached]
            for start in joint.get(end, ()):
                panels_from(start, *reached)

    panels_from(0, 0, 0, 0)
    return best[0] if best else None


@pytest.mark.parametrize("block", range(8))
def test_against_every_way_there_is(block):
    found = 0
    for seed in range(block * 20, block * 20 + 20):
        line = small_line(seed, longest=LONGEST)
        way = best_between(line.grid, line.sizes, ())
        assert (None if way is None else unpacked(way.key)[:3]) == enumerated(line), seed
        found += way is not None
    assert found >= 8  # most of the lines can be laid out, or the comparison says little


def test_a_way_is_made_of_the_moves_it_says():
    for seed in range(40):
        line = small_line(1000 + seed, longest=8.0)
        way = best_between(line.grid, line.sizes, ())
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
