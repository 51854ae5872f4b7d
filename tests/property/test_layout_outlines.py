"""Certificates on real and made outlines, checked by code that shares nothing with the search.

Objective: counted again from the panels and holes.  Bound: no set of panels shorter than the line leaves out could close it: by lengths alone,
whatever the order, a cheaper set of stock panels has to be too long or too short.
"""

from __future__ import annotations

import itertools
import json
import math

import numpy as np
import pytest

from pipeline.errors import SleevelineError
from pipeline.geometry.chain import polyline
from pipeline.intake.resolve import default_job
from pipeline.layout.lay_out import lay_out
from tests.made_sites import site_of
from tests.truth.outlines import random_outlines
from tests.unit.layout.readings import SIXTEENTH, broken_rules, cost_of, gates_off, give_of, nearest_fabric

JOB = default_job()
INCH = 0.0254


def real_outlines(checks_folder):
    rows = json.loads((checks_folder / "outlines.json").read_text(encoding="utf-8"))["outlines"]
    chains = [polyline([tuple(point) for point in row["local_xy_m"][:-1]], closed=True) for row in rows]
    return [chain if chain.area() > 0 else chain.reversed() for chain in chains]


def check(water) -> None:
    site = site_of(water, decks=())
    layout = lay_out(JOB, site)
    customs = sum(panel.kind == "custom" for panel in layout.panels)
    assert broken_rules(layout, JOB, site) == []
    assert nearest_fabric(layout, site) >= layout.setback - 0.001
    assert (customs, cost_of(layout, JOB)) == layout.certificate.objective[:2]
    assert layout.certificate.gap == 0.0
    assert layout.certificate.anywhere <= layout.certificate.objective[:2]
    assert give_of(layout, JOB) <= layout.certificate.objective[2] + SIXTEENTH
    assert gates_off(layout) <= layout.certificate.objective[3] + 0.002
    if customs == 0:
        assert cost_of(layout, JOB) >= cheapest_by_length(layout)


def cheapest_by_length(layout) -> float:
    """Least cost of stock panels whose lengths along the line could sum to the loop less its gate."""
    stock = {item.posts: item.price for item in JOB.shop.stock.values() if item.kind == "stock-panel" and abs(item.height - 48 * INCH) < 1e-4}
    longest = longest_per_spacing(layout.line)
    room = layout.line.length - layout.gates[0].leaf - 2 * 3 * INCH
    best = math.inf
    for counts in itertools.product(range(20), repeat=3):
        spacings = sum(count * (posts - 1) for count, posts in zip(counts, sorted(stock), strict=True))
        joints = (sum(counts) - 1) * 3 * INCH
        low, high = spacings * (36 - 0.25) * INCH + joints, spacings * longest + joints * 1.01
        if low - 0.05 <= room <= high + 0.05:  # the gate's leaf and joints may run a little longer along a bend
            best = min(best, sum(count * stock[posts] for count, posts in zip(counts, sorted(stock), strict=True)))
    return best


def longest_per_spacing(line) -> float:
    """Most length of line that one spacing of 36-1/4 in can span: sampled every 5 cm, found by halving."""
    worst = 0.0
    for station in np.arange(0.0, line.length, 0.05):
        start = line.point_at(float(station))
        low, high = 36.25 * INCH, 3.0
        for _ in range(25):
            middle = (low + high) / 2
            low, high = (low, middle) if math.dist(start, line.point_at(float(station + middle))) > 36.25 * INCH else (middle, high)
        worst = max(worst, high)
    return worst


@pytest.mark.outside(
    source="pools of OpenStreetMap (ODbL)", compares="promises and certificate of a layout round each, 5 of 19 outlines", tolerance="gap 0"
)
def test_some_real_pools(checks_folder):
    for water in real_outlines(checks_folder)[::4]:
        check(water)


@pytest.mark.long
@pytest.mark.outside(
    source="pools of OpenStreetMap (ODbL)", compares="promises and certificate of a layout round each, 19 outlines", tolerance="gap 0"
)
def test_all_real_pools(checks_folder):
    for water in real_outlines(checks_folder):
        check(water)


@pytest.mark.long
@pytest.mark.parametrize("index", range(38))
def test_made_pools(index):
    check(random_outlines(38)[index])


def test_a_hold_is_a_sentence_not_a_crash():
    """A pool no shop fences: 0.4 m of water, or a speck; held or laid out, never broken."""
    for side in (0.05, 0.4):
        tiny = polyline([(0, 0), (side, 0), (side, side), (0, side)], closed=True)
        try:
            layout = lay_out(JOB, site_of(tiny, decks=()))
        except SleevelineError as held:
            assert held.reasons[0].what
        else:
            assert layout.closed
