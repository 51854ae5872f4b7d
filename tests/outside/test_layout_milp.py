"""Panels and joints on medium lines as a mixed-integer program, solved by HiGHS: a second method for the layout's optimum.

Model: one binary for every panel that could be hung between two nodes (stock with its least give, or custom), one for every joint; flow in equals flow
out at every node, one unit goes from the first node to the last.  Minimised in turn: custom panels, cost, give, deviation.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_matrix, vstack

from pipeline.layout.optimum import unpacked
from tests.unit.layout.small_lines import SmallLine, best_way, custom_moves, deviation_at, joint_moves, small_line, spacing_moves


def stock_panels(line: SmallLine) -> list[tuple[int, int, int, int, int]]:
    """(start, end, price, least give, its deviation) of every stock panel that fits between two nodes: the least pair for every one."""
    moves = spacing_moves(line)
    found = []
    for start in range(len(line.grid.stations)):
        reach = {start: (0, deviation_at(line, start))} if line.grid.open_nodes[start] else {}
        for posts in range(2, line.sizes.most_posts + 1):
            further: dict[int, tuple[int, int]] = {}
            for node, (give, off) in reach.items():
                for end, used in moves.get(node, ()):
                    further[end] = min(further.get(end, (10**6, 0)), (give + used, off + deviation_at(line, end)))
            reach = further
            price = dict(line.sizes.stock).get(posts)
            if price is not None:
                found += [(start, end, price, *least) for end, least in reach.items()]
    return found


def by_highs(line: SmallLine) -> tuple[int, ...] | None:
    count = len(line.grid.stations)
    off = [deviation_at(line, node) for node in range(count)]
    arcs = [(start, count + end, 0, price, give, away) for start, end, price, give, away in stock_panels(line)]
    arcs += [(start, count + end, 1, price, 0, off[start] + off[end]) for start, ends in custom_moves(line).items() for end, price in ends]
    arcs += [(count + start, end, 0, 0, 0, 0) for start, ends in joint_moves(line).items() for end in ends]
    table = np.array(arcs)
    columns = np.arange(len(arcs))
    flow = csr_matrix((np.ones(len(arcs)), (table[:, 0], columns)), (2 * count, len(arcs)))
    flow -= csr_matrix((np.ones(len(arcs)), (table[:, 1], columns)), (2 * count, len(arcs)))
    supply = np.zeros(2 * count)
    supply[0], supply[-1] = 1, -1
    rows, low, high = [flow], [supply], [supply]
    answer = []
    for objective in table[:, 2:].T:
        limits = LinearConstraint(vstack(rows).tocsr(), np.concatenate(low), np.concatenate(high))
        solved = milp(objective, constraints=limits, bounds=Bounds(0, 1), integrality=np.ones(len(arcs)))
        if not solved.success:
            return None
        answer.append(round(solved.fun))
        rows, low, high = [*rows, csr_matrix(objective)], [*low, np.array([-np.inf])], [*high, np.array([solved.fun + 1e-6])]
    return tuple(answer)


@pytest.mark.outside(
    source="HiGHS (MILP, through SciPy)", compares="layout optimum on 44 medium lines: custom panels, cost, give, deviation", tolerance="equal"
)
@pytest.mark.parametrize("block", range(4))
def test_the_same_optimum_as_a_mixed_integer_program(block):
    found = 0
    for seed in range(500 + 11 * block, 511 + 11 * block):
        line = small_line(seed, longest=9.0)
        way = best_way(line)
        assert (None if way is None else unpacked(way.key)) == by_highs(line), seed
        found += way is not None
    assert found >= 5
