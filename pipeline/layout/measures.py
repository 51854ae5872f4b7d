"""The lengths and prices a layout is made of, taken from the job and its shop."""

from __future__ import annotations

import math
from typing import Final

from pipeline.errors import JobError, hold
from pipeline.layout.grid import Measures, step_for
from pipeline.model.job import Job
from pipeline.model.rules import strictest
from pipeline.model.shop import StockItem

PRICE_UNIT: Final = 0.01  # of the shop's currency
SAME_HEIGHT: Final = 1e-4  # [m]
BEYOND: Final = 1e-4  # [m] the line is drawn this much farther out than asked, so that rounding never falls short of a limit


def measures_of(job: Job) -> Measures:
    """Return the sizes of one job.

    Raises
    ------
    JobError
        When the stock list has no panel of the wanted height.
    """
    panel, height = job.shop.panel, float(job.options.fence.height)
    stock = _stock_panels(job)
    if not stock:
        raise hold(
            JobError,
            "no-stock-panels",
            f"the stock list has no panel of the wanted fence height {height:.3f} m",
            why="panels are laid out from what the shop stocks",
            file="job.toml",
            do="ask for a height the shop stocks, or add a [stock.*] entry of kind stock-panel with that height",
        )
    return Measures(
        spacing=float(panel.post_spacing),
        give=float(panel.spacing_give),
        joint=float(panel.joint),
        least=float(panel.custom_least),
        step=step_for(panel.post_spacing, panel.joint),
        stock=tuple((posts, price) for posts, price in sorted(stock.items())),
        custom=_custom_tiers(job, stock),
        height=height,
        excess=_excess_left(job),
        read_to=step_for(panel.post_spacing, panel.joint),
    )


def least_setback(job: Job) -> float:
    """Return the least distance of the fabric to the water that all rule packs of the job ask for [m]; 0 without such a rule."""
    rule = strictest(job.packs, "setback")
    return rule[1].metres if rule else 0.0


def drawn_setback(job: Job) -> float:
    """Return the setback of the fabric the line is drawn at [m]: what the job wants, and a hair beyond."""
    return float(job.options.fence.setback) + BEYOND


def price_units(price: float) -> int:
    """Return a price in whole units of `PRICE_UNIT`."""
    return round(price / PRICE_UNIT)


def _excess_left(job: Job) -> float:
    """Return by how much a spacing may exceed the post spacing under the rule packs [m]; infinite where none caps it."""
    rule = strictest(job.packs, "post-spacing")
    return max(rule[1].metres - job.shop.panel.post_spacing, 0.0) if rule else math.inf


def _stock_panels(job: Job) -> dict[int, int]:
    """Return the cheapest price [price units] of every number of posts the shop lays out with."""
    prices: dict[int, int] = {}
    for item in job.shop.stock.values():
        if item.kind == "stock-panel" and item.posts in job.shop.panel.stock_posts and _fits(item, job):
            price = price_units(item.price / item.pack)
            prices[item.posts] = min(price, prices.get(item.posts, price))
    return prices


def _fits(item: StockItem, job: Job) -> bool:
    return item.height is not None and abs(item.height - job.options.fence.height) < SAME_HEIGHT and item.posts is not None


def _custom_tiers(job: Job, stock: dict[int, int]) -> tuple[tuple[float, int], ...]:
    """Return (longest length [m], price) of custom panels, each made from the next stock panel that is long enough.

    Notes
    -----
    A custom panel is cut at least `custom_extra` beyond its mark, so a stock panel gives that much less than its own length.  Tiers that cost
    more for less are left out.
    """
    panel = job.shop.panel
    tiers = [((posts - 1) * panel.post_spacing - panel.custom_extra, price) for posts, price in sorted(stock.items())]
    usable = [tier for tier in tiers if tier[0] >= panel.custom_least]
    return tuple(tier for index, tier in enumerate(usable) if all(tier[1] < later[1] for later in usable[index + 1 :]))
