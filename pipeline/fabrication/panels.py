"""Panels as the shop makes them: posts, screws, latches, mass, mark and cut."""

from __future__ import annotations

import math
from collections.abc import Mapping

from pipeline.errors import JobError, Reason
from pipeline.fabrication.cutting_list import SAME_HEIGHT, fabric_items
from pipeline.fabrication.latches import Latches
from pipeline.model.fabrication import Demand, Label, PanelDrawing, PanelPost
from pipeline.model.job import Job
from pipeline.model.layout import Hole, Layout, Panel
from pipeline.model.shop import PanelShop, Shop
from pipeline.units import format_length


def fabric_height(shop: Shop, panel: Panel) -> float:
    """Return the height of the fabric a panel is made of [m]: the least in stock that reaches the panel's height.

    Raises
    ------
    JobError
        When the shop has none that high.
    """
    heights = sorted({float(item.height) for item in shop.stock.values() if item.kind in ("stock-panel", "roll") and item.height is not None})
    fitting = [height for height in heights if height >= panel.height - SAME_HEIGHT]
    if not fitting:
        raise JobError(
            Reason(
                ref="no-stock-high-enough",
                what=f"panel {panel.name} is {panel.height * 1000:.0f} mm high, and no fabric in stock is",
                why="every panel needs fabric of its height",
                file="shop.toml",
                do="add stock panels and a roll of that height to [stock], or lower `height` in [fence]",
            )
        )
    return fitting[0]


def stock_item(shop: Shop, panel: Panel) -> str:
    """Return the stock panel that a panel of the layout is; raises JobError when the shop has none."""
    height = fabric_height(shop, panel)
    for name, item in fabric_items(shop, height, shop.panel.colour):
        if item.kind == "stock-panel" and item.posts == panel.posts:
            return name
    raise JobError(
        Reason(
            ref="no-stock-panel",
            what=f"panel {panel.name} is a stock panel of {panel.posts} posts, {height * 1000:.0f} mm high, {shop.panel.colour}; [stock] has none",
            why="the order would miss it",
            file="shop.toml",
            do="add it to [stock], or take that number of posts out of `stock_posts` in [panel]",
        )
    )


def demand_of(shop: Shop, panel: Panel) -> Demand:
    """Return the fabric a custom panel has to be cut from: its mark, the extra beyond it, and what lies before the first post."""
    return Demand(
        panel=panel.name,
        length=float(shop.panel.fabric_beyond_end_post) + cut_at(shop.panel, panel.length),
        posts=panel.posts,
        height=fabric_height(shop, panel),
        colour=shop.panel.colour,
    )


def cut_at(shop: PanelShop, mark: float) -> float:
    """Return where to cut a panel marked at `mark`, from the first post's centre [m]: at least the extra beyond, on a cutting step.

    The whole piece, with what lies before the first post, is a whole number of steps.
    """
    before, step = float(shop.fabric_beyond_end_post), float(shop.cut_step)
    return math.ceil((before + mark + shop.custom_extra) / step - 1e-6) * step - before


def screw_heights(shop: PanelShop, height: float) -> tuple[float, ...]:
    """Return the heights of one strip's screws above the fabric's foot [m]: a pair at each end, the others at most a pitch apart.

    References
    ----------
    Florida Building Code, Residential, mesh barrier clause (3) on fastening strips: two screws at the top, two at the bottom,
    the others at most 6 in apart; as read in the project's list of standards.

    Examples
    --------
    >>> from pipeline.intake.resolve import default_job
    >>> len(screw_heights(default_job().shop.panel, 48 * 0.0254))
    11
    """
    low = (float(shop.screw_edge), float(shop.screw_edge + shop.screw_pair))
    high = (height - low[1], height - low[0])
    spaces = max(1, math.ceil((high[0] - low[1]) / shop.screw_pitch - 1e-9))
    between = tuple(low[1] + (high[0] - low[1]) * number / spaces for number in range(1, spaces))
    return (*low, *between, *high)


def panel_mass(shop: Shop, length: float, height: float, posts: int) -> float:
    """Return the mass of a panel [kg]: fabric with what stands over at both ends, and posts from the sleeve's foot to their top."""
    fabric = (length + 2 * shop.panel.fabric_beyond_end_post) * height * shop.panel.fabric_mass_per_area
    post = (shop.sleeve.depth + shop.panel.hem_gap + height + shop.post.above_fabric) * shop.post.mass_per_length
    return fabric + posts * post


def draw_panel(job: Job, layout: Layout, panel: Panel, latches: Latches, cut_for: float | None = None) -> PanelDrawing:
    """Draw one panel; what it is cut from is added once the cutting is known.  `cut_for` is the mark its piece was cut for already [m]."""
    shop = job.shop
    height = fabric_height(shop, panel)
    stations = _stations(shop, panel, {hole.name: hole for hole in layout.holes})
    screws = screw_heights(shop.panel, height)
    custom = panel.kind == "custom"
    first, last = latches.at_first(panel), latches.at_last(panel)
    return PanelDrawing(
        panel=panel.name,
        kind=panel.kind,
        post_stations=stations,
        height=height,
        mark=stations[-1] if custom else None,
        cut=cut_at(shop.panel, panel.length if cut_for is None else cut_for) if custom else None,
        made_from="" if custom else stock_item(shop, panel),
        screws=len(screws) * panel.posts - first.screws_out - last.screws_out,
        trim_strips=panel.posts,
        latch_first=first.words,
        latch_last=last.words,
        mass=panel_mass(shop, stations[-1], height, panel.posts),
        colour=shop.panel.colour,
        posts=tuple(PanelPost(station=station, hole=hole) for station, hole in zip(stations, panel.holes, strict=True)),
        screw_heights=screws,
        fabric_before=float(shop.panel.fabric_beyond_end_post),
        hem=f"hemmed at top and foot, foot hangs {format_length(shop.panel.hem_gap, job.options.report_units)} above the deck",
        latch_first_height=first.height,
        latch_last_height=last.height,
        label=label_code(job.name, panel, height),
        cut_for=cut_for,
    )


def label_of(job: Job, panel: Panel, height: float) -> Label:
    """Return a panel's label in the job's report units."""
    units = job.options.report_units
    return Label(
        panel=panel.name,
        lines=(
            job.title,
            f"{panel.name}  {panel.kind}  {panel.posts} posts",
            f"between its holes {format_length(panel.length, units)}  height {format_length(height, units)}",
            f"holes {panel.holes[0]} to {panel.holes[-1]}",
        ),
        code=label_code(job.name, panel, height),
    )


def label_code(job: str, panel: Panel, height: float) -> str:
    """Return the text of a label's code block: job, panel, length and height in mm, first and last hole."""
    return f"{job}|{panel.name}|{panel.length * 1000:.1f}|{height * 1000:.1f}|{panel.holes[0]}|{panel.holes[-1]}"


def _stations(shop: Shop, panel: Panel, holes: Mapping[str, Hole]) -> tuple[float, ...]:
    """Return the posts' distances along the fabric [m]: as made for a stock panel, as drilled for a custom one."""
    if panel.kind == "stock":
        return tuple(number * float(shop.panel.post_spacing) for number in range(panel.posts))
    stations = [0.0]
    for name in panel.holes[:-1]:
        stations.append(stations[-1] + (holes[name].to_next or 0.0))
    return tuple(stations)
