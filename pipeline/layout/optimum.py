"""Where panels, joints and gates fall along a stretch of line: exact dynamic programming over the grid's nodes.

What is minimised, in this order, packed into one integer so that sums compare like the tuples they stand for: custom panels; cost of panels; use of the give;
deviation, the sum of how far panels' holes stand off the wanted line (of a custom panel its two end holes) and gates from where they were wished.
The tables themselves are filled in `tables`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.layout import tables
from pipeline.layout.grid import Grid, Indices, Keys, Measures
from pipeline.layout.tables import COST_BITS, COST_KEY, CUSTOM_KEY, GIVE_BITS, GIVE_KEY, MOVE_BITS, NEVER, Moves, Task


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
    A layer is how many gates were passed; where a custom panel has to be among the panels, once over without and once over with one.
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
                    found = found[tables.stand_clear(moves_of(self.grid, self.sizes, self.gates, custom=True), found, np.full(len(found), node))]
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
    moves, batch = moves_of(grid, sizes, gates, custom=custom), len(starts)
    count, layers = len(grid.stations), (len(gates) + 1) * (2 if must else 1)
    inside, ended, _ = tables.fill(moves, _task(starts, must=must, careful=careful, depth=count, asked=count))
    return Search(
        grid=grid,
        sizes=sizes,
        gates=gates,
        inside=inside.reshape(count, -1, layers, batch),
        ended=ended.reshape(count, layers, batch),
        custom=custom and bool(sizes.custom),
        careful=careful,
        must=must,
    )


def ends_from(
    asked: int,
    grid: Grid,
    sizes: Measures,
    starts: Sequence[Sequence[tuple[int, int]]],
    gates: tuple[GateMoves, ...] = (),
    *,
    custom: bool,
    must: bool,
) -> Keys:
    """Return the least keys (n - asked, batch) with a panel ending at the nodes from `asked` on, all gates passed, for a batch of starts as in `search`."""
    must = must and custom and bool(sizes.custom)
    moves = moves_of(grid, sizes, gates, custom=custom)
    return tables.fill(moves, _task(starts, must=must, careful=0, depth=looked_back(moves), asked=asked))[2]


def moves_of(grid: Grid, sizes: Measures, gates: tuple[GateMoves, ...], *, custom: bool) -> Moves:
    """Return what leads from node to node, as the tables take it."""
    count, tiers = len(grid.stations), sizes.custom if custom else ()
    return Moves(
        stations=grid.stations,
        open_nodes=grid.open_nodes,
        spacing_from=grid.spacing_from,
        spacing_key=grid.spacing_key,
        joint_from=grid.joint_from,
        hole_key=grid.hole_key,
        stock_posts=np.array([posts for posts, _ in sizes.stock], dtype=np.intp),
        stock_prices=np.array([price for _, price in sizes.stock], dtype=np.int64),
        custom_first=grid.custom_first[: len(tiers)],
        custom_last=grid.custom_last,
        custom_prices=np.array([price for _, price in tiers], dtype=np.int64),
        gate_from=np.array([gate.from_nodes for gate in gates], dtype=np.intp).reshape(len(gates), count),
        gate_keys=np.array([gate.keys for gate in gates], dtype=np.int64).reshape(len(gates), count),
        spacing=sizes.spacing,
    )


def looked_back(moves: Moves) -> int:
    """Return how many nodes have to be kept for every move to find where it comes from."""
    nodes = np.arange(len(moves.stations))
    by_spacing = (nodes[:, None] - moves.spacing_from)[moves.spacing_key < NEVER]
    others = [(nodes - each)[each >= 0] for each in (moves.joint_from, *moves.gate_from, *moves.custom_first)]
    return 1 + max(int(back.max(initial=0)) for back in (by_spacing, *others))


def _task(starts: Sequence[Sequence[tuple[int, int]]], *, must: bool, careful: int, depth: int, asked: int) -> Task:
    first = np.array([(node, row, key) for row, nodes in enumerate(starts) for node, key in nodes], dtype=np.int64).reshape(-1, 3)
    nodes, rows, keys = first[np.argsort(first[:, 0], kind="stable")].T.copy()
    return Task(
        nodes=nodes.astype(np.intp), rows=rows.astype(np.intp), keys=keys, batch=len(starts), must=must, careful=careful, depth=depth, asked=asked
    )
