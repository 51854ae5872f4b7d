"""Exact cutting: column generation for a proven bound, dives and branch and bound for the plan, all patterns that matter for the proof.

Method
------
1. Column generation over patterns (Gilmore and Gomory); any prices give a bound in whole numbers (`pricing.lower_bound`).
2. Dives: fix sources of the relaxed plan one by one, pricing again in between, until every piece is served.
3. Branch and bound (HiGHS) over the patterns met so far.
4. Where the best plan still lies above the bound: every pattern whose reduced cost leaves room for a cheaper plan is listed;
   branch and bound over *all* of them either finds a cheaper plan or proves there is none.  That last step, and not the
   rounded-up relaxation, is the proof where the two differ.

References
----------
P. C. Gilmore, R. E. Gomory, A linear programming approach to the cutting-stock problem, Operations Research 9 (1961); from
memory.  Listing by reduced cost after R. Baldacci, N. Christofides, A. Mingozzi, Mathematical Programming 115 (2008); from
memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Final, Literal

import msgspec

from pipeline.cutting.listing import patterns_within
from pipeline.cutting.master import Master, Relaxed, whole
from pipeline.cutting.pricing import Priced, Prices, best_patterns, lower_bound, whole_prices
from pipeline.cutting.problem import Pattern, Problem

ROUNDS: Final = 4000  # of column generation, at most
SEVERAL: Final = 5  # patterns added a round and stock kind
LISTED: Final = 60_000  # patterns listed for the proof, at most
LISTED_FOR_WASTE: Final = 4_000  # the same for the search of least waste
DIVES: Final = 6
CONVERGED: Final = 1e-9  # of the cost


class Effort(msgspec.Struct, frozen=True, kw_only=True):
    """How far a search may go: nodes of branch and bound, and seconds as a last resort."""

    nodes: int = 20_000
    seconds: float = 20.0


NORMAL: Final = Effort()


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """A cutting plan with its proof.

    Parameters
    ----------
    patterns : tuple of Pattern
        One a source.
    cost, bound : int
        [money units]
    waste, waste_bound : int
        Waste, and the least that any plan of that cost can have, 0 where it was not sought or not proven [length units].
    state : {"optimal", "feasible"}
        `optimal` only where the cost meets a proven bound.
    proof : str
        What proves it, in words.
    rounds, listed : int
        Rounds of column generation, and patterns listed for the proof.
    """

    patterns: tuple[Pattern, ...]
    cost: int
    bound: int
    waste: int
    waste_bound: int = 0
    state: Literal["optimal", "feasible"]
    proof: str
    rounds: int
    listed: int = 0

    @property
    def gap(self) -> int:
        return self.cost - self.bound


def solve(
    problem: Problem, effort: Effort = NORMAL, known: Sequence[Sequence[Pattern]] = (), waste_most: int | None = None, least_waste: bool = False
) -> Plan:
    """Return the cheapest plan that cuts every piece, or the best found with its bound.

    Parameters
    ----------
    problem : Problem
        What to cut from what.
    effort : Effort
        How far to search.
    known : sequence of plans
        Plans that are known to serve, to start from.
    waste_most : int or None
        Most waste allowed; a known plan has to keep to it [length units].
    least_waste : bool
        Seek among the plans of that cost one of least waste.

    Raises
    ------
    ValueError
        When a piece fits no stock, or the stock in limited supply does not reach.
    """
    search = _Search(problem, effort, known, waste_most)
    search.seek()
    if least_waste:
        search.seek_least_waste()
    return search.plan()


class _Search:
    def __init__(self, problem: Problem, effort: Effort, known: Sequence[Sequence[Pattern]], waste_most: int | None) -> None:
        self.problem, self.effort, self.waste_most = problem, effort, waste_most
        self.demand = [piece.count for piece in problem.pieces]
        self.master = Master(problem, self.demand)
        self.best: list[Pattern] = []
        self.best_cost: int | None = None
        self.bound, self.waste_bound, self.rounds, self.listed = 0, 0, 0, 0
        self.prices: Prices | None = None
        self.proof = ""
        for pattern in first_patterns(problem):
            self.master.add(pattern)
        for plan in known:
            for pattern in plan:
                self.master.add(pattern)
            self.offer(list(plan))

    def seek(self) -> None:
        """Find the cheapest plan, step by step until one meets the bound."""
        relaxed = self.converge(self.demand, self.problem.posts_needed, rising=True)
        for step in (partial(self.dive, relaxed), self.over_known, self.over_listed):
            if self.met():
                break
            step()
        if self.best_cost is None:
            raise ValueError("the stock in limited supply does not reach for all pieces")

    def seek_least_waste(self) -> None:
        """Among all plans of the best cost find one of least waste; over the patterns known where all are too many to list."""
        assert self.best_cost is not None and self.prices is not None  # seek() ran
        waste = sum(map(self.problem.waste, self.best))
        listed = patterns_within(self.problem, self.demand, self.prices, self.best_cost, LISTED_FOR_WASTE) if waste else []
        patterns = listed if listed is not None else self.master.patterns
        answer = (
            whole(self.problem, patterns, nodes=self.effort.nodes, seconds=self.effort.seconds, least_waste_at=self.best_cost) if patterns else None
        )
        if answer is not None and answer.chosen is not None:
            plan = without_surplus(self.problem, [pattern for pattern, times in answer.chosen for _ in range(times)])
            if self.problem.total_cost(plan) <= self.best_cost and sum(map(self.problem.waste, plan)) < waste:
                self.best = plan
        if answer is not None and answer.exhausted and listed is not None:
            self.waste_bound = sum(map(self.problem.waste, self.best))

    def plan(self) -> Plan:
        assert self.best_cost is not None  # seek() ran
        met = self.met()
        return Plan(
            patterns=tuple(sorted(self.best, key=lambda pattern: (pattern.stock, tuple((index, -times) for index, times in pattern.takes)))),
            cost=self.best_cost,
            bound=self.best_cost if met else self.bound,
            waste=sum(map(self.problem.waste, self.best)),
            waste_bound=self.waste_bound,
            state="optimal" if met else "feasible",
            proof=self.proof or ("the relaxation's bound is met" if met else "search stopped at its limit"),
            rounds=self.rounds,
            listed=self.listed,
        )

    def met(self) -> bool:
        return self.best_cost is not None and self.best_cost <= self.bound

    def offer(self, plan: list[Pattern]) -> None:
        """Keep a plan when it is cheaper than the best so far and wastes no more than allowed."""
        slim = without_surplus(self.problem, plan)
        cost = self.problem.total_cost(slim)
        if self.waste_most is not None and sum(map(self.problem.waste, slim)) > self.waste_most:
            return
        if self.best_cost is None or cost < self.best_cost:
            self.best, self.best_cost = slim, cost

    def converge(self, demand: list[int], posts: int, *, rising: bool = False) -> Relaxed:
        """Add patterns until none is worth more than it costs; with `rising` the bound of the whole problem goes up."""
        threshold = CONVERGED * max([self.problem.post_cost, *(stock.cost for stock in self.problem.stocks)])
        while True:
            relaxed = self.master.relaxed()
            prices = whole_prices(self.problem, relaxed.piece_prices, relaxed.post_price)
            priced = best_patterns(self.problem, demand, prices, SEVERAL)
            self.rounds += 1
            if rising:
                self.raise_bound(prices, priced)
            fresh = [self.master.add(entry.pattern) for entry in priced if entry.surplus > threshold * prices.scale]
            if not any(fresh) or self.rounds >= ROUNDS:
                return relaxed

    def raise_bound(self, prices: Prices, priced: list[Priced]) -> None:
        bound = lower_bound(self.problem, self.demand, prices, priced, self.problem.posts_needed)
        step = self.problem.money_step
        money = -(-bound // (prices.scale * step)) * step
        if money > self.bound or self.prices is None:
            self.bound = max(self.bound, money)
        self.prices = prices

    def dive(self, relaxed: Relaxed) -> None:
        """Fix sources of the relaxed plan until every piece is served, more than once with another first choice."""
        for skip in range(DIVES):
            self.dive_once(relaxed, skip)
            if self.met():
                break
        self.master.demand_left(self.demand, self.problem.posts_needed, self.supply())

    def dive_once(self, relaxed: Relaxed, skip: int) -> None:
        demand, posts, supply = list(self.demand), self.problem.posts_needed, self.supply()
        taken: list[Pattern] = []
        while any(demand):
            fixed = self.to_fix(relaxed, demand, supply, skip)
            skip = 0
            if not fixed:
                return
            for pattern, times in fixed:
                taken += [pattern] * times
                posts -= self.problem.stocks[pattern.stock].posts * times
                if pattern.stock in supply:
                    supply[pattern.stock] -= times
                for index, count in pattern.takes:
                    demand[index] -= count * times
            self.master.demand_left(demand, posts, supply)
            if any(demand):
                relaxed = self.converge(demand, max(0, posts))
        self.offer(taken)

    def to_fix(self, relaxed: Relaxed, demand: list[int], supply: dict[int, int], skip: int) -> list[tuple[Pattern, int]]:
        """Return the whole parts of the relaxed plan, or where there are none the pattern nearest to a whole one."""
        fixed: list[tuple[Pattern, int]] = []
        left, stock_left = list(demand), dict(supply)
        fractions: list[tuple[float, int, Pattern]] = []
        for column, (pattern, times) in enumerate(zip(self.master.patterns, relaxed.times, strict=False)):
            floor = int(times + 1e-6)
            if times > 1e-6 and self.fits(pattern, left, stock_left):
                fractions.append((-(times - floor), column, pattern))
            while floor > 0 and self.fits(pattern, left, stock_left):
                floor -= 1
                fixed.append((pattern, 1))
                for index, count in pattern.takes:
                    left[index] -= count
                if pattern.stock in stock_left:
                    stock_left[pattern.stock] -= 1
        if fixed or not fractions:
            return fixed
        fractions.sort()
        return [(fractions[min(skip, len(fractions) - 1)][2], 1)]

    def fits(self, pattern: Pattern, demand: list[int], supply: dict[int, int]) -> bool:
        return supply.get(pattern.stock, 1) > 0 and all(demand[index] >= count for index, count in pattern.takes)

    def supply(self) -> dict[int, int]:
        return {index: stock.supply for index, stock in enumerate(self.problem.stocks) if stock.supply is not None}

    def over_known(self) -> None:
        """Branch and bound over the patterns met so far."""
        answer = whole(self.problem, self.master.patterns, nodes=self.effort.nodes, seconds=self.effort.seconds, waste_most=self.waste_most)
        if answer.chosen is not None:
            self.offer([pattern for pattern, times in answer.chosen for _ in range(times)])

    def over_listed(self) -> None:
        """Branch and bound over every pattern that a cheaper plan could use: finds it, or proves there is none."""
        if self.best_cost is None or self.prices is None:
            return
        below = self.best_cost - self.problem.money_step
        listed = patterns_within(self.problem, self.demand, self.prices, below, LISTED)
        if listed is None:
            return
        self.listed = len(listed)
        answer = whole(self.problem, listed, below=below, nodes=self.effort.nodes, seconds=self.effort.seconds, waste_most=self.waste_most)
        if answer.chosen is not None:
            self.offer([pattern for pattern, times in answer.chosen for _ in range(times)])
        if answer.exhausted:
            self.bound = self.best_cost
            self.proof = f"no plan of cost {below} or less among all {len(listed)} patterns that one could use"


def first_patterns(problem: Problem) -> list[Pattern]:
    """Return one pattern a piece and stock it fits; raises ValueError when it fits none."""
    found = []
    for index, piece in enumerate(problem.pieces):
        fitting = [number for number, stock in enumerate(problem.stocks) if piece.length <= stock.length and stock.supply != 0]
        if not fitting:
            raise ValueError(f"a piece of {piece.length} fits no stock")
        found += [Pattern(number, ((index, 1),)) for number in fitting]
    return found


def without_surplus(problem: Problem, plan: Sequence[Pattern]) -> list[Pattern]:
    """Return the plan without the pieces it would cut beyond the demand."""
    left = [piece.count for piece in problem.pieces]
    slim = []
    for pattern in plan:
        takes = []
        for index, times in pattern.takes:
            kept = min(times, left[index])
            left[index] -= kept
            if kept:
                takes.append((index, kept))
        if takes:
            slim.append(Pattern(pattern.stock, tuple(takes)))
    if any(left):
        raise ValueError("a plan leaves pieces uncut")
    return slim
