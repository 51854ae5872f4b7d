"""The choice among known patterns, as a linear and as an integer programme with HiGHS.

Rows: each piece as often as demanded, the posts, and the supply of each stock kind that is limited.  One thread, one seed:
the same patterns give the same answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import highspy
import msgspec
import numpy as np
from highspy._core import _Highs

from pipeline.cutting.problem import Pattern, Problem

SHORT_COST: Final = 1000.0  # of a piece left out, in times the dearest stock: never worth it where a pattern serves


class Relaxed(msgspec.Struct, frozen=True):
    """The linear programme's answer: cost, how often each pattern, prices of the pieces and of a post [money units]."""

    cost: float
    times: tuple[float, ...]
    piece_prices: tuple[float, ...]
    post_price: float


class Whole(msgspec.Struct, frozen=True):
    """The integer programme's answer: (pattern, times), and whether the search was exhausted."""

    chosen: tuple[tuple[Pattern, int], ...] | None
    exhausted: bool


class Master:
    """A growing linear programme over patterns; patterns are added, demands may shrink while a dive fixes sources."""

    def __init__(self, problem: Problem, demand: Sequence[int]) -> None:
        self.problem = problem
        self.patterns: list[Pattern] = []
        self._known: set[Pattern] = set()
        self._unit = float(max([problem.post_cost, *(stock.cost for stock in problem.stocks), 1]))
        self._limited = {index: row for row, index in enumerate(_limited(problem), len(problem.pieces) + 1)}
        self._highs = _quiet()
        for count in demand:
            self._highs.addRow(float(count), highspy.kHighsInf, 0, np.array([], np.int32), np.array([], float))
        self._highs.addRow(float(problem.posts_needed), highspy.kHighsInf, 0, np.array([], np.int32), np.array([], float))
        for index in self._limited:
            self._highs.addRow(-highspy.kHighsInf, float(problem.stocks[index].supply or 0), 0, np.array([], np.int32), np.array([], float))
        self._posts_row = len(problem.pieces)
        self._add(problem.post_cost / self._unit, [self._posts_row], [1.0])
        for row in range(len(problem.pieces)):
            self._add(SHORT_COST, [row], [1.0])
        self._before = 1 + len(problem.pieces)

    def add(self, pattern: Pattern) -> bool:
        """Add a pattern; False when it is known already."""
        if pattern in self._known:
            return False
        self._known.add(pattern)
        self.patterns.append(pattern)
        rows = [index for index, _ in pattern.takes]
        values = [float(times) for _, times in pattern.takes]
        posts = self.problem.stocks[pattern.stock].posts
        if posts:
            rows, values = [*rows, self._posts_row], [*values, float(posts)]
        if pattern.stock in self._limited:
            rows, values = [*rows, self._limited[pattern.stock]], [*values, 1.0]
        self._add(self.problem.cost(pattern) / self._unit, rows, values)
        return True

    def demand_left(self, demand: Sequence[int], posts: int, supply: dict[int, int]) -> None:
        """Set what is still to be served, and shut out patterns that would make more of a piece than that."""
        for row, count in enumerate(demand):
            self._highs.changeRowBounds(row, float(count), highspy.kHighsInf)
        self._highs.changeRowBounds(self._posts_row, float(max(0, posts)), highspy.kHighsInf)
        for index, row in self._limited.items():
            self._highs.changeRowBounds(row, -highspy.kHighsInf, float(supply[index]))
        for column, pattern in enumerate(self.patterns, self._before):
            proper = all(times <= demand[index] for index, times in pattern.takes)
            self._highs.changeColBounds(column, 0.0, highspy.kHighsInf if proper else 0.0)

    def relaxed(self) -> Relaxed:
        """Solve the linear programme over the patterns known."""
        self._highs.run()
        solution = self._highs.getSolution()
        duals = solution.row_dual
        return Relaxed(
            self._highs.getInfo().objective_function_value * self._unit,
            tuple(solution.col_value[self._before :]),
            tuple(dual * self._unit for dual in duals[: self._posts_row]),
            duals[self._posts_row] * self._unit,
        )

    def _add(self, cost: float, rows: list[int], values: list[float]) -> None:
        self._highs.addCol(cost, 0.0, highspy.kHighsInf, len(rows), np.array(rows, np.int32), np.array(values, float))


def whole(
    problem: Problem,
    patterns: Sequence[Pattern],
    *,
    below: int | None = None,
    nodes: int,
    seconds: float,
    waste_most: int | None = None,
    least_waste_at: int | None = None,
) -> Whole:
    """Choose whole numbers of the patterns given: least cost, or with `least_waste_at` least waste at no more than that cost.

    Parameters
    ----------
    problem : Problem
        What to cut from what.
    patterns : sequence of Pattern
        To choose from.
    below : int or None
        Only a cost of at most this is of interest [money units]; an exhausted search without an answer proves there is none.
    nodes : int
        Of the branch and bound.
    seconds : float
        Last resort.
    waste_most : int or None
        Most waste allowed [length units].
    least_waste_at : int or None
        A cost [money units]; where given, waste is what is minimised.
    """
    unit = float(max([problem.post_cost, *(stock.cost for stock in problem.stocks), 1]))
    costs = np.array([problem.cost(pattern) / unit for pattern in patterns] + [problem.post_cost / unit])
    wastes = np.array([float(problem.waste(pattern)) for pattern in patterns] + [0.0])
    most = below if least_waste_at is None else least_waste_at
    length = float(max(stock.length for stock in problem.stocks))
    model = _quiet()
    model.passModel(_model(problem, patterns, costs, wastes / length, most, unit, waste_most, length, least_waste_at is not None))
    model.setOptionValue("mip_max_nodes", nodes)
    model.setOptionValue("time_limit", seconds)
    model.setOptionValue("mip_rel_gap", 0.0)
    model.setOptionValue("mip_abs_gap", 0.0 if least_waste_at is not None else 0.5 * problem.money_step / unit)
    if below is not None and least_waste_at is None:
        model.setOptionValue("objective_bound", (below + 0.5) / unit)
    model.run()
    status = model.getModelStatus()
    exhausted = status in (highspy.HighsModelStatus.kOptimal, highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kObjectiveBound)
    values = model.getSolution().col_value
    found = model.getInfo().primal_solution_status == 2
    if not found:
        return Whole(None, exhausted)
    chosen = tuple((pattern, round(value)) for pattern, value in zip(patterns, values, strict=False) if round(value) > 0)
    return Whole(chosen, exhausted)


def _model(
    problem: Problem,
    patterns: Sequence[Pattern],
    costs: Any,
    wastes: Any,
    most: int | None,
    unit: float,
    waste_most: int | None,
    length: float,
    waste_first: bool,
) -> Any:
    """Return the integer programme; columns are the patterns, then the loose posts."""
    limited = {index: row for row, index in enumerate(_limited(problem), len(problem.pieces) + 1)}
    posts_row = len(problem.pieces)
    rows = posts_row + 1 + len(limited)
    lower = [float(piece.count) for piece in problem.pieces] + [float(problem.posts_needed)] + [-highspy.kHighsInf] * len(limited)
    upper = [float(piece.count) for piece in problem.pieces] + [highspy.kHighsInf] + [float(problem.stocks[index].supply or 0) for index in limited]
    extra: list[tuple[Any, float]] = []
    if most is not None:
        extra.append((costs, (most + 0.5) / unit))
    if waste_most is not None:
        extra.append((wastes, (waste_most + 0.5) / length))
    starts, index, value = [0], [], []
    for column, pattern in enumerate((*patterns, None)):
        entries = _entries(problem, pattern, limited, posts_row)
        entries += [(rows + number, float(row[column])) for number, (row, _) in enumerate(extra) if row[column]]
        index += [row for row, _ in entries]
        value += [entry for _, entry in entries]
        starts.append(len(index))
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = len(patterns) + 1, rows + len(extra)
    lp.col_cost_ = wastes if waste_first else costs
    lp.col_lower_ = np.zeros(lp.num_col_)
    lp.col_upper_ = np.full(lp.num_col_, highspy.kHighsInf)
    lp.row_lower_ = np.array(lower + [-highspy.kHighsInf] * len(extra))
    lp.row_upper_ = np.array(upper + [limit for _, limit in extra])
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_ = np.array(starts, np.int32)
    lp.a_matrix_.index_ = np.array(index, np.int32)
    lp.a_matrix_.value_ = np.array(value, float)
    lp.integrality_ = [highspy.HighsVarType.kInteger] * len(patterns) + [highspy.HighsVarType.kContinuous]
    return lp


def _entries(problem: Problem, pattern: Pattern | None, limited: dict[int, int], posts_row: int) -> list[tuple[int, float]]:
    if pattern is None:
        return [(posts_row, 1.0)]
    entries = [(index, float(times)) for index, times in pattern.takes]
    posts = problem.stocks[pattern.stock].posts
    if posts:
        entries.append((posts_row, float(posts)))
    if pattern.stock in limited:
        entries.append((limited[pattern.stock], 1.0))
    return entries


def _limited(problem: Problem) -> list[int]:
    return [index for index, stock in enumerate(problem.stocks) if stock.supply is not None]


def _quiet() -> Any:
    """Return a silent solver.  The class below the public one: that prints its banner on standard output before it can be told not to."""
    highs = _Highs()
    for option, value in (("output_flag", False), ("threads", 1), ("random_seed", 0)):
        highs.setOptionValue(option, value)
    return highs
