"""Cutting custom panels of one height and colour from rolls, stock panels and the shelf: the problem, and its plan as cut tickets."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final

import msgspec

from pipeline.cutting.problem import Pattern, Piece, Problem, Stock
from pipeline.cutting.solve import Effort, Plan, solve
from pipeline.errors import JobError, Reason
from pipeline.fabrication.fewest_sources import OnSource, brought_together, shared_out
from pipeline.model.fabrication import Cut, CutTicket, CuttingProof, Demand
from pipeline.model.night import Offcut
from pipeline.model.shop import Shop, StockItem

MONEY_STEPS: Final = 10_000  # money units per unit of currency: bounds are computed in whole numbers
ROUNDING: Final = 1e-6  # of a cutting step: what binary fractions may be off
SAME_HEIGHT: Final = 0.0005  # [m] heights closer than this are one


class Wanted(msgspec.Struct, frozen=True):
    """A piece of fabric that a job wants cut."""

    job: str
    demand: Demand


class Source(msgspec.Struct, frozen=True, kw_only=True):
    """A kind of stock, or one offcut, as the shop sees it; `length` is of its fabric end to end [m]."""

    item: str = ""
    offcut: Offcut | None = None
    description: str
    length: float
    kerf: float
    posts: int
    usable: float
    price: float


class GroupCut(msgspec.Struct, frozen=True, kw_only=True):
    """The cutting of one height and colour; cost in the shop's currency, waste [m], and the bare plan for whoever builds on it."""

    tickets: tuple[CutTicket, ...]
    posts_bought: int
    proof: CuttingProof
    cost: float
    waste: float


def cut_group(
    shop: Shop,
    wanted: Sequence[Wanted],
    shelf: Sequence[Offcut] = (),
    *,
    numbered_from: int = 1,
    sources_before: Mapping[str, int] | None = None,
    alone: Sequence[Sequence[CutTicket]] = (),
) -> GroupCut:
    """Cut all pieces of one height and colour at least cost.

    Parameters
    ----------
    shop : Shop
        Its stock, prices and limits.
    wanted : sequence of Wanted
        All of one height and colour, at least one.
    shelf : sequence of Offcut
        What may be taken from the shelf; offcuts of another height or colour are passed over.
    numbered_from : int
        Number of the first cut.
    sources_before : mapping of str to int or None
        Sources of each item that carry a number already: theirs are counted on from there.
    alone : sequence of tickets
        The jobs' cuts, each job cut alone: the answer costs no more and wastes no more than they do together.

    Raises
    ------
    JobError
        When a piece fits no stock of that height and colour.
    """
    wanted = sorted(wanted, key=lambda entry: (-entry.demand.length, entry.job, entry.demand.panel))
    sources = sources_for(shop, wanted[0].demand.height, wanted[0].demand.colour, shelf)
    step = float(shop.panel.cut_step)
    lengths = sorted({_steps_up(entry.demand.length, step) for entry in wanted}, reverse=True)
    problem = _problem(shop, wanted, sources, lengths, step)
    _refuse_too_long(wanted, problem, lengths, step)
    effort = Effort(seconds=shop.limits.cutting_seconds)
    together = [_pattern_of(ticket, sources, lengths, step) for tickets in alone for ticket in tickets]
    waste_most = sum(map(problem.waste, together)) if together else None
    plan = solve(problem, effort, [together] if together else (), waste_most, least_waste=True)
    pieces = _brought_together(problem, plan.patterns, _pieces_by_source(plan.patterns, wanted, lengths, step), step)
    tickets = _tickets(plan.patterns, pieces, sources, wanted[0].demand, numbered_from, sources_before or {})
    return GroupCut(
        tickets=tickets,
        posts_bought=max(0, problem.posts_needed - sum(ticket.posts_on for ticket in tickets)),
        proof=_proof(plan, tickets, step),
        cost=plan.cost / MONEY_STEPS,
        waste=sum(map(waste_of, tickets)),
    )


def waste_of(ticket: CutTicket) -> float:
    """Return the length of a source that becomes neither piece nor usable left-over [m]."""
    return ticket.length - sum(cut.end - cut.start for cut in ticket.cuts) - (ticket.left_over if ticket.usable else 0.0)


def is_of_kind(offcut: Offcut, height: float, colour: str) -> bool:
    """Say whether an offcut has a height [m] and colour."""
    return abs(offcut.height - height) < SAME_HEIGHT and offcut.colour == colour


def sources_for(shop: Shop, height: float, colour: str, shelf: Sequence[Offcut] = ()) -> list[Source]:
    """Return what fabric of a height and colour can be cut from: stock in the shop file's order, then the shelf."""
    items = fabric_items(shop, height, colour)
    beyond = 2 * float(shop.panel.fabric_beyond_end_post)
    sources = [
        Source(
            item=name,
            description=item.description,
            length=float(item.length or 0.0) + (beyond if item.kind == "stock-panel" else 0.0),
            kerf=float(item.kerf or 0.0),
            posts=item.posts or 0,
            usable=float(item.usable_offcut or 0.0),
            price=item.price / item.pack,
        )
        for name, item in items
    ]
    rate = left_over_value(sources, shop)
    kerf, usable = max((source.kerf for source in sources), default=0.0), max((source.usable for source in sources), default=0.0)
    for offcut in sorted(shelf, key=lambda offcut: offcut.id):
        if is_of_kind(offcut, height, colour):
            description = f"Offcut {offcut.id}"
            sources.append(
                Source(
                    offcut=offcut,
                    description=description,
                    length=offcut.length,
                    kerf=kerf,
                    posts=offcut.posts,
                    usable=usable,
                    price=rate * offcut.length,
                )
            )
    return sources


def fabric_items(shop: Shop, height: float, colour: str) -> list[tuple[str, StockItem]]:
    """Return the stock panels and rolls of a height and colour, in the shop file's order."""
    return [
        (name, item)
        for name, item in shop.stock.items()
        if item.kind in ("stock-panel", "roll") and item.height is not None and abs(item.height - height) < SAME_HEIGHT and item.colour == colour
    ]


def left_over_value(sources: Sequence[Source], shop: Shop) -> float:
    """Return the value of a usable left-over [currency/m]: the shop's part of the cheapest new fabric."""
    return shop.panel.offcut_value * min((source.price / source.length for source in sources if source.item), default=0.0)


def post_price(shop: Shop, height: float, colour: str) -> float:
    """Return the price of one loose post for a height of fabric; 0 where the shop sells none."""
    prices = [item.price / item.pack for _, item in loose_posts(shop, height, colour)]
    return min(prices, default=0.0)


def loose_posts(shop: Shop, height: float, colour: str) -> list[tuple[str, StockItem]]:
    """Return the shop's loose posts for a height and colour of fabric."""
    return [
        (name, item)
        for name, item in shop.stock.items()
        if item.basis == "loose-post"
        and (item.height is None or abs(item.height - height) < SAME_HEIGHT)
        and (not item.colour or item.colour == colour)
    ]


def _steps_up(length: float, step: float) -> int:
    return math.ceil(length / step - ROUNDING)


def _steps_down(length: float, step: float) -> int:
    return math.floor(length / step + ROUNDING)


def _problem(shop: Shop, wanted: Sequence[Wanted], sources: Sequence[Source], lengths: Sequence[int], step: float) -> Problem:
    counts = Counter(_steps_up(entry.demand.length, step) for entry in wanted)
    rate = math.floor(left_over_value(sources, shop) * step * MONEY_STEPS)
    stocks = tuple(
        Stock(
            name=source.item or (source.offcut.id if source.offcut else ""),
            length=_steps_down(source.length, step),
            cost=rate * _steps_down(source.length, step) if source.offcut else round(source.price * MONEY_STEPS),
            supply=1 if source.offcut else None,
            kerf=_steps_up(source.kerf, step),
            posts=source.posts,
            rest_least=_steps_up(source.usable, step),
            rest_rate=rate,
        )
        for source in sources
    )
    first = wanted[0].demand
    return Problem(
        pieces=tuple(Piece(length, counts[length]) for length in lengths),
        stocks=stocks,
        posts_needed=sum(entry.demand.posts for entry in wanted),
        post_cost=round(post_price(shop, first.height, first.colour) * MONEY_STEPS),
        indifference=MONEY_STEPS // 100,
    )


def _refuse_too_long(wanted: Sequence[Wanted], problem: Problem, lengths: Sequence[int], step: float) -> None:
    longest = max((stock.length for stock in problem.stocks if stock.supply is None), default=0)
    faults = [
        Reason(
            ref="no-stock-long-enough",
            what=f"{entry.job} panel {entry.demand.panel} needs {entry.demand.length * 1000:.0f} mm of {entry.demand.colour} fabric "
            f"{entry.demand.height * 1000:.0f} mm high; the longest the shop can buy has {longest * step * 1000:.0f} mm",
            why="a panel is one length of fabric",
            file="shop.toml",
            do="add a roll of that height and colour to [stock], or choose another height",
        )
        for entry in wanted
        if _steps_up(entry.demand.length, step) > longest
    ]
    if faults:
        raise JobError(faults)


def _pattern_of(ticket: CutTicket, sources: Sequence[Source], lengths: Sequence[int], step: float) -> Pattern:
    """Return a ticket as a pattern of this problem."""
    names = [source.item or (source.offcut.id if source.offcut else "") for source in sources]
    counts = Counter(lengths.index(_steps_up(cut.end - cut.start, step)) for cut in ticket.cuts)
    return Pattern(names.index(ticket.item or ticket.source), tuple(sorted(counts.items())))


def _pieces_by_source(patterns: Sequence[Pattern], wanted: Sequence[Wanted], lengths: Sequence[int], step: float) -> list[list[Wanted]]:
    """Give every piece to a source; equal pieces so that a job gets few different ones."""
    by_length: dict[int, list[Wanted]] = {}
    for entry in wanted:
        by_length.setdefault(lengths.index(_steps_up(entry.demand.length, step)), []).append(entry)
    needs = [[index for index, times in pattern.takes for _ in range(times)] for pattern in patterns]
    return shared_out(needs, by_length, key=lambda entry: entry.job)


def _brought_together(problem: Problem, patterns: Sequence[Pattern], by_source: Sequence[Sequence[Wanted]], step: float) -> list[list[Wanted]]:
    """Exchange pieces between sources so that each job is cut from fewer."""
    entries = [entry for own in by_source for entry in own]
    numbers = iter(range(len(entries)))
    sources = [[OnSource(_steps_up(entry.demand.length, step), entry.job, next(numbers)) for entry in own] for own in by_source]
    together = brought_together([problem.stocks[pattern.stock] for pattern in patterns], sources)
    return [[entries[piece.entry] for piece in pieces] for pieces in together]


def _tickets(
    patterns: Sequence[Pattern],
    pieces: Sequence[Sequence[Wanted]],
    sources: Sequence[Source],
    first: Demand,
    number: int,
    sources_before: Mapping[str, int],
) -> tuple[CutTicket, ...]:
    surplus = [sources[pattern.stock].posts - sum(entry.demand.posts for entry in own) for pattern, own in zip(patterns, pieces, strict=True)]
    tickets, counts = [], Counter({index: sources_before.get(source.item, 0) for index, source in enumerate(sources)})
    for pattern, own in zip(patterns, pieces, strict=True):
        counts[pattern.stock] += 1
        source = sources[pattern.stock]
        name = source.offcut.id if source.offcut else f"{source.item} #{counts[pattern.stock]}"
        tickets.append(_ticket(name, source, own, first, number))
        number += len(own)
    return _posts_moved(tickets, surplus)


def _ticket(name: str, source: Source, own: Sequence[Wanted], first: Demand, number: int) -> CutTicket:
    cuts, at = [], 0.0
    for offset, entry in enumerate(sorted(own, key=lambda entry: not entry.demand.cut_already)):
        piece = entry.demand
        cut = Cut(
            cut=f"K{number + offset:02d}", panel=piece.panel, source=name, start=at, end=at + piece.length, job=entry.job, done=piece.cut_already
        )
        cuts.append(cut)
        at = min(source.length, at + entry.demand.length + source.kerf)
    left_over = max(0.0, source.length - at)
    cuts[-1] = msgspec.structs.replace(cuts[-1], left_over=left_over)
    used = sum(entry.demand.posts for entry in own)
    usable = left_over >= source.usable > 0
    return CutTicket(
        source=name,
        item=source.item,
        description=source.description,
        length=source.length,
        height=first.height,
        colour=first.colour,
        kerf=source.kerf,
        cuts=tuple(cuts),
        left_over=left_over,
        usable=usable,
        posts_on=source.posts,
        posts_used=used,
        posts_left=max(0, source.posts - used),
        posts_in=max(0, used - source.posts),
        where=source.offcut.where if source.offcut else "",
    )


def _posts_moved(tickets: Sequence[CutTicket], surplus: Sequence[int]) -> tuple[CutTicket, ...]:
    """Take the posts that sources with too few need from those with too many: from left-overs not worth keeping first."""
    short = sum(-count for count in surplus if count < 0)
    moved = list(tickets)
    for index in sorted(range(len(tickets)), key=lambda index: (tickets[index].usable, index)):
        given = min(short, max(0, surplus[index]))
        short -= given
        moved[index] = msgspec.structs.replace(moved[index], posts_left=max(0, surplus[index]) - given)
    return tuple(moved)


def _proof(plan: Plan, tickets: Sequence[CutTicket], step: float) -> CuttingProof:
    sources = len({(cut.job, ticket.source) for ticket in tickets for cut in ticket.cuts})
    jobs = len({cut.job for ticket in tickets for cut in ticket.cuts})
    waste = sum(map(waste_of, tickets))
    state = "proven best" if plan.state == "optimal" else f"best found, {plan.gap / MONEY_STEPS:.2f} above the bound"
    return CuttingProof(
        objective=(plan.cost / MONEY_STEPS, waste, float(sources)),
        bound=(plan.bound / MONEY_STEPS, plan.waste_bound * step, float(jobs)),
        gap=plan.gap / MONEY_STEPS,
        method=f"column generation, {plan.rounds} rounds, branch and bound; {state}: {plan.proof}",
    )
