"""A lower bound of custom panels and cost over every place a hole could take, between the grid's stations too.

A panel of n spacings that begins within a window of the line ends within another one, whatever its holes do: as near as its spacings may be shortened and as far
as they may be widened.  Rows of panels are followed from window to window; how many there are and of which sizes is counted, their order is left open.  A row that
could close nowhere within its window closes nowhere at all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.layout.grid import SAME, Indices, Keys, Measures, bend_between, give_allowed
from pipeline.layout.tables import COST_KEY, CUSTOM_KEY, NEVER
from pipeline.layout.walk import Floats, Walk
from pipeline.model.shop import Shop

PITCH: Final = 0.0127  # [m] between the stations at which the line's moves are worked out; between them they are interpolated
ON_A_STRAIGHT: Final = 3e-5  # [m] what the grid's rounding takes from a spacing on a straight, or an interpolated chord is off
AT_A_KINK: Final = 2e-4  # [m] what a bend within a joint takes from its chord: joints are set out exactly, the grid counts them along the line
BEYOND_ALL: Final = 1e6  # [m] a station that is not there
MARGIN: Final = 6.0  # [m] the moves are worked out this far beyond the ends

CELLS: Final = (0.025, 0.0016, 0.0002)  # [m] widths of the parts a gate's places are looked at in, ever finer where that is needed
MOST_CELLS: Final = 2000  # parts looked at together; where more are under what was reached, the bound is left as it is

Window = tuple[Floats, Floats]
State = tuple[int, int]  # number of the custom panel's price or 0, gates passed


@dataclass(frozen=True)
class Passage:
    """A gate that has to be passed: its leaf, and the stations its first hole after may take [m]."""

    leaf: float
    first: float
    last: float


@dataclass(frozen=True)
class _Moves:
    """Nearest and farthest ends of every kind of move from stations (n,) along the line [m], rising with them; gates in walking order."""

    stations: Floats
    panels: dict[int, Window]
    joint: Window
    gates: tuple[Window, ...]

    def after(self, move: Window, here: Window) -> Window:
        return np.interp(here[0], self.stations, move[0]), np.interp(here[1], self.stations, move[1])


@dataclass(frozen=True)
class _Rows:
    """Rows of panels that have come equally far, told apart by their stock panels' spacings: windows (spacings, parts) [m], and the least packed objective (spacings,)."""

    low: Floats
    high: Floats
    keys: Keys

    @classmethod
    def none(cls, spacings: int, parts: int) -> _Rows:
        return cls(np.full((spacings, parts), np.inf), np.full((spacings, parts), -np.inf), np.full(spacings, NEVER, dtype=np.int64))

    def alive(self, under: int) -> tuple[Indices, Window, Keys]:
        """Return (spacings, windows, keys) of the rows that cost less than what is known."""
        at = np.nonzero(self.keys < under)[0]
        return at, (self.low[at], self.high[at]), self.keys[at]

    def take(self, at: Indices, window: Window, keys: Keys) -> None:
        """Count other rows in, by their spacings."""
        fit = at < len(self.keys)
        at = at[fit]
        self.low[at] = np.minimum(self.low[at], window[0][fit])
        self.high[at] = np.maximum(self.high[at], window[1][fit])
        self.keys[at] = np.minimum(self.keys[at], keys[fit])


def least_anywhere(walk: Walk, sizes: Measures, shop: Shop, starts: Window, stops: Window, gates: Sequence[Passage], under: int) -> Keys:
    """Return a lower bound of the packed objective, custom panels and cost only, for every part (m,) of what is asked; at most what it is looked for under.

    Parameters
    ----------
    walk : Walk
        The hole line.
    sizes : Measures
        The shop's lengths and prices.
    shop : Shop
        Its posts.
    starts, stops : pair of arrays (m,)
        First and last station of the first hole, and of the last one, for every part of what is asked [m].
    gates : sequence of Passage
        In walking order.
    under : int
        Packed objective of a row that is known; rows that cost as much are not looked at.  Nor are rows with two custom panels: of these the number alone is the bound.
    """
    moves = _moves(walk, sizes, shop, gates, float(starts[0].min()), float(stops[1].max()))
    most = math.ceil((float(stops[1].max()) - float(starts[0].min())) / (sizes.spacing - sizes.give)) + sizes.most_posts
    first = _Rows.none(most, len(starts[0]))
    first.low[0], first.high[0], first.keys[0] = starts[0], starts[1], 0
    row, best, slack = {(0, 0): first}, np.full(len(starts[0]), min(under, 2 * CUSTOM_KEY), dtype=np.int64), sizes.reading + SAME
    while row:
        ended = _panels_ended(row, moves, sizes, int(best.max()))
        for (_, gate), rows in ended.items():
            if gate == len(gates):
                closes = (rows.low <= stops[1] + slack) & (rows.high >= stops[0] - slack)
                best = np.minimum(best, np.where(closes, rows.keys[:, None], NEVER).min(axis=0))
        going = {state: rows for state, rows in ended.items() if ((rows.low < stops[1]) & (rows.keys[:, None] < best)).any()}
        row = _panels_begun(going, moves, len(gates), int(best.max()))
    return best


def least_round(walk: Walk, sizes: Measures, shop: Shop, cut: Passage, gates: Sequence[Passage], reached: int) -> int:
    """Return the same bound for a loop cut at a gate, over all places of that gate; looked at more closely where it is under what was reached."""
    width = CELLS[0]
    firsts = np.arange(cut.first - width, cut.last + width, width)
    least = min(reached - reached % COST_KEY, 2 * CUSTOM_KEY)
    for finer in (*CELLS[1:], 0.0):
        starts = (firsts, firsts + width)
        stops = (_before(walk, starts[0], cut.leaf, sizes) + walk.length, _before(walk, starts[1], cut.leaf, sizes) + walk.length)
        bounds = least_anywhere(walk, sizes, shop, starts, stops, gates, least)
        under = firsts[bounds < least]
        if not finer or not 0 < len(under) * math.ceil(width / finer) <= MOST_CELLS:
            break
        parts = math.ceil(width / finer)
        width /= parts
        firsts = (under[:, None] + width * np.arange(parts)).ravel()
    return min(int(bounds.min()), least)


def _before(walk: Walk, after: Floats, leaf: float, sizes: Measures) -> Floats:
    """Return the stations of the last holes before a gate whose first holes after it stand at `after` [m]."""
    for chord in (sizes.joint, leaf, sizes.joint):
        after = walk.station_at_chord(after, chord, ahead=False)
    return after


def _panels_ended(row: dict[State, _Rows], moves: _Moves, sizes: Measures, under: int) -> dict[State, _Rows]:
    """Return where one more panel may end."""
    ended: dict[State, _Rows] = {}
    for (custom, gate), rows in row.items():
        at, here, keys = rows.alive(under)
        into = ended.setdefault((custom, gate), _Rows.none(*rows.low.shape))
        for posts, price in sizes.stock:
            into.take(at + posts - 1, moves.after(moves.panels[posts], here), keys + price * COST_KEY)
        for tier, (longest, price) in enumerate(sizes.custom if custom == 0 else (), 1):
            into = ended.setdefault((tier, gate), _Rows.none(*rows.low.shape))
            into.take(at, (here[0] + sizes.least - SAME, here[1] + longest + 2 * SAME), keys + CUSTOM_KEY + price * COST_KEY)
    return ended


def _panels_begun(ended: dict[State, _Rows], moves: _Moves, gates: int, under: int) -> dict[State, _Rows]:
    """Return where the next panel may begin: a joint or a gate farther on."""
    begun: dict[State, _Rows] = {}
    for (custom, gate), rows in ended.items():
        at, here, keys = rows.alive(under)
        begun.setdefault((custom, gate), _Rows.none(*rows.low.shape)).take(at, moves.after(moves.joint, here), keys)
        if gate < gates:
            low, high = moves.after(moves.gates[gate], here)
            met = low <= high
            window = (np.where(met, low, np.inf), np.where(met, high, -np.inf))
            begun.setdefault((custom, gate + 1), _Rows.none(*rows.low.shape)).take(at, window, np.where(met.any(axis=1), keys, NEVER))
    return begun


def _moves(walk: Walk, sizes: Measures, shop: Shop, gates: Sequence[Passage], first: float, last: float) -> _Moves:
    if not walk.closed:
        first, last = max(first, 0.0), min(last, walk.length)
    stations = np.arange(first - PITCH, last + (MARGIN if walk.closed else PITCH), PITCH)
    slack = sizes.reading + SAME
    nominal = walk.station_at_chord(stations, sizes.spacing, ahead=True)
    short, wide = give_allowed(*bend_between(walk, stations, nominal), nominal - stations, sizes, shop)
    bent = _spread(np.where(walk.on_one_straight(stations - PITCH, nominal + PITCH), 0.0, 1.0), np.maximum) > 0
    free = np.where(bent, slack, ON_A_STRAIGHT)
    most = np.where(bent, max(sizes.give, slack), ON_A_STRAIGHT)
    near, far = (np.minimum(_spread(give, np.maximum) + free, most) for give in (short, wide))
    spacing = _rising(
        stations,
        walk.station_at_chord(stations, sizes.spacing - near, ahead=True),
        walk.station_at_chord(stations, sizes.spacing + np.minimum(far, sizes.excess + SAME), ahead=True),
    )
    joint = _rising(
        stations,
        walk.station_at_chord(stations, sizes.joint, ahead=True) - np.where(bent, AT_A_KINK, ON_A_STRAIGHT),
        walk.station_at_chord(stations, sizes.joint, ahead=True) + np.where(bent, AT_A_KINK, ON_A_STRAIGHT),
    )
    panels: dict[int, Window] = {}
    window: Window = (stations, stations)
    for posts in range(2, sizes.most_posts + 1):
        window = (np.interp(window[0], stations, spacing[0]), np.interp(window[1], stations, spacing[1]))
        panels[posts] = window
    return _Moves(stations, panels, joint, tuple(_through(walk, stations, gate, sizes) for gate in gates))


def _through(walk: Walk, stations: Floats, gate: Passage, sizes: Measures) -> Window:
    """Return the first holes after a gate that follows holes at stations [m]: none before the first or after the last place it may take."""
    after = stations
    for chord in (sizes.joint, gate.leaf, sizes.joint):
        after = walk.station_at_chord(after, chord, ahead=True)
    near, far = _rising(stations, after - sizes.step, after + sizes.step)
    return np.where(near <= gate.last, np.maximum(near, gate.first), BEYOND_ALL), np.where(far >= gate.first, np.minimum(far, gate.last), -BEYOND_ALL)


def _spread(values: Floats, widest: np.ufunc) -> Floats:
    """Return the widest of every value and its two neighbours."""
    padded = np.pad(values, 1, mode="edge")
    return np.asarray(widest(widest(padded[:-2], padded[1:-1]), padded[2:]))


def _rising(stations: Floats, near: Floats, far: Floats) -> Window:
    """Return the nearest and farthest ends as rows that rise with the station: no end from here on is nearer, none up to here farther."""
    return np.minimum.accumulate(near[::-1])[::-1], np.maximum.accumulate(far)
