"""The layout's tables in machine code: least keys of every state node by node, and which places a row of whole panels leads back to.

Everything compiled that `optimum` and `closing` need stands in this one file: compiled code is kept until the file it stands in changes.
Where no way is to be traced back, only as many nodes are kept as later ones look back to, in a ring.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.compiled import compiled

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]
Keys = NDArray[np.int64]
Flags = NDArray[np.bool_]
Bits = NDArray[np.uint64]

NEVER: Final = 2**62 - 1  # key of what cannot be reached
MOVE_BITS: Final = 18
GIVE_BITS: Final = 11
COST_BITS: Final = 26
GIVE_KEY: Final = 1 << MOVE_BITS
COST_KEY: Final = 1 << (MOVE_BITS + GIVE_BITS)
CUSTOM_KEY: Final = 1 << (MOVE_BITS + GIVE_BITS + COST_BITS)
MORE_POSTS: Final = 2  # a custom panel gets at most this many posts more than it needs, to keep clear of forbidden ground
WORD: Final = 64


class Moves(NamedTuple):
    """What leads from node to node, as in `Grid`, with the shop's panels and the gates that stand inside.

    Parameters
    ----------
    stations : (n,) array
        [m]
    open_nodes : (n,) array of bool
    spacing_from, spacing_key : (n, k) arrays
    joint_from, hole_key : (n,) arrays
    stock_posts, stock_prices : (stock,) arrays
        Posts and price of each stock panel, most posts last.
    custom_first : (tiers, n) array
    custom_last : (n,) array
    custom_prices : (tiers,) array
        Without tiers no custom panel is allowed.
    gate_from, gate_keys : (gates, n) arrays
        Of each gate inside, in walking order: last hole before it, -1 where it may not stand, and what the place costs.
    spacing : float
        Of posts [m].
    """

    stations: Floats
    open_nodes: Flags
    spacing_from: Indices
    spacing_key: Keys
    joint_from: Indices
    hole_key: Keys
    stock_posts: Indices
    stock_prices: Keys
    custom_first: Indices
    custom_last: Indices
    custom_prices: Keys
    gate_from: Indices
    gate_keys: Keys
    spacing: float


class Task(NamedTuple):
    """What is asked of the tables.

    Parameters
    ----------
    nodes, rows, keys : (starts,) arrays
        First holes a way may begin with, by rising node: node, row of the batch, key.
    batch : int
        Rows.
    must : bool
        Whether a custom panel has to be among the panels: layers once over without and once over with one.
    careful : int
        Most custom panels of a way whose inner posts all have to keep off forbidden ground; 0: they are not looked at.
    depth : int
        Nodes kept.
    asked : int
        Node from which on the last layer's ends are handed back.
    """

    nodes: Indices
    rows: Indices
    keys: Keys
    batch: int
    must: bool
    careful: int
    depth: int
    asked: int


@compiled
def fill(moves: Moves, task: Task) -> tuple[Keys, Keys, Keys]:
    """Work out every state of the nodes in order: posts inside panels, panels' ends, then panels' beginnings.

    Returns
    -------
    inside : (depth, posts + 1, layers * batch) array
        Least key with a node a post of an unfinished panel, by posts so far; a node stands at its number modulo `depth`.
    ended : (depth, layers * batch) array
        Least key with a panel ending at a node.
    asked : (n - asked, batch) array
        The same in the last layer, from the node asked for.
    """
    open_nodes, spacing_from, spacing_key, joint_from, hole_key = (
        moves.open_nodes,
        moves.spacing_from,
        moves.spacing_key,
        moves.joint_from,
        moves.hole_key,
    )
    stock_posts, stock_prices, gate_from, gate_keys, depth = moves.stock_posts, moves.stock_prices, moves.gate_from, moves.gate_keys, task.depth
    nodes, rows, keys = task.nodes, task.rows, task.keys
    count, columns, most = spacing_from.shape[0], spacing_from.shape[1], stock_posts[-1]
    passed, tiers = len(gate_from) + 1, len(moves.custom_prices)
    wide = passed * (2 if task.must else 1) * task.batch
    inside, alive = np.empty((depth, most + 1, wide), dtype=np.int64), np.zeros((depth, most + 1), dtype=np.bool_)
    ended, asked = np.empty((depth, wide), dtype=np.int64), np.empty((count - task.asked, task.batch), dtype=np.int64)
    # Least beginnings of custom panels within windows that only move forward, of every tier: up to a pivot as suffix minima, after it as one minimum.
    custom_first, custom_last, custom_prices, room = moves.custom_first, moves.custom_last, moves.custom_prices, depth if tiers > 0 else 0
    suffix, front = np.empty((tiers, room, wide), dtype=np.int64), np.empty((tiers, wide), dtype=np.int64)
    pivot, upto, half = np.full(tiers, -1), np.full(tiers, -1), wide // 2 if task.must else 0  # the layers with a custom panel are the latter half
    taken = np.zeros(count + 1, dtype=np.intp)
    for node in range(count):
        taken[node + 1] = taken[node] + (0 if moves.open_nodes[node] else 1)
    begun, here = 0, -1
    for node in range(count):
        here = here + 1 if here + 1 < depth else 0
        for posts in range(most + 1):
            if alive[here, posts] or node < depth:
                inside[here, posts], alive[here, posts] = NEVER, False
        first, end, own = inside[here, 1], ended[here], hole_key[node]
        end[:] = NEVER
        while begun < len(nodes) and nodes[begun] == node:
            first[rows[begun]] = min(first[rows[begun]], keys[begun] + own)
            begun += 1
        if open_nodes[node]:
            for column in range(columns):
                if spacing_key[node, column] < NEVER:
                    source, cost = _behind(here, node - spacing_from[node, column], depth), spacing_key[node, column] * GIVE_KEY + own
                    for posts in range(2, most + 1):
                        if alive[source, posts - 1]:
                            into, values = inside[here, posts], inside[source, posts - 1]
                            for index in range(wide):
                                into[index] = min(into[index], values[index] + cost)
                            alive[here, posts] = True
            for panel in range(len(stock_posts)):
                if alive[here, stock_posts[panel]]:
                    _lower(end, inside[here, stock_posts[panel]], stock_prices[panel] * COST_KEY)
            for tier in range(tiers):
                low, high = custom_first[tier, node], min(custom_last[node], node - 1)
                cost = CUSTOM_KEY + custom_prices[tier] * COST_KEY + own
                if high >= low and task.careful > 0 and taken[node + 1] > taken[low]:
                    _end_carefully(moves, task, node, low, high, cost, inside, end)
                elif high >= low:
                    if low > pivot[tier]:
                        _restart(inside, low, high, suffix[tier], front[tier])
                        pivot[tier] = upto[tier] = high
                    recent, behind = front[tier], suffix[tier, _behind(here, node - low, depth)]
                    while upto[tier] < high:
                        upto[tier] += 1
                        values = inside[_behind(here, node - upto[tier], depth), 1]
                        for index in range(wide):
                            recent[index] = min(recent[index], values[index])
                    for index in range(wide):  # from beginnings without a custom panel and with one
                        place = index if index >= half else index + half
                        end[place] = min(end[place], min(behind[index], recent[index]) + cost)
            if joint_from[node] >= 0:
                _lower(first, ended[_behind(here, node - joint_from[node], depth)], own)
            for gate in range(passed - 1):
                if gate_from[gate, node] >= 0:
                    through = ended[_behind(here, node - gate_from[gate, node], depth)]
                    for layer in range(gate, wide // task.batch, passed):
                        low, high = layer * task.batch, (layer + 1) * task.batch
                        _lower(first[high : high + task.batch], through[low:high], gate_keys[gate, node] + own)
            alive[here, 1] = first.min() < NEVER
        else:
            first[:] = NEVER
        if node >= task.asked:
            asked[node - task.asked] = end[wide - task.batch :]
    return inside, ended, asked


@compiled
def _lower(into: Keys, values: Keys, cost: int) -> None:
    """Put into each key the least of it and a value plus a cost."""
    for index in range(len(into)):
        into[index] = min(into[index], values[index] + cost)


@compiled
def _behind(here: int, back: int, depth: int) -> int:
    """Return where a node so many nodes back stands in the ring."""
    return here - back if here >= back else here - back + depth


@compiled
def _end_carefully(moves: Moves, task: Task, node: int, first: int, last: int, cost: int, inside: Keys, end: Keys) -> None:
    """End a custom panel at a node from the cheapest beginnings within first..last that leave every inner post on free ground."""
    half = len(end) // 2 if task.must else 0
    for start in range(first, last + 1):
        values = inside[start % task.depth, 1]
        for index in range(len(values)):
            place, key = index if index >= half else index + half, values[index] + cost
            if values[index] < task.careful * CUSTOM_KEY and key < end[place] and _stands_clear(moves, start, node):
                end[place] = key


@compiled
def _restart(inside: Keys, first: int, last: int, suffix: Keys, front: Keys) -> None:
    """Put the least beginnings from each node of first..last to the last into `suffix`; nothing comes after them yet."""
    depth = len(inside)
    front[:] = NEVER
    suffix[last % depth] = inside[last % depth, 1]
    for node in range(last - 1, first - 1, -1):
        here, after, own = suffix[node % depth], suffix[(node + 1) % depth], inside[node % depth, 1]
        for index in range(len(here)):
            here[index] = min(after[index], own[index])


@compiled
def _stands_clear(moves: Moves, start: int, end: int) -> bool:
    """Say whether a custom panel from one node to another finds an even spacing whose posts all stand on free ground.

    Notes
    -----
    Posts are taken evenly along the line, which round a bend is a hair off evenly by chords; `reach` looks again at the posts as they come to stand.
    """
    stations, free = moves.stations, moves.open_nodes
    length = stations[end] - stations[start]
    fewest = max(math.ceil(length / moves.spacing - 1e-6), 1)
    for count in range(fewest, fewest + MORE_POSTS + 1):
        clear = True
        for post in range(1, count):
            place = stations[start] + post / count * length
            low, high = start, end + 1
            while low < high:
                middle = (low + high) // 2
                if stations[middle] < place:
                    low = middle + 1
                else:
                    high = middle
            clear = clear and free[min(low, end)] and free[max(low - 1, 0)]
        if clear:
            return True
    return False


@compiled
def stand_clear(moves: Moves, starts: Indices, ends: Indices) -> Flags:
    """Say between which nodes (m,) a custom panel finds an even spacing whose posts all stand on free ground."""
    clear = np.zeros(len(starts), dtype=np.bool_)
    for index in range(len(starts)):
        clear[index] = _stands_clear(moves, starts[index], ends[index])
    return clear


@compiled
def follow(moves: Moves, after: Indices, before: Indices, depth: int) -> Flags:
    """Say from which places of a gate a row of stock panels leads round to the same place: all followed at once, one bit each.

    Parameters
    ----------
    moves : Moves
        What leads from node to node.
    after, before : (places,) arrays
        First hole after the gate in each place, and last hole before it a lap later.
    depth : int
        Nodes kept.
    """
    count, words, layers, most = len(moves.stations), (len(after) + WORD - 1) // WORD, len(moves.gate_from) + 1, moves.stock_posts[-1]
    inside, ended = np.zeros((depth, most + 1, layers * words), dtype=np.uint64), np.zeros((depth, layers * words), dtype=np.uint64)
    alive, closed = np.zeros((depth, most + 1), dtype=np.bool_), np.zeros(len(after), dtype=np.bool_)
    begins, closes = np.argsort(after, kind="mergesort"), np.argsort(before, kind="mergesort")
    begun, done = 0, 0
    for node in range(count):
        here = node % depth
        inside[here], ended[here], alive[here] = np.uint64(0), np.uint64(0), False
        while begun < len(begins) and after[begins[begun]] == node:
            inside[here, 1, begins[begun] // WORD] |= np.uint64(1) << np.uint64(begins[begun] % WORD)
            begun += 1
        if moves.open_nodes[node]:
            _hand_on(moves, node, inside, ended, alive, words)
        else:
            inside[here, 1] = np.uint64(0)
        while done < len(closes) and before[closes[done]] == node:
            place = closes[done]
            word = ended[here, (layers - 1) * words + place // WORD]
            closed[place] = (word >> np.uint64(place % WORD)) & np.uint64(1) != np.uint64(0)
            done += 1
    return closed


@compiled
def _hand_on(moves: Moves, node: int, inside: Bits, ended: Bits, alive: Flags, words: int) -> None:
    """Hand the bits on to one node, in the order `fill` works its keys out."""
    depth, most = len(inside), inside.shape[1]
    here = node % depth
    for column in range(moves.spacing_from.shape[1]):
        if moves.spacing_key[node, column] < NEVER:
            source = moves.spacing_from[node, column] % depth
            for posts in range(2, most):
                if alive[source, posts - 1]:
                    _join(inside[here, posts], inside[source, posts - 1])
                    alive[here, posts] = True
    for panel in range(len(moves.stock_posts)):
        if alive[here, moves.stock_posts[panel]]:
            _join(ended[here], inside[here, moves.stock_posts[panel]])
    if moves.joint_from[node] >= 0:
        _join(inside[here, 1], ended[moves.joint_from[node] % depth])
    for gate in range(len(moves.gate_from)):
        source = moves.gate_from[gate, node]
        if source >= 0:
            _join(inside[here, 1, (gate + 1) * words : (gate + 2) * words], ended[source % depth, gate * words : (gate + 1) * words])
    for index in range(inside.shape[2]):
        if inside[here, 1, index] != np.uint64(0):
            alive[here, 1] = True


@compiled
def _join(into: Bits, values: Bits) -> None:
    for index in range(len(into)):
        into[index] |= values[index]
