"""Table of blunders: one shot off, three of the coping, a pair swapped, every tenth shot doubled; found, named, and the edge unharmed.

Run: python -m tests.benchmarks.edge_blunders --seeds 20
"""

from __future__ import annotations

import argparse
import math

import msgspec
import numpy as np

from pipeline.edge.as_built import AsBuilt, as_built
from pipeline.edge.shots import Shots
from tests.benchmarks.edge_truth import SHAPES, Shoot, errors, even_stations, shoot

SPACING = (0.3, 1.0)  # [m] a crew that wants its blunders found shoots no wider
KINDS = ("one off", "coping", "swapped", "doubled")


def spoiled(kind: str, shot: Shoot, truth, noise: float, rng) -> tuple[Shots, set[str]]:
    """Return the shots with a blunder, and the names of those concerned."""
    shots, pieces = shot.shots, shot.pieces
    points, count = shots.points.copy(), len(shots)
    at = int(rng.integers(0, count))

    def outward(row):
        bearing = truth.direction_at(truth.nearest(tuple(points[row]))[0])
        return np.array([math.sin(bearing), -math.cos(bearing)])

    if kind == "one off":
        points[at] += outward(at) * float(np.exp(rng.uniform(np.log(0.1), np.log(2.0)))) * rng.choice([-1, 1])
        return msgspec.structs.replace(shots, points=points), {shots.names[at]}
    if kind == "coping":
        # within one piece, a shot of it on both sides: three shots round a corner may be how the pool was built
        within = [row for row in range(1, count - 4) if len({int(pieces[row + step]) for step in range(-1, 4)}) == 1]
        at = int(rng.choice(within))
        rows = [(at + step) % count for step in range(3)]
        for row in rows:
            points[row] += outward(row) * 0.30
        return msgspec.structs.replace(shots, points=points), {shots.names[row] for row in rows}
    if kind == "swapped":
        order = list(range(count))
        order[at], order[(at + 1) % count] = order[(at + 1) % count], order[at]
        return shots.taken(order), {shots.names[at], shots.names[(at + 1) % count]}
    again = range(0, count, 10)
    order = [row for index in range(count) for row in ((index, count + index // 10) if index in again else (index,))]
    second = np.array([truth.point_at(truth.nearest(tuple(points[row]))[0]) for row in again]) + rng.normal(0, noise, (len(again), 2))
    wide = Shots(
        names=(*shots.names, *(f"{shots.names[row]}b" for row in again)),
        points=np.vstack((points, second)),
        covariances=np.tile(np.eye(2) * noise**2, (count + len(again), 1, 1)),
        curved=np.zeros(count + len(again), dtype=np.int64),
    )
    return wide.taken(order), {f"{shots.names[row]}b" for row in again}


def named(kind: str, built: AsBuilt) -> set[str]:
    if kind in ("one off", "coping"):
        return {one.name for one in built.set_aside}
    if kind == "swapped":
        return {*built.tidied.moved, *built.late}
    return {second for _, second in built.tidied.doubles}


def good(kind: str, found: set[str], wrong: set[str]) -> bool:
    return bool(found) and found <= wrong if kind == "swapped" else found == wrong


def measure(kind: str, name: str, seeds: int) -> tuple[float, float]:
    """Return the share found, and the error of the edge over that of the clean survey (root mean squares)."""
    truth = SHAPES[name]()
    stations = even_stations(truth, 100)
    found, spoiled_squares, clean_squares = 0, [], []
    for seed in range(seeds):
        rng = np.random.default_rng([seed, len(name), KINDS.index(kind)])
        noise, spacing = rng.uniform(0.003, 0.010), float(np.exp(rng.uniform(*np.log(SPACING))))
        shot = shoot(truth, spacing, noise, rng)
        shots = shot.shots
        bad, wrong = spoiled(kind, shot, truth, noise, rng)
        built, clean = as_built(bad, closed=True, arcs=True), as_built(shots, closed=True, arcs=True)
        hit = good(kind, named(kind, built), wrong)
        found += hit
        spoiled_squares.append(np.mean(errors(truth, built.shape.chain, stations) ** 2))
        clean_squares.append(np.mean(errors(truth, clean.shape.chain, stations) ** 2))
    return found / seeds, float(np.sqrt(np.median(np.array(spoiled_squares) / np.array(clean_squares))))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--shape", default="")
    options = parser.parse_args()
    print(f"{'shape':<14}" + "".join(f"{kind:>22}" for kind in KINDS))
    for name in SHAPES:
        if options.shape and name != options.shape:
            continue
        cells = [measure(kind, name, options.seeds) for kind in KINDS]
        print(f"{name:<14}" + "".join(f"{found:>12.0%} {ratio:>8.2f}x" for found, ratio in cells), flush=True)


if __name__ == "__main__":
    main()
