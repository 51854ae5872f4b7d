"""Long stock that holds many pieces, taken as bulk: its length counts, the order of the pieces on it hardly does.

A roll twenty pieces long can be filled to within millimetres in more ways than can be listed, and patterns on it make the linear
programme slow.  In the choice it is therefore a capacity: so many rolls, so much length.  That is a relaxation, so bounds stay
proven; the plan itself packs the pieces afterwards, roll by roll, and counts what it really costs.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from typing import Final

import msgspec

from pipeline.cutting.problem import Pattern, Problem

MANY: Final = 12  # pieces from which on long stock is taken as bulk: below it, patterns of all stock are exact and fast
PIECES_LONG: Final = 8  # pieces of middling length that stock has to hold to be bulk


class Bulk(msgspec.Struct, frozen=True):
    """One kind of bulk stock.

    Parameters
    ----------
    stock : int
        Its index in the problem.
    opening : int
        Least cost of opening one, whatever is cut [money units].
    rate : int
        Cost of a unit of length on it [money units].
    kerf, room : int
    most : int
        How many may be used.
    """

    stock: int
    opening: int
    rate: int
    kerf: int
    room: int
    most: int


def bulk_kinds(problem: Problem) -> tuple[Bulk, ...]:
    """Return the stock to be taken as bulk: none for few pieces or short stock.

    Notes
    -----
    A source of cost C, length S and rate r for what is left over costs at least C - r·(S + kerf) + r·used: exactly C - r·(S - used) where
    the left-over is kept, and C otherwise.
    """
    lengths = [piece.length for piece in problem.pieces for _ in range(piece.count)]
    if len(lengths) < MANY:
        return ()
    middling = statistics.median_low(lengths)
    kinds = []
    for index, stock in enumerate(problem.stocks):
        opening = stock.cost - stock.rest_rate * stock.room
        if stock.room >= PIECES_LONG * (middling + stock.kerf) and (opening >= 0 or stock.supply is not None) and stock.supply != 0:
            most = len(lengths) if stock.supply is None else stock.supply
            kinds.append(Bulk(index, opening, stock.rest_rate, stock.kerf, stock.room, most))
    return tuple(kinds)


def relaxed_cost(problem: Problem, kinds: Sequence[Bulk], wanted: Sequence[Sequence[int]], openings: Sequence[int]) -> int:
    """Return the least that so many sources of each kind can cost with these pieces on them [money units]."""
    cost = sum(kind.opening * times for kind, times in zip(kinds, openings, strict=True))
    for kind, counts in zip(kinds, wanted, strict=True):
        cost += kind.rate * sum((piece.length + kind.kerf) * count for piece, count in zip(problem.pieces, counts, strict=True))
    return cost


def packed(problem: Problem, kinds: Sequence[Bulk], wanted: Sequence[Sequence[int]]) -> list[Pattern] | None:
    """Pack the pieces given to each kind, source by source, each filled as far as it goes.

    Parameters
    ----------
    problem : Problem
        What to cut from what.
    kinds : sequence of Bulk
        Its bulk stock.
    wanted : sequence of sequence of int
        For each kind how often each piece; what does not fit into limited stock goes to the first unlimited kind.

    Returns
    -------
    list of Pattern or None
        None when what is left over fits nowhere.
    """
    patterns: list[Pattern] = []
    left_out = [0] * len(problem.pieces)
    unlimited = next((number for number, kind in enumerate(kinds) if problem.stocks[kind.stock].supply is None), None)
    for number, (kind, counts) in enumerate(zip(kinds, wanted, strict=True)):
        if number == unlimited:
            left_out = [one + other for one, other in zip(left_out, counts, strict=True)]
            continue
        rest = _fill(problem, kind, list(counts), kind.most, patterns)
        left_out = [one + other for one, other in zip(left_out, rest, strict=True)]
    if unlimited is not None:
        left_out = _fill(problem, kinds[unlimited], left_out, kinds[unlimited].most, patterns)
    return None if any(left_out) else patterns


def _fill(problem: Problem, kind: Bulk, counts: list[int], most: int, patterns: list[Pattern]) -> list[int]:
    """Add sources until the pieces or the sources are used up; returns the pieces left."""
    used = 0
    while any(counts) and used < most:
        takes = _fullest(problem, kind, counts)
        if not takes:
            break
        used += 1
        patterns.append(Pattern(kind.stock, takes))
        for index, times in takes:
            counts[index] -= times
    return counts


def _fullest(problem: Problem, kind: Bulk, counts: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Return the pieces that fill one source furthest: sums that can be reached, as the bits of a number."""
    singles = [(index, problem.pieces[index].length + kind.kerf) for index, count in enumerate(counts) for _ in range(count)]
    if sum(size for _, size in singles) <= kind.room:
        return tuple((index, count) for index, count in enumerate(counts) if count)
    within = (1 << (kind.room + 1)) - 1
    reached = [1]
    for _, size in singles:
        reached.append((reached[-1] | reached[-1] << size) & within)
    total = reached[-1].bit_length() - 1
    chosen = dict.fromkeys(range(len(counts)), 0)
    for number in range(len(singles) - 1, -1, -1):
        if not reached[number] >> total & 1:
            index, size = singles[number]
            chosen[index] += 1
            total -= size
    return tuple((index, times) for index, times in chosen.items() if times)
