"""Panels as drawn in the shop: posts, screws, marks and cuts, latches, mass, labels."""

from __future__ import annotations

import itertools

import msgspec
import pytest

from pipeline.errors import JobError
from pipeline.fabrication.fabricate import fabricate
from pipeline.fabrication.panels import cut_at, panel_mass, screw_heights
from pipeline.units import INCH
from tests.unit.fabrication.made_nights import named_job, shop_job
from tests.unit.fabrication.straight_fences import straight_fence, with_gate

SIXTEENTH = INCH / 16
EXACT = 1e-9  # [m] binary fractions


def panel_of(layout, name, **options):
    drawings = {drawing.panel: drawing for drawing in fabricate(named_job("job", **options), layout).panels}
    return drawings[name]


def test_stock_panels_come_as_made():
    drawing = panel_of(straight_fence([("stock", [36.1, 36.0, 35.9, 36.0])]), "P01")
    assert (drawing.kind, drawing.made_from, drawing.mark, drawing.cut, drawing.trim_strips) == ("stock", "panel-5-48", None, None, 5)
    assert [pytest.approx(number * 36 * INCH, abs=EXACT) for number in range(5)] == list(drawing.post_stations)
    assert {"as made"} == {post.work for post in drawing.posts}


def test_custom_panels_follow_their_holes():
    drawing = panel_of(straight_fence([("custom", [30.0, 31.0, 29.5])]), "P01")
    assert [pytest.approx(at * INCH, abs=EXACT) for at in (0.0, 30.0, 61.0, 90.5)] == list(drawing.post_stations)
    assert drawing.mark == pytest.approx(90.5 * INCH, abs=EXACT)
    assert [f"H{number:03d}" for number in range(1, 5)] == [post.hole for post in drawing.posts]


@pytest.mark.parametrize("mark", [20.0, 20.03, 33.333, 90.5, 107.99])
def test_the_cut_lies_at_least_the_extra_beyond_the_mark_and_on_a_tape_mark(mark):
    cut = cut_at(shop_job().shop.panel, mark * INCH)
    assert -EXACT <= cut - mark * INCH - 4 * INCH < SIXTEENTH
    steps = (cut + 0.5 * INCH) / SIXTEENTH  # the whole piece, from the fabric's edge half an inch before the first post
    assert steps == pytest.approx(round(steps), abs=1e-6)


def test_screws_stand_in_pairs_at_the_ends_and_at_most_six_inches_apart():
    # 48 in: pairs at 1/2 and 1-1/2 in from each edge leave 45 in: 8 spaces of 5-5/8 in, 7 screws between; 4 + 7 = 11
    heights = [height / INCH for height in screw_heights(shop_job().shop.panel, 48 * INCH)]
    assert len(heights) == 11
    assert [pytest.approx(height) for height in (*heights[:2], *heights[-2:])] == [0.5, 1.5, 46.5, 47.5]
    assert all(above - below <= 6.0 + EXACT for below, above in itertools.pairwise(heights[1:-1]))


@pytest.mark.parametrize("height", [24.0, 48.0, 54.0, 60.0, 72.0])
def test_no_strip_has_a_wider_space_than_the_pitch(height):
    heights = screw_heights(shop_job().shop.panel, height * INCH)
    assert list(heights) == sorted(heights)
    assert max(above - below for below, above in itertools.pairwise(heights)) <= 6 * INCH + EXACT


def test_a_latch_takes_the_place_of_a_strip_screw():
    drawing = panel_of(straight_fence([("stock", [36.0] * 3)] * 3), "P02")
    assert drawing.screws == 4 * 11 - 2


def test_level_joints_are_latched_at_the_shops_height():
    drawing = panel_of(straight_fence([("stock", [36.0] * 3)] * 3), "P02")
    assert (drawing.latch_first_height, drawing.latch_last_height) == (46 * INCH, 46 * INCH)
    assert (drawing.latch_first, drawing.latch_last) == ("eye, 3' 10\" above the deck", "hook, 3' 10\" above the deck")


@pytest.mark.parametrize(("rise", "lower", "upper"), [(6.5, "P01", "P02"), (-6.5, "P02", "P01")])
def test_at_a_step_the_latch_is_level_and_so_lower_on_the_upper_side(rise, lower, upper):
    layout = straight_fence([("stock", [36.0] * 3)] * 2, rises={1: rise})
    ends = {"P01": panel_of(layout, "P01").latch_last_height, "P02": panel_of(layout, "P02").latch_first_height}
    assert ends[lower] == pytest.approx(46 * INCH, abs=EXACT)
    assert ends[upper] == pytest.approx(39.5 * INCH, abs=EXACT)
    words = {"P01": panel_of(layout, "P01").latch_last, "P02": panel_of(layout, "P02").latch_first}
    assert 'stepped joint J01, lowered 6-1/2"' in words[upper]
    assert "lowered" not in words[lower]


def test_ends_at_walls_and_at_gates_have_their_own_hardware():
    layout = straight_fence([("stock", [36.0] * 3), ("stock", [36.0] * 3)])
    assert panel_of(layout, "P01").latch_first.startswith("latch plate at the wall")
    assert panel_of(straight_fence([("stock", [36.0] * 3)], walls=False), "P01").latch_first == "none: free end"
    gated = with_gate(layout, "H005", "H006", "H007")
    assert panel_of(gated, "P01").latch_last.endswith("to the post of gate G1")


def test_mass_by_hand():
    # 4 posts over 108 in of 48 in fabric.  Fabric 109 x 48 in = 2.7686 x 1.2192 m = 3.37547712 m2 x 0.35 kg/m2 = 1.181417 kg.
    # Post 3-1/2 + 1/2 + 48 in = 52 in = 1.3208 m x 0.42 kg/m = 0.554736 kg, four of them 2.218944 kg.
    assert panel_mass(shop_job().shop, 108 * INCH, 48 * INCH, 4) == pytest.approx(1.181417 + 2.218944, abs=1e-6)


def test_the_code_block_names_job_panel_sizes_and_holes():
    layout = straight_fence([("custom", [30.0, 30.0])])
    fabrication = fabricate(named_job("heron-court"), layout)
    assert "heron-court|P01|1524.0|1219.2|H001|H003" == fabrication.labels[0].code == fabrication.panels[0].label
    assert fabrication.labels[0].lines == ("heron-court", "P01  custom  3 posts", "between its holes 5' 0\"  height 4' 0\"", "holes H001 to H003")
    assert "|".join(("panel-4-48 #1", "K01", "K01")) in fabrication.tickets[0].label


def test_a_custom_panel_from_a_stock_panel_as_a_recipe():
    # 28 + 28 in from a stock panel with posts at 0, 36, 72, 108 in: the first stays, the next two move, the fourth comes off
    drawing = panel_of(straight_fence([("custom", [28.0, 28.0])]), "P01")
    assert drawing.made_from == "panel-4-48 #1"
    assert [post.work for post in drawing.posts] == ["as made", "moved", "moved"]
    assert [None, pytest.approx(36 * INCH), pytest.approx(72 * INCH)] == [post.was for post in drawing.posts]
    text = " ".join(drawing.recipe)
    assert 'from 0" to ' in text and "both from the fabric's edge." in text
    assert "Post 2: take off the one at 3' 0\" from the first post, set it at 2' 4\" from the first post, fasten its trim strip again." in text
    assert "Mark the end post's centre at 4' 8\" from the first post's; cut at 5' 0\", 4\" beyond the mark." in text
    assert drawing.takes_off.startswith("4' 0-1/2\" of fabric, to the shelf, 1 post on it")


def test_a_shop_without_that_height_or_size_is_told_so():
    with pytest.raises(JobError) as fault:
        fabricate(shop_job(), straight_fence([("stock", [36.0] * 3)], height=72.0))
    assert fault.value.reasons[0].ref == "no-stock-high-enough"
    with pytest.raises(JobError) as fault:
        fabricate(shop_job(), straight_fence([("stock", [36.0] * 8)]))
    assert fault.value.reasons[0].ref == "no-stock-panel"


def test_a_piece_longer_than_all_stock_is_told_so():
    job = shop_job()
    without_rolls = {name: item for name, item in job.shop.stock.items() if item.kind != "roll"}
    job = msgspec.structs.replace(job, shop=msgspec.structs.replace(job.shop, stock=without_rolls))
    with pytest.raises(JobError) as fault:
        fabricate(job, straight_fence([("custom", [36.0] * 6)]))
    assert [reason.ref for reason in fault.value.reasons] == ["no-stock-long-enough"]
