"""A cutting problem in whole units: pieces, the stock they may be cut from, and what a pattern costs and wastes.

Lengths are integers of one unit the caller chooses (pieces rounded up, stock down), costs integers of one money unit, so
that bounds can be computed without rounding.
"""

from __future__ import annotations

from collections.abc import Iterable

import msgspec


class Piece(msgspec.Struct, frozen=True):
    """A length to be cut, and how many of it."""

    length: int
    count: int = 1


class Stock(msgspec.Struct, frozen=True, kw_only=True):
    """One kind of stock.

    Parameters
    ----------
    name : str
    length : int
    cost : int
        Of one, whether bought or taken from the shelf.
    supply : int or None
        How many there are; None: as many as wanted.
    kerf : int
        What each cut takes.
    posts : int
        Posts that come with one.
    rest_least : int
        Least left-over worth keeping.
    rest_rate : int
        Value of one unit of length of such a left-over, in money units.
    """

    name: str
    length: int
    cost: int
    supply: int | None = None
    kerf: int = 0
    posts: int = 0
    rest_least: int = 0
    rest_rate: int = 0

    @property
    def room(self) -> int:
        """Room for pieces with their kerf: the last cut of a source may fall off its end."""
        return self.length + self.kerf

    def rest(self, used: int) -> int:
        """Return what is left once pieces with their kerf took `used`."""
        return max(0, self.length - used)

    def rest_value(self, rest: int) -> int:
        """Return the value of a left-over of that length, 0 where it is not worth keeping."""
        return self.rest_rate * rest if self.rest_rate and rest >= self.rest_least else 0


class Pattern(msgspec.Struct, frozen=True):
    """What is cut from one source: the stock's index, and (piece index, times) in the order of the pieces."""

    stock: int
    takes: tuple[tuple[int, int], ...]


class Problem(msgspec.Struct, frozen=True, kw_only=True):
    """Pieces, stock, and the posts the pieces need beyond those that come with the stock used.

    Parameters
    ----------
    pieces : tuple of Piece
    stocks : tuple of Stock
    posts_needed : int
        By all pieces together.
    post_cost : int
        Of a loose post.
    indifference : int
        Plans whose costs differ by less are as good as each other (a cent, in money units).
    """

    pieces: tuple[Piece, ...]
    stocks: tuple[Stock, ...]
    posts_needed: int = 0
    post_cost: int = 0
    indifference: int = 1

    def used(self, pattern: Pattern) -> int:
        """Return the length a pattern takes, with a kerf after each piece."""
        kerf = self.stocks[pattern.stock].kerf
        return sum((self.pieces[index].length + kerf) * times for index, times in pattern.takes)

    def cost(self, pattern: Pattern) -> int:
        """Return the cost of one source cut by a pattern, less the value of a usable left-over."""
        stock = self.stocks[pattern.stock]
        return stock.cost - stock.rest_value(stock.rest(self.used(pattern)))

    def waste(self, pattern: Pattern) -> int:
        """Return the length of a source that becomes neither piece nor usable left-over."""
        stock = self.stocks[pattern.stock]
        rest = stock.rest(self.used(pattern))
        kept = rest if rest >= stock.rest_least and stock.rest_rate else 0
        return stock.length - kept - sum(self.pieces[index].length * times for index, times in pattern.takes)

    def total_cost(self, patterns: Iterable[Pattern]) -> int:
        """Return the cost of all sources and of the loose posts they leave to be bought."""
        chosen = list(patterns)
        posts = self.posts_needed - sum(self.stocks[pattern.stock].posts for pattern in chosen)
        return sum(map(self.cost, chosen)) + self.post_cost * max(0, posts)

    @property
    def money_step(self) -> int:
        """The step all possible costs move in: their greatest common divisor, 1 where left-overs have a value."""
        import math

        if any(stock.rest_rate for stock in self.stocks):
            return 1
        return math.gcd(self.post_cost, *(stock.cost for stock in self.stocks)) or 1

    @property
    def worth_seeking(self) -> int:
        """The least saving that is worth a search."""
        return max(self.money_step, self.indifference)
