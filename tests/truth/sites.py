"""The true sites behind the samples, in metres, and the shots an instrument takes of them.

A site is laid out in a design frame of its own (the pool near the origin), then turned and shifted to where the survey has it.
Decks fall away from the water on all sides, by a fixed slope times the distance to the water, as a deck drains; the coping is level.
Every site, street and number is invented.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from pipeline.geometry.chain import Chain, Point, polyline
from tests.truth.distances import point_to_chain
from tests.truth.instruments import HEIGHT_SIGMA, SHOT_SIGMA, Noise
from tests.truth.outlines import FOOT, circle, cut_corners, kidney, l_shape, moved, moved_point, rectangle, roman_end, round_ended

INCH = 0.0254  # [m] exact
NEAR_CORNER = 0.05  # [m] a crew's corner shots lie about this far beside the true corner
CORNER = math.radians(15)  # a sharper turn between two pieces is a corner
ROUGHNESS = 0.002  # [m] of a deck's surface


@dataclass(frozen=True)
class Placement:
    """Where the survey's frame has the design frame: turned by `angle` [rad], then shifted [m]."""

    angle: float = 0.0
    east: float = 0.0
    north: float = 0.0

    def point(self, point: Point) -> Point:
        return moved_point(point, self.angle, self.east, self.north)

    def chain(self, chain: Chain) -> Chain:
        return moved(chain, self.angle, self.east, self.north)

    def designed(self, point: Point) -> Point:
        """The way back into the design frame."""
        return moved_point((point[0] - self.east, point[1] - self.north), -self.angle)


@dataclass(frozen=True)
class Shot:
    """One point as it truly lies, and as it was measured [m]."""

    number: str
    description: str
    true: tuple[float, float, float]
    measured: tuple[float, float, float]


@dataclass(frozen=True)
class TrueSite:
    """What is true of a site, in the survey's frame [m].

    `lines` holds by code what no hole may meet (JOINT, DRAIN, UTILITY) and the WALLs; `risers` the true nosings with
    their height; `setups` where an instrument stood, with its level;
    `level` the true deck's height at a place; `frame` says whether the survey's frame is the true one (`given`), its own (`free`) or a grid.
    """

    name: str
    odd: str
    waters: tuple[Chain, ...]
    shots: tuple[Shot, ...]
    lines: dict[str, tuple[Chain, ...]] = field(default_factory=dict)
    risers: tuple[tuple[Chain, float], ...] = ()
    ends: str = "loop"
    frame: str = "given"
    expected: str = "complete"
    setback: float = 30 * INCH
    blunder: str = ""
    setups: tuple[tuple[Point, float], ...] = ()
    level: Callable[[Point], float] = field(default=lambda point: math.nan, compare=False)

    @property
    def marks(self) -> dict[str, tuple[float, float, float]]:
        return {shot.number: shot.true for shot in self.shots if shot.description.split()[0] == "MARK"}


class FieldBook:
    """What a crew shoots, in order: numbers run on, errors come from the site's own seed."""

    def __init__(self, seed: int, level: Callable[[Point], float], placement: Placement, first: int = 101) -> None:
        self.shots: list[Shot] = []
        self.noise = Noise(seed)
        self._level, self._placement, self._next = level, placement, first

    def level(self, point: Point) -> float:
        """The true deck's height [m] at a point of the survey's frame."""
        return self._level(self._placement.designed(point))

    def take(self, description: str, point: Point, *, level: float | None = None, number: str = "") -> None:
        """One shot of a design-frame point."""
        east, north = self._placement.point(point)
        elev = self._level(point) if level is None else level
        hard = description.split()[0] in {"MARK", "STEP"}
        true = (east, north, elev + (0.0 if hard else self.noise.normal(ROUGHNESS)))
        sigmas = (SHOT_SIGMA, SHOT_SIGMA, HEIGHT_SIGMA)
        measured = tuple(value + self.noise.normal(sigma) for value, sigma in zip(true, sigmas, strict=True))
        self.shots.append(Shot(number or str(self._next), description, true, (measured[0], measured[1], measured[2])))
        if not number:
            self._next += 1

    def each(self, code: str, points: Sequence[Point], *, last: str = "", level: float | None = None) -> None:
        """Shots of several points in order; `last` is added to the last description ("C" closes the line)."""
        for index, point in enumerate(points):
            self.take(f"{code} {last}".strip() if index == len(points) - 1 else code, point, level=level)

    def line(self, code: str, chain: Chain, *, straight: float = 0.9, curved: float = 0.6, curve_ends: bool = False) -> None:
        """Shots along a line: about one per `straight` or `curved` metres, beside the corners and never quite on them."""
        for index in range(len(chain)):
            piece = chain.piece(index)
            if piece.length < 2 * NEAR_CORNER:
                continue
            spacing = curved if piece.is_arc else straight
            count = max(3 if piece.is_arc else 1, round(piece.length / spacing))
            if curve_ends and piece.is_arc:
                self.take(f"{code} PC", piece.point_at(self.noise.uniform(0.0, 0.02)))
            if _corner_before(chain, index):
                self.take(code, piece.point_at(NEAR_CORNER * self.noise.uniform(0.5, 1.6)))
            for step in range(count):
                self.take(code, piece.point_at(piece.length * (step + 0.5 + self.noise.uniform(-0.22, 0.22)) / count))
            if curve_ends and piece.is_arc:
                self.take(f"{code} PT", piece.point_at(piece.length - self.noise.uniform(0.0, 0.02)))


def _corner_before(chain: Chain, index: int) -> bool:
    """Whether the line turns sharply where piece `index` begins."""
    before, after = chain.piece(index - 1), chain.piece(index)
    turn = after.direction_at(0.0) - before.direction_at(before.length)
    return abs(math.remainder(turn, 2 * math.pi)) > CORNER


def falling_deck(waters: Sequence[Chain], coping: float, fall: float) -> Callable[[Point], float]:
    """The level of a deck that falls away from the water by `fall` [-], from a level coping [m]."""
    return lambda point: coping - fall * min(point_to_chain(point, water) for water in waters)


def _box(x0: float, y0: float, x1: float, y1: float) -> list[Point]:
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def _with_sides(points: Sequence[Point], spacing: float = 2.5) -> list[Point]:
    """The corners of a closed polygon and points along its sides."""
    found: list[Point] = []
    for a, b in zip(points, [*points[1:], points[0]], strict=True):
        count = max(1, round(math.dist(a, b) / spacing))
        found += [(a[0] + (b[0] - a[0]) * step / count, a[1] + (b[1] - a[1]) * step / count) for step in range(count)]
    return found


def rectangle_open() -> TrueSite:
    place = Placement(math.radians(17.0), 5000 * FOOT, 2000 * FOOT)
    w, d, deck = 32 * FOOT, 16 * FOOT, 6.5 * FOOT
    water = rectangle(w, d)
    book = FieldBook(1, falling_deck([water], 30.48, 0.015), place)
    book.take("MARK / nail in kerb", (-3.4, -2.9), number="1")
    book.take("MARK / nail in kerb", (w + 3.1, -3.2), number="2")
    book.take("MARK / cut cross", (w + 2.8, d + 3.3), number="3")
    book.line("WATER", water)
    book.each("DECK", _with_sides(_box(-deck, -deck, w + deck, d + deck)), last="C")
    joints = [[(3.1, -0.32), (3.1, -deck)], [(6.6, -0.32), (6.6, -deck)], [(w + 0.32, 2.5), (w + deck, 2.5)]]
    for index, joint in enumerate(joints, 1):
        book.each(f"JOINT{index}", joint, last="E")
    book.take("GATE", (4.9, -0.8))
    for point in [(-1.0, -1.0), (2.0, -1.2), (w + 1.0, -0.9), (w + 1.2, d + 1.0), (5.0, d + 1.1), (-1.1, d + 1.0), (-1.0, 2.4)]:
        book.take("SPOT", point)
    return TrueSite(
        name="01-rectangle",
        odd="true corners, not one of them shot: the crew shot beside them",
        waters=(place.chain(water),),
        shots=tuple(book.shots),
        level=book.level,
        lines={"JOINT": tuple(place.chain(polyline(joint)) for joint in joints)},
    )


def long_round_ends() -> TrueSite:
    place = Placement(math.radians(-63.0), 100.0, 200.0)
    straight, radius, deck = 12.0, 2.25, 2.2
    water = round_ended(straight, radius)
    book = FieldBook(2, falling_deck([water], 12.4, 0.012), place)
    book.take("MARK / pin", (-5.5, -4.8), number="A1")
    book.take("MARK / pin", (straight + 5.2, -4.9), number="A2")
    book.take("MARK / pin", (straight / 2, 5.6), number="A3")
    book.line("WATER", water, straight=1.0, curved=0.45, curve_ends=True)
    outer = _box(-radius - deck, -radius - deck, straight + radius + deck, radius + deck)
    book.each("DECK", _with_sides(outer, 3.0), last="C")
    for x in (-2.0, 2.0, 6.0, 10.0, 14.0):
        book.take("SPOT", (x, -radius - 1.1))
        book.take("SPOT", (x, radius + 1.2))
    book.take("OBJECT / r=12in h=22in bench stool", (6.0, radius + 2.0))
    return TrueSite(
        name="02-long-round-ends",
        odd="metric, no header, blanks between the columns; the curves' ends were shot as PC and PT",
        waters=(place.chain(water),),
        shots=tuple(book.shots),
        level=book.level,
    )


def freeform() -> TrueSite:
    place = Placement(math.radians(140.0), 10000 * FOOT, 10000 * FOOT)
    water = kidney()
    book = FieldBook(3, falling_deck([water], 255.6, 0.018), place, first=1001)
    f = FOOT
    book.take("MARK / mag nail", (-3.6, -2.0), number="9001")
    book.take("MARK / mag nail", (13.6, -2.4), number="9002")
    book.take("MARK / mag nail", (6.0, 9.6), number="9003")
    book.line("WATER", water, straight=0.7, curved=0.5)
    outer = [
        (-8 * f, -2 * f),
        (2 * f, -9 * f),
        (34 * f, -9 * f),
        (45 * f, -2 * f),
        (45 * f, 17 * f),
        (32 * f, 28 * f),
        (2 * f, 28 * f),
        (-8 * f, 18 * f),
    ]
    book.each("DECK", _with_sides(outer), last="C")
    drain = [(19 * f, 19.8 * f), (19.4 * f, 27.5 * f)]
    book.each("DRAIN", drain, last="E")
    book.each("OBJECT1", [(33 * f, 22.5 * f), (36 * f, 21 * f), (37.5 * f, 23.5 * f), (34.5 * f, 25 * f)], last="C / h=20in planter")
    book.take("OBJECT / r=9in h=30in pump", (43 * f, 1 * f))
    book.take("GATE", (-1.6 * f, 9 * f))
    for x, y in [(-3, 4), (6, -3), (19, -2), (30, -3), (40, 8), (30, 20), (10, 23), (-3, 14), (24, 24)]:
        book.take("SPOT", (x * f, y * f))
    return TrueSite(
        name="03-freeform",
        odd="an inward bend on one side; columns run east, north",
        waters=(place.chain(water),),
        shots=tuple(book.shots),
        level=book.level,
        lines={"DRAIN": (place.chain(polyline(drain)),)},
    )


def l_shape_spa() -> TrueSite:
    place = Placement(math.radians(5.0), 50.0, 80.0)
    pool = l_shape(10.0, 4.2, 8.4, 4.4)
    spa = circle(6.35, 6.15, 1.15)
    book = FieldBook(4, falling_deck([pool, spa], 101.2, 0.014), place)
    book.take("MARK / bolt", (-3.3, -3.0), number="1")
    book.take("MARK / bolt", (13.0, -3.1), number="2")
    book.take("MARK / bolt", (-3.2, 11.2), number="3")
    book.line("WATER1", pool)
    book.line("WATER2", spa, curved=0.45)
    book.each("DECK", _with_sides([(-2.4, -2.4), (12.4, -2.4), (12.4, 8.0), (9.5, 10.8), (-2.4, 10.8)]), last="C")
    book.take("GATE", (5.0, -0.8))
    book.take("GATE", (-0.8, 5.6))
    for point in [(-1, -1), (5, -1.2), (11.2, -1), (11.3, 4), (9, 7.5), (6.5, 8.5), (3, 9.5), (-1.2, 9.4), (-1.1, 4)]:
        book.take("SPOT", point)
    return TrueSite(
        name="04-l-shape-spa",
        odd="two waters, one fence round both: a spa stands in the corner of the L; decimal commas",
        waters=(place.chain(pool), place.chain(spa)),
        shots=tuple(book.shots),
        level=book.level,
        setback=1.0,
    )


def house_wall() -> TrueSite:
    place = Placement(math.radians(-8.0), 1500 * FOOT, 3000 * FOOT)
    w, d, deck = 30 * FOOT, 14 * FOOT, 7 * FOOT
    water = rectangle(w, d)
    face = d + 2 * FOOT  # the wall is 2 ft from the water: no fence fits between
    wall = [(-5.2, face + 5.0), (-5.2, face), (15.4, face), (15.4, face + 4.0)]
    book = FieldBook(5, falling_deck([water], 18.3, 0.016), place, first=201)
    book.take("MARK / nail", (-4.4, -2.6), number="M1")
    book.take("MARK / nail", (w + 4.2, -2.9), number="M2")
    book.take("MARK / nail", (w / 2, -4.4), number="M3")
    book.line("WATER", water)
    book.take("WALL B", wall[0])
    book.each("WALL", _with_sides([wall[1], wall[2]], 3.0)[:8])
    book.take("WALL E", wall[3])
    book.each(
        "DECK",
        [(-deck, face), (-deck, 1.5), (-deck, -deck), (1.5, -deck), (w - 1.5, -deck), (w + deck, -deck), (w + deck, 2.0), (w + deck, face)],
        last="E",
    )
    book.each("DOOR", [(3.6, face), (4.55, face)])
    book.each("WINDOW", [(6.9, face), (8.2, face)], last="/ sill=30in")
    book.take("GATE", (4.0, -0.8))
    for point in [(-1.2, 0.5), (-1.1, d - 0.5), (-1.2, -1.1), (4.5, -1.2), (w + 1.1, -1.0), (w + 1.2, d - 0.6), (w + 1.0, 1.8)]:
        book.take("SPOT", point)
    return TrueSite(
        name="05-house-wall",
        odd="the house wall is 2 ft from the water on one long side: the fence runs from wall to wall, with a door and a low window behind it",
        waters=(place.chain(water),),
        shots=tuple(book.shots),
        level=book.level,
        lines={"WALL": (place.chain(polyline(wall)),)},
        ends="walls",
    )


def three_risers() -> TrueSite:
    place = Placement(math.radians(31.0), 700 * FOOT, 900 * FOOT)
    w, d, deck = 34 * FOOT, 15 * FOOT, 7 * FOOT
    water = rectangle(w, d)
    risers = [6.0, 6.86, 7.85]  # [m] along the pool: treads of 0.86 m and 0.99 m
    rise = 6 * INCH
    flat = falling_deck([water], 40.0, 0.012)

    def level(point: Point) -> float:
        return flat(point) + rise * sum(point[0] > riser for riser in risers)

    book = FieldBook(6, level, place)
    book.take("MARK / nail", (-3.5, -3.3), number="1", level=39.9)
    book.take("MARK / nail", (w + 3.4, -3.2), number="2", level=40.3)
    book.take("MARK / nail", (3.0, d + 3.6), number="3", level=39.9)
    book.line("WATER", water)
    book.each("DECK", _with_sides(_box(-deck, -deck, w + deck, d + deck)), last="C")
    nosings = []
    for side, (near, far) in enumerate([(-0.02, -deck), (d + 0.02, d + deck)]):
        for index, x in enumerate(risers):
            name = f"STEP{side * 3 + index + 1}"
            line = [(x, near + (far - near) * ratio) for ratio in (0.02, 0.35, 0.7, 1.0)]
            for point in line:
                book.take(name, point, level=flat(point) + rise * (index + 1))
            for point in (line[0], line[1], line[3]):
                foot = (point[0] - 0.008, point[1])
                book.take(f"{name} / foot", foot, level=flat(foot) + rise * index)
            nosings.append(((place.chain(polyline([line[0], line[-1]]))), rise))
    for y in (-1.3, -0.8, d + 0.7, d + 1.2):
        for x in (2.0, 5.0, 6.43, 7.35, 8.6, 9.9):
            book.take("SPOT", (x, y))
    for x in (-1.1, w + 1.1):
        for y in (0.5, 2.2, 4.0):
            book.take("SPOT", (x, y))
    book.take("GATE", (-0.8, 2.3))
    return TrueSite(
        name="06-three-risers",
        odd="the deck climbs 18 in over three risers on both sides of the pool: the fence crosses them all, twice",
        waters=(place.chain(water),),
        shots=tuple(book.shots),
        level=book.level,
        risers=tuple(nosings),
    )


def cut_corner_two_setups() -> TrueSite:
    place = Placement(math.radians(77.0), 12.0, 9.0)
    w, d, deck = 9.1, 4.6, 2.2
    water = cut_corners(w, d, 1.1)
    book = FieldBook(8, falling_deck([water], 98.6, 0.013), place)
    book.take("MARK / backsight", (-3.3, 6.4), number="M1")
    book.take("MARK / nail", (w + 3.0, d + 3.1), number="M2")
    book.take("MARK / nail", (w + 3.4, -3.0), number="M3")
    setups = ((place.point((-3.6, -3.0)), 98.1), (place.point((w + 3.3, d + 3.9)), 98.2))
    book.line("WATER", water)
    book.each("DECK", _with_sides(_box(-deck, -deck, w + deck, d + deck)))
    book.take("GATE", (4.6, d + 0.8))
    for point in [(-1.1, -1.0), (4.5, -1.2), (w + 1.0, -1.0), (w + 1.1, 2.3), (w + 0.9, d + 1.1), (4.5, d + 1.2), (-1.0, d + 1.1), (-1.2, 2.3)]:
        book.take("SPOT", point)
    return TrueSite(
        name="08-two-setups",
        odd="raw total-station shots from two setups that see the marks and each other; no coordinates anywhere",
        waters=(place.chain(water),),
        shots=_as_shot_from(book.shots, setups),
        level=book.level,
        frame="free",
        setups=setups,
    )


def _as_shot_from(shots: Sequence[Shot], setups: Sequence[tuple[Point, float]]) -> tuple[Shot, ...]:
    """The shots in the order of the field: all of the first setup, then all of the second, each from where it is nearer.

    A line round the pool is shot in one sweep from each setup, so that its points still join in the order shot; the
    last shot of the deck closes it.
    """
    halves: tuple[list[Shot], list[Shot]] = ([], [])
    marks = [shot for shot in shots if shot.description.startswith("MARK")]
    for code in ("WATER", "DECK", "GATE", "SPOT"):
        ring = [shot for shot in shots if shot.description == code]
        nearer = [math.dist(shot.true[:2], setups[0][0]) <= math.dist(shot.true[:2], setups[1][0]) for shot in ring]
        begin = next((index for index in range(len(ring)) if nearer[index] and not nearer[index - 1]), 0)
        for shot, first in zip(ring[begin:] + ring[:begin], nearer[begin:] + nearer[:begin], strict=True):
            halves[0 if first else 1].append(shot)
    ordered = [dataclasses.replace(shot, number=str(number)) for number, shot in enumerate([*halves[0], *halves[1]], 101)]
    last = max(index for index, shot in enumerate(ordered) if shot.description == "DECK")
    ordered[last] = dataclasses.replace(ordered[last], description="DECK C")
    return (*marks, *ordered)


def tape_ties() -> TrueSite:
    """The long pool of sample 02 again, under a tape; the readings are made where the file is."""
    place = Placement(math.radians(0.0), 0.0, 0.0)
    straight, radius, deck = 12.0, 2.25, 2.2
    water = round_ended(straight, radius)
    book = FieldBook(7, falling_deck([water], 12.4, 0.012), place)
    reach = radius + deck + 0.4
    book.take("MARK / nail", (-2.5, -reach), number="A", level=12.31)
    book.take("MARK / nail", (straight + 2.5, -reach), number="B", level=12.29)
    book.take("MARK / nail", (straight + 2.2, reach), number="C", level=12.33)
    book.take("MARK / nail", (-2.4, reach), number="D", level=12.30)
    first = len(book.shots)
    book.line("WATER", water, straight=1.15, curved=0.6)
    for index in range(first, len(book.shots)):
        book.shots[index] = dataclasses.replace(book.shots[index], number=f"W{index - first + 1}")
    outer = _box(-radius - deck, -radius - deck, straight + radius + deck, radius + deck)
    for index, corner in enumerate(outer, 1):
        book.take("DECK C" if index == 4 else "DECK", corner, number=f"D{index}")
    book.take("GATE", (5.0, -radius - 0.8), number="G1")
    for index, point in enumerate([(-1.0, -3.4), (6.0, -3.5), (13.0, -3.3), (13.5, 3.2), (6.0, 3.4), (-1.5, 3.2)], 1):
        book.take("SPOT", point, number=f"S{index}")
    return TrueSite(
        name="07-tape-ties",
        odd="the round-ended pool again, with nothing but a tape: every point tied from three of four marks",
        waters=(place.chain(water),),
        shots=tuple(book.shots),
        level=book.level,
        frame="free",
    )


def state_plane() -> TrueSite:
    """In a ground frame at the site; the file's grid coordinates are made where it is written."""
    place = Placement(math.radians(-25.0), 0.0, 0.0)
    w, d, deck = 34 * FOOT, 17 * FOOT, 7 * FOOT
    water = rectangle(w, d, radius=2 * FOOT)
    book = FieldBook(9, falling_deck([water], 3105.0, 0.015), place, first=501)
    book.take("MARK / rebar", (-3.6, -3.0), number="CP1")
    book.take("MARK / rebar", (w + 3.2, -3.3), number="CP2")
    book.take("MARK / rebar", (w + 2.9, d + 3.5), number="CP3")
    book.line("WATER", water, curved=0.3, curve_ends=True)
    book.each("DECK", _with_sides(_box(-deck, -deck, w + deck, d + deck)), last="C")
    pipe = [(w + 0.4, 1.2), (w + 1.2, 1.3), (w + deck, 1.4)]
    book.each("UTILITY", pipe, last="E / gas, located")
    book.take("OBJECT / r=14in h=36in boulder", (2.0, d + 1.9))
    book.take("GATE", (6.0, -0.8))
    for point in [(-1.1, -1.0), (5, -1.2), (w + 1, -1.1), (w + 1.2, 3.3), (w + 1, d + 1.1), (5, d + 1.2), (-1.2, d + 0.9), (-1.1, 2.5)]:
        book.take("SPOT", point)
    return TrueSite(
        name="09-state-plane",
        odd="State Plane grid coordinates in US survey feet, at 10,187 ft: the ground is longer than the grid by 1 in 2,000",
        waters=(place.chain(water),),
        shots=tuple(book.shots),
        level=book.level,
        lines={"UTILITY": (place.chain(polyline(pipe)),)},
        frame="grid",
    )


def blunder() -> TrueSite:
    place = Placement(math.radians(52.0), 2500 * FOOT, 4100 * FOOT)
    w, d, deck = 28 * FOOT, 15 * FOOT, 7 * FOOT
    water = roman_end(w, d, 5 * FOOT)
    book = FieldBook(10, falling_deck([water], 22.9, 0.015), place)
    book.take("MARK / nail", (-3.5, -3.0), number="1")
    book.take("MARK / nail", (w + 3.9, -3.1), number="2")
    book.take("MARK / nail", (w + 3.7, d + 3.2), number="3")
    book.line("EW", water, curved=0.45)
    coping = place.point((0.0, -1 * FOOT))  # the coping is 1 ft wide: a shot on its outer edge is that far off
    origin = place.point((0.0, 0.0))
    index = 3 + 5  # the sixth of the water's shots, in the middle of the south side
    shot = book.shots[index]
    east, north, elev = shot.measured
    book.shots[index] = dataclasses.replace(shot, measured=(east + coping[0] - origin[0], north + coping[1] - origin[1], elev))
    bay = 5 * FOOT
    book.each("DECK", _with_sides(_box(-deck, -deck, w + bay + deck, d + deck)), last="C")
    book.take("GATE", (4.0, d + 0.8))
    for point in [
        (-1.0, -1.0),
        (4.0, -1.2),
        (w + 1.0, -1.1),
        (w + bay + 1.0, d / 2),
        (w + 1.1, d + 1.0),
        (4.0, d + 1.2),
        (-1.1, d + 1.0),
        (-1.0, 2.3),
    ]:
        book.take("SPOT", point)
    return TrueSite(
        name="10-blunder",
        odd=f"point {shot.number} was shot on the coping's outer edge, 1 ft off the water; the crew's code for water is EW",
        waters=(place.chain(water),),
        shots=tuple(book.shots),
        level=book.level,
        expected="held or warned",
        blunder=shot.number,
    )


def no_water() -> TrueSite:
    place = Placement(math.radians(12.0), 800 * FOOT, 800 * FOOT)
    water = rectangle(26 * FOOT, 13 * FOOT, radius=3 * FOOT)
    coping = rectangle(28 * FOOT, 15 * FOOT, radius=4 * FOOT, x=-FOOT, y=-FOOT)
    book = FieldBook(11, falling_deck([water], 15.2, 0.015), place)
    book.take("MARK / nail", (-3.0, -3.0), number="1")
    book.take("MARK / nail", (11.0, -3.0), number="2")
    book.line("COPING", coping)
    book.each("DECK", _with_sides(_box(-2.2, -2.2, 10.2, 6.2)), last="C")
    for point in [(-1.0, -1.0), (4.0, -1.2), (9.0, 5.0), (4.0, 5.2)]:
        book.take("SPOT", point)
    return TrueSite(
        name="11-no-water",
        odd="the crew shot the coping's outer edge and never the water: there is nothing to measure a setback from",
        waters=(place.chain(water),),
        shots=tuple(book.shots),
        level=book.level,
        expected="held",
    )


def all_sites() -> tuple[TrueSite, ...]:
    """The eleven, in the order of their names."""
    makers = (
        rectangle_open, long_round_ends, freeform, l_shape_spa, house_wall, three_risers,
        tape_ties, cut_corner_two_setups, state_plane, blunder, no_water,
    )  # fmt: skip
    return tuple(maker() for maker in makers)
