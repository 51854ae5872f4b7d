"""The cheapest plan by trying all of them: what the optimiser is held against on small problems."""

from __future__ import annotations

from functools import cache

from pipeline.cutting.problem import Pattern, Problem


def cheapest(problem: Problem) -> int | None:
    """Cost of the cheapest plan, None where the stock does not reach; for a handful of pieces."""
    pieces = tuple(index for index, piece in enumerate(problem.pieces) for _ in range(piece.count))
    supply = tuple(len(pieces) if stock.supply is None else stock.supply for stock in problem.stocks)

    def pattern(stock: int, chosen: tuple[int, ...]) -> Pattern:
        return Pattern(stock, tuple((index, chosen.count(index)) for index in sorted(set(chosen))))

    @cache
    def least(left: tuple[int, ...], stock_left: tuple[int, ...], posts: int) -> int | None:
        if not left:
            return problem.post_cost * max(0, posts)
        best = None
        for chosen, rest in choices(left):
            for stock, kind in enumerate(problem.stocks):
                if stock_left[stock] and problem.used(pattern(stock, chosen)) <= kind.room:
                    after = least(rest, tuple(count - (index == stock) for index, count in enumerate(stock_left)), max(0, posts - kind.posts))
                    if after is not None:
                        cost = after + problem.cost(pattern(stock, chosen))
                        best = cost if best is None else min(best, cost)
        return best

    return least(pieces, supply, problem.posts_needed)


@cache
def choices(left: tuple[int, ...]) -> tuple[tuple[tuple[int, ...], tuple[int, ...]], ...]:
    """All ways to take the first piece and any others onto one source."""
    first, others = left[0], left[1:]
    found = []
    for bits in range(1 << len(others)):
        taken = tuple(piece for number, piece in enumerate(others) if bits >> number & 1)
        rest = tuple(piece for number, piece in enumerate(others) if not bits >> number & 1)
        found.append(((first, *taken), rest))
    return tuple(found)
