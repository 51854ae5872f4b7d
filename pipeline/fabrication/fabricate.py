"""From a layout to what the shop makes and buys for the job: panels, cuts, labels, hardware and the job's order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from pipeline.fabrication.cut_already import cut_in_vain, kept_pieces, pieces_in_vain
from pipeline.fabrication.cutting_list import GroupCut, Wanted, cut_group, loose_posts
from pipeline.fabrication.hardware import Counts, basis_counts, epoxy_ml, holes_per_cartridge, order_lines, total_of
from pipeline.fabrication.latches import Latches
from pipeline.fabrication.panels import demand_of, draw_panel, label_of
from pipeline.fabrication.recipes import made_from_ticket, posts_fastened_anew
from pipeline.fabrication.stock_check import check_stock
from pipeline.fabrication.tickets import finished
from pipeline.model.drilling import CutAlready
from pipeline.model.fabrication import CuttingProof, Demand, Fabrication, PanelDrawing
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.shop import Shop


def fabricate(job: Job, layout: Layout, cut: Sequence[CutAlready] = ()) -> Fabrication:
    """Return what the shop makes and buys for one job, cut alone from new stock; `cut` is what it has cut already.

    Raises
    ------
    JobError
        When the shop has no stock of a panel's size, height or colour.
    """
    shop = job.shop
    check_stock(shop)
    kept = kept_pieces(shop, layout, cut)
    demands = tuple(kept.get(panel.name) or demand_of(shop, panel) for panel in layout.panels if panel.kind == "custom")
    demands += pieces_in_vain(shop, layout, cut, kept)
    groups = cut_alone(job.name, shop, demands)
    latches = Latches(job, layout)
    cut_for = {one.panel: one.length for one in cut if one.panel in kept}
    drawings = tuple(draw_panel(job, layout, panel, latches, cut_for.get(panel.name)) for panel in layout.panels)
    tickets = tuple(finished(ticket, shop, job.options.report_units) for group in groups for ticket in group.tickets)
    by_name = {drawing.panel: drawing for drawing in drawings}
    for ticket in tickets:
        by_name |= made_from_ticket(shop, ticket, by_name, job.options.report_units)
    drawings = tuple(by_name.values())
    lines = order_lines(job, layout, _counts(job, layout, drawings, groups))
    epoxies = [item for item in shop.stock.values() if item.basis == "epoxy"]
    return Fabrication(
        panels=drawings,
        demands=demands,
        cuts=tuple(cut for ticket in tickets for cut in ticket.cuts),
        proof=joined_proof([group.proof for group in groups]),
        order=lines,
        total=total_of(lines),
        currency=shop.currency,
        epoxy_ml=epoxy_ml(shop, layout),
        holes_per_cartridge=holes_per_cartridge(shop, epoxies[0]) if epoxies else 0.0,
        labels=tuple(label_of(job, panel, drawing.height) for panel, drawing in zip(layout.panels, drawings, strict=True)),
        tickets=tickets,
        warnings=tuple(cut_in_vain(job, layout, cut, kept)),
    )


def cut_alone(job: str, shop: Shop, demands: Sequence[Demand]) -> list[GroupCut]:
    """Cut one job's custom panels from new stock, height by height and colour by colour."""
    groups, number = [], 1
    for height, colour in sorted({(demand.height, demand.colour) for demand in demands}):
        wanted = [Wanted(job, demand) for demand in demands if (demand.height, demand.colour) == (height, colour)]
        groups.append(cut_group(shop, wanted, numbered_from=number))
        number += len(wanted)
    return groups


def joined_proof(proofs: Sequence[CuttingProof]) -> CuttingProof:
    """Return the sum of several groups' proofs."""
    if not proofs:
        return CuttingProof(objective=(0.0, 0.0, 0.0), bound=(0.0, 0.0, 0.0), gap=0.0, method="nothing to cut")
    return CuttingProof(
        objective=tuple(map(sum, zip(*(proof.objective for proof in proofs), strict=True))),
        bound=tuple(map(sum, zip(*(proof.bound for proof in proofs), strict=True))),
        gap=sum(proof.gap for proof in proofs),
        method="; ".join(dict.fromkeys(proof.method for proof in proofs)),
    )


def _counts(job: Job, layout: Layout, drawings: Sequence[PanelDrawing], groups: Sequence[GroupCut]) -> Counts:
    screws = sum(posts_fastened_anew(drawing) * len(drawing.screw_heights) for drawing in drawings if drawing.kind == "custom")
    posts = Counter[str]()
    for group in groups:
        first = group.tickets[0]
        for name, _ in sorted(loose_posts(job.shop, first.height, first.colour), key=lambda entry: entry[1].price / entry[1].pack)[:1]:
            posts[name] += group.posts_bought
    return Counts(
        whole_panels=Counter(drawing.made_from for drawing in drawings if drawing.kind == "stock"),
        sources=Counter(ticket.item for group in groups for ticket in group.tickets),
        loose_posts=posts,
        screws=screws,
        basis=basis_counts(job, layout, screws, sum(posts.values())),
    )
