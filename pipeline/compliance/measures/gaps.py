"""The gap under the fence: hem to deck."""

from __future__ import annotations

import math
from typing import Final

import msgspec
import numpy as np

from pipeline.compliance.measures.height import BESIDE, NO_LEVELS
from pipeline.compliance.readings import LookAt, Measured, NotHere, Outcome, Reading
from pipeline.compliance.standing import Bay, Scene, once
from pipeline.geometry.chain import Chain, Point
from pipeline.geometry.planes import PlanePatch
from pipeline.model.rules import Limit, RulePack
from pipeline.units import format_length

DECK_DETAIL: Final = 0.005  # [m] an arc of the deck's outline is followed this closely


class Hem(msgspec.Struct, frozen=True, kw_only=True):
    """A straight lower edge between two posts, and the ground under it, in the vertical plane through it.

    Parameters
    ----------
    stations, gaps, sigmas, own : tuple of float
        Along the edge from its first end [m], gap to the ground there [m], standard deviation [m] and the part of it the
        deck's roughness at the place brings alone [m]; both sides of every break of the ground.
    heights : tuple of float
        Of the edge above its own first end [m].
    """

    stations: tuple[float, ...]
    gaps: tuple[float, ...]
    sigmas: tuple[float, ...]
    heights: tuple[float, ...]
    places: tuple[Point, ...]
    own: tuple[float, ...] = ()


def gap_under(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Largest gap under any bay, whatever the ground.

    Why: a child crawls or slips under.

    How: the hem runs straight from post to post, at its shop height over the deck at either post, while the deck
    between may fall, break at a joint or step down; the gap is linear between the breaks of the deck, so that its
    largest value lies at a break (both sides are tried) or at a post.  A gate's leaf is square: its lower edge is level
    and clears the higher side by the shop's gap.
    """
    return _gaps(scene, scene.fence.bays, "the layout has no panel")


def gap_under_mesh(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Largest gap under the fabric of any panel; a gate's leaf is held to the general gap.  As `gap_under`."""
    return _gaps(scene, tuple(bay for bay in scene.fence.bays if bay.kind == "panel"), "the layout has no mesh panel")


def gap_under_hard(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Largest gap under the bays over the hard deck.  As `gap_under`."""
    return _gaps(scene, tuple(bay for bay in scene.fence.bays if not on_soft_ground(scene, bay)), "no bay stands over a hard deck")


def gap_under_soft(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Largest gap under the bays over grass, gravel or soil.  As `gap_under`."""
    soft = tuple(bay for bay in scene.fence.bays if on_soft_ground(scene, bay))
    return _gaps(scene, soft, "every bay stands over the hard deck")


@once
def on_soft_ground(scene: Scene, bay: Bay) -> bool:
    """Say whether a bay reaches beyond the surveyed deck; without a surveyed deck all ground counts as hard."""
    outlines = [line.chain for line in scene.site.decks if line.chain.closed]
    return bool(outlines) and not all(any(inside(chain, place) for chain in outlines) for place in (bay.first.foot, bay.foot_at(0.5), bay.last.foot))


def inside(outline: Chain, place: Point) -> bool:
    """Say whether a place [m] lies within a closed outline."""
    corners = tuple((float(x), float(y)) for x, y in outline.densified(DECK_DETAIL)[:-1])
    return PlanePatch(region=corners, origin=place, coefficients=(0.0, 0.0, 0.0), covariance=(0.0,) * 9, sigma=0.0).contains(place)


def _gaps(scene: Scene, bays: tuple[Bay, ...], none: str) -> Outcome:
    if not bays:
        return NotHere(why=none)
    shop = scene.job.shop
    if not scene.ground.known:
        nominal = format_length(shop.panel.hem_gap, scene.job.options.report_units)
        return LookAt(text=f"{NO_LEVELS}: measure the gap under every panel at its middle ({nominal} at the posts by design)")
    cure = "{short} less: hang the fabric lower, a shorter bay over the hollow, or level the deck there"
    return Measured(readings=tuple(reading for bay in bays for reading in gaps_of(scene, bay)), cure=cure)


@once
def gaps_of(scene: Scene, bay: Bay) -> list[Reading]:
    """Return the gap under a bay wherever it can be largest."""
    hem = hem_of(scene, bay)
    units = scene.job.options.report_units
    return [
        Reading(
            value=gap, sigma=sigma, where=f"{bay.where}, {format_length(station, units)} from {bay.first.name}", place=place, group=bay.where, own=own
        )
        for station, gap, sigma, place, own in zip(hem.stations, hem.gaps, hem.sigmas, hem.places, hem.own, strict=True)
    ]


@once
def hem_of(scene: Scene, bay: Bay) -> Hem:
    """Lay the lower edge of a bay over the ground."""
    gap = float(scene.job.shop.panel.hem_gap if bay.kind == "panel" else scene.job.shop.gate.bottom_gap)
    ends = (bay.first.at(gap), bay.last.at(gap))
    start, end = (ends[0][0], ends[0][1]), (ends[1][0], ends[1][1])
    breaks = [(at, at + side) for at in scene.ground.breaks(start, end) for side in (-BESIDE, BESIDE)]
    ratios = sorted({0.0, 0.5, 1.0, *(min(max(ratio, 0.0), 1.0) for _, ratio in breaks)})
    places = tuple((start[0] + ratio * (end[0] - start[0]), start[1] + ratio * (end[1] - start[1])) for ratio in ratios)
    gaps, sigmas, own = _gaps_at(scene, bay, gap, ratios, places)
    length = math.dist(start, end)
    climb = 0.0 if bay.kind == "gate" else ends[1][2] - ends[0][2]
    return Hem(
        stations=tuple(ratio * length for ratio in ratios),
        gaps=gaps,
        sigmas=sigmas,
        own=own,
        heights=tuple(ratio * climb for ratio in ratios),
        places=places,
    )


def _gaps_at(
    scene: Scene, bay: Bay, gap: float, ratios: list[float], places: tuple[Point, ...]
) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
    """Return the gaps under a bay's lower edge at places along it, their standard deviations and what of these is each place's own [m]."""
    along = np.array(ratios)
    if bay.kind == "gate":
        higher = bay.first if bay.first.level >= bay.last.level else bay.last
        held: list[tuple[Point, ...]] = [(higher.foot, place) for place in places]
        weights, hung = np.tile([1.0, -1.0], (len(along), 1)), np.full(len(along), gap)
    else:
        held = [(bay.first.foot, bay.last.foot, place) for place in places]
        weights = np.column_stack([1 - along, along, np.full(len(along), -1.0)])
        hung = gap * ((1 - along) * bay.first.axis[2] + along * bay.last.axis[2])
    rises = scene.ground.sums(weights, held)
    if np.isnan(rises.values).any():
        raise ValueError(f"no level is known under {bay.where}")
    sigmas = np.hypot(rises.sigmas, float(scene.job.shop.panel.hang_sigma))
    return tuple((hung + rises.values).tolist()), tuple(sigmas.tolist()), tuple(rises.own.tolist())
