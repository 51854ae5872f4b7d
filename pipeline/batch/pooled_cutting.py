"""Pooled cutting over all complete jobs of a batch: what is cut from which roll, stock panel or offcut, and the shelf afterwards.

Nothing is consumed: the shelf's next state is a proposal, and the same jobs with the same shelf give the same answer.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from typing import Final

from pipeline.fabrication.cutting_list import GroupCut, Wanted, cut_group, is_of_kind, waste_of
from pipeline.fabrication.shelf import offcuts_csv, read_offcuts
from pipeline.fabrication.tickets import finished
from pipeline.inert_text import inert
from pipeline.model.fabrication import Cut, CutTicket, Fabrication
from pipeline.model.job import Job
from pipeline.model.night import CuttingGroup, Offcut, PooledCutting
from pipeline.model.shop import Shop
from pipeline.model.succession import Succession

__all__ = ["cutting_csv", "offcuts_csv", "pooled_cutting", "read_offcuts"]

COLUMNS: Final = (
    "cut", "source", "job", "panel", "from_mm", "to_mm", "kerf_mm", "left_over_mm", "left_over", "height_mm", "colour", "posts_on", "posts_in", "where", "release",
)  # fmt: skip
NEW_ID: Final = "S{number:04d}"  # ids of left-overs that go to the shelf

JobAndFabrication = tuple[Job, Fabrication]


def pooled_cutting(jobs: Sequence[JobAndFabrication], offcuts: Sequence[Offcut] = (), drilled: Collection[str] = ()) -> PooledCutting:
    """Cut the custom panels of all jobs together, by height and colour, at least cost.

    Parameters
    ----------
    jobs : sequence of (Job, Fabrication)
        All complete jobs; they share one shop.
    offcuts : sequence of Offcut
        The shelf.
    drilled : collection of str
        Jobs whose holes are drilled and measured: cut first and among themselves, since the others wait for their holes.

    Returns
    -------
    PooledCutting
        Never dearer, and never with more waste, than the jobs cut alone one after another from the same shelf.
    """
    jobs = sorted(jobs, key=lambda entry: entry[0].name)
    if not jobs:
        return _empty(offcuts)
    groups: list[CuttingGroup] = []
    shelf = list(offcuts)
    for as_drilled in (True, False):
        own = [(job, fabrication) for job, fabrication in jobs if (job.name in drilled) == as_drilled]
        for height, colour in _kinds(own):
            group = _group(own, shelf, height, colour, groups, as_drilled=as_drilled)
            used = {ticket.source for ticket in group.tickets if not ticket.item}
            shelf = [offcut for offcut in shelf if offcut.id not in used]
            groups.append(group)
    return _summed(jobs[0][0].shop, groups, offcuts)


def cutting_csv(cutting: PooledCutting, drilled: Mapping[str, Succession] | None = None) -> str:
    """Return the cutting as text: one line a cut still to be made, in cutting order, source by source, and whether it may be made already.

    `drilled` are the successions of the jobs whose holes are drilled; what is not drilled, or waits for a tape, is planned and not to be cut.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for ticket in cutting.tickets:
        for cut in ticket.cuts:
            if cut.done:
                continue
            last = cut.cut == ticket.cuts[-1].cut
            lengths = [f"{length * 1000:.1f}" for length in (cut.start, cut.end, ticket.kerf)]
            left_over = [f"{cut.left_over * 1000:.1f}", inert(ticket.fit_for)] if last else ["", ""]
            posts = [ticket.posts_on, ticket.posts_in] if cut.cut == ticket.cuts[0].cut else ["", ""]
            height = f"{ticket.height * 1000:.1f}"
            row = [
                cut.cut,
                cut.source,
                cut.job,
                cut.panel,
                *lengths,
                *left_over,
                height,
                inert(ticket.colour),
                *posts,
                inert(ticket.where),
                _release(cut, drilled or {}),
            ]
            writer.writerow(row)
    return out.getvalue()


def _release(cut: Cut, drilled: Mapping[str, Succession]) -> str:
    """Return whether a cut may be made: its holes are measured, and none of its distances waits for a tape."""
    succession = drilled.get(cut.job)
    if succession is None or not succession.as_drilled:
        return "not drilled"
    return "tape first" if cut.panel in succession.waits else "cut"


def _kinds(jobs: Sequence[JobAndFabrication]) -> list[tuple[float, str]]:
    return sorted({(demand.height, demand.colour) for _, fabrication in jobs for demand in fabrication.demands})


def _group(
    jobs: Sequence[JobAndFabrication], offcuts: Sequence[Offcut], height: float, colour: str, before: Sequence[CuttingGroup], *, as_drilled: bool
) -> CuttingGroup:
    """Cut one height and colour; numbers of cuts and sources run on from the groups before."""
    shop = jobs[0][0].shop
    earlier = [ticket for group in before for ticket in group.tickets]
    number = 1 + sum(len(ticket.cuts) for ticket in earlier)
    by_job = [
        [Wanted(job.name, demand) for demand in fabrication.demands if (demand.height, demand.colour) == (height, colour)]
        for job, fabrication in jobs
    ]
    known = [None if as_drilled else _known_alone(own, fabrication) for own, (_, fabrication) in zip(by_job, jobs, strict=True) if own]
    by_job = [own for own in by_job if own]
    alone = _one_after_another(shop, by_job, [offcut for offcut in offcuts if is_of_kind(offcut, height, colour)], known)
    wanted = [entry for own in by_job for entry in own]
    counted = Counter(ticket.item for ticket in earlier)
    cut = cut_group(shop, wanted, offcuts, numbered_from=number, sources_before=counted, alone=[own.tickets for own in alone])
    units = jobs[0][0].options.report_units
    return CuttingGroup(
        height=height,
        colour=colour,
        tickets=tuple(finished(ticket, shop, units) for ticket in cut.tickets),
        posts_bought=cut.posts_bought,
        proof=cut.proof,
        alone_cost=sum(own.cost for own in alone),
        alone_waste=sum(own.waste for own in alone),
        as_drilled=as_drilled,
    )


def _known_alone(own: Sequence[Wanted], fabrication: Fabrication) -> GroupCut | None:
    """Return the job's own cutting, from new stock; None where it is of more than one height and colour, whose costs are known in sum only."""
    if len(own) < len(fabrication.demands):
        return None
    cost, waste, _ = fabrication.proof.objective
    return GroupCut(tickets=fabrication.tickets, posts_bought=0, proof=fabrication.proof, cost=cost, waste=waste)


def _one_after_another(shop: Shop, by_job: Sequence[Sequence[Wanted]], offcuts: Sequence[Offcut], known: Sequence[GroupCut | None]) -> list[GroupCut]:
    """Cut each job alone, in turn, from what the jobs before it left on the shelf and from new stock; where nothing is on it, as it is known from the job."""
    shelf = list(offcuts)
    cuts = []
    for own, before in zip(by_job, known, strict=True):
        cut = before if before and not shelf else cut_group(shop, own, shelf)
        used = {ticket.source for ticket in cut.tickets if not ticket.item}
        shelf = [offcut for offcut in shelf if offcut.id not in used]
        cuts.append(cut)
    return cuts


def _summed(shop: Shop, groups: Sequence[CuttingGroup], offcuts: Sequence[Offcut]) -> PooledCutting:
    tickets = [ticket for group in groups for ticket in group.tickets]
    used = {ticket.source for ticket in tickets if not ticket.item}
    cost, alone = sum(group.proof.objective[0] for group in groups), sum(group.alone_cost for group in groups)
    return PooledCutting(
        groups=tuple(groups),
        shelf_next=_shelf_next(tickets, offcuts, used),
        used_offcuts=tuple(sorted(used)),
        cost=cost,
        bound=sum(group.proof.bound[0] for group in groups),
        gap=sum(group.proof.gap for group in groups),
        waste=sum(map(waste_of, tickets)),
        alone_waste=sum(group.alone_waste for group in groups),
        alone_cost=alone,
        saving=alone - cost,
        currency=shop.currency,
    )


def _shelf_next(tickets: Sequence[CutTicket], offcuts: Sequence[Offcut], used: set[str]) -> tuple[Offcut, ...]:
    """Return the shelf without what is used, with the usable left-overs under ids never used on it."""
    taken = [int(found[1]) for offcut in offcuts if (found := re.fullmatch(r"S(\d{4,9})", offcut.id))]
    number = max(taken, default=0)
    shelf = [offcut for offcut in offcuts if offcut.id not in used]
    for ticket in tickets:
        if ticket.usable:
            number += 1
            shelf.append(
                Offcut(
                    id=NEW_ID.format(number=number),
                    length=ticket.left_over,
                    posts=ticket.posts_left,
                    height=ticket.height,
                    colour=ticket.colour,
                    where=ticket.where or f"from {ticket.source}",
                )
            )
    return tuple(sorted(shelf, key=lambda offcut: offcut.id))


def _empty(offcuts: Sequence[Offcut]) -> PooledCutting:
    return PooledCutting(
        groups=(),
        shelf_next=tuple(sorted(offcuts, key=lambda offcut: offcut.id)),
        used_offcuts=(),
        cost=0.0,
        bound=0.0,
        gap=0.0,
        waste=0.0,
        alone_waste=0.0,
        alone_cost=0.0,
        saving=0.0,
        currency="",
    )
