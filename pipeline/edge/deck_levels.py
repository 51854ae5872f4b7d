"""The deck's level surface: planes between risers, or a network of facets that follows the deck, whichever predicts heights better.

Every height is predicted from all the others.  A model is worth the sum of log densities of these predictions; the network
has to be worth more than the planes by `WORTH`.  Bending and roughness are the pair worth most, and the roughness goes into
every predicted level.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.deck_network import Network, design_of, facets_as_patches, network_of, prior_of
from pipeline.edge.levels import OUTLYING, ROUGHER, Cut, Heights, Patched, patches_of
from pipeline.geometry.chain import Chain

Array = NDArray[np.float64]

BENDS: Final = (0.0003, 0.001, 0.003, 0.01, 0.03)  # [-] change of slope over a metre, tried
ROUGHNESSES: Final = (0.002, 0.003, 0.0045, 0.007, 0.010, 0.015, 0.025)  # [m] tried; the least is a broom finish (common practice)
WORTH: Final = 3.0  # [-] log density the network has to gain on the planes (own judgement, as BIC asks of two unknowns)
TAILS: Final = 4.0  # degrees of freedom of the t density that lets a bust count for little while busts are sought
ENOUGH: Final = 8  # heights below which planes have to do
COPING_OFF: Final = 3.5  # [-] standard deviations by which a coping stands off the deck
COPING_STEP: Final = 0.015  # [m] a smaller step at the coping is not told from a deck whose fall changes (own judgement, on simulated decks)
COPING_GUESS: Final = 0.05  # [m] standard deviation of a coping's step that no height tells


class Followed(msgspec.Struct, frozen=True, kw_only=True):
    """The patches, the names of heights set aside, and how far [m] a coping that was left out stands above the deck."""

    patched: Patched
    coping_step: float = 0.0


class Fitted(msgspec.Struct, frozen=True, kw_only=True):
    """A linear model fitted: its mean and covariance, errors of the predictions without each height and their deviations [m]."""

    mean: Array
    covariance: Array
    errors: Array
    deviations: Array
    bend: float
    roughness: float
    worth: float


def deck_levels(heights: Heights, coping: NDArray[np.bool_], cuts: Sequence[Cut], waters: Sequence[Chain], nosings: Sequence[Chain]) -> Followed:
    """Return the level surface under the heights.

    Parameters
    ----------
    heights : Heights
        All that lie on the deck or its coping.
    coping : array of bool
        Which of them lie on the coping.
    cuts : sequence of Cut
        Risers and joints as the planes are cut by them.
    waters, nosings : sequence of Chain
        Water's edges (counter-clockwise) and risers, the upper side on the left.
    """
    network = network_of(heights.places, waters, nosings) if len(heights.levels) >= ENOUGH else None
    if network is None:
        return Followed(patched=_on_planes(heights, coping, cuts))
    design, kept = design_of(network, heights.places), np.ones(len(coping), dtype=bool)
    step = _coping_step(network, design, heights, coping)
    if step:
        kept = ~coping
    aside: list[int] = []
    while True:
        at = np.flatnonzero(kept)
        fit = _best(network, design[at], heights, at, tails=True)
        statistic = np.abs(fit.errors) / fit.deviations
        worst = int(np.argmax(statistic))
        if statistic[worst] < OUTLYING or len(at) <= ENOUGH or len(aside) > len(coping) // 8:
            break
        aside.append(int(at[worst]))
        kept[at[worst]] = False
    at = np.flatnonzero(kept)
    fit = _best(network, design[at], heights, at, tails=False)
    chosen = Heights(places=heights.places[at], levels=heights.levels[at], sigmas=heights.sigmas[at], names=tuple(heights.names[i] for i in at))
    planes = patches_of(chosen, cuts)
    names = tuple(heights.names[index] for index in aside)
    if not nosings and fit.worth < _worth_of_plane(chosen) + WORTH:
        return Followed(patched=Patched(patches=planes.patches[-1:], set_aside=(*names, *planes.set_aside)), coping_step=step)
    zero = float(np.mean(chosen.levels))
    facets, joint = facets_as_patches(network, fit.mean, fit.covariance, zero, fit.roughness)
    return Followed(patched=Patched(patches=(*facets, planes.patches[-1]), set_aside=names, joint=joint), coping_step=step)


def _on_planes(heights: Heights, coping: NDArray[np.bool_], cuts: Sequence[Cut]) -> Patched:
    """Return planes through the deck's own heights where there are enough, else through all."""
    at = np.flatnonzero(~coping) if np.count_nonzero(~coping) >= 4 else np.arange(len(coping))
    chosen = Heights(places=heights.places[at], levels=heights.levels[at], sigmas=heights.sigmas[at], names=tuple(heights.names[i] for i in at))
    return patches_of(chosen, cuts)


def _without_each(design: Array, prior: Array, levels: Array, variances: Array) -> tuple[Array, Array, Array, Array]:
    """Return mean, covariance, and the error [m] and its deviation [m] of every height predicted from the others.

    With the hat matrix H = B S B' W the prediction without height i misses by (z - fit)_i / (1 - H_ii), with variance
    v_i / (1 - H_ii).
    """
    weighted = design / variances[:, None]
    covariance = np.linalg.inv(design.T @ weighted + prior)
    mean = covariance @ (weighted.T @ levels)
    left = np.maximum(1 - ((weighted @ covariance) * design).sum(axis=1), 1e-6)
    return mean, np.asarray(covariance, dtype=np.float64), (levels - design @ mean) / left, np.sqrt(variances / left)


def _best(network: Network, design: Array, heights: Heights, at: NDArray[np.intp], *, tails: bool, extra: float = 0.0) -> Fitted:
    """Return the fit whose bending and roughness predict best; `extra` [m] is the guess of a last unknown.

    A deck is rougher than a broom finish only where its heights say so (ratio of likelihoods, 5 %): widened by luck, the
    uncertainty of every level would be too large on the average.
    """
    levels = heights.levels[at] - np.mean(heights.levels[at])
    smooth: Fitted | None = None
    rough: Fitted | None = None
    for bend in BENDS:
        prior = prior_of(network, bend)
        if extra:
            prior = np.block([[prior, np.zeros((len(prior), 1))], [np.zeros((1, len(prior))), np.array([[1 / extra**2]])]])
        for roughness in ROUGHNESSES:
            mean, covariance, errors, deviations = _without_each(design, prior, levels, heights.sigmas[at] ** 2 + roughness**2)
            worth = _worth(errors, deviations, tails=tails)
            held = smooth if roughness == ROUGHNESSES[0] else rough
            if held is not None and worth <= held.worth + 1e-9:
                continue
            found = Fitted(mean=mean, covariance=covariance, errors=errors, deviations=deviations, bend=bend, roughness=roughness, worth=worth)
            smooth, rough = (found, rough) if roughness == ROUGHNESSES[0] else (smooth, found)
    assert smooth is not None and rough is not None
    return rough if rough.worth > smooth.worth + ROUGHER**2 / 2 else smooth


def _worth(errors: Array, deviations: Array, *, tails: bool) -> float:
    squares = (errors / deviations) ** 2
    bulk = (TAILS + 1) / 2 * np.log1p(squares / TAILS) if tails else squares / 2
    return -float(np.sum(np.log(deviations) + bulk))


def _worth_of_plane(heights: Heights) -> float:
    """Return what one plane through all heights is worth."""
    offsets = heights.places - heights.places.mean(axis=0)
    design, levels = np.column_stack([np.ones(len(offsets)), offsets]), heights.levels - heights.levels.mean()
    prior = np.diag([1e-2, 1e2, 1e2])
    found = []
    for roughness in ROUGHNESSES:
        _, _, errors, deviations = _without_each(design, prior, levels, heights.sigmas**2 + roughness**2)
        found.append(_worth(errors, deviations, tails=False))
    return max(found)


def _coping_step(network: Network, design: Array, heights: Heights, coping: NDArray[np.bool_]) -> float:
    """Return how far [m] the coping stands above the deck beside it; 0 where the heights do not say that it does."""
    if np.count_nonzero(coping) < 4 or np.count_nonzero(~coping) < ENOUGH:
        return 0.0
    fit = _best(network, np.column_stack([design, coping]), heights, np.arange(len(coping)), tails=True, extra=COPING_GUESS)
    step, deviation = float(fit.mean[-1]), math.sqrt(float(fit.covariance[-1, -1]))
    return step if abs(step) > max(COPING_STEP, COPING_OFF * deviation) else 0.0
