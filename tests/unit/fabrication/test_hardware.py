"""Hardware and epoxy against examples worked by hand: the arithmetic stands beside each."""

from __future__ import annotations

import math

import msgspec
import pytest

from pipeline.fabrication.fabricate import fabricate
from pipeline.fabrication.hardware import annulus_ml, holes_per_cartridge, packs_for
from pipeline.units import INCH
from tests.unit.fabrication.made_nights import named_job, shop_job
from tests.unit.fabrication.straight_fences import straight_fence, with_gate

INCH_3 = 16.387064  # [ml] in a cubic inch, exact


def order_of(layout, **options):
    return {line.item: line for line in fabricate(named_job("job", **options), layout).order}


def test_the_annulus_by_hand():
    # π/4 (1.5² - 1.375²) 3.5 in = 0.7853982 x (2.25 - 1.890625) x 3.5 = 0.7853982 x 0.359375 x 3.5 = 0.9878836 in3 = 16.1885 ml
    assert annulus_ml(1.5 * INCH, 1.375 * INCH, 3.5 * INCH) == pytest.approx(0.9878836 * INCH_3, rel=1e-6)


@pytest.mark.outside(
    source="ASME B36.10M, NPS 1 schedule 40 (from memory)", compares="metal area of a tube 1.315 in outside, 1.049 in inside", tolerance="0.001 in2"
)
def test_the_ring_area_against_a_pipe_table():
    """ASME B36.10M, welded and seamless wrought steel pipe: NPS 1, schedule 40: 1.315 in outside, 0.133 in wall, metal area 0.494 in2."""
    area = annulus_ml(1.315 * INCH, 1.049 * INCH, 1.0 * INCH) / INCH_3
    assert area == pytest.approx(0.494, abs=0.001)


@pytest.mark.outside(
    source="ASME B36.10M, NPS 1-1/2 schedule 40 (from memory)",
    compares="metal area of a tube 1.900 in outside, 1.610 in inside",
    tolerance="0.001 in2",
)
def test_the_ring_area_against_a_second_pipe():
    """ASME B36.10M: NPS 1-1/2, schedule 40: 1.900 in outside, 0.145 in wall, metal area 0.799 in2."""
    area = annulus_ml(1.9 * INCH, 1.61 * INCH, 1.0 * INCH) / INCH_3
    assert area == pytest.approx(0.799, abs=0.001)


def test_holes_per_cartridge_by_hand():
    # with 20 % waste a hole takes 16.1885 x 1.2 = 19.426 ml: 250 ml fill 12 holes; 20 min at 1.5 min a sleeve set 13: 12 it is
    shop = shop_job().shop
    assert holes_per_cartridge(shop, shop.stock["epoxy"]) == 12
    hurried = msgspec.structs.replace(shop.stock["epoxy"], working_time=10.0)  # 10 / 1.5 = 6.67
    assert holes_per_cartridge(shop, hurried) == 6


def test_epoxy_of_a_job_by_hand():
    # 3 panels of 4 posts: 12 holes x 16.1885 ml = 194.262 ml; 12 holes at 12 a cartridge: one cartridge
    layout = straight_fence([("stock", [36.0] * 3)] * 3)
    fabrication = fabricate(named_job("job"), layout)
    assert fabrication.epoxy_ml == pytest.approx(12 * 0.9878836 * INCH_3, rel=1e-6)
    assert fabrication.holes_per_cartridge == 12
    assert order_of(layout)["epoxy"].packs == 1


def test_a_job_by_hand():
    # Two stock panels of 5 posts and one of 4, wall to wall, a gate, one leaned hole:
    # 14 holes, 14 posts, 2 joints, 2 ends.  5 % spares: 14.7 sleeves, plugs and caps; 2.1 latches; 1.1 shims (10 %);
    # bits 14 x 0.025 = 0.35 on a slab not known; bags 14 x 0.03 = 0.42; brush 1.
    layout = with_gate(straight_fence([("stock", [36.0] * 4), ("stock", [36.0] * 4), ("stock", [36.0] * 3)]), "H005", "H006", "H007")
    holes = (msgspec.structs.replace(layout.holes[3], lean=math.radians(2.5), lean_toward="away"),)
    layout = msgspec.structs.replace(layout, holes=layout.holes[:3] + holes + layout.holes[4:])
    order = order_of(layout)
    needed = {
        "panel-5-48": 2, "panel-4-48": 1, "sleeve": 14.7, "sleeve-plug": 14.7, "post-cap": 14.7, "latch": 2.1, "gate-set": 1, "end-bracket": 2,
        "lean-shim": 1.1, "drill-bit": 0.35, "vacuum-bag": 0.42, "hole-brush": 1,
    }  # fmt: skip
    assert {item: pytest.approx(count) for item, count in needed.items()} == {item: order[item].needed for item in needed}
    assert (order["sleeve"].packs, order["sleeve"].price) == (1, 41.0)  # 14.7 of packs of 25
    assert "strip-screw" not in order  # nothing is fastened anew


def test_a_plain_slab_spares_the_bits():
    layout = straight_fence([("stock", [36.0] * 4)])
    job = shop_job()
    plain = msgspec.structs.replace(job.options.site, slab="plain")
    assert order_of(layout, site=plain)["drill-bit"].needed == pytest.approx(5 * 0.015)
    assert order_of(layout)["drill-bit"].needed == pytest.approx(5 * 0.025)


def test_screws_are_bought_for_posts_fastened_anew():
    # 28 + 28 in from a stock panel of four posts: two posts move, 11 screws each, 10 % spare: 24.2
    order = order_of(straight_fence([("custom", [28.0, 28.0])]))
    assert order["strip-screw"].needed == pytest.approx(24.2)


def test_what_is_bought_to_be_cut_is_told_apart():
    order = order_of(straight_fence([("stock", [36.0] * 3), ("custom", [28.0, 28.0])]))
    assert (order["panel-4-48"].needed, order["panel-4-48"].for_cutting) == (2.0, 1.0)


@pytest.mark.parametrize(("needed", "pack", "packs"), [(25.0, 25, 1), (25.0000001, 25, 2), (0.3 * 10 / 3, 1, 1), (0.001, 50, 1), (101, 50, 3)])
def test_packs_cover_the_need(needed, pack, packs):
    assert packs == packs_for(needed, pack)


def test_the_total_is_the_sum_of_the_lines():
    fabrication = fabricate(named_job("job"), straight_fence([("custom", [28.0, 28.0]), ("stock", [36.0] * 5)]))
    assert fabrication.total == pytest.approx(sum(line.price for line in fabrication.order), abs=0.005)
    assert all(line.price == pytest.approx(line.packs * line.unit_price, abs=0.005) for line in fabrication.order)
