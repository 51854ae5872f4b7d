"""Fences made by hand, as layout, fabrication and compliance would hand them on; for tests of the sheets and the package."""

from __future__ import annotations

import itertools
import math

from pipeline.geometry.chain import Chain
from pipeline.intake.resolve import default_job
from pipeline.model.compliance import Caution, Check, Compliance, NotApplicable
from pipeline.model.fabrication import Cut, CuttingProof, Demand, Fabrication, OrderLine, PanelDrawing
from pipeline.model.job import InputFile, Job
from pipeline.model.layout import Certificate, CheckDistance, FenceEnd, Gate, Hole, Joint, Layout, Panel, TapeTie
from pipeline.model.site import Site
from pipeline.model.survey import Frame, Survey, SurveyPoint

SPACING = 0.9144  # [m]
JOINT = 0.0762
HEIGHT = 1.2192


def walk_chords(line: Chain, chords: list[float], start: float = 0.0) -> list[tuple[float, tuple[float, float]]]:
    """Step along a chain by straight chords [m]; returns (station, place) of every step, the start included."""
    steps = [(start, line.point_at(start))]
    for chord in chords:
        low, high = steps[-1][0], steps[-1][0] + 2.0 * chord
        for _ in range(60):
            middle = (low + high) / 2
            if math.dist(line.point_at(middle), steps[-1][1]) < chord:
                low = middle
            else:
                high = middle
        steps.append((low, line.point_at(low)))
    return steps


def stock_run(length: float) -> list[int]:
    """Posts of the panels, with the 3 in joints between them, that take up `length` [m] but for less than a panel."""
    posts: list[int] = []
    used = 0.0
    while used + 3 * SPACING + JOINT < length:
        posts.append(4 if length - used < 5 * SPACING else 6 if length - used > 30 else 5)
        used += (posts[-1] - 1) * SPACING + JOINT
    return posts


def made_layout(site: Site, line: Chain, *, gate_after: int | None = 1, unit_marks: tuple[str, str] = ("M1", "M2")) -> Layout:
    """A fence of stock panels on a closed line, its rest made up by a custom panel, with a gate after one of the panels."""
    holes: list[Hole] = []
    panels: list[Panel] = []
    joints: list[Joint] = []
    gates: list[Gate] = []
    marks = {mark.name: mark for mark in site.marks}
    leaf = SPACING
    station = 0.0
    rest = line.length if gate_after is None else line.length - leaf
    counts = stock_run(rest)
    while sum((count - 1) * SPACING + JOINT for count in counts) > rest - 0.6:
        counts.pop()

    def add(at: float, panel: str, role: str) -> Hole:
        place = line.point_at(at)
        water = min(each.chain.nearest(place)[1] for each in site.waters)
        ties = tuple(TapeTie(mark=name, distance=math.dist(marks[name].place, place)) for name in unit_marks if name in marks)
        hole = Hole(
            name=f"H{len(holes) + 1:03d}", carries=panel, role=role, station=at, east=place[0], north=place[1], elev=30.0, to_next=0.0,
            water=water, bore=0.0381, depth=0.0889, ties=ties, tie_sigma=0.003,
        )  # fmt: skip
        holes.append(hole)
        return hole

    def add_panel(stations: list[float], kind: str, posts: int | None) -> None:
        name = f"P{len(panels) + 1:02d}"
        own = [add(at, name, "end" if index in (0, len(stations) - 1) else "inner") for index, at in enumerate(stations)]
        length = sum(math.dist(first.place, second.place) for first, second in itertools.pairwise(own))
        panels.append(Panel(name=name, kind=kind, holes=tuple(hole.name for hole in own), length=length, height=HEIGHT, stock_posts=posts))

    for index, count in enumerate(counts):
        steps = walk_chords(line, [SPACING] * (count - 1), station)
        add_panel([at for at, _ in steps], "stock", count)
        if index == gate_after:
            (_, _), (latch_at, latch) = walk_chords(line, [leaf], steps[-1][0])
            hinge = holes[-1]
            holes[-1] = hinge = _replaced(hinge, role="gate")
            side = math.atan2(latch[1] - hinge.north, latch[0] - hinge.east)
            pocket = (hinge.east - math.sin(side) * JOINT, hinge.north + math.cos(side) * JOINT)
            swing = tuple(
                (hinge.east + leaf * math.cos(side - angle), hinge.north + leaf * math.sin(side - angle))
                for angle in (0.0, 0.4, 0.8, 1.2, math.pi / 2)
            )
            gates.append(Gate(name="G1", hinge_hole=hinge.name, latch_hole="", pocket_hole="", leaf=leaf, swing=((hinge.east, hinge.north), *swing)))
            gate_pocket = pocket
            station = latch_at
        else:
            station = walk_chords(line, [JOINT], steps[-1][0])[-1][0]
    end = line.length - 0.0762
    chord_count = max(1, math.ceil((end - station) / SPACING))
    add_panel([station + (end - station) * index / chord_count for index in range(chord_count + 1)], "custom", None)

    holes = _finished(holes)
    if gates:
        after = next(index for index, hole in enumerate(holes) if hole.name == gates[0].hinge_hole) + 1
        holes[after] = _replaced(holes[after], role="gate")
        pocket_hole = _replaced(
            holes[after - 1], name=f"H{len(holes) + 1:03d}", role="pocket", carries="G1", east=gate_pocket[0], north=gate_pocket[1],
            to_next=None, turn=0.0, lean=0.0, lean_toward="plumb",
        )  # fmt: skip
        gates = [_replaced(gates[0], latch_hole=holes[after].name, pocket_hole=pocket_hole.name)]
        holes.append(pocket_hole)
    by_name = {hole.name: hole for hole in holes}
    gate_pairs = {(gate.hinge_hole, gate.latch_hole) for gate in gates}
    for index, panel in enumerate(panels):
        pair = (panel.holes[-1], panels[(index + 1) % len(panels)].holes[0])
        if pair not in gate_pairs:
            gap = math.dist(by_name[pair[0]].place, by_name[pair[1]].place)
            joints.append(Joint(name=f"J{len(joints) + 1:02d}", before=pair[0], after=pair[1], gap=gap, latch_height=1.168))
    checks = tuple(
        CheckDistance(first=holes[index].name, second=holes[(index + len(holes) // 2) % (len(holes) - 1)].name, distance=1.0)
        for index in range(0, len(holes) // 2, max(1, len(holes) // 6))
    )
    checks = tuple(_replaced(each, distance=math.dist(by_name[each.first].place, by_name[each.second].place)) for each in checks)
    return Layout(
        line=line, setback=0.762, least_setback=0.508, closed=True, holes=tuple(holes), panels=tuple(panels), joints=tuple(joints),
        gates=tuple(gates), check_distances=checks, certificate=Certificate(objective=(1,), bound=(1,), gap=0.0, method="by hand"),
    )  # fmt: skip


def _finished(holes: list[Hole]) -> list[Hole]:
    done = []
    for index, hole in enumerate(holes):
        before, after = holes[index - 1], holes[(index + 1) % len(holes)]
        first = math.atan2(hole.north - before.north, hole.east - before.east)
        second = math.atan2(after.north - hole.north, after.east - hole.east)
        turn = math.remainder(second - first, 2 * math.pi)
        lean, toward = (0.0, "plumb") if abs(turn) < 0.02 else (math.radians(2.5), "away" if turn > 0 else "pool")
        done.append(_replaced(hole, to_next=math.dist(hole.place, after.place), turn=turn, lean=lean, lean_toward=toward))
    return done


def _replaced(record, **changes):
    import msgspec

    return msgspec.structs.replace(record, **changes)


def opened(layout: Layout, site: Site) -> Layout:
    """The same fence cut open at its start, with its two ends at a wall."""
    line = [hole for hole in layout.holes if hole.role != "pocket"]
    ends = tuple(FenceEnd(hole=hole.name, wall="", foot=(hole.east + 0.0381, hole.north), clearance=0.0381) for hole in (line[0], line[-1]))
    holes = tuple(_replaced(hole, to_next=None) if hole.name == line[-1].name else hole for hole in layout.holes)
    joints = tuple(joint for joint in layout.joints if joint.after != line[0].name)
    return _replaced(layout, closed=False, ends=ends, holes=holes, joints=joints)


def made_fabrication(layout: Layout) -> Fabrication:
    places = {hole.name: hole.place for hole in layout.holes}
    panels, cuts, demands = [], [], []
    for panel in layout.panels:
        stations = [0.0]
        for first, second in zip(panel.holes, panel.holes[1:], strict=False):
            stations.append(stations[-1] + math.dist(places[first], places[second]))
        custom = panel.kind == "custom"
        panels.append(
            PanelDrawing(
                panel=panel.name,
                kind=panel.kind,
                post_stations=tuple(stations),
                height=panel.height,
                mark=stations[-1] if custom else None,
                cut=stations[-1] + 0.1016 if custom else None,
                made_from="roll-48" if custom else f"panel-{panel.posts}-48",
                takes_off="cut from the roll, end post and trim strip added" if custom else "",
                screws=4 * panel.posts,
                trim_strips=panel.posts,
                latch_first="eye, 46 in",
                latch_last="hook, 46 in",
                mass=3.1 + panel.posts * 0.6,
                colour="black",
            )
        )
        if custom:
            demands.append(Demand(panel=panel.name, length=stations[-1] + 0.1016, posts=panel.posts, height=panel.height, colour="black"))
            cuts.append(Cut(cut=f"K{len(cuts) + 1:02d}", panel=panel.name, source="roll-48 #1", start=0.0, end=stations[-1] + 0.1016, left_over=41.0))
    order = (
        OrderLine(item="sleeve", description="Deck sleeve, non-conductive", supplier="Quarry Lane Hardware (invented)", unit="piece",
                  needed=len(layout.holes), pack=25, packs=math.ceil(len(layout.holes) / 25), unit_price=41.0, price=41.0 * math.ceil(len(layout.holes) / 25)),
        OrderLine(item="epoxy", description="Two-part epoxy cartridge, 250 ml", supplier="Old Mill Fixings (invented)", unit="cartridge",
                  needed=3, pack=1, packs=3, unit_price=19.5, price=58.5),
    )  # fmt: skip
    return Fabrication(
        panels=tuple(panels), demands=tuple(demands), cuts=tuple(cuts), proof=CuttingProof(objective=(1,), bound=(1,), gap=0.0, method="by hand"),
        order=order, total=sum(line.price for line in order), currency="USD", epoxy_ml=600.0, holes_per_cartridge=14.0,
    )  # fmt: skip


def made_compliance(layout: Layout, *, verdict: str = "on-site items open") -> Compliance:
    first = layout.holes[0]
    common = {"rule_pack": "us-ispsc-2021", "document": "ISPSC 2021"}
    failing = verdict == "does not comply"
    checks = (
        Check(name="C001", clause="305.2.1", limit="height", quantity="barrier-height", where="panel P01", place=first.place, measured=1.2192,
              limit_value=1.2192, margin=0.0, u95=0.006, verdict="fail" if failing else "marginal", certainty="read", rules=True,
              paraphrase="Top of the barrier at least 48 in above grade, measured outside.", cure="stock 60 in high" if failing else "", **common),
        Check(name="C002", clause="305.2.4", limit="setback", quantity="setback", where="panel P02", place=layout.holes[4].place, measured=0.762,
              limit_value=0.508, margin=0.254, u95=0.011, verdict="pass", certainty="read", rules=True,
              paraphrase="Mesh barrier at least 20 in from the water's edge.", **common),
        Check(name="C003", clause="305.3", limit="gate-closing", quantity="gate-self-closing", where="gate G1", verdict="on-site", certainty="read",
              look_at="Open the gate to any position and let go: it closes and latches by itself.",
              paraphrase="Gates close and latch by themselves.", **common),
    )  # fmt: skip
    return Compliance(
        checks=checks,
        not_applicable=(NotApplicable(rule_pack="us-ispsc-2021", limit="masonry", clause="305.2.3", why="the barrier is mesh, not masonry"),),
        cautions=(
            Caution(text="The slab is not known: do not drill before it was scanned for tendons.", source="own judgement; S94, S95 read second-hand", raised_by="slab unknown"),
            Caution(text="Holes may stand over the bonding conductor (18 to 24 in from the pool wall): locate it first.", source="NEC 680.26, quoted (S87, S88)", raised_by="holes H001 to H008"),
        ),
        verdict=verdict,
    )  # fmt: skip


def made_survey(site: Site, layout: Layout) -> Survey:
    points = [
        SurveyPoint(
            point=mark.name, code="MARK", east=mark.place[0], north=mark.place[1], elev=mark.elev, sigma_east=0.003, sigma_north=0.003, order=index
        )
        for index, mark in enumerate(site.marks)
    ]
    return Survey(form="points", frame=Frame(unit="foot"), points=tuple(points))


def made_job(name: str = "made", **own: object) -> Job:
    import msgspec

    job = default_job(name, **own)
    return msgspec.structs.replace(job, inputs=(InputFile(name="points.csv", sha256="0" * 64),))


def stepped(layout: Layout, rise: float = 0.15, risers: int = 4) -> Layout:
    """The same fence climbing a riser at each of its first joints."""
    holes = {hole.name: hole for hole in layout.holes}
    level, joints = 30.0, []
    climbed = 0
    for panel in layout.panels:
        for name in panel.holes:
            holes[name] = _replaced(holes[name], elev=level)
        joint = next((joint for joint in layout.joints if joint.before == panel.holes[-1]), None)
        if joint is not None and climbed < risers:
            climbed += 1
            level += rise
            joints.append(_replaced(joint, rise=rise, riser=str(climbed)))
        elif joint is not None:
            joints.append(joint)
    return _replaced(layout, holes=tuple(holes[hole.name] for hole in layout.holes), joints=tuple(joints))
