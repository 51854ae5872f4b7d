"""Stock panels and gates that no longer hang in their holes."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Final

import msgspec

from pipeline.drilling.prices import extra_for_custom
from pipeline.model.drilling import Misfit
from pipeline.model.layout import Gate, Layout, Panel
from pipeline.model.shop import Shop

COVERAGE: Final = 1.96  # [-] standard deviations beyond which a gate is said not to fit, 95 %
SAME: Final = 1e-9  # [m] of rounding: a distance off by just the tolerance fits


class Span(msgspec.Struct, frozen=True):
    """Two neighbouring holes, their distance as planned, and what hangs between them: a panel, a gate, or a joint ("")."""

    first: str
    last: str
    planned: float
    carries: str


def spans_of(plan: Layout) -> tuple[Span, ...]:
    """Return every span of the plan whose distance matters: of stock panels, gates and joints."""
    chords = {hole.name: hole.to_next for hole in plan.holes}
    spans = [
        Span(first, last, chords[first] or 0.0, panel.name)
        for panel in plan.panels
        if panel.kind == "stock"
        for first, last in itertools.pairwise(panel.holes)
    ]
    spans += [Span(gate.hinge_hole, gate.latch_hole, gate.leaf, gate.name) for gate in plan.gates]
    return (*spans, *(Span(joint.before, joint.after, joint.gap, "") for joint in plan.joints))


def misfits_of(plan: Layout, stands: Layout, shop: Shop) -> tuple[Misfit, ...]:
    """Return the stock panels that no longer fit their holes, in the order of the panels."""
    return tuple(
        misfit
        for was, now in zip(plan.panels, stands.panels, strict=True)
        if was.kind == "stock" and (misfit := _misfit(plan, was, now, stands, shop))
    )


def spacings_off(plan: Layout, was: Panel, now: Panel, stands: Layout) -> list[tuple[float, str, str]]:
    """Return of every spacing of a panel by how much it is wider than planned [m], and its two holes as they stand."""
    chords = {hole.name: hole.to_next or 0.0 for hole in plan.holes}
    drilled = {hole.name: hole.to_next or 0.0 for hole in stands.holes}
    bays = zip(was.holes, itertools.pairwise(now.holes), strict=False)
    return [(drilled[first] - chords[planned], first, last) for planned, (first, last) in bays]


def custom_where_misfit(stands: Layout, misfits: tuple[Misfit, ...]) -> Layout:
    """Return the fence with the panels that do not fit made custom."""
    names = {misfit.panel for misfit in misfits}
    panels = tuple(msgspec.structs.replace(one, kind="custom", stock_posts=None) if one.name in names else one for one in stands.panels)
    return msgspec.structs.replace(stands, panels=panels)


def gates_that_do_not_fit(plan: Layout, stands: Layout, shop: Shop, sigmas: Mapping[str, float]) -> tuple[tuple[Gate, float], ...]:
    """Return the gates whose leaf certainly does not fit between their holes, with how much too wide it stands [m].

    `sigmas` are those of the distance from a hole to the next [m]: what may still be the reading's error holds no job.
    """
    return tuple((gate, by) for gate, by in _leaves_off(plan, stands) if abs(by) - _unsure(gate, sigmas) > _takes(shop))


def gates_hardly_known(plan: Layout, stands: Layout, shop: Shop, sigmas: Mapping[str, float]) -> tuple[tuple[Gate, float], ...]:
    """Return the gates of which the readings do not tell whether they fit, with how much too wide they seem to stand [m]."""
    return tuple((gate, by) for gate, by in _leaves_off(plan, stands) if abs(abs(by) - _takes(shop)) < _unsure(gate, sigmas))


def _leaves_off(plan: Layout, stands: Layout) -> list[tuple[Gate, float]]:
    leaves = {gate.name: gate.leaf for gate in plan.gates}
    return [(gate, gate.leaf - leaves[gate.name]) for gate in stands.gates]


def _takes(shop: Shop) -> float:
    return shop.setting_out.fit_tolerance + SAME


def _unsure(gate: Gate, sigmas: Mapping[str, float]) -> float:
    """Return how far a leaf's opening may be off as estimated [m]; the latch hole follows the hinge hole."""
    return COVERAGE * sigmas.get(gate.hinge_hole, 0.0)


def _misfit(plan: Layout, was: Panel, now: Panel, stands: Layout, shop: Shop) -> Misfit | None:
    extra = extra_for_custom(shop, now.length, now)
    if len(was.holes) != len(now.holes):
        more = len(now.holes) - len(was.holes)
        return Misfit(panel=now.name, first=now.holes[0], last=now.holes[-1], off=now.length - was.length, extra=extra, posts=more)
    by, first, last = max(spacings_off(plan, was, now, stands), key=lambda one: abs(one[0]))
    return Misfit(panel=now.name, first=first, last=last, off=by, extra=extra) if abs(by) > shop.setting_out.fit_tolerance + SAME else None
