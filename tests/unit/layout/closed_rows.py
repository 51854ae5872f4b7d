"""All closed rows of panels at once, by plain code of its own: what the certificate of a loop with one gate is checked by.

The problem is the one the certificate states: stations 1/16 in apart, counted from where the gate is wanted; spacings, joints and custom panels between them; the gate at
any of them.  Rows are followed round from every place of the gate together: a whole number has one bit for every place, and what has been spent so far is written
beside it.  Nothing of the product's grid, search or packing is used.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field

from pipeline.geometry.chain import Chain
from pipeline.model.job import Job
from tests.truth.distances import chord_to_chain, point_to_chain

SIXTEENTH = 0.0254 / 16
SAME = 1e-6
BENT = 1.1  # [-] the line round a bend is no more than this longer than the chord of a spacing
FORGOTTEN = 800  # stations back nothing is asked for any more
REACHES = (1.2, 3.0)  # [m] gates are moved so far where that saves no custom panel, and where it does

Spent = tuple[int, float, int]  # custom panels, cost, give [1/16 in]
Limit = tuple[int, float, int | None]  # the most of them; None: give is not counted
States = dict[Spent, int]


@dataclass(frozen=True)
class Place:
    """The first hole after the gate, the last one before it one lap on, how far it stands off its wish [1/16 in], and its holes [m]."""

    after: int
    before: int
    move: int
    hinge: float
    latch: float


@dataclass
class Loop:
    """One lap of a hole line and a little more, as stations with their places, headings and turnings."""

    chain: Chain
    gate: float
    leaf: float
    job: Job
    reach: float
    stations: list[float] = field(default_factory=list)
    points: list[tuple[float, float]] = field(default_factory=list)
    headings: list[float] = field(default_factory=list)
    turned: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        lap = self.chain.length
        self.steps = math.ceil(lap / SIXTEENTH - 1e-9)
        self.step = lap / self.steps
        before = math.ceil((self.reach + self.leaf + 0.2) / self.step)
        self.stations = [self.gate + self.step * number for number in range(-before, before + self.steps + 1)]
        self.points = [self.chain.point_at(station % lap) for station in self.stations]
        self.headings = [self.chain.direction_at(station % lap) for station in self.stations]
        self.turned = list(self._turnings())
        self.spacings = [list(self.spacings_to(node)) for node in range(len(self.stations))]
        self.joints = [self.joint_to(node) for node in range(len(self.stations))]

    def _turnings(self) -> Iterator[float]:
        """Turn without sign from the first station to each: what its pieces bend, and the corners between them."""
        lap, rows, total = self.chain.length, [], 0.0
        pieces = list(self.chain.pieces())
        for number, piece in enumerate(pieces):
            corner = math.remainder(piece.direction_at(0.0) - pieces[number - 1].direction_at(pieces[number - 1].length), 2 * math.pi)
            total += abs(corner) if number else 0.0
            rows.append((total, piece))
            total += abs(piece.sweep)
        total += abs(math.remainder(pieces[0].direction_at(0.0) - pieces[-1].direction_at(pieces[-1].length), 2 * math.pi))
        borders = list(itertools.accumulate((piece.length for piece in pieces), initial=0.0))
        number = 0
        for station in self.stations:
            laps, along = divmod(station, lap)
            number = 0 if along < borders[number] else number
            while number < len(pieces) - 1 and borders[number + 1] <= along:
                number += 1
            start, piece = rows[number]
            yield laps * total + start + abs(piece.curvature) * (along - borders[number])

    def chord(self, one: int, other: int) -> float:
        return math.dist(self.points[one], self.points[other])

    def along(self, station: float, chord: float, side: int) -> float:
        """The station a straight distance ahead of another or behind it."""
        lap = self.chain.length
        here = self.chain.point_at(station % lap)
        low, high = chord, chord * BENT + 1e-6
        if math.dist(here, self.chain.point_at((station + side * low) % lap)) > chord - 1e-12:
            return station + side * low
        for _ in range(28):
            middle = (low + high) / 2
            low, high = (low, middle) if math.dist(here, self.chain.point_at((station + side * middle) % lap)) > chord else (middle, high)
        return station + side * low

    def node(self, station: float) -> int:
        return math.floor((station - self.stations[0]) / self.step + 0.5)

    def spacings_to(self, end: int) -> Iterator[tuple[int, int]]:
        """Stations one post spacing before another, with the give as a tape reads it."""
        panel = self.job.shop.panel
        whole = round(panel.post_spacing / self.step)
        slack = SIXTEENTH / 2 + SAME
        straight = self.turned[end] == self.turned[max(end - math.ceil(BENT * whole), 0)]
        for start in (end - whole,) if straight else range(end - math.ceil(BENT * whole), end - whole + 6):
            if start < 0:
                continue
            off = self.chord(start, end) - panel.post_spacing
            if abs(off) > panel.spacing_give + slack:
                continue
            bent = self.turned[end] - self.turned[start] >= math.radians(1.0)
            turn = math.remainder(self.headings[end] - self.headings[start], 2 * math.pi)
            give = self._fan(turn, self.stations[end] - self.stations[start]) if bent else 0.0
            most = max(panel.spacing_give, slack)
            if max(-(give if turn > 0 else 0.0) - slack, -most) <= off <= min((give if turn < 0 else 0.0) + slack, most):
                yield start, round(abs(off) / SIXTEENTH)

    def _fan(self, turn: float, length: float) -> float:
        """c h sin(lean) / 2R, with the lean of the post for this turn; at most the shop's give."""
        post, height, panel = self.job.shop.post, float(self.job.options.fence.height), self.job.shop.panel
        inertia = math.pi * (post.diameter**4 - (post.diameter - 2 * post.wall) ** 4) / 64
        rotation = 2 * post.tension * math.sin(abs(turn) / 2) * height**2 / (8 * post.modulus * inertia)
        lean = min(max(rotation, post.lean[0]), post.lean[1]) * min(max((math.degrees(abs(turn)) - 1) / 3, 0), 1)
        return min(panel.spacing_give, panel.post_spacing * height * math.sin(lean) * abs(turn) / length / 2)

    def joint_to(self, end: int) -> int | None:
        """The station that lies nearest to a joint before another, if that is one."""
        joint = self.job.shop.panel.joint
        whole = round(joint / self.step)
        near = [(abs(self.chord(start, end) - joint), start) for start in range(max(end - whole - 6, 0), end - whole + 6)]
        return min(near)[1] if near and min(near)[0] <= SIXTEENTH / 2 + SAME else None

    def gates(self) -> list[Place]:
        """Every place the gate could take: whether its leaf keeps off the water there is not looked at."""
        joint, found = self.job.shop.panel.joint, []
        middle = self.node(self.gate + self.leaf / 2 + joint)
        most = math.floor(self.reach / self.step)
        for after in range(middle - most, middle + most + 1):
            latch = self.along(self.stations[after], joint, -1)
            end = self.node(self.along(self.along(latch, self.leaf, -1), joint, -1))
            hinge = self.along(self.stations[end], joint, 1)
            off = abs((hinge + latch) / 2 - self.gate) / SIXTEENTH
            found.append(Place(after, end + self.steps, math.ceil(off - 0.5 - 1e-3), hinge, latch))
        return found

    def keeps_off(self, place: Place, water: Chain) -> bool:
        """Whether the closed leaf stands no nearer to the water than its posts or the setback."""
        ends = [self.chain.point_at(station % self.chain.length) for station in (place.hinge, place.latch)]
        posts = min(point_to_chain(end, water) for end in ends)
        return chord_to_chain(ends[0], ends[1], water) >= min(posts, float(self.job.options.fence.setback)) - 5e-4


def stock_of(job: Job) -> dict[int, float]:
    """Prices of stock panels of the wanted height, by their posts."""
    height = float(job.options.fence.height)
    return {item.posts: item.price / item.pack for item in job.shop.stock.values()
            if item.kind == "stock-panel" and item.posts in job.shop.panel.stock_posts and abs(item.height - height) < 1e-4}  # fmt: skip


def custom_prices(job: Job) -> list[tuple[float, float]]:
    """(longest, price) of custom panels, rising."""
    panel = job.shop.panel
    return [((posts - 1) * panel.post_spacing - panel.custom_extra, price) for posts, price in sorted(stock_of(job).items())]


def better_rows(chain: Chain, gate: float, leaf: float, water: Chain, job: Job, objective: tuple[float, ...]) -> list[str]:
    """Say which closed rows along a line are better than an objective, with the gate wanted at a station [m]: none, where that is proven least."""
    customs, cost, give, deviation = objective
    most, moved = (round(customs), cost, round(give / SIXTEENTH)), round(deviation / SIXTEENTH)
    found: list[str] = []
    if customs:
        far = Loop(chain, gate, leaf, job, REACHES[1])
        places = far.gates()
        whole = _closing(_followed(far, places, None), places)
        found += ["whole panels close somewhere"] * any(far.keeps_off(place, water) for _, place in whole)
    loop = Loop(chain, gate, leaf, job, REACHES[0])
    places = loop.gates()
    cheaper = (most[0], cost - 0.005, None)  # for less money, whatever give it takes
    for limit in (cheaper, most):
        for spent, place in _closing(_followed(loop, places, limit), places):
            if (spent, place.move) < (most, moved) and loop.keeps_off(place, water):
                found.append(f"{spent} with the gate moved by {place.move}/16 in")
    return found


def _closing(states: States, places: list[Place]) -> Iterator[tuple[Spent, Place]]:
    """Every place of the gate that closes, with what that takes."""
    for spent, bits in states.items():
        yield from ((spent, place) for number, place in enumerate(places) if bits >> number & 1)


def _followed(loop: Loop, places: list[Place], most: Limit | None) -> States:
    """Follow every row round; without `most` nothing is counted and only whole panels are laid."""
    stock, customs = stock_of(loop.job), custom_prices(loop.job) if most and most[0] else []
    last = max(place.before for place in places)
    begun, ends = defaultdict(int), defaultdict(int)
    for number, place in enumerate(places):
        begun[place.after] |= 1 << number
        ends[place.before] |= 1 << number
    posts, before_last = range(2, max(stock) + 1), set(range(1, max(stock)))
    counted = bool(most) and most[2] is not None
    inside: list[dict[int, States]] = [{} for _ in range(last + 1)]
    ended: list[States] = [{} for _ in range(last + 1)]
    windows = [_Window(loop, longest) for longest, _ in customs]
    closed: States = {}
    worth = _least_worth(loop)
    for node in range(min(begun), last + 1):
        left = (min(ends) - node) * loop.step
        here: dict[int, States] = {number: {} for number in posts}
        for start, give in loop.spacings[node]:
            for number in inside[start].keys() & before_last:
                _go_on(here[number + 1], inside[start][number], give if counted else 0, most)
        for number, price in stock.items():
            for spent, bits in here[number].items():
                _add(ended[node], _more(spent, 0, price, 0, most), bits, most, left, worth)
        for window, (_, price) in zip(windows, customs, strict=True):
            for spent, bits in window.until(node, inside).items():
                _add(ended[node], _more(spent, 1, price, 0, most), bits, most, left, worth)
        if node in ends:
            for spent, bits in ended[node].items():
                if bits & ends[node]:
                    closed[spent] = closed.get(spent, 0) | (bits & ends[node])
        first: States = {(0, 0.0, 0): begun[node]} if node in begun else {}
        joint = loop.joints[node]
        for spent, bits in ended[joint].items() if joint is not None else ():
            first[spent] = first.get(spent, 0) | bits
        here[1] = first
        inside[node] = {number: states for number, states in here.items() if states}
        inside[max(node - FORGOTTEN, 0)], ended[max(node - FORGOTTEN, 0)] = {}, {}
    return closed


def _go_on(into: States, states: States, give: int, most: Limit | None) -> None:
    """Take rows one spacing farther: that costs give only."""
    if not give:
        for spent, bits in states.items():
            into[spent] = into.get(spent, 0) | bits
        return
    for (customs, cost, so_far), bits in states.items():
        if so_far + give <= most[2]:
            spent = (customs, cost, so_far + give)
            into[spent] = into.get(spent, 0) | bits


def _more(spent: Spent, customs: int, price: float, give: int, most: Limit | None) -> Spent:
    return spent if most is None else (spent[0] + customs, round(spent[1] + price, 6), 0 if most[2] is None else spent[2] + give)


def _add(states: States, spent: Spent, bits: int, most: Limit | None, left: float, worth: float) -> None:
    """Count a row in, unless it comes out dearer than `most` however it goes on."""
    dearer = most and (spent[0] > most[0] or spent[1] + max(left, 0.0) * worth > most[1] + 1e-6)
    if dearer or (most and most[2] is not None and spent[2] > most[2]):
        return
    states[spent] = states.get(spent, 0) | bits


def _least_worth(loop: Loop) -> float:
    """No less than this is paid for a metre of line: the panel that gives most for its price, all of its spacings as long along the line as the longest [per m]."""
    longest = max((node - start) * loop.step for node, starts in enumerate(loop.spacings) for start, _ in starts)
    return min(price / ((posts - 1) * longest + 1.1 * loop.job.shop.panel.joint) for posts, price in stock_of(loop.job).items())


class _Window:
    """What began within a custom panel's reach of a station, put together as the window moves on (two stacks)."""

    def __init__(self, loop: Loop, longest: float) -> None:
        self.loop, self.longest, self.taken = loop, longest, 0
        self.front: dict[Spent, list[tuple[int, int]]] = defaultdict(list)
        self.back: dict[Spent, list[tuple[int, int]]] = defaultdict(list)
        self.all: dict[Spent, int] = defaultdict(int)

    def until(self, node: int, inside: list[dict[int, States]]) -> States:
        loop, least = self.loop, self.loop.job.shop.panel.custom_least
        while self.taken < node and loop.chord(self.taken, node) >= least - SAME and (node - self.taken) * loop.step >= least - SAME:
            for spent, bits in inside[self.taken].get(1, {}).items():
                self.back[spent].append((self.taken, bits))
                self.all[spent] |= bits
            self.taken += 1
        first = node - math.floor((self.longest + SAME) / loop.step)
        found: States = {}
        for spent in [*self.back]:
            bits = self._since(spent, first)
            if bits:
                found[spent] = bits
        return found

    def _since(self, spent: Spent, first: int) -> int:
        front, back = self.front[spent], self.back[spent]
        while front and front[-1][0] < first:
            front.pop()
        if not front and back and back[0][0] < first:
            gathered = 0
            for node, bits in reversed(back):
                if node < first:
                    break
                gathered |= bits
                front.append((node, gathered))
            back.clear()
            self.all[spent] = 0
        return (front[-1][1] if front else 0) | self.all[spent]
