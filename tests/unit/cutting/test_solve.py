"""The optimiser on problems small enough to see through, and its promises on all."""

from __future__ import annotations

import pytest

from pipeline.cutting.bulk import bulk_kinds, packed
from pipeline.cutting.problem import Pattern, Piece, Problem, Stock
from pipeline.cutting.solve import Effort, solve
from tests.unit.cutting.every_plan import cheapest


def bars(length: int, *pieces: tuple[int, int], **more: int) -> Problem:
    return Problem(pieces=tuple(Piece(*piece) for piece in pieces), stocks=(Stock(name="bar", length=length, cost=1, **more),))


def test_the_largest_piece_first_is_not_good_enough():
    # 6 first would leave 4 + 2 + 2 with 3 + 3 apart on three bars; 6+4, 3+3+2+2 take two
    plan = solve(bars(10, (6, 1), (4, 1), (3, 2), (2, 2)))
    assert (plan.cost, plan.bound, plan.state) == (2, 2, "optimal")


def test_a_bound_is_not_rounded_into_a_plan():
    # three pieces of 6 on bars of 10: the length asks for 1.8 bars, no two pieces go on one
    plan = solve(bars(10, (6, 3)))
    assert (plan.cost, plan.bound, plan.state) == (3, 3, "optimal")


def test_kerf_counts_between_pieces_but_not_past_the_end():
    assert solve(bars(10, (5, 2))).cost == 1
    assert solve(bars(10, (5, 2), kerf=1)).cost == 2
    assert solve(bars(11, (5, 2), kerf=1)).cost == 1  # the second cut falls off the end


def test_a_usable_left_over_is_worth_having():
    stocks = (Stock(name="short", length=10, cost=100), Stock(name="long", length=40, cost=150, rest_least=20, rest_rate=4))
    plan = solve(Problem(pieces=(Piece(9),), stocks=stocks))
    assert [stocks[pattern.stock].name for pattern in plan.patterns] == ["long"]
    assert plan.cost == 150 - 4 * 31


def test_a_left_over_too_short_is_waste():
    problem = bars(10, (8, 1), rest_least=3, rest_rate=1)
    assert problem.waste(Pattern(0, ((0, 1),))) == 2
    assert bars(10, (7, 1), rest_least=3, rest_rate=1).waste(Pattern(0, ((0, 1),))) == 0


def test_limited_stock_is_used_once():
    stocks = (Stock(name="offcut", length=10, cost=1, supply=1), Stock(name="new", length=10, cost=5))
    plan = solve(Problem(pieces=(Piece(6, 3),), stocks=stocks))
    assert plan.cost == 11
    assert sum(pattern.stock == 0 for pattern in plan.patterns) == 1


def test_posts_on_the_stock_are_set_against_posts_bought():
    stocks = (Stock(name="bare", length=10, cost=10), Stock(name="posted", length=10, cost=16, posts=3))
    with_dear_posts = Problem(pieces=(Piece(9),), stocks=stocks, posts_needed=2, post_cost=5)
    assert solve(with_dear_posts).cost == 16
    with_cheap_posts = Problem(pieces=(Piece(9),), stocks=stocks, posts_needed=2, post_cost=2)
    assert solve(with_cheap_posts).cost == 14


def test_a_piece_that_fits_nothing_is_refused():
    with pytest.raises(ValueError, match="fits no stock"):
        solve(bars(10, (11, 1)))


def test_stock_that_does_not_reach_is_refused():
    with pytest.raises(ValueError, match="does not reach"):
        solve(bars(10, (6, 3), supply=2))


def test_of_two_plans_of_one_cost_the_one_of_less_waste():
    # both offcuts cost the same; the one of 12 would waste 2 with the 10 on it and the 9 leaves no other choice
    stocks = (Stock(name="a", length=12, cost=5, supply=1), Stock(name="b", length=10, cost=5, supply=1))
    plan = solve(Problem(pieces=(Piece(9),), stocks=stocks), least_waste=True)
    assert (plan.cost, plan.waste, plan.waste_bound) == (5, 1, 1)


def test_the_same_problem_gives_the_same_plan():
    problem = bars(150, *((length, 2) for length in range(20, 100, 3)))
    assert solve(problem) == solve(problem)


def test_a_search_cut_short_never_says_optimal_above_its_bound():
    # 57 pieces on which the relaxation's bound is one short of the optimum
    problem = bars(10_000, (4812, 3), (4783, 1), (4778, 1), (4769, 2), (3534, 3), (3412, 3), (3168, 4), (2649, 1), (2317, 2), (1100, 5))
    plan = solve(problem, Effort(nodes=0, seconds=0.0))
    assert plan.state == "optimal" or plan.bound < plan.cost
    assert plan.bound <= solve(problem).cost <= plan.cost


def test_known_plans_are_never_made_worse():
    problem = bars(10, (6, 1), (4, 1), (3, 2), (2, 2))
    known = [Pattern(0, ((0, 1), (1, 1))), Pattern(0, ((2, 2), (3, 2)))]
    assert solve(problem, Effort(nodes=0, seconds=0.0), [known]).cost <= problem.total_cost(known)


@pytest.mark.parametrize("seed", range(40))
def test_small_problems_end_at_the_cheapest_of_all_plans(seed):
    problem = small_problem(seed)
    plan = solve(problem)
    assert cheapest(problem) == plan.cost
    assert (plan.cost, "optimal") == (plan.bound, plan.state)


def test_long_stock_becomes_bulk_only_for_many_pieces():
    roll = Stock(name="roll", length=1000, cost=100, rest_least=10, rest_rate=0)
    few = Problem(pieces=(Piece(30, 11),), stocks=(roll,))
    many = Problem(pieces=(Piece(30, 200),), stocks=(roll,))
    assert bulk_kinds(few) == ()
    assert [kind.stock for kind in bulk_kinds(many)] == [0]


def test_bulk_stock_is_filled_to_the_brim():
    roll = Stock(name="roll", length=1000, cost=100)
    pieces = tuple(Piece(length, 10) for length in (97, 89, 83, 79, 73, 71, 67, 61, 59, 53))
    problem = Problem(pieces=pieces, stocks=(roll,))
    patterns = packed(problem, bulk_kinds(problem), [[10] * 10])
    assert patterns is not None
    assert -(-sum(piece.length * piece.count for piece in pieces) // 1000) == len(patterns)
    assert all(problem.used(pattern) >= 990 for pattern in patterns[:-1])


@pytest.mark.parametrize("seed", [0])
def test_many_pieces_on_rolls_come_within_one_panel_of_the_bound(seed):
    import random

    chance = random.Random(seed)
    panel = 1180
    stocks = (
        Stock(name="panel", length=436, cost=panel, posts=4, rest_least=140, rest_rate=1),
        Stock(name="roll", length=7200, cost=6400, kerf=1, rest_least=140, rest_rate=0),
        *(Stock(name=f"offcut {number}", length=chance.randint(150, 900), cost=100, supply=1, posts=number % 3) for number in range(10)),
    )
    pieces = tuple(Piece(chance.randint(75, 430)) for _ in range(36))
    problem = Problem(pieces=pieces, stocks=stocks, posts_needed=108, post_cost=190)
    plan = solve(problem)
    assert plan.bound <= plan.cost <= plan.bound + panel
    assert problem.total_cost(plan.patterns) == plan.cost
    counts = [0] * len(pieces)
    for pattern in plan.patterns:
        assert problem.used(pattern) <= stocks[pattern.stock].room
        for index, times in pattern.takes:
            counts[index] += times
    assert [1] * len(pieces) == counts


def small_problem(seed: int) -> Problem:
    """Up to six pieces on up to three kinds of stock, with everything a shop has: kerf, posts, shelf, value of left-overs."""
    import random

    chance = random.Random(seed)
    pieces = tuple(Piece(chance.randint(3, 14)) for _ in range(chance.randint(2, 6)))
    new = [
        Stock(
            name=f"new {number}",
            length=chance.randint(14, 30),
            cost=chance.randint(10, 60),
            kerf=chance.choice([0, 0, 1]),
            posts=chance.choice([0, 3, 4]),
            rest_least=chance.choice([4, 8]),
            rest_rate=chance.choice([0, 1]),
        )
        for number in range(chance.randint(1, 2))
    ]
    shelf = [
        Stock(name="shelf", length=chance.randint(5, 25), cost=chance.randint(0, 20), supply=1, posts=chance.choice([0, 2]))
        for _ in range(chance.randint(0, 2))
    ]
    return Problem(pieces=pieces, stocks=(*new, *shelf), posts_needed=2 * len(pieces), post_cost=chance.choice([0, 2, 7]))
