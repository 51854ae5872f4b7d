"""Time of the fit by the number of shots: constant search, then shots times pieces.

Run: python -m tests.benchmarks.edge_speed
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from pipeline.edge.as_built import as_built
from tests.benchmarks.edge_truth import SHAPES, STRETCHES, FreeForm, shoot

COUNTS = (50, 100, 200, 400, 800, 1600, 3200, 5000)


def seconds(name: str, count: int) -> tuple[int, float]:
    """Return the shots and the processor time [s] of one fit."""
    rng = np.random.default_rng(1)
    truth = FreeForm() if name == "free form" else (SHAPES | STRETCHES)[name]()
    spacing = truth.length / count
    shots = shoot(truth, spacing, 0.005, rng).shots if name in SHAPES else truth.shoot(spacing, 0.005, rng)[1]
    began = time.process_time()
    as_built(shots, closed=True, arcs=True)
    return len(shots), time.process_time() - began


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shapes", default="rectangle,round ends,lagoon,Roman ends,free form,free side,free end")
    options = parser.parse_args()
    names = options.shapes.split(",")
    print(f"{'shots':>8}" + "".join(f"{name:>14}" for name in names))
    for count in COUNTS:
        print(f"{count:>8}" + "".join(f"{seconds(name, count)[1]:>12.2f} s" for name in names), flush=True)


if __name__ == "__main__":
    main()
