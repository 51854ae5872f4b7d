"""The verb of the stage: from the fitted site and the job to every hole in its place."""

from __future__ import annotations

import numpy as np

from pipeline.errors import LayoutError, Reason, hold
from pipeline.geometry.chain import Chain
from pipeline.geometry.offset import offset_outward
from pipeline.layout.gates import GatePlaces, Wish, places_for, wishes_on
from pipeline.layout.grid import GIVE_UNIT, Grid, Measures, grid_of, node_stations
from pipeline.layout.line import wanted_line
from pipeline.layout.loop import LoopWay, best_loop
from pipeline.layout.measures import PRICE_UNIT, least_setback, measures_of
from pipeline.layout.optimum import MOVE_UNIT, GateMoves, unpacked
from pipeline.layout.reach import Row, row_of
from pipeline.layout.records import parts_of
from pipeline.layout.setting_out import distances_across
from pipeline.layout.walk import Walk, walk_of
from pipeline.model.job import Job
from pipeline.model.layout import Certificate, Layout
from pipeline.model.site import Site


def lay_out(job: Job, site: Site) -> Layout:
    """Lay out one fence.

    Raises
    ------
    LayoutError
        When no fence fits the site as asked; says where, by how much, and what would cure it.
    """
    sizes, warnings = measures_of(job), []
    line = _line(job, site, sizes)
    walk = walk_of(line)
    wishes = wishes_on(walk, site.gates, float(job.shop.gate.leaf[0]))
    if not wishes:
        wishes = (_proposed(walk, float(job.shop.gate.leaf[0])),)
        warnings.append(_no_gate_asked())
    row, found = _closed_row(walk, wishes, job, sizes)
    parts = parts_of(walk, row, _from_the_cut(wishes), {}, job, site, sizes)
    return Layout(
        line=line,
        setback=float(job.options.fence.setback),
        least_setback=least_setback(job),
        closed=True,
        holes=parts.holes,
        panels=parts.panels,
        joints=parts.joints,
        gates=parts.gates,
        check_distances=distances_across(parts.holes, closed=True),
        certificate=_certificate(found),
        warnings=tuple(warnings),
    )


def _line(job: Job, site: Site, sizes: Measures) -> Chain:
    waters = tuple(water.chain for water in site.waters)
    parallel = offset_outward(waters, float(job.options.fence.setback))[0]
    return wanted_line(parallel, waters, float(job.options.fence.setback), sizes.spacing)


def _proposed(walk: Walk, leaf: float) -> Wish:
    """Return a gate in the middle of the longest straight."""
    lengths = np.diff(walk.starts)
    longest = int(np.argmax(np.where(walk.curvatures == 0.0, lengths, 0.0)))
    return Wish("", None, float(walk.starts[longest] + lengths[longest] / 2), leaf)


def _closed_row(walk: Walk, wishes: tuple[Wish, ...], job: Job, sizes: Measures) -> tuple[Row, LoopWay]:
    """Return the holes of a closed fence, beginning after the first gate."""
    cut, around = wishes[0], wishes[0].station
    margin = 3.0 + cut.leaf + 2 * sizes.joint
    stations = node_stations(walk, around - margin, around + margin + walk.length, sizes.step, ())
    grid = grid_of(walk, stations, np.zeros(len(stations), dtype=bool), (), sizes, job.shop)
    places = places_for(walk, stations, cut, around, walk.length, sizes)
    inner = [places_for(walk, stations, wish, wish.station, 0.0, sizes) for wish in wishes[1:]]
    found = best_loop(grid, places, sizes, tuple(_moves(grid, each) for each in inner))
    if found is None:
        raise hold(LayoutError, "no-way-round", "no row of panels closes round the pool", why="", do="")
    row = row_of(walk, grid, found.way, sizes, _gate_holes(inner))
    hinge, latch = float(places.hinge[found.place]) + walk.length, float(places.latch[found.place]) + walk.length
    return Row((*row.stations, hinge, latch), (*row.gaps, "hinge", "leaf", "latch")), found


def _from_the_cut(wishes: tuple[Wish, ...]) -> tuple[Wish, ...]:
    """Return the gates in the order they are met when walking from the cut gate, which comes last."""
    return (*wishes[1:], wishes[0])


def _moves(grid: Grid, places: GatePlaces) -> GateMoves:
    sources, keys = np.full(len(grid.stations), -1, dtype=np.intp), np.zeros(len(grid.stations), dtype=np.int64)
    sources[places.after], keys[places.after] = places.before, places.moves
    return GateMoves(sources, keys)


def _gate_holes(inner: list[GatePlaces]) -> dict[int, tuple[float, float]]:
    return {
        int(after): (float(hinge), float(latch))
        for places in inner
        for after, hinge, latch in zip(places.after, places.hinge, places.latch, strict=True)
    }


def _certificate(found: LoopWay) -> Certificate:
    objective, bound = _objective(found.way.key), _objective(found.bound)
    return Certificate(
        objective=objective,
        bound=bound,
        gap=max(abs(one - other) for one, other in zip(objective, bound, strict=True)),
        method=f"exact dynamic programming over stations 1/16 in apart; cut at a gate, branch and bound over its places, {found.searches} searches",
    )


def _objective(key: int) -> tuple[float, ...]:
    customs, cost, give, move = unpacked(key)
    return (float(customs), cost * PRICE_UNIT, give * GIVE_UNIT, move * MOVE_UNIT)


def _no_gate_asked() -> Reason:
    return Reason(
        ref="no-gate-asked",
        what="no gate was asked for; one is proposed in the middle of the longest straight",
        why="a fence without any gate has no way in",
        do="shoot the middle of the wanted gate as GATE, or name a point in a [[gate]] entry",
    )
