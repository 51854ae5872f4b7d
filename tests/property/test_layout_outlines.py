"""Certificates on real and made outlines, checked by code that shares nothing with the search.

Objective: counted again, all four levels, from the row the certificate names.  Bound: every row from every place of the gate is followed round by plain code
(`closed_rows`), and none is better.
"""

from __future__ import annotations

import json

import pytest

from pipeline.errors import SleevelineError
from pipeline.geometry.chain import Chain, polyline
from pipeline.intake.resolve import default_job
from pipeline.layout.lay_out import lay_out
from tests.made_sites import rectangle, round_ended, site_of
from tests.truth.outlines import random_outlines
from tests.unit.layout.closed_rows import better_rows
from tests.unit.layout.readings import broken_rules, counted_again, give_of, nearest_fabric

JOB = default_job()
REAL = 19  # real outlines


def real_outlines(checks_folder):
    rows = json.loads((checks_folder / "outlines.json").read_text(encoding="utf-8"))["outlines"]
    chains = [polyline([tuple(point) for point in row["local_xy_m"][:-1]], closed=True) for row in rows]
    return [chain if chain.area() > 0 else chain.reversed() for chain in chains]


def check(water, *, bound: bool = False) -> None:
    site = site_of(water, decks=())
    layout = lay_out(JOB, site)
    assert broken_rules(layout, JOB, site) == []
    assert nearest_fabric(layout, site) >= layout.setback - 0.001
    assert layout.certificate.objective == pytest.approx(counted_again(layout, JOB), abs=1e-9)
    assert give_of(layout, JOB) <= layout.certificate.objective[2] + 1e-9  # evened out, a tape reads no more
    assert (layout.certificate.bound, layout.certificate.gap) == (layout.certificate.objective, 0.0)
    assert layout.certificate.anywhere <= layout.certificate.objective[:2]
    if bound:
        assert rows_better_than(layout, water) == []


def rows_better_than(layout, water) -> list[str]:
    """Closed rows with a lesser objective than the certificate's, from either hand: every station, every place of the gate, all four levels."""
    (wanted,), leaf, line = layout.certificate.gates, layout.gates[0].leaf, layout.line
    leaf = min(JOB.shop.gate.leaf, key=lambda each: abs(each - leaf))
    hands = ((line, wanted, water), (seen_in_a_mirror(line), line.length - wanted, seen_in_a_mirror(water)))
    return [row for chain, gate, edge in hands for row in better_rows(chain, gate, float(leaf), edge, JOB, layout.certificate.objective)]


def seen_in_a_mirror(chain: Chain) -> Chain:
    return Chain(tuple((-x, y) for x, y in chain.vertices), tuple(-bulge for bulge in chain.bulges), chain.closed).reversed()


@pytest.mark.outside(
    source="pools of OpenStreetMap (ODbL)", compares="promises and certificate of a layout round each, 5 of 19 outlines", tolerance="gap 0"
)
def test_some_real_pools(checks_folder):
    for water in real_outlines(checks_folder)[::4]:
        check(water)


@pytest.mark.long
@pytest.mark.outside(
    source="pools of OpenStreetMap (ODbL)",
    compares="promises and certificate of a layout round each, 19 outlines, bound by other code",
    tolerance="gap 0",
)
@pytest.mark.parametrize("index", range(REAL))
def test_all_real_pools(checks_folder, index):
    outlines = real_outlines(checks_folder)
    assert len(outlines) == REAL
    check(outlines[index], bound=True)


@pytest.mark.long
@pytest.mark.parametrize("index", range(38))
def test_made_pools(index):
    check(random_outlines(38)[index], bound=True)


@pytest.mark.parametrize("water", [round_ended(1.2, 0.9), rectangle(3.0, 2.0)], ids=["round ends", "rectangle"])
def test_no_other_row_round_a_small_pool_is_better(water):
    check(water, bound=True)


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
