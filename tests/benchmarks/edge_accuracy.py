"""Table of the fit held against the truth: right pieces, error over the Cramér–Rao bound, honesty of the stated sigmas.

Run: python -m tests.benchmarks.edge_accuracy --seeds 200
     python -m tests.benchmarks.edge_accuracy --seeds 200 --into fits.jsonl     (keeps every fit; goes on where it was broken off)
     python -m tests.benchmarks.edge_accuracy --seeds 50 --plain                (spacing alone: see below)

Noise is drawn evenly from 3 to 10 mm, spacing from 0.3 to 2 m evenly by its logarithm.  Seeds are 0, 1, 2 ... and none is left out.

The rule of the shots.  A crew that shoots every 2 m may put one shot, or none, on a bay 1 m long, and no method tells from one shot what it
lies on.  So a piece gets two shots for each of its numbers at least (a line four, an arc six), and a curve one every 40 degrees; the free
curve, whose true model has sixteen numbers, thirty-two.  The rule for chains stands since the first version of this
table; the free curve was first shot by spacing alone and was put under the same rule after its first figures were seen.  `--plain` shoots by spacing alone whatever the shape, and tells how many
surveys then put on every piece as many shots as it has numbers ("shown"), how many of those come out right, how many are held for want of
shots, and how many go on with an edge three times as far off as it says ("astray").

Sampling error.  The squared normalised errors of one survey, averaged over its edge, scatter by some sqrt(2 / numbers of the model) about one;
over 200 surveys the root of their mean is known to 1 to 2 % (printed, one sigma, from the scatter of the surveys themselves).  So 200 surveys
can tell 5 %; 25 could not.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from pipeline.edge.as_built import as_built
from pipeline.edge.free_form import FreeFit
from pipeline.edge.lines import record
from pipeline.edge.mixed_line import MixedFit
from pipeline.edge.shots import Line
from pipeline.geometry.projection import project
from tests.benchmarks.edge_truth import SHAPES, STRETCHES, FreeForm, bound, errors, even_stations, plainly_shot, shoot

FREE = "free form"
ASTRAY = 9.0  # [-] mean of the squared normalised errors of one survey, three sigmas all along: honest ones are one on the average
NAMES = (*SHAPES, FREE, *STRETCHES)


@dataclass(frozen=True)
class Fit:
    """One survey fitted: its errors and bounds in units of the noise, squared, and its squared normalised errors, averaged along the edge."""

    shape: str
    seed: int
    noise: float
    spacing: float
    shots: int
    shown: bool
    right: bool
    square: float
    bound: float
    normed: float
    beyond_three: float
    seconds: float
    kinds: str
    aside: int
    doubtful: int
    unshown: int = 0

    @property
    def held(self) -> bool:
        return self.doubtful + self.unshown > 0

    @property
    def astray(self) -> bool:
        """Whether the edge goes on although it lies farther off than it says: squared normalised errors above nine on the average."""
        return not self.held and self.normed > ASTRAY


def kinds_of(chain):
    return tuple(piece.is_arc for piece in chain.pieces())


def same_round(first, second):
    """Whether two rings of kinds are the same from some start."""
    return len(first) == len(second) and any(first == second[k:] + second[:k] for k in range(len(second)))


def drawn(seed: int, salt: int):
    """Random numbers of one survey, its noise [m] and its spacing [m]."""
    rng = np.random.default_rng([seed, salt])
    return rng, rng.uniform(0.003, 0.010), float(np.exp(rng.uniform(np.log(0.3), np.log(2.0))))


def fitted(name: str, seed: int, *, plain: bool = False) -> Fit:
    """One survey of one shape, fitted."""
    if name in SHAPES:
        return fitted_chain(name, seed, plain=plain)
    return fitted_free(seed, plain=plain) if name == FREE else fitted_stretch(name, seed, plain=plain)


def fitted_chain(name: str, seed: int, *, plain: bool = False) -> Fit:
    truth = SHAPES[name]()
    stations = even_stations(truth)
    rng, noise, spacing = drawn(seed, len(name))
    shot = (plainly_shot if plain else shoot)(truth, spacing, noise, rng)
    built, line, seconds = timed(shot.shots)
    there, off = line.chain, errors(truth, line.chain, stations)
    sigmas = np.array([line.sigma_at(there.nearest(truth.point_at(s))[0]) for s in stations])
    counts = np.bincount(shot.pieces, minlength=len(truth))
    shown = all(count >= (3 if piece.is_arc else 2) for count, piece in zip(counts, truth.pieces(), strict=True))
    squares = bound(truth, shot, noise, stations) ** 2
    right = same_round(kinds_of(truth), kinds_of(built.shape.chain))
    return _fit(name, seed, noise, spacing, shot.shots, built, seconds, shown=shown, right=right, off=off, sigmas=sigmas, bounds=squares)


def fitted_free(seed: int, *, plain: bool = False) -> Fit:
    truth = FreeForm()
    stations = (np.arange(200) + 0.5) * truth.length / 200
    rng, noise, spacing = drawn(seed, 77)
    at, shots = truth.shoot_plainly(spacing, noise, rng) if plain else truth.shoot(spacing, noise, rng)
    built, line, seconds = timed(shots)
    there, off = project(line.chain, truth.places(stations))
    sigmas = np.array([line.sigma_at(station) for station in there])
    right = any("free curve" in note for note in built.notes)
    squares = truth.bound(at, noise, stations) ** 2
    shown = len(at) >= 2 * len(truth.POINTS)
    return _fit(FREE, seed, noise, spacing, shots, built, seconds, shown=shown, right=right, off=off, sigmas=sigmas, bounds=squares)


def fitted_stretch(name: str, seed: int, *, plain: bool = False) -> Fit:
    truth = STRETCHES[name]()
    stations = (np.arange(200) + 0.5) * truth.length / 200
    rng, noise, spacing = drawn(seed, len(name) + 5)
    at, shots = truth.shoot_plainly(spacing, noise, rng) if plain else truth.shoot(spacing, noise, rng)
    built, line, seconds = timed(shots)
    there, off = project(line.chain, truth.places(stations))
    sigmas = np.array([line.sigma_at(station) for station in there])
    right = same_round(parts_of(built), ("free", *("side",) * (truth.corners - 1)))
    squares = truth.bound(at, noise, stations) ** 2
    counts = np.bincount(truth.parts(at), minlength=truth.corners)
    shown = bool((counts[:-1] >= 2).all() and counts[-1] >= 2 * truth.inner + 2)
    return _fit(name, seed, noise, spacing, shots, built, seconds, shown=shown, right=right, off=off, sigmas=sigmas, bounds=squares)


def parts_of(built) -> tuple[str, ...]:
    """The kinds of the parts of a line with free stretches; none of any other."""
    if not (isinstance(built.shape.fit, FreeFit) and isinstance(built.shape.fit.curve, MixedFit)):
        return ()
    line = built.shape.fit.curve.line
    return tuple("free" if inner is not None else "arc" if curved else "side" for inner, curved in zip(line.inner, line.curved, strict=True))


def timed(shots):
    began = time.process_time()
    built = as_built(shots, closed=True, arcs=True)
    seconds = time.process_time() - began
    return built, record(Line(code="WATER", line="", points=(), closed=True), built), seconds


def _fit(name, seed, noise, spacing, shots, built, seconds, *, shown, right, off, sigmas, bounds) -> Fit:
    return Fit(
        shape=name,
        seed=seed,
        noise=noise,
        spacing=spacing,
        shots=len(shots),
        shown=bool(shown),
        right=bool(right),
        square=float(np.mean(off**2) / noise**2),
        bound=float(np.mean(bounds) / noise**2),
        normed=float(np.mean((off / sigmas) ** 2)),
        beyond_three=float(np.mean(np.abs(off) > 3 * sigmas)),
        seconds=seconds,
        kinds="".join("A" if kind else "l" for kind in kinds_of(built.shape.chain)),
        aside=len(built.set_aside),
        doubtful=len(built.doubtful) + len(built.slender),
        unshown=len(built.unshown),
    )


def row_of(fits: list[Fit]) -> dict[str, float]:
    """What a row of fits of one shape comes to; `+-` one standard deviation of the honesty, from the scatter of the surveys."""
    normed = np.array([fit.normed for fit in fits])
    right = np.array([fit.normed for fit in fits if fit.right])
    honesty = float(np.sqrt(normed.mean()))
    return {
        "seeds": len(fits),
        "right": float(np.mean([fit.right for fit in fits])),
        "ratio": float(np.sqrt(np.mean([fit.square for fit in fits]) / np.mean([fit.bound for fit in fits]))),
        "median ratio": float(np.sqrt(np.median([fit.square / fit.bound for fit in fits]))),
        "honesty": honesty,
        "+-": float(normed.std() / (2 * honesty * np.sqrt(len(normed)))),
        "honesty of right": float(np.sqrt(right.mean())) if len(right) else float("nan"),
        "beyond": float(np.mean([fit.beyond_three for fit in fits])),
        "held": float(np.mean([fit.held for fit in fits])),
        "ms": 1000 * float(np.mean([fit.seconds for fit in fits])),
    }


def plain_row_of(fits: list[Fit]) -> dict[str, float]:
    shown = [fit for fit in fits if fit.shown]
    return {
        "seeds": len(fits),
        "right": float(np.mean([fit.right for fit in fits])),
        "shown": len(shown) / len(fits),
        "right of shown": float(np.mean([fit.right for fit in shown])) if shown else float("nan"),
        "honesty of right": float(np.sqrt(np.mean([fit.normed for fit in fits if fit.right]))) if any(fit.right for fit in fits) else float("nan"),
        "held": float(np.mean([fit.held for fit in fits])),
        "held of right": float(np.mean([fit.held for fit in fits if fit.right])) if any(fit.right for fit in fits) else float("nan"),
        "astray": float(np.mean([fit.astray for fit in fits])),
    }


def measure(name: str, seeds: int) -> dict[str, float]:
    """Fit `seeds` surveys of one shape, noise 3 to 10 mm, spacing 0.3 to 2 m."""
    return row_of([fitted(name, seed) for seed in range(seeds)])


def kept(path: Path | None) -> list[Fit]:
    """Fits of an earlier run."""
    if path is None or not path.exists():
        return []
    return [Fit(**json.loads(line)) for line in path.read_text(encoding="utf-8").splitlines()]


def surveys(name: str, seeds: int, known: list[Fit], path: Path | None, *, plain: bool) -> Iterator[Fit]:
    had = {(fit.shape, fit.seed): fit for fit in known}
    for seed in range(seeds):
        fit = had.get((name, seed))
        if fit is None:
            fit = fitted(name, seed, plain=plain)
            if path is not None:
                with path.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(fit)) + "\n")
        yield fit


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--shape", default="", help="shapes, comma between them; all without")
    parser.add_argument("--plain", action="store_true", help="shots by spacing alone")
    parser.add_argument("--into", type=Path, default=None, help="file of fits to go on with")
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    known = kept(options.into)
    printed = False
    for name in options.shape.split(",") if options.shape else NAMES:
        fits = []
        for fit in surveys(name, options.seeds, known, options.into, plain=options.plain):
            fits.append(fit)
            if options.verbose and not fit.right:
                print(f"  {name} seed {fit.seed} noise {fit.noise:.4f} spacing {fit.spacing:.2f}: {fit.kinds}", flush=True)
        row = plain_row_of(fits) if options.plain else row_of(fits)
        if not printed:
            print(f"{'shape':<14}" + "".join(f"{head:>17}" for head in row))
            printed = True
        print(f"{name:<14}" + "".join(f"{value:>17.3f}" if head != "seeds" else f"{value:>17}" for head, value in row.items()), flush=True)


if __name__ == "__main__":
    main()
