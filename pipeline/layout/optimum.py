"""Where panels, joints and gates fall along a stretch of line: exact dynamic programming over the grid's nodes.

What is minimised, in this order, packed into one integer so that sums compare like the tuples they stand for: custom panels; cost of panels; use of the give;
deviation, the sum of how far panels' holes stand off the wanted line (of a custom panel its two end holes) and gates from where they were wished.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.layout.grid import NEVER, Grid, Indices, Keys, Measures
from pipeline.layout.walk import Flags

MOVE_BITS, GIVE_BITS, COST_BITS, CUSTOM_BITS = 18, 11, 26, 7
MORE_POSTS: Final = 2  # a custom panel gets at most this many posts more than it needs, to keep clear of forbidden ground
CUSTOM_KEY: Final = 1 << (MOVE_BITS + GIVE_BITS + COST_BITS)
COST_KEY: Final = 1 << (MOVE_BITS + GIVE_BITS)
GIVE_KEY: Final = 1 << MOVE_BITS


@dataclass(frozen=True)
class GateMoves:
    """The places one gate inside a stretch may take, told from the first hole after it.

    Parameters
    ----------
    from_nodes : array (n,)
        Last hole before the gate, -1 where no gate may stand.
    keys : array (n,)
        What the place costs.
    """

    from_nodes: Indices
    keys: Keys


@dataclass(frozen=True)
class Way:
    """One way along a stretch: the holes' nodes in order, and what each panel and gap is.

    Parameters
    ----------
    key : int
        Packed objective.
    holes : tuple of int
        Nodes; a custom panel gives its two ends only.
    kinds : tuple of str
        One per gap between consecutive holes: "spacing", "joint", "custom", "gate".
    """

    key: int
    holes: tuple[int, ...]
    kinds: tuple[str, ...]


@dataclass(frozen=True)
class Found:
    """The best way and its lower bound; on a loop, which of the cut gate's places it uses; how many searches that took."""

    way: Way
    bound: int
    place: int = -1
    searches: int = 1

    @property
    def customs(self) -> int:
        return self.way.key // CUSTOM_KEY


def unpacked(key: int) -> tuple[int, int, int, int]:
    """Return (custom panels, cost units, give units, move units) of a packed objective."""
    give = (key >> MOVE_BITS) & ((1 << GIVE_BITS) - 1)
    return key // CUSTOM_KEY, (key // COST_KEY) & ((1 << COST_BITS) - 1), give, key & ((1 << MOVE_BITS) - 1)


@dataclass
class Search:
    """The tables of one run: values of every state, for a batch of starts at once.

    Parameters
    ----------
    inside : array (n, posts + 1, layers, batch)
        Least key with the n-th node a post of an unfinished panel, by posts so far (index 0 unused).
    ended : array (n, layers, batch)
        Least key with a panel ending at the node.

    Notes
    -----
    A layer is how many gates were passed; where a custom panel has to be among the panels, once over without and once over with one.  Nodes stand first: moves take
    them in any order, and what stands behind one of them is then read as one piece.
    """

    grid: Grid
    sizes: Measures
    gates: tuple[GateMoves, ...]
    inside: Keys
    ended: Keys
    custom: bool
    careful: int = 0
    must: bool = False

    @property
    def passed(self) -> int:
        """Number of layers that differ by gates passed only."""
        return len(self.gates) + 1

    def best_end(self, row: int, ends: Sequence[tuple[int, int]]) -> tuple[int, int]:
        """Return (key, node) of the best end among (node, closing key) pairs for one row of the batch."""
        found = [(min(int(self.ended[node, -1, row]) + key, NEVER), node) for node, key in ends]
        return min(found)

    def way_to(self, row: int, end: int) -> Way:
        """Trace back the way that reaches a panel's end at a node."""
        holes, kinds = [end], []
        gate, posts = self.ended.shape[1] - 1, self._posts_at_end(row, self.ended.shape[1] - 1, end)
        while True:
            node = holes[-1]
            source, kind, gate, posts = self._step_back(row, gate, posts, node)
            if kind == "start":
                break
            holes.append(source)
            kinds.append(kind)
        return Way(int(self.ended[end, -1, row]), tuple(holes[::-1]), tuple(kinds[::-1]))

    def _posts_at_end(self, row: int, gate: int, node: int) -> int:
        """Return the posts of the stock panel that ends at a node, 0 for a custom panel."""
        wanted = int(self.ended[node, gate, row])
        for posts, price in self.sizes.stock:
            if int(self.inside[node, posts, gate, row]) + price * COST_KEY == wanted:
                return posts
        return 0

    def _step_back(self, row: int, gate: int, posts: int, node: int) -> tuple[int, str, int, int]:
        if posts == 1:
            return self._before_panel(row, gate, node)
        if posts == 0:
            source, gate = self._custom_start(row, gate, node)
            return source, "custom", gate, 1
        wanted = int(self.inside[node, posts, gate, row]) - int(self.grid.hole_key[node])
        for source, key in zip(self.grid.spacing_from[node], self.grid.spacing_key[node], strict=True):
            if key < NEVER and int(self.inside[source, posts - 1, gate, row]) + int(key) * GIVE_KEY == wanted:
                return int(source), "spacing", gate, posts - 1
        raise AssertionError("a state without a way back")

    def _before_panel(self, row: int, gate: int, node: int) -> tuple[int, str, int, int]:
        wanted = int(self.inside[node, 1, gate, row]) - int(self.grid.hole_key[node])
        source = int(self.grid.joint_from[node])
        if source >= 0 and int(self.ended[source, gate, row]) == wanted:
            return source, "joint", gate, self._posts_at_end(row, gate, source)
        if gate % self.passed > 0:
            moves = self.gates[gate % self.passed - 1]
            source = int(moves.from_nodes[node])
            if source >= 0 and int(self.ended[source, gate - 1, row]) + int(moves.keys[node]) == wanted:
                return source, "gate", gate - 1, self._posts_at_end(row, gate - 1, source)
        return node, "start", gate, 1

    def _custom_start(self, row: int, gate: int, node: int) -> tuple[int, int]:
        """Return (node, layer) at which the custom panel that ends at a node begins."""
        wanted = int(self.ended[node, gate, row]) - int(self.grid.hole_key[node])
        last = int(self.grid.custom_last[node])
        for tier, (_, price) in enumerate(self.sizes.custom):
            first = int(self.grid.custom_first[tier, node])
            for layer in (gate, gate - self.passed) if self.must else (gate,):
                found = first + np.nonzero(self.inside[first : last + 1, 1, layer, row] + CUSTOM_KEY + price * COST_KEY == wanted)[0]
                if self.careful:
                    found = found[customs_stand_clear(self.grid, self.sizes, found, np.full(len(found), node))]
                if len(found):
                    return int(found[-1]), layer
        raise AssertionError("a custom panel without a start")


def search(
    grid: Grid,
    sizes: Measures,
    starts: Sequence[Sequence[tuple[int, int]]],
    gates: tuple[GateMoves, ...] = (),
    *,
    custom: bool,
    careful: int = 0,
    must: bool = False,
) -> Search:
    """Fill the tables for a batch of starts.

    Parameters
    ----------
    grid : Grid
        Nodes and moves.
    sizes : Measures
        Stock panels and price tiers.
    starts : sequence of sequences
        One row of the batch each: (node, key) of the first holes a way may begin with.
    gates : tuple of GateMoves
        Gates that have to stand inside the stretch, in walking order.
    custom : bool
        Whether custom panels are allowed.
    careful : int
        Most custom panels of a way whose inner posts all have to keep off forbidden ground; 0: their inner posts are not looked at.  Slower, so asked for only
        where such posts came to stand on forbidden ground.
    must : bool
        Whether a custom panel has to be among the panels.
    """
    must = must and custom and bool(sizes.custom)
    count, batch, layers = len(grid.stations), len(starts), (len(gates) + 1) * (2 if must else 1)
    run = Search(
        grid=grid,
        sizes=sizes,
        gates=gates,
        inside=np.full((count, sizes.most_posts + 1, layers, batch), NEVER, dtype=np.int64),
        ended=np.full((count, layers, batch), NEVER, dtype=np.int64),
        custom=custom and bool(sizes.custom),
        careful=careful,
        must=must,
    )
    for row, nodes in enumerate(starts):
        for node, key in nodes:
            run.inside[node, 1, 0, row] = min(key + int(grid.hole_key[node]), int(run.inside[node, 1, 0, row]))
    for start, end in blocks_of(grid, custom=run.custom):
        _fill(run, start, end)
    return run


def blocks_of(grid: Grid, *, custom: bool) -> list[tuple[int, int]]:
    """Return ranges of nodes that no panel both begins and goes on in, so that a whole range is worked out at once."""
    latest = np.where(grid.spacing_key < NEVER, grid.spacing_from, -1).max(axis=1)
    if custom:
        latest = np.maximum(latest, np.minimum(grid.custom_last, np.arange(len(latest)) - 1))
    latest = np.maximum.accumulate(latest)
    blocks, start = [], 0
    while start < len(latest):
        end = max(int(np.searchsorted(latest, start, side="left")), start + 1)
        blocks.append((start, end))
        start = end
    return blocks


def _fill(run: Search, start: int, end: int) -> None:
    """Work out every state of the nodes from `start` to before `end`: posts inside panels, panels' ends, then panels' beginnings."""
    grid, here = run.grid, slice(start, end)
    inside, ended = run.inside, run.ended
    for column in range(grid.spacing_from.shape[1]):
        real = start + np.nonzero(grid.spacing_key[here, column] < NEVER)[0]
        if not len(real):
            break
        into = here if len(real) == end - start else real
        costs = grid.spacing_key[into, column] * GIVE_KEY + grid.hole_key[into]
        reached = inside[in_a_row(grid.spacing_from[into, column]), 1:-1] + costs[:, None, None, None]
        inside[into, 2:] = np.minimum(inside[into, 2:], reached, out=reached)
    taken = start + np.nonzero(~grid.open_nodes[here])[0]
    inside[taken, 2:] = NEVER
    for posts, price in run.sizes.stock:
        np.minimum(ended[here], inside[here, posts] + price * COST_KEY, out=ended[here])
    if run.custom:
        _end_customs(run, here)
    ended[taken] = NEVER
    _begin_panels(run, here)
    inside[taken, 1] = NEVER


def in_a_row(nodes: Indices) -> Indices | slice:
    """Return nodes that follow one another as a slice, which is read several times faster."""
    if len(nodes) and nodes[0] >= 0 and nodes[-1] - nodes[0] == len(nodes) - 1 and bool((np.diff(nodes) == 1).all()):
        return slice(int(nodes[0]), int(nodes[-1]) + 1)
    return nodes


def _begin_panels(run: Search, here: slice) -> None:
    first = run.inside[here, 1]
    sources = run.grid.joint_from[here]
    own = run.grid.hole_key[here]
    after_joint = run.ended[in_a_row(sources)] + own[:, None, None]
    if sources.min() < 0:
        after_joint[sources < 0] = NEVER
    np.minimum(first, after_joint, out=first)
    for gate, moves in enumerate(run.gates):
        sources = moves.from_nodes[here]
        real = np.nonzero(sources >= 0)[0]
        if len(real):
            into = first[:, gate + 1 :: run.passed]
            through = run.ended[sources[real], gate :: run.passed] + (moves.keys[here] + own)[real, None, None]
            into[real] = np.minimum(into[real], through)


def _end_customs(run: Search, here: slice) -> None:
    """End custom panels in a block: for each price tier the least beginning within reach, looked up in a sliding window."""
    last = run.grid.custom_last[here]
    for tier, (_, price) in enumerate(run.sizes.custom):
        first = run.grid.custom_first[tier, here]
        good = np.nonzero(last >= first)[0]
        if run.careful:
            good = good[run.grid.open_nodes[here.start + good]]
            near = _over_forbidden(run.grid, first[good], here.start + good)
            _end_customs_carefully(run, here.start + good[near], first[good[near]], last[good[near]], price)
            good = good[~near]
        if len(good):
            ends = here.start + good
            own = CUSTOM_KEY + price * COST_KEY + run.grid.hole_key[ends]
            found = _sliding_minimum(run.inside[:, 1], first[good], last[good]) + own[:, None, None]
            if run.must:
                found = np.minimum(found[:, : run.passed], found[:, run.passed :])
            into = run.ended[:, -run.passed :]
            into[ends] = np.minimum(into[ends], found)


def _over_forbidden(grid: Grid, first: Indices, ends: Indices) -> Flags:
    """Say which windows, from the first possible beginning to the end, hold any node that is taken away."""
    taken = np.concatenate(([0], np.cumsum(~grid.open_nodes)))
    return np.asarray(taken[ends + 1] > taken[first])


def _end_customs_carefully(run: Search, ends: Indices, first: Indices, last: Indices, price: int) -> None:
    """End custom panels at nodes from the cheapest beginnings that leave every inner post on free ground: all pairs of both looked at together."""
    if not len(ends):
        return
    for row in range(run.inside.shape[3]):
        for gate in range(run.inside.shape[2]):
            low = int(first[0])
            values = run.inside[low : int(last[-1]) + 1, 1, gate, row]
            reached = np.nonzero(values < (run.careful * CUSTOM_KEY))[0] + low
            begin, stop = np.searchsorted(reached, first), np.searchsorted(reached, last, side="right")
            count = np.maximum(stop - begin, 0)
            if not count.any():
                continue
            of = np.repeat(np.arange(len(ends)), count)
            starts = reached[np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count) + np.repeat(begin, count)]
            keys = run.inside[starts, 1, gate, row] + CUSTOM_KEY + price * COST_KEY + run.grid.hole_key[ends[of]]
            into = run.ended[:, gate % run.passed - run.passed, row]
            better = keys < into[ends[of]]
            of, starts, keys = of[better], starts[better], keys[better]
            clear = customs_stand_clear(run.grid, run.sizes, starts, ends[of])
            np.minimum.at(into, ends[of[clear]], keys[clear])


def customs_stand_clear(grid: Grid, sizes: Measures, starts: Indices, ends: Indices) -> Flags:
    """Say between which starts and ends a custom panel finds an even spacing whose posts all stand on free ground.

    Notes
    -----
    Posts are taken evenly along the line, which round a bend is a hair off evenly by chords; `reach` looks again at the posts as they come to stand.
    """
    length = grid.stations[ends] - grid.stations[starts]
    least = np.maximum(np.ceil(length / sizes.spacing - 1e-6), 1.0).astype(np.intp)
    clear = np.zeros(len(starts), dtype=bool)
    for extra in range(MORE_POSTS + 1):
        left = np.nonzero(~clear)[0]
        count, good = least[left] + extra, np.ones(len(left), dtype=bool)
        for post in range(1, int(count.max(initial=1))):
            look = np.nonzero(good & (post < count))[0]
            nodes = np.searchsorted(grid.stations, grid.stations[starts[left[look]]] + post / count[look] * length[left[look]])
            good[look] = grid.open_nodes[np.minimum(nodes, ends[left[look]])] & grid.open_nodes[np.maximum(nodes - 1, 0)]
        clear[left[good]] = True
    return clear


def _sliding_minimum(values: Keys, first: Indices, last: Indices) -> Keys:
    """Return the least value within first..last, both included, along the first axis, for windows whose two sides only move forward.

    Notes
    -----
    What all windows share is looked through once; what comes before and after it as running minima.
    """
    low, high = int(first[-1]), int(last[0])
    if low > high:  # no part is shared: each half by itself
        half = len(first) // 2
        if half == 0:
            return np.asarray(values[low : int(last[0]) + 1].min(axis=0, keepdims=True))
        return np.concatenate((_sliding_minimum(values, first[:half], last[:half]), _sliding_minimum(values, first[half:], last[half:])))
    shared = values[low : high + 1].min(axis=0, keepdims=True)
    before = np.minimum.accumulate(values[int(first[0]) : low + 1][::-1], axis=0)
    after = np.minimum.accumulate(values[high : int(last[-1]) + 1], axis=0)
    return np.asarray(np.minimum(np.minimum(before[low - first], after[last - high]), shared))
