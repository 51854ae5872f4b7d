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

import math
from collections.abc import Sequence
from functools import partial
from typing import Final, Literal

import msgspec

from pipeline.cutting.bulk import bulk_kinds, packed, relaxed_cost
from pipeline.cutting.listing import patterns_within
from pipeline.cutting.master import Master, Relaxed, Search, Whole, whole
from pipeline.cutting.pricing import Prices, best_patterns, lower_bound, whole_prices
from pipeline.cutting.problem import Pattern, Problem

ROUNDS: Final = 4000  # of column generation, at most
SEVERAL: Final = 5  # patterns priced a round and stock kind
ADDED: Final = 20  # patterns added a round, at most
ROOM_PARTS: Final = 50_000  # of the bound, the first room in which plans are sought
LISTED: Final = 20_000  # patterns listed for the proof, at most
LISTED_FOR_WASTE: Final = 4_000  # the same for the search of least waste
DIVES: Final = 6
AT_ONCE: Final = 1_000  # patterns listed at once for all plans cheaper than the best
BULK_NODES: Final = 200  # of branch and bound where bulk stock is used: what follows brings cents
BULK_LISTED: Final = 1_000  # patterns listed for the proof where bulk stock is used
WHOLE: Final = 1e-6  # what a whole number may be off in a relaxed plan
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
    """One search: the programme over patterns, the best plan so far, and the bound."""

    def __init__(self, problem: Problem, effort: Effort, known: Sequence[Sequence[Pattern]], waste_most: int | None) -> None:
        self.problem, self.effort, self.waste_most = problem, effort, waste_most
        self.demand = [piece.count for piece in problem.pieces]
        self.kinds = bulk_kinds(problem)
        self.between = [(0, kind.most) for kind in self.kinds]
        self.master = Master(problem, self.demand, self.kinds)
        self.best: list[Pattern] = []
        self.best_cost: int | None = None
        self.bound, self.waste_bound, self.rounds, self.listed = 0, 0, 0, 0
        self.prices: Prices | None = None
        self.seconds_left = effort.seconds
        self.other_side: int | None = None  # bound of what branching on bulk stock left aside
        self.proof, self.stopped = "", "search stopped at its limit of nodes"
        self.not_listed = {kind.stock for kind in self.kinds}
        for pattern in first_patterns(problem):
            self.add(pattern)
        for plan in known:
            for pattern in plan:
                self.add(pattern)
            self.offer(list(plan))

    def seek(self) -> None:
        """Find the cheapest plan, step by step until one meets the bound."""
        relaxed = self.converge(self.demand)
        self.raise_bound()
        if self.kinds and not self.met():
            relaxed = self.branch_on_bulk(relaxed)
        for step in (partial(self.dive, relaxed), self.over_known, self.over_listed):
            if self.met():
                break
            step()
        if self.best_cost is None:
            raise ValueError("the stock in limited supply does not reach for all pieces")

    def seek_least_waste(self) -> None:
        """Among all plans of the best cost find one of least waste; proven where all patterns can be listed."""
        assert self.best_cost is not None and self.prices is not None  # seek() ran
        waste = sum(map(self.problem.waste, self.best))
        if self.kinds or not waste:
            return
        listed = patterns_within(self.problem, self.prices, self.best_cost, LISTED_FOR_WASTE)
        if not listed:
            return
        answer = self.choose(listed, below=self.best_cost, least_waste=True)
        if answer.chosen is not None:
            plan = without_surplus(self.problem, [pattern for pattern, times in answer.chosen for _ in range(times)])
            if self.problem.total_cost(plan) <= self.best_cost and sum(map(self.problem.waste, plan)) < waste:
                self.best = plan
        if answer.exhausted:
            self.waste_bound = sum(map(self.problem.waste, self.best))

    def plan(self) -> Plan:
        assert self.best_cost is not None  # seek() ran
        met = self.met()
        return Plan(
            patterns=tuple(sorted(self.best, key=lambda pattern: (pattern.stock, tuple((index, -times) for index, times in pattern.takes)))),
            cost=self.best_cost,
            bound=self.best_cost if met else min(self.bound, self.best_cost),
            waste=sum(map(self.problem.waste, self.best)),
            waste_bound=self.waste_bound,
            state="optimal" if met else "feasible",
            proof=self.proof or ("the relaxation's bound is met" if met else self.stopped),
            rounds=self.rounds,
            listed=self.listed,
        )

    def met(self) -> bool:
        return self.best_cost is not None and self.best_cost < self.bound + self.problem.worth_seeking

    def add(self, pattern: Pattern) -> bool:
        """Add a pattern unless its stock is bulk."""
        return pattern.stock not in self.not_listed and self.master.add(pattern)

    def offer(self, plan: list[Pattern]) -> None:
        """Keep a plan when it is cheaper than the best so far and wastes no more than allowed."""
        slim = without_surplus(self.problem, plan)
        cost = self.problem.total_cost(slim)
        if self.waste_most is not None and sum(map(self.problem.waste, slim)) > self.waste_most:
            return
        if self.best_cost is None or cost < self.best_cost:
            self.best, self.best_cost = slim, cost

    def converge(self, demand: list[int]) -> Relaxed:
        """Add patterns until none is worth more than it costs."""
        threshold = CONVERGED * self.master.rows.unit
        while True:
            relaxed = self.master.relaxed()
            prices = whole_prices(self.problem, relaxed, self.kinds)
            priced = best_patterns(self.problem, demand, prices, self.kinds, SEVERAL)
            self.rounds += 1
            if demand is self.demand:
                self.prices, self.priced = prices, priced
            gains = [(entry.surplus / prices.scale - relaxed.stock_prices.get(entry.pattern.stock, 0.0), entry.pattern) for entry in priced]
            worth_adding = sorted((-gain, number) for number, (gain, _) in enumerate(gains) if gain > threshold)
            fresh = [self.master.add(gains[number][1]) for _, number in worth_adding[:ADDED]]
            if not any(fresh) or self.rounds >= ROUNDS:
                return relaxed

    def raise_bound(self) -> None:
        self.bound = max(self.bound, self.bound_now())

    def bound_now(self) -> int:
        """Return the bound at the last prices, rounded up to what costs can be [money units]."""
        assert self.prices is not None  # converge() ran
        bound = lower_bound(self.problem, self.prices, self.priced, self.kinds, self.between)
        step = self.problem.money_step
        return -(-bound // (self.prices.scale * step)) * step

    def branch_on_bulk(self, relaxed: Relaxed) -> Relaxed:
        """Raise the bound by branching on the number of the bulk stock furthest from a whole one; returns the better side's plan."""
        parts = [abs(used - round(used)) for used in relaxed.bulk_used]
        number = parts.index(max(parts))
        if parts[number] < WHOLE:
            return relaxed
        below = math.floor(relaxed.bulk_used[number])
        sides = []
        for least, most in ((0, below), (below + 1, self.kinds[number].most)):
            self.between[number] = (least, most)
            self.master.bulk_between(number, least, most)
            side = self.converge(self.demand)
            sides.append((self.bound_now(), self.between[number], side, self.prices, self.priced))
        sides.sort(key=lambda side: side[0])
        bound, self.between[number], better, self.prices, self.priced = sides[0]
        self.bound, self.other_side = max(self.bound, bound), sides[1][0]
        self.master.bulk_between(number, *self.between[number])
        return better

    def dive(self, relaxed: Relaxed) -> None:
        """Fix sources of the relaxed plan until every piece is served, more than once with another first choice."""
        for skip in range(1 if self.kinds else DIVES):
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
                break
            for pattern in fixed:
                taken.append(pattern)
                posts -= self.problem.stocks[pattern.stock].posts
                if pattern.stock in supply:
                    supply[pattern.stock] -= 1
                for index, count in pattern.takes:
                    demand[index] -= count
            self.master.demand_left(demand, posts, supply)
            if any(demand):
                relaxed = self.converge(demand)
        on_bulk = packed(self.problem, self.kinds, [demand if kind.stock not in supply else [0] * len(demand) for kind in self.kinds])
        if on_bulk is not None and (self.kinds or not any(demand)):
            self.offer(taken + on_bulk)

    def to_fix(self, relaxed: Relaxed, demand: list[int], supply: dict[int, int], skip: int) -> list[Pattern]:
        """Return the whole parts of the relaxed plan, or where there are none the pattern nearest to a whole one."""
        fixed: list[Pattern] = []
        left, stock_left = list(demand), dict(supply)
        fractions: list[tuple[float, int, Pattern]] = []
        for column, (pattern, times) in enumerate(zip(self.master.patterns, relaxed.times, strict=False)):
            floor = int(times + WHOLE)
            if times > WHOLE and _fits(pattern, left, stock_left):
                fractions.append((-(times - floor), column, pattern))
            while floor > 0 and _fits(pattern, left, stock_left):
                floor -= 1
                fixed.append(pattern)
                for index, count in pattern.takes:
                    left[index] -= count
                if pattern.stock in stock_left:
                    stock_left[pattern.stock] -= 1
        if fixed or not fractions:
            return fixed
        fractions.sort()
        return [fractions[min(skip, len(fractions) - 1)][2]]

    def supply(self) -> dict[int, int]:
        return {index: stock.supply for index, stock in enumerate(self.problem.stocks) if stock.supply is not None}

    def over_known(self) -> None:
        """Branch and bound over the patterns met so far."""
        self.offer_answer(self.choose(self.master.patterns, covering=bool(self.kinds)))

    def over_listed(self) -> None:
        """Branch and bound over every pattern that a plan within some room above the bound could use.

        All the room up to the best plan where few patterns fill it; else a little room, doubled until a plan is found.  Each time either the
        cheapest plan within the room is found, which is then the cheapest of all, or there is none and the bound goes up.
        """
        if self.best_cost is None:
            return
        room = self.best_cost - self.bound
        listed = self.listed_below(self.best_cost - self.problem.worth_seeking, AT_ONCE)
        if listed is None:
            room = max(self.problem.worth_seeking, self.bound // ROOM_PARTS)
        while not self.met():
            below = min(self.bound + room, self.best_cost - self.problem.worth_seeking)
            listed = listed if listed is not None else self.listed_below(below, BULK_LISTED if self.kinds else LISTED)
            if listed is None:
                return
            self.listed = len(listed)
            answer = self.choose(listed, below=below)
            self.offer_answer(answer)
            if not answer.exhausted:
                return
            proven = below + 1 if answer.chosen is None else self.relaxed_cost(answer)
            if self.other_side is not None and self.other_side < proven:
                self.bound = max(self.bound, self.other_side)
                return
            self.bound = max(self.bound, min(proven, self.best_cost))
            self.proof = f"the cheapest among all {len(listed)} patterns that a plan of cost {below} or less could use"
            if answer.chosen is None:
                self.proof = f"no plan of cost {below} or less among all {len(listed)} patterns that one could use"
                room *= 2
            elif not self.met():
                return
            listed = None

    def listed_below(self, below: int, most: int) -> list[Pattern] | None:
        assert self.prices is not None  # converge() ran
        return patterns_within(self.problem, self.prices, below, most, self.kinds, self.between)

    def relaxed_cost(self, answer: Whole) -> int:
        """Return what the programme's own answer costs, with bulk stock at its least."""
        chosen = [pattern for pattern, times in answer.chosen or () for _ in range(times)]
        posts = sum(self.problem.stocks[pattern.stock].posts for pattern in chosen)
        posts += sum(self.problem.stocks[kind.stock].posts * times for kind, times in zip(self.kinds, answer.openings, strict=True))
        cost = sum(map(self.problem.cost, chosen)) + self.problem.post_cost * max(0, self.problem.posts_needed - posts)
        return cost + relaxed_cost(self.problem, self.kinds, answer.on_bulk, answer.openings) - self.problem.indifference // 2

    def choose(self, patterns: Sequence[Pattern], *, below: int | None = None, least_waste: bool = False, covering: bool = False) -> Whole:
        search = Search(
            nodes=min(self.effort.nodes, BULK_NODES) if self.kinds else self.effort.nodes,
            seconds=self.seconds_left,
            below=below,
            waste_most=self.waste_most,
            least_waste=least_waste,
            covering=covering,
            bulk_between=tuple(self.between),
        )
        answer = whole(self.problem, patterns, self.kinds, search)
        self.seconds_left = max(0.0, self.seconds_left - answer.seconds)
        if answer.out_of_time:
            self.stopped = f"search stopped by the clock after {self.effort.seconds:g} s: another machine may find another plan"
        return answer

    def offer_answer(self, answer: Whole) -> None:
        if answer.chosen is None:
            return
        on_bulk = packed(self.problem, self.kinds, answer.on_bulk)
        if on_bulk is not None:
            self.offer([pattern for pattern, times in answer.chosen for _ in range(times)] + on_bulk)


def _fits(pattern: Pattern, demand: Sequence[int], supply: dict[int, int]) -> bool:
    return supply.get(pattern.stock, 1) > 0 and all(demand[index] >= count for index, count in pattern.takes)


def first_patterns(problem: Problem) -> list[Pattern]:
    """Return each piece alone on the unlimited stock that is cheapest for it, or where none is long enough on each it fits.

    Raises
    ------
    ValueError
        When a piece fits none.
    """
    found = []
    for index, piece in enumerate(problem.pieces):
        fitting = [
            Pattern(number, ((index, 1),)) for number, stock in enumerate(problem.stocks) if piece.length <= stock.length and stock.supply != 0
        ]
        if not fitting:
            raise ValueError(f"a piece of {piece.length} fits no stock")
        unlimited = [pattern for pattern in fitting if problem.stocks[pattern.stock].supply is None]
        found += [min(unlimited, key=problem.cost)] if unlimited else fitting
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
