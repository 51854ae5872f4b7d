"""Every pattern that a plan cheaper than the best one known could still use."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.cutting.bulk import Bulk
from pipeline.cutting.pricing import Prices, best_patterns, lower_bound
from pipeline.cutting.problem import Pattern, Problem


def patterns_within(
    problem: Problem, prices: Prices, below: int, most: int, kinds: Sequence[Bulk] = (), between: Sequence[tuple[int, int]] = ()
) -> list[Pattern] | None:
    """List all patterns of stock that is not bulk whose reduced cost does not exceed what a plan of cost `below` leaves over the bound at `prices`.

    Returns
    -------
    list of Pattern or None
        None when there are more than `most`.

    Notes
    -----
    A plan's cost is the bound plus the reduced costs of all its patterns, none negative once the surplus of the best of a
    kind is charged to the kind; a pattern whose reduced cost alone goes over the room can be in no plan of cost `below`.
    """
    demand = [piece.count for piece in problem.pieces]
    priced = best_patterns(problem, demand, prices, kinds)
    bound = lower_bound(problem, prices, priced, kinds, between)
    room = below * prices.scale - bound
    found: list[Pattern] = []
    for entry in priced:  # the best of each kind
        within = entry.surplus >= -room
        if within and not _list_kind(problem, demand, prices, entry.pattern.stock, room, max(0, entry.surplus), found, most):
            return None
    return found


def _list_kind(problem: Problem, demand: Sequence[int], prices: Prices, index: int, room: int, surplus: int, found: list[Pattern], most: int) -> bool:
    """Add the patterns of one stock kind, False when there are too many."""
    stock = problem.stocks[index]
    order = sorted(range(len(problem.pieces)), key=lambda piece: (-problem.pieces[piece].length, piece))
    least = stock.cost * prices.scale - prices.post * stock.posts + surplus - room  # worth a pattern must reach
    tails = _tails(problem, demand, prices, index, order)
    takes: list[tuple[int, int]] = []

    def down(depth: int, used: int, worth: int) -> bool:
        if worth + tails[depth][stock.room - used] < least:
            return True
        if depth == len(order):
            if takes:
                if len(found) >= most:
                    return False
                found.append(Pattern(index, tuple(sorted(takes))))
            return True
        piece = order[depth]
        size = problem.pieces[piece].length + stock.kerf
        for times in range(min(demand[piece], (stock.room - used) // size), -1, -1):
            if times:
                takes.append((piece, times))
            going = down(depth + 1, used + times * size, worth + times * prices.pieces[piece])
            if times:
                takes.pop()
            if not going:
                return False
        return True

    return down(0, 0, 0)


def _tails(problem: Problem, demand: Sequence[int], prices: Prices, index: int, order: Sequence[int]) -> list[list[int]]:
    """Return, for each depth, the most worth that pieces from there on and the left-over can add, by room left."""
    stock = problem.stocks[index]
    used_to_end = np.arange(stock.room, -1, -1, dtype=np.int64)
    rest = np.maximum(0, stock.length - used_to_end)
    worth = np.where(rest >= stock.rest_least, rest, 0) * (stock.rest_rate * prices.scale)
    tails = [worth.tolist()]
    for piece in reversed(order):
        size = problem.pieces[piece].length + stock.kerf
        best = worth.copy()
        for times in range(1, min(demand[piece], stock.room // size) + 1):
            np.maximum(best[size * times :], worth[: len(worth) - size * times] + times * prices.pieces[piece], out=best[size * times :])
        worth = best
        tails.append(worth.tolist())
    return tails[::-1]
