"""Whole layouts on made sites: what they promise, what they hold for, and what the facts of the trade change."""

from __future__ import annotations

import math

import msgspec
import pytest

from pipeline.errors import LayoutError
from pipeline.geometry.chain import Chain, polyline
from pipeline.intake.resolve import default_job
from pipeline.layout.lay_out import _alternative, lay_out, with_setback
from pipeline.layout.measures import BEYOND
from pipeline.layout.records import _lean
from pipeline.model.rules import Limit, RulePack
from pipeline.model.site import FittedLine, GateWish, Opening, Riser, SiteObject
from pipeline.units import Angle, Length
from tests.made_sites import rectangle, round_ended, site_of
from tests.unit.layout.readings import INCH, broken_rules, cost_of, counted_again, gates_off, give_of, line_of, nearest_fabric, spans

JOB = default_job()
POOL = rectangle(9.0, 4.5)
GATE = (GateWish(name="G", place=(4.0, -0.8)),)
ELL = polyline([(0, 0), (10, 0), (10, 4), (5, 4), (5, 8), (0, 8)], closed=True)
KIDNEY = Chain(((0.0, 0.0), (2.0, 0.0), (4.0, 0.0), (4.0, 4.0), (0.0, 4.0)), (0.3, -0.5, 1.0, 0.0, 1.0), True)


def wall_site(**more):
    wall = FittedLine(code="WALL", chain=polyline([(-6.0, 5.1), (15.0, 5.1)]))
    return site_of(POOL, **{"walls": (wall,), "gates": GATE, "decks": (), **more})


def riser_site(*places: float):
    return site_of(POOL, gates=GATE, risers=tuple(Riser(line=str(number), nosing=polyline([(x, 4.4), (x, 7.5)]), height=0.15, sigma_height=0.002)
                                                    for number, x in enumerate(places, 1)))  # fmt: skip


def with_shop(**changes):
    """The default job with other shop values: tables and their new keys."""
    shop = JOB.shop
    for table, keys in changes.items():
        shop = msgspec.structs.replace(shop, **{table: msgspec.structs.replace(getattr(shop, table), **keys)})
    return msgspec.structs.replace(JOB, shop=shop)


def reason_of(site, job=JOB):
    with pytest.raises(LayoutError) as held:
        lay_out(job, site)
    return held.value.reasons[0]


@pytest.mark.parametrize("water", [POOL, round_ended(6.0, 2.0), ELL, KIDNEY], ids=["rectangle", "round ends", "L", "kidney"])
def test_a_loop_keeps_its_promises(water):
    site = site_of(water)
    layout = lay_out(JOB, site)
    assert broken_rules(layout, JOB, site) == []
    assert nearest_fabric(layout, site) == pytest.approx(layout.setback, abs=0.0005)  # nowhere nearer, somewhere exactly there
    assert (len([panel for panel in layout.panels if panel.kind == "custom"]), cost_of(layout, JOB)) == layout.certificate.objective[:2]
    assert layout.certificate.gap == 0.0
    assert sum(hole.turn for hole in line_of(layout)) == pytest.approx(2 * math.pi)


def test_from_wall_to_wall():
    layout = lay_out(JOB, wall_site())
    assert not layout.closed
    assert [end.clearance for end in layout.ends] == pytest.approx([1.5 * INCH] * 2, abs=INCH / 16)
    assert layout.holes[0].place[1] == pytest.approx(5.1 - 1.5 * INCH, abs=1e-6)
    assert layout.holes[0].place[0] == pytest.approx(-layout.setback - BEYOND, abs=1e-6)  # straight on to the wall
    assert broken_rules(layout, JOB, wall_site()) == []


def test_a_joint_straddles_every_riser():
    site = riser_site(4.0, 4.9)
    layout = lay_out(JOB, site)
    assert broken_rules(layout, JOB, site) == []
    straddling = [joint for joint in layout.joints if joint.riser]
    assert sorted(joint.riser for joint in straddling) == ["1", "2"]
    places = {hole.name: hole.east for hole in layout.holes}
    for joint in straddling:
        edge = {"1": 4.0, "2": 4.9}[joint.riser]
        assert sorted(places[name] - edge for name in (joint.before, joint.after)) == pytest.approx([-1.5 * INCH, 1.5 * INCH], abs=1e-6)
    assert len({hole.carries for hole in line_of(layout) if 4.0 < hole.east < 4.9 and hole.north > 4.5}) == 1


def test_no_hole_meets_a_joint_of_the_deck():
    joints = tuple(FittedLine(code="JOINT", line=str(k), chain=polyline([(x, -5.0), (x, -0.3)])) for k, x in enumerate((1.0, 2.2, 6.6)))
    site = site_of(POOL, joints=joints, gates=GATE)
    layout = lay_out(JOB, site)
    least = JOB.shop.sleeve.joint_distance + JOB.shop.sleeve.bore / 2
    for hole in layout.holes:
        assert min(joint.chain.nearest(hole.place)[1] for joint in joints) >= least - 0.001, hole.name
    assert broken_rules(layout, JOB, site) == []


def test_posts_of_a_custom_panel_keep_off_a_pipe_as_well():
    """12 in to either side of a pipe, wider than the posts of a panel stand apart: where a panel of custom length would reach over it is seen to."""
    pipes = tuple(FittedLine(code="UTILITY", line=str(k), chain=polyline([(x, -5.0), (x, -0.3)])) for k, x in enumerate((2.0, 3.7, 6.4)))
    site = wall_site(utilities=pipes, gates=(GateWish(name="G", place=(7.9, -0.8)),))
    layout = lay_out(JOB, site)
    assert broken_rules(layout, JOB, site) == []
    assert layout.certificate.objective[0] >= 1.0  # there is such a panel
    for hole in layout.holes:
        assert min(pipe.chain.nearest(hole.place)[1] for pipe in pipes) >= 12 * INCH - 0.002, hole.name


def test_two_waters_apart_get_one_fence():
    spa = Chain(((12.0, 2.0), (14.0, 2.0)), (1.0, 1.0), True)
    site = site_of(POOL, waters=(FittedLine(code="WATER", chain=POOL), FittedLine(code="WATER", line="2", chain=spa)), decks=())
    layout = lay_out(JOB, site)
    assert broken_rules(layout, JOB, site) == []
    assert max(hole.east for hole in layout.holes) > 14.7


def test_the_line_gives_way_before_an_object_and_says_so():
    planter = SiteObject(name="planter", outline=rectangle(1.0, 1.0, 3.5, -1.7))
    site = site_of(POOL, objects=(planter,))
    layout = lay_out(JOB, site)
    assert layout.least_setback - 0.001 <= nearest_fabric(layout, site) < layout.setback - 0.02
    assert "line-gave-way" in [warning.ref for warning in layout.warnings]
    for hole in layout.holes:
        assert planter.outline.nearest(hole.place)[1] >= JOB.shop.sleeve.bore / 2 - 1e-6, hole.name


def test_a_gate_is_proposed_with_a_warning():
    layout = lay_out(JOB, site_of(POOL))
    assert len(layout.gates) == 1
    assert [warning.ref for warning in layout.warnings] == ["no-gate-asked"]


@pytest.mark.parametrize(
    ("site", "customs"),
    [
        (
            site_of(
                POOL, objects=(SiteObject(name="planter", outline=rectangle(1.0, 1.0, 3.5, -1.7)),), gates=(GateWish(name="G", place=(9.8, 2.2)),)
            ),
            1,
        ),
        (riser_site(4.0, 4.9), 2),
        (wall_site(), 1),
        (site_of(POOL, gates=(*GATE, GateWish(name="H", place=(3.0, 5.3)))), 1),
    ],
    ids=["gives way", "risers", "wall to wall", "two gates"],
)
def test_the_certificate_counts_what_its_row_spends(site, customs):
    """All four levels, counted again by plain code from the row the certificate names; the holes as built read no more give."""
    layout = lay_out(JOB, site)
    assert layout.certificate.objective == pytest.approx(counted_again(layout, JOB), abs=1e-9)
    assert (layout.certificate.bound, layout.certificate.gap) == (layout.certificate.objective, 0.0)
    assert give_of(layout, JOB) <= layout.certificate.objective[2] + 1e-9
    assert layout.certificate.objective[0] >= customs  # sites that need custom panels: their cost and ends are counted too


def test_a_line_that_gives_way_counts_in_the_deviation():
    """Between two of the job's own: each hole's distance off the line as it would run with room everywhere, by plain code."""
    planter = SiteObject(name="planter", outline=rectangle(1.0, 1.0, 3.5, -1.7))
    free, site = site_of(POOL, gates=GATE), site_of(POOL, objects=(planter,), gates=(GateWish(name="G", place=(9.8, 2.2)),))
    layout = lay_out(JOB, site)
    wished = lay_out(JOB, free).line
    stock = {panel.name for panel in layout.panels if panel.kind == "stock"}
    ends = {name for panel in layout.panels for name in (panel.holes[0], panel.holes[-1])}
    counted = [hole for hole in line_of(layout) if hole.role != "gate" and (hole.carries in stock or hole.name in ends)]
    off = sum(wished.nearest(hole.place)[1] for hole in counted)
    assert off > 0.05
    assert layout.certificate.objective[3] == pytest.approx(off + gates_off(layout), abs=0.001 * (len(counted) + 1))


def test_alternatives_hold_the_jobs_own_setback():
    layout = lay_out(JOB, site_of(POOL, gates=GATE))
    assert all(other.proven for other in layout.alternatives if other.setback == layout.setback)
    own = [other for other in layout.alternatives if other.setback == layout.setback]
    assert [(other.custom_panels, other.cost) for other in own] == [layout.certificate.objective[:2]]
    assert [round(other.setback / INCH) for other in layout.alternatives] == [20, 25, 30, 35]
    assert [other.note for other in layout.alternatives] == [""] * 4
    assert all(other.proven for other in layout.alternatives)


@pytest.mark.parametrize("length", [6.0, 7.3])
def test_every_alternative_is_what_the_job_gets_at_that_setback(length):
    """The table is searched for custom panels and cost alone, from the nearest places first: the same figures as the whole search gives."""
    site = site_of(round_ended(length, 2.0), gates=GATE)
    for other in lay_out(JOB, site).alternatives:
        layout = lay_out(with_setback(JOB, other.setback), site)
        assert (other.custom_panels, other.cost) == layout.certificate.objective[:2]
        assert other.holes == len(layout.holes)
        assert other.least_margin == pytest.approx(nearest_fabric(layout, site) - layout.least_setback, abs=1e-4)


def test_the_best_setback_is_never_worse_than_the_wanted_one():
    free = default_job(fence={"setback": "best"})
    wanted, best = lay_out(JOB, site_of(POOL, gates=GATE)), lay_out(free, site_of(POOL, gates=GATE))
    assert best.setback >= wanted.setback
    assert best.certificate.objective[:2] <= wanted.certificate.objective[:2]


def test_a_setback_that_cannot_be_built_stands_in_the_table_with_its_reason():
    other = _alternative(with_setback(JOB, 35 * INCH), site_of(POOL, 0.4, gates=GATE))
    assert other.note.startswith("there is no room for a hole")  # without the coordinates a hold says first
    assert (other.setback, other.holes, other.proven) == (35 * INCH, 0, False)


# Sites that cannot be fenced: the right reason, the place, and by how much.


def test_held_deck_too_narrow():
    reason = reason_of(site_of(POOL, 0.4))
    assert reason.ref == "no-room-for-the-line"
    assert "the deck ends" in reason.what
    assert '"' in reason.what  # the shortfall in the job's own units


def test_held_wall_with_a_window_in_the_loops_only_way():
    window = Opening(kind="WINDOW", line="", jambs=((3.0, 5.1), (4.0, 5.1)), sill=0.8)
    reason = reason_of(wall_site(openings=(window,)), default_job(fence={"ends": "loop"}))
    assert reason.ref == "wall-in-the-loop"


def test_held_gate_wider_than_the_free_side():
    hedges = tuple(SiteObject(name=f"hedge {x}", outline=rectangle(0.5, 0.5, x, -1.7)) for x in (0.2, 1.6, 3.0, 4.4, 5.8, 7.2))
    reason = reason_of(site_of(POOL, objects=hedges, gates=(GateWish(name="G", place=(4.0, -0.8), leaf=4.0),)))
    assert reason.ref == "no-place-for-gate"


HEDGES = tuple(SiteObject(name=f"hedge {k}", outline=rectangle(0.5, 0.5, 1.25 * k, -1.7)) for k in range(8))  # 75 cm between them


def test_a_narrower_leaf_is_tried_where_the_shops_first_finds_no_place():
    layout = lay_out(JOB, site_of(POOL, objects=HEDGES, gates=GATE))
    assert [round(gate.leaf / INCH) for gate in layout.gates] == [30]
    assert "narrower-leaf" in [warning.ref for warning in layout.warnings]


def test_held_a_leaf_that_was_asked_for_stays_as_it_is():
    reason = reason_of(site_of(POOL, objects=HEDGES, gates=(GateWish(name="G", place=(4.0, -0.8), leaf=36 * INCH),)))
    assert reason.ref == "no-place-for-gate"


def test_held_riser_too_near_to_the_next():
    reason = reason_of(riser_site(4.0, 4.13))
    assert reason.ref == "tread-too-short"


def test_held_island():
    island = FittedLine(code="WATER", line="2", chain=rectangle(1.0, 1.0, 4.0, 2.0))
    assert reason_of(site_of(POOL, waters=(FittedLine(code="WATER", chain=POOL), island))).ref == "island"


def test_held_walls_that_leave_the_barrier_open():
    stubs = tuple(FittedLine(code="WALL", line=name, chain=polyline(ends)) for name, ends in
                  (("1", [(-6.0, 5.1), (3.0, 5.1)]), ("2", [(5.0, 5.1), (15.0, 5.1)])))  # fmt: skip
    assert reason_of(wall_site(walls=stubs)).ref in {"barrier-open", "several-fences"}


# The facts of the trade are the shop's values: another value, another result, and nothing else.


def kept(layout, job) -> dict[str, object]:
    """What a layout shows of every fact of the trade, each by itself."""
    stock = {panel.name for panel in layout.panels if panel.kind == "stock"}
    holes = {hole.name: hole for hole in layout.holes}
    off = [abs(one.to_next - 36 * INCH) for one, other in spans(layout) if one.carries == other.carries in stock]
    leaned = [hole.lean for hole in layout.holes if abs(math.degrees(hole.turn)) > 8 and hole.role == "inner"]
    return {
        "joint": {round(joint.gap / INCH, 1) for joint in layout.joints if not joint.riser},
        "riser": {round(joint.gap / INCH, 1) for joint in layout.joints if joint.riser},
        "ends": [round(end.clearance / INCH, 2) for end in layout.ends],
        "pocket": {round(math.dist(holes[gate.pocket_hole].place, holes[gate.latch_hole].place) / INCH, 3) for gate in layout.gates},
        "give": max(off) <= job.shop.panel.spacing_give + INCH / 32 + 1e-5,
        "lean": not leaned or (job.shop.post.lean[0] - 1e-9 <= min(leaned) and max(leaned) <= job.shop.post.lean[1] + 1e-9),
        "setback": layout.setback,
        "leaf": [round(gate.leaf / INCH) for gate in layout.gates],
    }


PLAIN = {"joint": {3.0}, "riser": set(), "ends": [], "pocket": {3.0}, "give": True, "lean": True, "setback": JOB.options.fence.setback, "leaf": [36]}


def test_the_facts_of_the_trade_as_they_ship():
    assert kept(lay_out(JOB, site_of(round_ended(6.0, 2.0), gates=GATE)), JOB) == PLAIN
    assert kept(lay_out(JOB, riser_site(4.0, 4.9)), JOB) == {**PLAIN, "riser": {3.0}}
    assert kept(lay_out(JOB, wall_site()), JOB) == {**PLAIN, "ends": [1.5, 1.5]}


def test_another_joint():
    job, site = with_shop(panel={"joint": Length(4 * INCH)}), site_of(round_ended(6.0, 2.0), gates=GATE)
    layout = lay_out(job, site)
    assert kept(layout, job) == {**PLAIN, "joint": {4.0}}
    assert broken_rules(layout, job, site) == []


def test_another_end_clearance_at_walls_and_risers():
    job = with_shop(panel={"end_clearance": Length(2.5 * INCH)})
    assert kept(lay_out(job, wall_site()), job) == {**PLAIN, "ends": [2.5, 2.5]}
    assert kept(lay_out(job, riser_site(4.0, 4.9)), job) == {**PLAIN, "riser": {5.0}}
    assert lay_out(job, site_of(POOL, gates=GATE)).holes == lay_out(JOB, site_of(POOL, gates=GATE)).holes  # without wall or riser nothing changes


def test_no_give_at_all():
    job, site = with_shop(panel={"spacing_give": Length(0.0)}), site_of(round_ended(6.0, 2.0), gates=GATE)
    layout = lay_out(job, site)
    assert kept(layout, job) == PLAIN
    assert give_of(layout, job) == 0.0


def test_more_give_is_used_on_curves_only():
    job, site = with_shop(panel={"spacing_give": Length(0.75 * INCH)}), site_of(Chain(((-2.6, 0.0), (2.6, 0.0)), (1.0, 1.0), True))
    layout = lay_out(job, site)
    assert kept(layout, job) == PLAIN
    straight = lay_out(job, site_of(POOL, gates=GATE))
    stock = {panel.name for panel in straight.panels if panel.kind == "stock"}
    inner = [(one, other) for one, other in spans(straight) if one.carries == other.carries in stock and one.role == other.role == "inner"]
    flat = [one.to_next for one, other in inner if abs(one.turn) + abs(other.turn) < 1e-6]
    assert flat == pytest.approx([36 * INCH] * len(flat), abs=INCH / 32 + 1e-5)


def test_another_lean_changes_leans_and_nothing_else():
    """Without give: the give is what the leaned posts open, so with it another lean moves holes too, as it should."""
    stiff = {"spacing_give": Length(0.0)}
    site = site_of(round_ended(6.0, 2.0), gates=GATE)
    before = lay_out(with_shop(panel=stiff), site)
    job = with_shop(panel=stiff, post={"lean": (Angle(math.radians(4.0)), Angle(math.radians(5.0)))})
    layout = lay_out(job, site)
    assert kept(layout, job) == PLAIN
    assert 4.0 <= math.degrees(max(hole.lean for hole in layout.holes)) <= 5.0
    assert 2.0 <= math.degrees(max(hole.lean for hole in before.holes)) <= 3.0
    upright = [msgspec.structs.replace(hole, lean=0.0) for hole in layout.holes]
    assert upright == [msgspec.structs.replace(hole, lean=0.0) for hole in before.holes]
    assert layout.panels == before.panels


def test_another_pocket():
    job = with_shop(gate={"pocket": Length(4 * INCH)})
    layout = lay_out(job, site_of(POOL, gates=GATE))
    assert kept(layout, job) == {**PLAIN, "pocket": {4.0}}
    assert line_of(layout) == line_of(lay_out(JOB, site_of(POOL, gates=GATE)))


def test_plumb_on_straights_and_leaned_on_curves():
    layout = lay_out(JOB, site_of(round_ended(6.0, 2.0)))
    for hole in layout.holes:
        if hole.role == "inner" and 1.0 < hole.east < 5.0 and abs(hole.turn) < 1e-6:
            assert hole.lean_toward == "plumb", hole.name
        if math.degrees(hole.turn) > 8.0:
            assert (hole.lean_toward, 2.0 <= math.degrees(hole.lean) <= 3.0) == ("away", True), hole.name


# Round the corners of a polygonal pool.


@pytest.mark.parametrize(("style", "turns"), [("mitred", [90.0] * 4), ("chamfered", [45.0] * 8)])
def test_corners_as_the_shop_wants_them(style, turns):
    job, site = with_shop(panel={"corner": style}), site_of(POOL, gates=GATE)
    layout = lay_out(job, site)
    assert broken_rules(layout, job, site) == []
    sharpest = sorted((math.degrees(hole.turn) for hole in layout.holes), reverse=True)[: len(turns)]
    assert sharpest == pytest.approx(turns, abs=13.0)  # arc and ramp beside a chamfer turn by the rest
    assert nearest_fabric(layout, site) == pytest.approx(layout.setback, abs=0.0005)


def test_a_rounded_line_costs_fewer_custom_panels_than_a_mitred_one():
    site = site_of(POOL, gates=GATE)
    rounded, mitred = (lay_out(with_shop(panel={"corner": style}), site).certificate.objective[0] for style in ("rounded", "mitred"))
    assert rounded < mitred


def test_where_a_rounded_line_has_no_room_a_mitred_one_is_tried():
    site = site_of(POOL, 0.7, gates=GATE)
    layout = lay_out(JOB, site)
    assert broken_rules(layout, JOB, site) == []
    assert {"other-corner", "line-gave-way"} <= {warning.ref for warning in layout.warnings}
    for hole in layout.holes:
        assert min(abs(hole.east + 0.7), abs(hole.east - 9.7), abs(hole.north + 0.7), abs(hole.north - 5.2)) >= 0.0952, hole.name


def capped_job(spacing: str, setback: str):
    """A job bound by a pack of its own that caps the post spacing and asks for a setback."""
    limits = tuple(
        Limit(id=quantity, clause="1", quantity=quantity, comparator=comparator, value=float(value), unit="in", certainty="read")
        for quantity, comparator, value in (("post-spacing", "max", spacing), ("setback", "min", setback))
    )
    pack = RulePack(id="own", jurisdiction="a town", document="its code", edition="1", kind="law", limits=limits)
    return msgspec.structs.replace(JOB, packs=(pack,))


def test_a_pack_that_caps_the_spacing_leaves_the_give_to_shorten_only():
    job, site = capped_job("36", "20"), site_of(round_ended(5.0, 2.2))
    widest = max(hole.to_next for hole in line_of(lay_out(job, site)) if hole.to_next and hole.role != "gate")
    assert widest <= 36 * INCH + 1e-9


def test_the_fabric_is_never_short_of_a_packs_setback_by_rounding():
    for asked in ("20", "30", "36"):
        layout = lay_out(capped_job("40", asked), site_of(round_ended(5.0, 2.2)))
        assert nearest_fabric(layout, site_of(round_ended(5.0, 2.2))) >= max(float(asked), 30.0) * INCH


def test_a_wish_below_the_packs_setback_is_raised_and_said():
    layout = lay_out(capped_job("40", "36"), site_of(round_ended(5.0, 2.2)))
    assert layout.setback == pytest.approx(36 * INCH)
    assert "setback-raised" in [warning.ref for warning in layout.warnings]


def test_no_hole_is_asked_to_lean_less_than_a_crew_can_set():
    """Over bends from 6 degrees in to 6 degrees out every lean is none at all, or 0.35 degrees and more."""
    turns = [math.radians(tenths / 10) for tenths in range(-60, 61)]
    leans = [_lean(turn, JOB) for turn in turns]
    assert all((lean == 0.0) == (side == "plumb") for lean, side in leans)
    assert min(lean for lean, side in leans if side != "plumb") >= math.radians(0.35)
