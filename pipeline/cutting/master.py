"""The choice among known patterns, as a linear and as an integer programme with HiGHS.

Rows: each piece as often as demanded, the posts, the supply of each stock kind that is limited, the length of each kind of bulk stock.
One thread, one seed: the same patterns give the same answer.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final

import highspy
import msgspec
import numpy as np
from highspy._core import _Highs

from pipeline.cutting.bulk import Bulk
from pipeline.cutting.problem import Pattern, Problem

SHORT_COST: Final = 1000.0  # of a piece left out, in times the dearest stock: never worth it where a pattern serves
INFINITY: Final = highspy.kHighsInf

Entries = list[tuple[int, float]]


class Relaxed(msgspec.Struct, frozen=True):
    """The linear programme's answer [money units].

    Parameters
    ----------
    cost : float
    times : tuple of float
        How often each pattern.
    piece_prices : tuple of float
    post_price : float
    stock_prices : dict
        Stock index to the price of one of limited supply.
    bulk_prices : tuple of float
        Price of a unit of room on each kind of bulk stock.
    bulk_used : tuple of float
        How many of each kind of bulk stock.
    """

    cost: float
    times: tuple[float, ...]
    piece_prices: tuple[float, ...]
    post_price: float
    stock_prices: dict[int, float]
    bulk_prices: tuple[float, ...]
    bulk_used: tuple[float, ...]


class Whole(msgspec.Struct, frozen=True):
    """The integer programme's answer.

    Parameters
    ----------
    chosen : tuple of (Pattern, times), or None
    on_bulk : tuple of tuple of int
        For each kind of bulk stock how often each piece is cut from it.
    openings : tuple of int
        How many of each kind of bulk stock.
    exhausted : bool
        True when the search left nothing open.
    out_of_time : bool
        True when the clock stopped it.
    failed : bool
        True when the solver gave up with an error.
    seconds : float
        That the search took, for the limit of those to come.
    """

    chosen: tuple[tuple[Pattern, int], ...] | None
    on_bulk: tuple[tuple[int, ...], ...]
    openings: tuple[int, ...]
    exhausted: bool
    out_of_time: bool
    failed: bool
    seconds: float


class Rows:
    """Which row holds what, and the entries of a column in them; shared by both programmes."""

    def __init__(self, problem: Problem, kinds: Sequence[Bulk]) -> None:
        self.problem, self.kinds = problem, tuple(kinds)
        self.unit = float(max([problem.post_cost, *(stock.cost for stock in problem.stocks), 1]))
        self.posts = len(problem.pieces)
        limited = [index for index, stock in enumerate(problem.stocks) if stock.supply is not None]
        self.limited = {index: row for row, index in enumerate(limited, self.posts + 1)}
        self.bulk = {kind.stock: row for row, kind in enumerate(kinds, self.posts + 1 + len(limited))}
        self.count = self.posts + 1 + len(limited) + len(self.kinds)

    def limits(self, demand: Sequence[int], *, exactly: bool) -> tuple[list[float], list[float]]:
        """Return lower and upper limits of all rows."""
        lower = [float(count) for count in demand] + [float(self.problem.posts_needed)] + [-INFINITY] * (self.count - self.posts - 1)
        upper = [float(count) if exactly else INFINITY for count in demand] + [INFINITY]
        upper += [float(self.problem.stocks[index].supply or 0) for index in self.limited] + [0.0] * len(self.kinds)
        return lower, upper

    def of_pattern(self, pattern: Pattern) -> Entries:
        entries = [(index, float(times)) for index, times in pattern.takes]
        return entries + self._of_stock(pattern.stock)

    def of_opening(self, kind: Bulk) -> Entries:
        return [*self._of_stock(kind.stock), (self.bulk[kind.stock], -1.0)]

    def of_piece_on(self, kind: Bulk, index: int) -> Entries:
        return [(index, 1.0), (self.bulk[kind.stock], (self.problem.pieces[index].length + kind.kerf) / kind.room)]

    def _of_stock(self, stock: int) -> Entries:
        posts = self.problem.stocks[stock].posts
        entries = [(self.posts, float(posts))] if posts else []
        return [*entries, (self.limited[stock], 1.0)] if stock in self.limited else entries

    def pieces_on(self, kind: Bulk) -> list[int]:
        """Return the pieces short enough for a kind of bulk stock."""
        stock = self.problem.stocks[kind.stock]
        return [index for index, piece in enumerate(self.problem.pieces) if piece.length <= stock.length]


class Master:
    """A growing linear programme over patterns; patterns are added, demands may shrink while a dive fixes sources."""

    def __init__(self, problem: Problem, demand: Sequence[int], kinds: Sequence[Bulk]) -> None:
        self.problem, self.rows = problem, Rows(problem, kinds)
        self.patterns: list[Pattern] = []
        self._known: set[Pattern] = set()
        self._highs = _quiet()
        for low, high in zip(*self.rows.limits(demand, exactly=False), strict=True):
            self._highs.addRow(low, high, 0, np.array([], np.int32), np.array([], float))
        self._columns = 0
        self._add(problem.post_cost, [(self.rows.posts, 1.0)])
        for index in range(len(problem.pieces)):
            self._add(SHORT_COST * self.rows.unit, [(index, 1.0)])
        self._openings = [self._add(kind.opening, self.rows.of_opening(kind), float(kind.most)) for kind in kinds]
        for kind in kinds:
            for index in self.rows.pieces_on(kind):
                self._add(kind.rate * (problem.pieces[index].length + kind.kerf), self.rows.of_piece_on(kind, index))
        self._before = self._columns

    def add(self, pattern: Pattern) -> bool:
        """Add a pattern; False when it is known already."""
        if pattern in self._known:
            return False
        self._known.add(pattern)
        self.patterns.append(pattern)
        self._add(self.problem.cost(pattern), self.rows.of_pattern(pattern))
        return True

    def demand_left(self, demand: Sequence[int], posts: int, supply: dict[int, int]) -> None:
        """Set what is still to be served, and shut out patterns that would make more of a piece than that."""
        for row, count in enumerate(demand):
            self._highs.changeRowBounds(row, float(count), INFINITY)
        self._highs.changeRowBounds(self.rows.posts, float(max(0, posts)), INFINITY)
        for index, row in self.rows.limited.items():
            self._highs.changeRowBounds(row, -INFINITY, float(supply[index]))
        for column, pattern in enumerate(self.patterns, self._before):
            proper = all(times <= demand[index] for index, times in pattern.takes)
            self._highs.changeColBounds(column, 0.0, INFINITY if proper else 0.0)

    def bulk_between(self, number: int, least: int, most: int) -> None:
        """Bound how many of a kind of bulk stock are used."""
        self._highs.changeColBounds(self._openings[number], float(least), float(most))

    def relaxed(self) -> Relaxed:
        """Solve the linear programme over the patterns known."""
        self._highs.run()
        solution, rows, unit = self._highs.getSolution(), self.rows, self.rows.unit
        duals, values = solution.row_dual, solution.col_value
        return Relaxed(
            self._highs.getInfo().objective_function_value * unit,
            tuple(values[self._before :]),
            tuple(dual * unit for dual in duals[: rows.posts]),
            duals[rows.posts] * unit,
            {index: max(0.0, -duals[row] * unit) for index, row in rows.limited.items()},
            tuple(max(0.0, -duals[rows.bulk[kind.stock]] * unit / kind.room) for kind in rows.kinds),
            tuple(values[column] for column in self._openings),
        )

    def _add(self, cost: float, entries: Entries, most: float = INFINITY) -> int:
        rows, values = np.array([row for row, _ in entries], np.int32), np.array([value for _, value in entries], float)
        self._highs.addCol(cost / self.rows.unit, 0.0, most, len(entries), rows, values)
        self._columns += 1
        return self._columns - 1


class Search(msgspec.Struct, frozen=True, kw_only=True):
    """What the integer programme is to find, and how far it may go.

    Parameters
    ----------
    nodes : int
        Of the branch and bound.
    seconds : float
        Last resort.
    below : int or None
        Only a cost of at most this is of interest [money units]; an exhausted search without an answer proves there is none.
    waste_most : int or None
        Most waste allowed on what is cut by patterns [length units].
    least_waste : bool
        Minimise waste at no more than the cost `below`.
    covering : bool
        Pieces may be cut more often than asked for, which plans are easier found for; the surplus is dropped from them afterwards.
    bulk_between : tuple of (int, int)
        Least and most of each kind of bulk stock.
    """

    nodes: int
    seconds: float
    below: int | None = None
    waste_most: int | None = None
    least_waste: bool = False
    covering: bool = False
    bulk_between: tuple[tuple[int, int], ...] = ()


def whole(problem: Problem, patterns: Sequence[Pattern], kinds: Sequence[Bulk], search: Search) -> Whole:
    """Choose whole numbers of the patterns given, and of bulk stock, at least cost (or least waste).

    Where the solver fails, or says that there is no plan, it is asked again without its presolve: that there is none counts only when both say so.
    """
    first = _whole(problem, patterns, kinds, search, presolve=True)
    if first.chosen is not None or first.out_of_time:
        return first
    again = _whole(problem, patterns, kinds, search, presolve=False)
    return msgspec.structs.replace(again, exhausted=again.exhausted and (first.exhausted or again.chosen is not None or first.failed))


def _whole(problem: Problem, patterns: Sequence[Pattern], kinds: Sequence[Bulk], search: Search, *, presolve: bool) -> Whole:
    columns = _Columns(problem, patterns, Rows(problem, kinds), search)
    model = _quiet()
    model.passModel(columns.programme())
    unit = columns.rows.unit
    options = {
        "presolve": "on" if presolve else "off",
        "mip_max_nodes": search.nodes,
        "time_limit": search.seconds,
        "mip_rel_gap": 0.0,
        "mip_abs_gap": 1e-7 if search.least_waste else 0.5 * problem.worth_seeking / unit,
    }
    for option, value in options.items():
        model.setOptionValue(option, value)
    model.run()
    info, status = model.getInfo(), model.getModelStatus()
    feasible = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
    values = [round(value) for value in model.getSolution().col_value] if feasible else []
    return Whole(
        tuple((pattern, times) for pattern, times in zip(patterns, values, strict=False) if times > 0) if feasible else None,
        columns.on_bulk(values) if feasible else (),
        tuple(values[column] for column in columns.openings) if feasible else (),
        exhausted=status in (highspy.HighsModelStatus.kOptimal, highspy.HighsModelStatus.kInfeasible),
        out_of_time=status == highspy.HighsModelStatus.kTimeLimit,
        failed=status == highspy.HighsModelStatus.kSolveError,
        seconds=model.getRunTime(),
    )


class _Columns:
    """Columns of the integer programme: the patterns, the loose posts, then for each kind of bulk stock its openings and pieces."""

    def __init__(self, problem: Problem, patterns: Sequence[Pattern], rows: Rows, search: Search) -> None:
        self.problem, self.rows, self.search = problem, rows, search
        self.most = float(max(stock.length for stock in problem.stocks))
        self.cost: list[float] = []
        self.waste: list[float] = []
        self.entries: list[Entries] = []
        self.lower: list[float] = []
        self.upper: list[float] = []
        for pattern in patterns:
            self._column(problem.cost(pattern), rows.of_pattern(pattern), waste=problem.waste(pattern))
        self._column(problem.post_cost, [(rows.posts, 1.0)])
        self.openings: list[int] = []
        self.bulk_columns: list[dict[int, int]] = []
        for number, kind in enumerate(rows.kinds):
            between = search.bulk_between[number] if search.bulk_between else (0, kind.most)
            self.openings.append(len(self.cost))
            self._column(kind.opening, rows.of_opening(kind), between=between)
            self.bulk_columns.append({})
            for index in rows.pieces_on(kind):
                self.bulk_columns[number][index] = len(self.cost)
                cost = kind.rate * (problem.pieces[index].length + kind.kerf)
                self._column(cost, rows.of_piece_on(kind, index), between=(0, problem.pieces[index].count), waste=kind.kerf)

    def on_bulk(self, values: Sequence[int]) -> tuple[tuple[int, ...], ...]:
        pieces = range(len(self.problem.pieces))
        return tuple(tuple(values[own[index]] if index in own else 0 for index in pieces) for own in self.bulk_columns)

    def programme(self) -> Any:
        lower, upper = self.rows.limits([piece.count for piece in self.problem.pieces], exactly=not self.search.covering)
        extra = list(self._extra())
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = len(self.cost), self.rows.count + len(extra)
        lp.col_cost_ = np.array(self.waste if self.search.least_waste else self.cost)
        lp.col_lower_, lp.col_upper_ = np.array(self.lower), np.array(self.upper)
        lp.row_lower_ = np.array(lower + [-INFINITY] * len(extra))
        lp.row_upper_ = np.array(upper + [limit for _, limit in extra])
        entries = [
            own + [(self.rows.count + number, row[column]) for number, (row, _) in enumerate(extra) if row[column]]
            for column, own in enumerate(self.entries)
        ]
        lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
        lp.a_matrix_.start_ = np.cumsum([0, *(len(own) for own in entries)]).astype(np.int32)
        lp.a_matrix_.index_ = np.array([row for own in entries for row, _ in own], np.int32)
        lp.a_matrix_.value_ = np.array([value for own in entries for _, value in own], float)
        lp.integrality_ = [highspy.HighsVarType.kInteger] * len(self.cost)
        return lp

    def _extra(self) -> Iterable[tuple[list[float], float]]:
        """Yield further rows with their upper limits: the cost that is of interest, the waste allowed."""
        if self.search.below is not None:
            yield self.cost, (self.search.below + 0.5) / self.rows.unit
        if self.search.waste_most is not None:
            yield self.waste, (self.search.waste_most + 0.5) / self.most

    def _column(self, cost: float, entries: Entries, *, between: tuple[int, int] | None = None, waste: float = 0.0) -> None:
        self.cost.append(cost / self.rows.unit)
        self.waste.append(waste / self.most)
        self.entries.append(entries)
        self.lower.append(float(between[0]) if between else 0.0)
        self.upper.append(float(between[1]) if between else INFINITY)


def _quiet() -> Any:
    """Return a silent solver.  The class below the public one: that prints its banner on standard output before it can be told not to."""
    highs = _Highs()
    for option, value in (("output_flag", False), ("threads", 1), ("random_seed", 0)):
        highs.setOptionValue(option, value)
    return highs
