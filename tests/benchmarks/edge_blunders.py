"""Table of blunders: one shot off, three of the coping, a pair swapped, every tenth shot doubled; found, named, and the edge unharmed.

Shapes, noise and crew are those of `edge_accuracy`; the spacing is that of a crew who wants its blunders found.
Per cell are printed

- named: surveys in which just the shots concerned were named (of a swapped pair one of the two will do: moving either mends it),
- held: surveys held because two readings of some shots cannot be told apart, the shots concerned among those named,
- warned: surveys that go on with a warning that the edge hangs on the shots concerned alone,
- harmed: surveys of none of these kinds whose edge is off by more than 1.3 times the clean survey's error,
- ratio: root mean square of the edge's error over that of the clean surveys, over all surveys named just so.

A blunder is counted apart ("too few") where the shots left on its piece cannot prove it: two on a line or three on an arc hold
any line or arc.  The first columns give the false alarms: shots named in clean surveys.

Run: python -m tests.benchmarks.edge_blunders --seeds 20
     python -m tests.benchmarks.edge_blunders --seeds 60 --hygiene   (order and doubles alone, no fit: a few seconds)
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import msgspec
import numpy as np

from pipeline.edge.as_built import AsBuilt, as_built
from pipeline.edge.order import tidied
from pipeline.edge.shots import Shots
from pipeline.geometry.projection import project
from tests.benchmarks.edge_truth import SHAPES, FreeForm, errors, even_stations, shoot

SPACING = (0.3, 1.0)  # [m] a crew that wants its blunders found shoots no wider
COPING = 0.30  # [m] from the water's edge to the coping's outer edge
UNHARMED = 1.3
KINDS = ("one off", "coping", "swapped", "doubled")
FREE = "free form"
NAMES = (*SHAPES, FREE)


@dataclass(frozen=True)
class Truth:
    """A true edge: how it is shot, where its shots lie, and how far a fitted chain is off."""

    shoot: Callable[[float, float, np.random.Generator], tuple[Shots, np.ndarray]]
    outward: Callable[[np.ndarray], np.ndarray]
    on_edge: Callable[[np.ndarray], np.ndarray]
    errors: Callable
    is_arc: Callable[[int], bool]


def truth_of(name: str) -> Truth:
    return _free_truth() if name == FREE else _chain_truth(SHAPES[name]())


def _chain_truth(chain) -> Truth:
    stations = even_stations(chain, 100)

    def on_edge(place):
        return np.array(chain.point_at(chain.nearest(tuple(place))[0]))

    def outward(place):
        bearing = chain.direction_at(chain.nearest(tuple(place))[0])
        return np.array([math.sin(bearing), -math.cos(bearing)])

    def shot(spacing, noise, rng):
        taken = shoot(chain, spacing, noise, rng)
        return taken.shots, taken.pieces

    return Truth(shot, outward, on_edge, lambda fitted: errors(chain, fitted, stations), lambda piece: chain.piece(piece).is_arc)


def _free_truth() -> Truth:
    free = FreeForm()
    fine = np.linspace(0, free.length, 4000, endpoint=False)
    places = free.places(fine)
    slopes = np.roll(places, -1, axis=0) - np.roll(places, 1, axis=0)
    outwards = np.column_stack((slopes[:, 1], -slopes[:, 0])) / np.hypot(*slopes.T)[:, None]
    even = free.places((np.arange(200) + 0.5) * free.length / 200)

    def nearest(place):
        return int(np.argmin(((places - place) ** 2).sum(axis=1)))

    def shot(spacing, noise, rng):
        shots = free.shoot(spacing, noise, rng)[1]
        return shots, np.zeros(len(shots), dtype=np.intp)

    return Truth(
        shot, lambda place: outwards[nearest(place)], lambda place: places[nearest(place)], lambda fitted: project(fitted, even)[1], lambda _: True
    )


@dataclass(frozen=True)
class Spoiled:
    """A survey with a blunder: its shots, the names concerned, and whether the shots left can prove it."""

    shots: Shots
    wrong: set[str]
    provable: bool = True


def spoiled(kind: str, shots: Shots, pieces: np.ndarray, truth: Truth, noise: float, rng) -> Spoiled:
    """Return the survey with one blunder of a kind, anywhere."""
    points, count = shots.points.copy(), len(shots)
    at = int(rng.integers(0, count))
    if kind == "one off":
        points[at] += truth.outward(points[at]) * float(np.exp(rng.uniform(np.log(0.1), np.log(2.0)))) * rng.choice([-1, 1])
        return Spoiled(msgspec.structs.replace(shots, points=points), {shots.names[at]}, _provable([at], pieces, truth))
    if kind == "coping":
        rows = _three_in_a_row(pieces, rng)
        for row in rows:
            points[row] += truth.outward(points[row]) * COPING
        return Spoiled(msgspec.structs.replace(shots, points=points), {shots.names[row] for row in rows}, _provable(rows, pieces, truth))
    if kind == "swapped":
        order = list(range(count))
        order[at], order[(at + 1) % count] = order[(at + 1) % count], order[at]
        return Spoiled(shots.taken(order), {shots.names[at], shots.names[(at + 1) % count]})
    return _doubled(shots, truth, noise, rng)


def _three_in_a_row(pieces: np.ndarray, rng) -> list[int]:
    """Return three shots of one piece; with a shot of it on both sides, where any piece has five."""
    count = len(pieces)
    runs = [[(first + step) % count for step in range(-1, 4)] for first in range(count)]
    within = [run for run in runs if len({int(pieces[row]) for row in run}) == 1]
    threes = [run[1:4] for run in within] or [run[1:4] for run in runs if len({int(pieces[row]) for row in run[1:4]}) == 1]
    return threes[int(rng.integers(0, len(threes)))]


def _provable(rows: list[int], pieces: np.ndarray, truth: Truth) -> bool:
    """Say whether the piece keeps a shot more than hold it by themselves."""
    piece = int(pieces[rows[0]])
    return int((pieces == piece).sum()) - len(rows) >= (4 if truth.is_arc(piece) else 3)


def _doubled(shots: Shots, truth: Truth, noise: float, rng) -> Spoiled:
    count = len(shots)
    again = range(0, count, 10)
    order = [row for index in range(count) for row in ((index, count + index // 10) if index in again else (index,))]
    second = np.array([truth.on_edge(shots.points[row]) for row in again]) + rng.normal(0, noise, (len(again), 2))
    wide = Shots(
        names=(*shots.names, *(f"{shots.names[row]}b" for row in again)),
        points=np.vstack((shots.points, second)),
        covariances=np.tile(np.eye(2) * noise**2, (count + len(again), 1, 1)),
        curved=np.zeros(count + len(again), dtype=np.int64),
    )
    return Spoiled(wide.taken(order), {f"{shots.names[row]}b" for row in again})


def named(kind: str, built: AsBuilt) -> set[str]:
    """Return the names a message of this kind gives."""
    if kind in ("one off", "coping"):
        return {one.name for one in built.set_aside}
    if kind == "swapped":
        return {*built.tidied.moved, *built.late}
    return {second for _, second in built.tidied.doubles}


def good(kind: str, found: set[str], wrong: set[str]) -> bool:
    return bool(found) and found <= wrong if kind == "swapped" else found == wrong


def alarms(built: AsBuilt) -> set[str]:
    """Return every name that is given for any cause."""
    return set().union(*(named(kind, built) for kind in KINDS), doubted(built))


def doubted(built: AsBuilt) -> set[str]:
    return {*built.doubtful, *built.slender}


@dataclass
class Cell:
    """What became of the surveys of one kind of blunder."""

    count: int = 0
    named: int = 0
    held: int = 0
    warned: int = 0
    harmed: int = 0
    squares: list[float] = field(default_factory=list)
    clean: list[float] = field(default_factory=list)

    @property
    def ratio(self) -> float:
        return math.sqrt(sum(self.squares) / sum(self.clean)) if self.clean else math.nan

    def add(self, outcome: str, square: float, clean: float) -> None:
        self.count += 1
        self.named += outcome == "named"
        self.held += outcome == "held"
        self.warned += outcome == "warned"
        self.harmed += outcome == "missed" and square > UNHARMED**2 * clean
        if outcome == "named":
            self.squares.append(square)
            self.clean.append(clean)


def outcome_of(kind: str, built: AsBuilt, wrong: set[str]) -> str:
    """Return what became of a survey: "named" just so, "held" or "warned" of a stretch that has the shots in it, or "missed"."""
    found = named(kind, built)
    if good(kind, found, wrong) and not doubted(built):
        return "named"
    if wrong <= doubted(built) | found:
        return "held" if built.doubtful else "warned"
    return "missed"


@dataclass
class Row:
    """One shape: clean surveys with a false alarm, and the cells by (kind, provable)."""

    seeds: int = 0
    alarms: int = 0
    held: int = 0
    cells: dict[tuple[str, bool], Cell] = field(default_factory=dict)


def measure(name: str, seeds: int, kinds=KINDS, verbose=False) -> Row:
    """Return what became of `seeds` surveys of a shape, clean and with each kind of blunder."""
    truth = truth_of(name)
    row = Row(cells={(kind, provable): Cell() for kind in kinds for provable in (True, False)})
    for seed in range(seeds):
        rng = np.random.default_rng([seed, len(name), 4])
        noise, spacing = rng.uniform(0.003, 0.010), float(np.exp(rng.uniform(*np.log(SPACING))))
        shots, pieces = truth.shoot(spacing, noise, rng)
        clean = as_built(shots, closed=True, arcs=True)
        clean_square = float(np.mean(truth.errors(clean.shape.chain) ** 2))
        row.seeds += 1
        row.alarms += bool(alarms(clean))
        row.held += bool(clean.doubtful)
        if verbose and alarms(clean):
            print(f"  {name} {seed} clean: noise {noise:.4f} spacing {spacing:.2f}", alarms(clean), clean.doubtful)
        for kind in kinds:
            bad = spoiled(kind, shots, pieces, truth, noise, np.random.default_rng([seed, len(name), KINDS.index(kind)]))
            built = as_built(bad.shots, closed=True, arcs=True)
            square = float(np.mean(truth.errors(built.shape.chain) ** 2))
            outcome = outcome_of(kind, built, bad.wrong)
            row.cells[kind, bad.provable].add(outcome, square, clean_square)
            if verbose and outcome != "named":
                ratio = math.sqrt(square / clean_square)
                said = f"{outcome}: named {sorted(named(kind, built))} doubtful {built.doubtful} slender {built.slender}"
                print(
                    f"  {name} {seed} {kind} provable={bad.provable} noise {noise:.4f} n {len(shots)}: wrong {sorted(bad.wrong)} {said} {ratio:.1f}x"
                )
    return row


def hygiene(name: str, seeds: int) -> tuple[float, float, float]:
    """Return the shares of surveys with a swapped pair and with doubled shots named just so, and of clean ones with an alarm."""
    truth, found = truth_of(name), np.zeros(3)
    for seed in range(seeds):
        rng = np.random.default_rng([seed, len(name), 4])
        noise, spacing = rng.uniform(0.003, 0.010), float(np.exp(rng.uniform(*np.log(SPACING))))
        shots, pieces = truth.shoot(spacing, noise, rng)
        clean = tidied(shots, closed=True)
        for column, kind in enumerate(("swapped", "doubled")):
            bad = spoiled(kind, shots, pieces, truth, noise, np.random.default_rng([seed, len(name), KINDS.index(kind)]))
            tidy = tidied(bad.shots, closed=True)
            told = set(tidy.moved) if kind == "swapped" else {second for _, second in tidy.doubles}
            found[column] += good(kind, told, bad.wrong)
        found[2] += bool(clean.doubles or clean.moved)
    return tuple(found / seeds)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--shape", default="")
    parser.add_argument("--kind", default="")
    parser.add_argument("--verbose", action="store_true")
    parser.add_argument("--hygiene", action="store_true")
    options = parser.parse_args()
    names = [name for name in NAMES if options.shape in ("", name)]
    if options.hygiene:
        for name in names:
            swapped, doubled, false = hygiene(name, options.seeds)
            print(f"{name:<13} swapped {swapped:>5.0%}   doubled {doubled:>5.0%}   false {false:>5.0%}", flush=True)
        return
    kinds = tuple(kind for kind in KINDS if options.kind in ("", kind))
    print(
        f"{'shape':<13}{'false':>7}{'held':>6}" + "".join(f" |{kind + (' too few' if few else ''):>38}" for kind in kinds for few in _columns(kind))
    )
    print(" " * 26 + "".join(f" |{'n':>3}{'named':>7}{'held':>7}{'warned':>7}{'harmed':>7}{'ratio':>7}" for kind in kinds for _ in _columns(kind)))
    for name in names:
        row = measure(name, options.seeds, kinds, options.verbose)
        cells = [row.cells[kind, not few] for kind in kinds for few in _columns(kind)]
        print(
            f"{name:<13}{row.alarms / row.seeds:>7.0%}{row.held / row.seeds:>6.0%}" + "".join(f" |{_cell(cell)}" for cell in cells),
            flush=True,
        )


def _columns(kind: str) -> tuple[bool, ...]:
    return (False, True) if kind in ("one off", "coping") else (False,)


def _cell(cell: Cell) -> str:
    if not cell.count:
        return f"{0:>3}{'':>35}"
    shares = "".join(f"{share / cell.count:>7.0%}" for share in (cell.named, cell.held, cell.warned, cell.harmed))
    return f"{cell.count:>3}{shares}{cell.ratio:>7.2f}"


if __name__ == "__main__":
    main()
