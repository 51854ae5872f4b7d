"""Pieces that are cut already: kept where their panel's mark still lies on them, else said, and counted as used all the same."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from pipeline.errors import Reason
from pipeline.fabrication.panels import cut_at, fabric_height
from pipeline.model.drilling import CutAlready
from pipeline.model.fabrication import Demand
from pipeline.model.job import Job
from pipeline.model.layout import Layout, Panel
from pipeline.model.shop import Shop
from pipeline.units import format_length

SAME = 1e-6  # [m] what binary fractions may be off


def kept_pieces(shop: Shop, layout: Layout, cut: Sequence[CutAlready]) -> dict[str, Demand]:
    """Return the pieces that still serve their panels, by panel.

    A piece was cut beyond its mark, so it serves as long as the new mark leaves the fabric that belongs past an end post's centre.
    """
    panels = {panel.name: panel for panel in layout.panels if panel.kind == "custom"}
    return {one.panel: _piece(shop, panels[one.panel], one) for one in cut if one.panel in panels and _serves(shop, panels[one.panel], one)}


def pieces_in_vain(shop: Shop, layout: Layout, cut: Sequence[CutAlready], kept: Mapping[str, Demand]) -> tuple[Demand, ...]:
    """Return the pieces that are cut and serve no panel: their fabric is used all the same."""
    panels = {panel.name: panel for panel in layout.panels}
    return tuple(_piece(shop, panels[one.panel], one, " as cut") for one in cut if one.panel in panels and one.panel not in kept)


def cut_in_vain(job: Job, layout: Layout, cut: Sequence[CutAlready], kept: Mapping[str, Demand]) -> Iterator[Reason]:
    """Yield a warning for every piece that no longer serves."""
    units = job.options.report_units
    for panel in layout.panels:
        one = next((one for one in cut if one.panel == panel.name and panel.name not in kept), None)
        if one is None:
            continue
        now = f"its holes need {format_length(panel.length, units)}" if panel.kind == "custom" else "it hangs as a stock panel"
        yield Reason(
            ref="cut-in-vain",
            what=f"{panel.name} is cut already for {format_length(one.length, units)}, and {now}",
            why="fabric cannot be made longer, and a panel is one length of it",
            file="cut.csv",
            line=one.row,
            do="cut it again; put the piece on the shelf, into offcuts.csv"
            if panel.kind == "custom"
            else "put the piece on the shelf, into offcuts.csv",
        )


def _serves(shop: Shop, panel: Panel, one: CutAlready) -> bool:
    return panel.length + shop.panel.fabric_beyond_end_post <= cut_at(shop.panel, one.length) + SAME


def _piece(shop: Shop, panel: Panel, one: CutAlready, called: str = "") -> Demand:
    return Demand(
        panel=panel.name + called,
        length=float(shop.panel.fabric_beyond_end_post) + cut_at(shop.panel, one.length),
        posts=0 if called else panel.posts,
        height=fabric_height(shop, panel),
        colour=shop.panel.colour,
        cut_already=True,
    )
