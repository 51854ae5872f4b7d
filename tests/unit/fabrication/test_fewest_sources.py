"""Each job from few sources, at no more cost and no more waste."""

from __future__ import annotations

import random

from pipeline.cutting.problem import Stock
from pipeline.fabrication.fewest_sources import OnSource, brought_together, shared_out

ROLL = Stock(name="roll", length=100, cost=50, kerf=1, rest_least=10, rest_rate=1)


def jobs_over_sources(sources) -> int:
    return sum(len({piece.job for piece in pieces}) for pieces in sources)


def test_equal_pieces_go_where_their_job_is_cut():
    given = shared_out([[0, 1], [0, 2]], {0: ["a1", "b1"], 1: ["b2"], 2: ["a2"]}, key=lambda name: name[0])
    assert given == [["b1", "b2"], ["a1", "a2"]]


def test_pieces_are_swapped_where_the_left_over_stays_worth_the_same():
    before = [[OnSource(30, "a", 0), OnSource(30, "b", 1)], [OnSource(30, "b", 2), OnSource(28, "a", 3)]]
    after = brought_together([ROLL, ROLL], before)
    assert jobs_over_sources(before) == 4
    assert jobs_over_sources(after) == 2


def test_pieces_are_moved_where_there_is_room():
    after = brought_together([ROLL, ROLL], [[OnSource(30, "a", 0), OnSource(20, "b", 1)], [OnSource(30, "a", 2)]])
    assert jobs_over_sources(after) == 2
    assert all(after)


def test_nothing_moves_that_would_cost_or_waste_more():
    # the 45 cannot join its job: the other source would keep 8, too little to be worth anything
    before = [[OnSource(45, "a", 0), OnSource(20, "b", 1)], [OnSource(45, "a", 2)]]
    after = brought_together([ROLL, ROLL], before)
    rests = [ROLL.rest(sum(piece.length + 1 for piece in pieces)) for pieces in after]
    assert sum(rest for rest in rests if rest >= 10) >= (100 - 67) + (100 - 46)


def test_no_source_is_emptied():
    after = brought_together([ROLL, ROLL], [[OnSource(30, "a", 0)], [OnSource(30, "a", 1)]])
    assert [len(pieces) for pieces in after] == [1, 1]


def test_whatever_is_moved_nothing_is_lost_and_nothing_gets_worse():
    for seed in range(30):
        chance = random.Random(seed)
        numbers = iter(range(1000))
        before = []
        for _ in range(6):
            pieces, room = [], 101
            while room > 30:
                length = chance.randint(5, 29)
                pieces.append(OnSource(length, chance.choice("abcdef"), next(numbers)))
                room -= length + 1
            before.append(pieces)
        after = brought_together([ROLL] * 6, before)
        assert sorted(piece.entry for pieces in after for piece in pieces) == sorted(piece.entry for pieces in before for piece in pieces)
        assert jobs_over_sources(after) <= jobs_over_sources(before)
        assert kept(after) >= kept(before)
        assert all(sum(piece.length + 1 for piece in pieces) <= ROLL.room for pieces in after)


def kept(sources) -> int:
    return sum(ROLL.rest_value(ROLL.rest(sum(piece.length + 1 for piece in pieces))) for pieces in sources)
