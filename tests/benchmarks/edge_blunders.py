"""Table of blunders: one shot off, three of the coping, a pair swapped, every tenth shot doubled; found, named, and the edge unharmed.

Shapes, noise and crew are those of `edge_accuracy`; the spacing is that of a crew who wants its blunders found.  The seeds are
0, 1, 2 ...  Per shape and kind of blunder are counted

- named: surveys in which just the shots concerned were named (of a swapped pair one of the two will do: moving either mends it),
- held: surveys held, the shots concerned among those in the message,
- held otherwise: surveys held whose message lacks one of the shots concerned,
- warned: surveys that go on with a warning that the edge hangs on the shots concerned,
- missed: all other surveys that go on,
- harmed: of all that go on, those whose edge is off by more than 1.3 times the clean survey's error,
- by it: of these, those off by more than 1.3 times the error of the same survey had the shots concerned never been taken: fewer shots
  tell less, whatever found them,
- ratio: root mean square of the edge's error over that of the clean surveys, over all that go on,
- bare: the same over that of the surveys without the shots concerned.

A blunder is counted apart ("too few") where the shots left on its piece cannot prove it: two on a line or three on an arc hold
any line or arc.  The first columns give the false alarms of clean surveys: held, and any shot named.
A swapped pair put back by the repair of the order leaves the very survey that was clean: it is not fitted again.
"coping" are three shots in a row anywhere, but none where the coping of another side is nearer; "coping at a corner" (by `--kind` only) are those of
them that go round a corner or end at one.  "coping line" (by `--kind` only) is the blunder "coping" in a survey that has the coping's outer edge too.

Run: python -m tests.benchmarks.edge_blunders --seeds 25 --out results.jsonl    (one line a survey, as they come)
     python -m tests.benchmarks.edge_blunders --table results.jsonl              (the table of all of them)
     python -m tests.benchmarks.edge_blunders --seeds 60 --hygiene               (order and doubles alone, no fit: a few seconds)
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import msgspec
import numpy as np

from pipeline.edge.as_built import AsBuilt, Coping, as_built, as_built_inside
from pipeline.edge.order import crossing, tidied
from pipeline.edge.shots import Shots
from pipeline.edge.weighing import most_set_aside
from pipeline.geometry.projection import project
from tests.benchmarks.edge_truth import SHAPES, STRETCHES, FreeForm, errors, even_stations, shoot, shots_at

SPACING = (0.3, 1.0)  # [m] a crew that wants its blunders found shoots no wider
COPING = 0.30  # [m] from the water's edge to the coping's outer edge
ON_COPING = COPING - 0.03  # [m] nearest to the water's edge that a shot of the coping lies, its noise in it
UNHARMED = 1.3
LINE = "coping line"
AT_CORNER = "coping at a corner"
KINDS = ("one off", "coping", "swapped", "doubled")
OFF = ("one off", "coping", LINE, AT_CORNER)
OUTCOMES = ("named", "held", "h.other", "warned", "missed")  # h.other: held otherwise
FREE = "free form"
NAMES = (*SHAPES, FREE, *STRETCHES)


@dataclass(frozen=True)
class Truth:
    """A true edge: how it is shot, where its shots lie, how far a fitted chain is off, and how many shots prove a piece: one more than hold it."""

    shoot: Callable[[float, float, np.random.Generator], tuple[Shots, np.ndarray]]
    outward: Callable[[np.ndarray], np.ndarray]
    on_edge: Callable[[np.ndarray], np.ndarray]
    errors: Callable
    least: Callable[[int], int]


def truth_of(name: str) -> Truth:
    if name in SHAPES:
        return _chain_truth(SHAPES[name]())
    return _free_truth() if name == FREE else _stretch_truth(STRETCHES[name]())


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

    return Truth(shot, outward, on_edge, lambda fitted: errors(chain, fitted, stations), lambda piece: 4 if chain.piece(piece).is_arc else 3)


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
        shot, lambda place: outwards[nearest(place)], lambda place: places[nearest(place)], lambda fitted: project(fitted, even)[1], lambda _: 4
    )


def _stretch_truth(truth) -> Truth:
    fine = (np.arange(4000) + 0.5) * truth.length / 4000
    places, outwards = truth.places(fine), truth.outwards(fine)
    even = truth.places((np.arange(200) + 0.5) * truth.length / 200)

    def nearest(place):
        return int(np.argmin(((places - place) ** 2).sum(axis=1)))

    def shot(spacing, noise, rng):
        stations, shots = truth.shoot(spacing, noise, rng)
        return shots, truth.parts(stations)

    return Truth(
        shot,
        lambda place: outwards[nearest(place)],
        lambda place: places[nearest(place)],
        lambda fitted: project(fitted, even)[1],
        lambda piece: 2 * truth.inner + 5 if piece == truth.corners - 1 else 3,
    )


@dataclass(frozen=True)
class Spoiled:
    """A survey with a blunder: its shots, the names concerned, and whether the shots left can prove it."""

    shots: Shots
    wrong: set[str]
    provable: bool = True


def spoiled(kind: str, shots: Shots, pieces: np.ndarray, truth: Truth, noise: float, rng) -> Spoiled | None:
    """Return the survey with one blunder of a kind, anywhere; None where there can be none."""
    points, count = shots.points.copy(), len(shots)
    at = int(rng.integers(0, count))
    if kind == "one off":
        points[at] += truth.outward(points[at]) * float(np.exp(rng.uniform(np.log(0.1), np.log(2.0)))) * rng.choice([-1, 1])
        return Spoiled(msgspec.structs.replace(shots, points=points), {shots.names[at]}, _provable([at], pieces, truth))
    if kind in ("coping", LINE, AT_CORNER):
        out = np.array([place + truth.outward(place) * COPING for place in points])
        runs = _three_in_a_row(out, pieces, truth, at_corner=kind == AT_CORNER)
        if not runs:
            return None
        rows = runs[int(rng.integers(0, len(runs)))]
        points[rows] = out[rows]
        return Spoiled(msgspec.structs.replace(shots, points=points), {shots.names[row] for row in rows}, _provable(rows, pieces, truth))
    if kind == "swapped":
        order = list(range(count))
        order[at], order[(at + 1) % count] = order[(at + 1) % count], order[at]
        return Spoiled(shots.taken(order), {shots.names[at], shots.names[(at + 1) % count]})
    return _doubled(shots, truth, noise, rng)


def _three_in_a_row(out: np.ndarray, pieces: np.ndarray, truth: Truth, *, at_corner: bool) -> list[list[int]]:
    """Return the threes in a row that may all have been taken on the coping, `out`; `at_corner`: of which one is the first or the last of a piece."""
    count = len(pieces)
    on_coping = [math.dist(place, truth.on_edge(place)) > ON_COPING for place in out]
    runs = [[(first + step) % count for step in range(3)] for first in range(count)]
    runs = [run for run in runs if all(on_coping[row] for row in run)]
    if at_corner:
        runs = [run for run in runs if len({int(pieces[row % count]) for row in (run[0] - 1, *run, run[-1] + 1)}) > 1]
    return runs


def _provable(rows: list[int], pieces: np.ndarray, truth: Truth) -> bool:
    """Say whether each piece keeps a shot more than hold it by themselves."""
    own = [int(pieces[row]) for row in rows]
    return all(int((pieces == piece).sum()) - own.count(piece) >= truth.least(piece) for piece in own)


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
    if kind in OFF:
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


def is_held(built: AsBuilt) -> bool:
    """Say whether a water's edge is held: for doubt, for too many shots set aside, for crossing itself, for not settling."""
    shots = built.shape.shots
    crossed = crossing(shots.points) is not None
    return (
        bool(doubted(built))
        or bool(built.unshown)
        or len(built.set_aside) > most_set_aside(len(shots) + len(built.set_aside))
        or crossed
        or not built.shape.fit.converged
    )


@dataclass(frozen=True)
class Outcome:
    """What became of one survey.

    `square` is the edge's mean squared error [m²], `clean` that of the clean survey, `bare` that of the clean survey without the shots
    concerned, `seconds` of the processor.
    """

    shape: str
    seed: int
    kind: str
    provable: bool
    outcome: str
    square: float
    clean: float
    seconds: float
    wrong: tuple[str, ...] = ()
    told: tuple[str, ...] = ()
    bare: float = math.nan

    @property
    def goes_on(self) -> bool:
        return not self.outcome.startswith("held")

    @property
    def harmed(self) -> bool:
        return self.goes_on and self.square > UNHARMED**2 * self.clean

    @property
    def harmed_by_it(self) -> bool:
        return self.harmed and self.square > UNHARMED**2 * self.bare


def outcome_of(kind: str, built: AsBuilt, wrong: set[str]) -> str:
    """Return what became of a survey with a blunder."""
    found = named(kind, built)
    if is_held(built):
        return "held" if wrong <= doubted(built) | found | set(built.unshown) else "held otherwise"
    if good(kind, found, wrong):
        return "named"
    return "warned" if wrong <= doubted(built) | found else "missed"


def one_survey(name: str, seed: int):
    """Return the true edge, the shots of one survey of it without blunders, the piece each lies on, their noise [m], and the draws to go on with."""
    truth, rng = truth_of(name), np.random.default_rng([seed, len(name), 4])
    noise, spacing = rng.uniform(0.003, 0.010), float(np.exp(rng.uniform(*np.log(SPACING))))
    shots, pieces = truth.shoot(spacing, noise, rng)
    return truth, shots, pieces, noise, rng


def outcomes(name: str, seed: int, kinds=KINDS):
    """Yield what became of one survey of a shape, clean and with each kind of blunder."""
    truth, shots, pieces, noise, rng = one_survey(name, seed)
    clean, square, seconds = _fitted(shots, truth)
    told = tuple(sorted(alarms(clean)))
    outcome = "held" if is_held(clean) else "alarm" if told else "clean"
    yield Outcome(name, seed, "clean", True, outcome, square, square, seconds, told=told)
    for kind in kinds:
        draw = np.random.default_rng([seed, len(name), (*KINDS, "", LINE, "", AT_CORNER).index(kind) % 4])
        if (bad := spoiled(kind, shots, pieces, truth, noise, draw)) is None:
            continue
        tidy = tidied(bad.shots, closed=True)
        if _as_clean(tidy.shots, clean.tidied.shots):
            built, off = msgspec.structs.replace(clean, tidied=tidy), square
        else:
            built, off, seconds = _fitted(bad.shots, truth, _coping(shots, truth, noise, rng) if kind == LINE else ())
        told = (f"{kind}: {sorted(named(kind, built))}", f"doubtful {list(built.doubtful)}", f"slender {list(built.slender)}")
        bare = _fitted(shots.without([shots.names.index(one) for one in bad.wrong]), truth)[1] if kind in OFF else square
        yield Outcome(name, seed, kind, bad.provable, outcome_of(kind, built, bad.wrong), off, square, seconds, tuple(sorted(bad.wrong)), told, bare)


def _as_clean(shots: Shots, clean: Shots) -> bool:
    """Say whether shots are those of the clean survey in the same cyclic order."""
    if set(shots.names) != set(clean.names):
        return False
    first = clean.names.index(shots.names[0])
    order = [(first + step) % len(clean) for step in range(len(clean))]
    return bool(np.array_equal(shots.points, clean.points[order]))


def _fitted(shots: Shots, truth: Truth, copings: tuple[Coping, ...] = ()) -> tuple[AsBuilt, float, float]:
    began = time.process_time()
    built = as_built_inside(shots, copings, arcs=True) if copings else as_built(shots, closed=True, arcs=True)
    seconds = time.process_time() - began
    return built, float(np.mean(truth.errors(built.shape.chain) ** 2)), seconds


def _coping(shots: Shots, truth: Truth, noise: float, rng) -> tuple[Coping, ...]:
    """Return the coping's outer edge, shot beside every shot of the water, as fitted."""
    on_edge = np.array([truth.on_edge(place) for place in shots.points])
    places = np.array([place + truth.outward(place) * COPING for place in on_edge])
    away = [math.dist(place, truth.on_edge(place)) for place in places]
    kept = np.array(away) > COPING - 0.01  # none where another side's coping is nearer
    built = as_built(shots_at(places[kept] + rng.normal(0, noise, (int(kept.sum()), 2)), noise), closed=True, arcs=True)
    return (Coping(name="COPING", chain=built.shape.chain, sigma=noise),)


def measure(name: str, seeds: int, kinds=KINDS) -> list[Outcome]:
    """Return what became of `seeds` surveys of a shape."""
    return [one for seed in range(seeds) for one in outcomes(name, seed, kinds)]


def table(rows: list[Outcome]):
    """Yield the lines of the table: false alarms first, then each kind of blunder, those too few shots can prove apart."""
    names = [name for name in NAMES if any(row.shape == name for row in rows)]
    clean = {name: [row for row in rows if row.shape == name and row.kind == "clean"] for name in names}
    yield f"{'clean surveys':<28}{'n':>5}{'held':>6}{'alarm':>6}{'seconds':>9}"
    for name in (*names, "all"):
        own = clean.get(name) or [row for row in rows if row.kind == "clean"]
        counts = [sum(row.outcome == outcome for row in own) for outcome in ("held", "alarm")]
        yield f"{name:<28}{len(own):>5}{counts[0]:>6}{counts[1]:>6}{np.mean([row.seconds for row in own]):>9.2f}"
    for kind in (*KINDS, LINE, AT_CORNER):
        for provable in (True, False):
            some = [row for row in rows if row.kind == kind and row.provable == provable]
            if not some:
                continue
            yield ""
            title = kind + ("" if provable else ", too few")
            yield f"{title:<28}{'n':>5}" + "".join(f"{word:>8}" for word in (*OUTCOMES, "harmed", "by it", "ratio", "bare", "seconds"))
            for name in (*names, "all"):
                own = [row for row in some if name in ("all", row.shape)]
                if own:
                    yield f"{name:<28}" + _cells(own)


def _cells(own: list[Outcome]) -> str:
    on = [row for row in own if row.goes_on]
    ratio, bare = (math.sqrt(sum(row.square for row in on) / sum(getattr(row, word) for row in on)) if on else math.nan for word in ("clean", "bare"))
    counts = [sum(row.outcome == ("held otherwise" if word == "h.other" else word) for row in own) for word in OUTCOMES]
    harmed = sum(row.harmed for row in own), sum(row.harmed_by_it for row in own)
    seconds = np.mean([row.seconds for row in own])
    return f"{len(own):>5}" + "".join(f"{count:>8}" for count in (*counts, *harmed)) + f"{ratio:>8.2f}{bare:>8.2f}{seconds:>8.2f}"


def hygiene(name: str, seeds: int) -> tuple[float, float, float]:
    """Return the shares of surveys with a swapped pair and with doubled shots named just so, and of clean ones with an alarm."""
    found = np.zeros(3)
    for seed in range(seeds):
        truth, shots, pieces, noise, _ = one_survey(name, seed)
        clean = tidied(shots, closed=True)
        for column, kind in enumerate(("swapped", "doubled")):
            bad = spoiled(kind, shots, pieces, truth, noise, np.random.default_rng([seed, len(name), KINDS.index(kind)]))
            if bad is None:
                raise ValueError(f"no {kind} in a survey of {name}")
            tidy = tidied(bad.shots, closed=True)
            told = set(tidy.moved) if kind == "swapped" else {second for _, second in tidy.doubles}
            found[column] += good(kind, told, bad.wrong)
        found[2] += bool(clean.doubles or clean.moved)
    return tuple(found / seeds)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=25)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--shape", default="")
    parser.add_argument("--kind", default="")
    parser.add_argument("--out", default="")
    parser.add_argument("--table", nargs="*", default=[])
    parser.add_argument("--verbose", action="store_true")
    parser.add_argument("--hygiene", action="store_true")
    options = parser.parse_args()
    names = [name for name in NAMES if name in options.shape.split(",") or not options.shape]
    if options.table:
        lines = [line for path in options.table for line in Path(path).read_text(encoding="utf-8").splitlines()]
        print("\n".join(table([Outcome(**json.loads(line)) for line in lines])))
    elif options.hygiene:
        for name in names:
            swapped, doubled, false = hygiene(name, options.seeds)
            print(f"{name:<13} swapped {swapped:>6.1%}   doubled {doubled:>6.1%}   false {false:>6.1%}", flush=True)
    else:
        print("\n".join(table(_run(names, options))))


def _run(names: list[str], options: argparse.Namespace) -> list[Outcome]:
    kinds = tuple(kind for kind in (*KINDS, LINE, AT_CORNER) if kind in (options.kind.split(",") if options.kind else KINDS))
    rows = []
    for seed in range(options.first, options.seeds):
        for name in names:
            for row in outcomes(name, seed, kinds):
                rows.append(row)
                if options.out:
                    with Path(options.out).open("a", encoding="utf-8") as file:
                        file.write(json.dumps(asdict(row)) + "\n")
                if options.verbose and (row.outcome not in ("clean", "named") or row.harmed):
                    ratio = math.sqrt(row.square / row.clean)
                    print(f"  {name} {seed} {row.kind} provable={row.provable} wrong {row.wrong} {row.outcome} {row.told} {ratio:.1f}x", flush=True)
    return rows


if __name__ == "__main__":
    main()
