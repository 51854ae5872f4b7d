"""Table of the fit held against the truth: right pieces, error over the Cramér–Rao bound, honesty of the stated sigmas.

Run: python -m tests.benchmarks.edge_accuracy --seeds 200
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from pipeline.edge.as_built import as_built
from pipeline.edge.lines import record
from pipeline.edge.shots import Line
from pipeline.geometry.projection import project
from tests.benchmarks.edge_truth import SHAPES, FreeForm, bound, errors, even_stations, shoot


def kinds_of(chain):
    return tuple(piece.is_arc for piece in chain.pieces())


def same_round(first, second):
    """Whether two rings of kinds are the same from some start."""
    return len(first) == len(second) and any(first == second[k:] + second[:k] for k in range(len(second)))


def measure(name: str, seeds: int) -> dict[str, float]:
    """Fit `seeds` surveys of one shape, noise 3 to 10 mm, spacing 0.3 to 2 m."""
    truth = SHAPES[name]()
    stations = even_stations(truth)
    right, squares, bounds, normed, seconds = 0, [], [], [], 0.0
    for seed in range(seeds):
        rng = np.random.default_rng([seed, len(name)])
        noise, spacing = rng.uniform(0.003, 0.010), float(np.exp(rng.uniform(np.log(0.3), np.log(2.0))))
        shot = shoot(truth, spacing, noise, rng)
        began = time.perf_counter()
        built = as_built(shot.shots, closed=True, arcs=True)
        seconds += time.perf_counter() - began
        good = same_round(kinds_of(truth), kinds_of(built.shape.chain))
        right += good
        if not good and VERBOSE:
            print(f"  {name} seed {seed} noise {noise:.4f} spacing {spacing:.2f}: {kinds_of(built.shape.chain)} {built.set_aside} {built.notes}")
        line = record(Line(code="WATER", line="", points=(), closed=True), built)
        off = errors(truth, line.chain, stations)
        squares.append(off**2 / noise**2)
        bounds.append(bound(truth, shot, noise, stations) ** 2 / noise**2)
        sigmas = np.array([line.sigma_at(line.chain.nearest(truth.point_at(s))[0]) for s in stations])
        if good:
            normed.append((off / sigmas) ** 2)
    return _row(right, seeds, squares, bounds, normed, seconds)


def measure_free(seeds: int) -> dict[str, float]:
    """Fit surveys of a free curve, shot by the same rule as the other shapes: 0.3 to 2 m, two shots a number, one every 40 degrees."""
    truth = FreeForm()
    stations = (np.arange(200) + 0.5) * truth.length / 200
    right, squares, bounds, normed, seconds = 0, [], [], [], 0.0
    for seed in range(seeds):
        rng = np.random.default_rng([seed, 77])
        noise, spacing = rng.uniform(0.003, 0.010), float(np.exp(rng.uniform(np.log(0.3), np.log(2.0))))
        at, shots = truth.shoot(spacing, noise, rng)
        began = time.perf_counter()
        built = as_built(shots, closed=True, arcs=True)
        seconds += time.perf_counter() - began
        line = record(Line(code="WATER", line="", points=(), closed=True), built)
        there, off = project(line.chain, truth.places(stations))
        sigmas = np.array([line.sigma_at(station) for station in there])
        right += any("free curve" in note for note in built.notes)
        squares.append(off**2 / noise**2)
        bounds.append(truth.bound(at, noise, stations) ** 2 / noise**2)
        normed.append((off / sigmas) ** 2)
    return _row(right, seeds, squares, bounds, normed, seconds)


def _row(right, seeds, squares, bounds, normed, seconds) -> dict[str, float]:
    return {
        "right": right / seeds,
        "ratio": float(np.sqrt(np.mean(squares) / np.mean(bounds))),
        "median ratio": float(np.sqrt(np.median([np.mean(s) / np.mean(b) for s, b in zip(squares, bounds, strict=True)]))),
        "honesty": float(np.sqrt(np.mean(normed))) if normed else float("nan"),
        "ms": 1000 * seconds / seeds,
    }


VERBOSE = False
FREE = "free form"


def main() -> None:
    global VERBOSE
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--shape", default="")
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    VERBOSE = options.verbose
    print(f"{'shape':<14}{'right pieces':>13}{'rms / bound':>13}{'median':>9}{'rms e/sigma':>13}{'ms a fit':>10}")
    for name in (*SHAPES, FREE):
        if options.shape and name != options.shape:
            continue
        row = measure_free(options.seeds) if name == FREE else measure(name, options.seeds)
        print(
            f"{name:<14}{row['right']:>12.1%}{row['ratio']:>13.3f}{row['median ratio']:>9.3f}{row['honesty']:>13.3f}{row['ms']:>10.1f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
