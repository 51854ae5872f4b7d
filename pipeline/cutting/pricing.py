"""The pattern worth most at given prices of the pieces: a bounded knapsack in whole numbers, hence exact.

For each kerf one table serves every stock length.  Prices are integers (`SCALE` per money unit or less), so that a bound
computed from them is a proof and no rounding.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.cutting.bulk import Bulk
from pipeline.cutting.master import Relaxed
from pipeline.cutting.problem import Pattern, Piece, Problem, Stock

NOTHING: Final = -(1 << 60)  # worth of no pattern at all
PRICE_BITS: Final = 44  # the dearest stock is worth about 2**44 price units: sums of a million such prices fit 63 bits


class Prices(msgspec.Struct, frozen=True):
    """Prices of the pieces, of a post and of a unit of room on each kind of bulk stock, in whole price units, `scale` of them per money unit."""

    pieces: tuple[int, ...]
    post: int
    scale: int
    bulk: tuple[int, ...] = ()


class Priced(msgspec.Struct, frozen=True):
    """The best pattern of one stock kind, and by how much it is worth more than it costs [price units]."""

    pattern: Pattern
    surplus: int


def price_scale(problem: Problem) -> int:
    """Return price units per money unit for a problem."""
    dearest = max([1, problem.post_cost, *(stock.cost for stock in problem.stocks)])
    return max(1, (1 << PRICE_BITS) // dearest)


def whole_prices(problem: Problem, relaxed: Relaxed, kinds: Sequence[Bulk]) -> Prices:
    """Return the relaxed plan's prices as whole numbers, rounded down, none negative.

    No piece is priced above what it costs on bulk stock, so that bulk stock leaves nothing to gain.
    """
    scale = price_scale(problem)
    bulk = tuple(max(0, int(price * scale)) for price in relaxed.bulk_prices)
    pieces = [max(0, int(price * scale)) for price in relaxed.piece_prices]
    for kind, room in zip(kinds, bulk, strict=True):
        for index, piece in enumerate(problem.pieces):
            if piece.length <= problem.stocks[kind.stock].length:
                pieces[index] = min(pieces[index], (kind.rate * scale + room) * (piece.length + kind.kerf))
    return Prices(tuple(pieces), min(problem.post_cost * scale, max(0, int(relaxed.post_price * scale))), scale, bulk)


def best_patterns(problem: Problem, demand: Sequence[int], prices: Prices, bulk: Sequence[Bulk] = (), several: int = 1) -> list[Priced]:
    """Return the best pattern of each stock kind that is not bulk (and up to `several`, of other fill), best first per kind."""
    found: list[Priced] = []
    listed = [index for index in range(len(problem.stocks)) if all(kind.stock != index for kind in bulk)]
    for kerf in sorted({problem.stocks[index].kerf for index in listed}):
        kinds = [index for index in listed if problem.stocks[index].kerf == kerf]
        room = max(problem.stocks[index].room for index in kinds)
        table = _Table(problem.pieces, demand, prices.pieces, kerf, room)
        for index in kinds:
            found += _best_of_kind(problem, index, table, prices, several)
    return found


def lower_bound(
    problem: Problem, prices: Prices, priced: Sequence[Priced], kinds: Sequence[Bulk] = (), between: Sequence[tuple[int, int]] = ()
) -> int:
    """Return a proven lower bound of the cost [price units] from any prices and the best pattern of each kind at them.

    Notes
    -----
    Lagrangean bound: the pieces' and posts' worth, less what the stock in limited supply could gain over its cost, less
    any surplus of unlimited stock times the most sources that can be used (one a piece); each kind of bulk stock adds what
    opening it costs over the worth of its room and posts, as often as is best within its limits `between`.
    """
    demand = [piece.count for piece in problem.pieces]
    bound = sum(count * price for count, price in zip(demand, prices.pieces, strict=True)) + problem.posts_needed * prices.post
    gain: dict[int, int] = {}
    for entry in priced:
        gain[entry.pattern.stock] = max(gain.get(entry.pattern.stock, 0), entry.surplus)
    most = sum(demand)
    for index, surplus in gain.items():
        supply = problem.stocks[index].supply
        bound -= surplus * (most if supply is None else min(supply, most))
    for kind, room, limits in zip(kinds, prices.bulk, between, strict=True):
        each = kind.opening * prices.scale - room * kind.room - prices.post * problem.stocks[kind.stock].posts
        bound += min(each * limits[0], each * limits[1])
    return bound


def _best_of_kind(problem: Problem, index: int, table: _Table, prices: Prices, several: int) -> Iterator[Priced]:
    stock = problem.stocks[index]
    worth = table.worth[: stock.room + 1] + _rest_worth(stock, prices.scale)
    fixed = prices.post * stock.posts - stock.cost * prices.scale
    best = int(worth.argmax())
    if worth[best] < 0:
        return
    yield Priced(Pattern(index, table.takes(best)), int(worth[best]) + fixed)
    room = best
    for _ in range(several - 1):
        room = int(np.searchsorted(table.worth[: room + 1], table.worth[room])) - 1
        if room < 0 or table.worth[room] < 0 or int(worth[room]) + fixed <= 0:
            return
        yield Priced(Pattern(index, table.takes(room)), int(worth[room]) + fixed)


def _rest_worth(stock: Stock, scale: int) -> NDArray[np.int64]:
    """Return the worth of the left-over for each length used, 0 to `room` [price units]."""
    rest = np.maximum(0, stock.length - np.arange(stock.room + 1, dtype=np.int64))
    return np.where(rest >= stock.rest_least, rest, 0) * (stock.rest_rate * scale)


class _Table:
    """Most worth that fits into each length, with what was taken; a pattern takes one piece at least."""

    def __init__(self, pieces: Sequence[Piece], demand: Sequence[int], prices: Sequence[int], kerf: int, room: int) -> None:
        self._items = list(_bundles(pieces, demand, prices, kerf, room))
        self.worth = np.full(room + 1, NOTHING, dtype=np.int64)
        self._taken = np.zeros((len(self._items), room + 1), dtype=np.bool_)
        for row, (_, _, size, price) in enumerate(self._items):
            better = np.maximum(self.worth[: room + 1 - size], 0) + price
            np.greater(better, self.worth[size:], out=self._taken[row, size:])
            np.maximum(self.worth[size:], better, out=self.worth[size:])

    def takes(self, room: int) -> tuple[tuple[int, int], ...]:
        """Return the pieces of the pattern worth most in `room`."""
        counts: dict[int, int] = {}
        for row in range(len(self._items) - 1, -1, -1):
            if self._taken[row, room]:
                index, times, size, _ = self._items[row]
                counts[index] = counts.get(index, 0) + times
                room -= size
        return tuple(sorted(counts.items()))


def _bundles(pieces: Sequence[Piece], demand: Sequence[int], prices: Sequence[int], kerf: int, room: int) -> Iterator[tuple[int, int, int, int]]:
    """Yield (piece, times, size, price) bundles of 1, 2, 4... whose choices reach every count up to the demand."""
    for index, piece in enumerate(pieces):
        size = piece.length + kerf
        left, times = min(demand[index], room // size), 1
        while left > 0:
            times = min(times, left)
            yield index, times, size * times, prices[index] * times
            left -= times
            times *= 2
