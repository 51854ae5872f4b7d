"""What a job needs of everything the shop buys, counted from the layout: sleeves, caps, latches, screws, bits, epoxy, consumables."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Final

import msgspec

from pipeline.model.fabrication import OrderLine
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.shop import Basis, Shop, StockItem

MILLILITRES: Final = 1e6  # in a cubic metre
TINY: Final = 1e-9  # what binary fractions may be off when units are counted into packs


class Counts(msgspec.Struct, frozen=True, kw_only=True):
    """What is counted on a job; `sources` is what its cutting buys: stock item to number, `posts` of each loose-post item."""

    whole_panels: Mapping[str, int]
    sources: Mapping[str, int]
    loose_posts: Mapping[str, int]
    screws: int
    basis: Mapping[Basis, float]


def annulus_ml(bore: float, outside: float, depth: float) -> float:
    """Return the volume between a hole's wall and its sleeve [ml] for diameters and depth [m].

    V = π/4 · (bore² − outside²) · depth

    Examples
    --------
    >>> round(annulus_ml(0.0381, 0.034925, 0.0889), 3)  # 1-1/2 in hole, 1-3/8 in sleeve, 3-1/2 in deep
    16.189
    """
    return math.pi / 4 * (bore**2 - outside**2) * depth * MILLILITRES


def epoxy_ml(shop: Shop, layout: Layout) -> float:
    """Return the volume of all annuli of a layout [ml], waste not included."""
    return sum(annulus_ml(hole.bore, float(shop.sleeve.outside), hole.depth) for hole in layout.holes)


def holes_per_cartridge(shop: Shop, item: StockItem) -> float:
    """Return the sleeves one cartridge sets: what its volume fills with waste, and no more than its working time lets set."""
    each = annulus_ml(float(shop.sleeve.bore), float(shop.sleeve.outside), float(shop.sleeve.depth)) * (1 + item.spare)
    by_volume = math.floor((item.volume or 0.0) / each + TINY)
    if item.working_time is None:
        return float(by_volume)
    return float(min(by_volume, math.floor(item.working_time / shop.sleeve.setting_time + TINY)))


def basis_counts(job: Job, layout: Layout, screws: int, loose_posts: int) -> dict[Basis, float]:
    """Count what stock items are needed by: all from the layout, the loose posts and screws from the cutting."""
    holes = len(layout.holes)
    counts: dict[Basis, float] = {
        "panel": len(layout.panels),
        "post": sum(panel.posts for panel in layout.panels),
        "loose-post": loose_posts,
        "screw": screws,
        "hole": holes,
        "joint": len(layout.joints),
        "gate": len(layout.gates),
        "end": sum(1 for end in layout.ends if end.wall),
        "epoxy": epoxy_ml(job.shop, layout),
        "shim": sum(1 for hole in layout.holes if hole.lean > 0),
        "job": 1,
        "bore": holes,
    }
    counts["cartridge"] = sum(
        need_of(item, counts, job.options.site.slab, job.shop, holes) for item in job.shop.stock.values() if item.basis == "epoxy"
    )
    return counts


def need_of(item: StockItem, counts: Mapping[Basis, float], slab: str, shop: Shop, holes: int) -> float:
    """Return the units of an item that a job needs, spares included; not rounded to packs."""
    if item.basis == "epoxy":
        by_volume = counts["epoxy"] * (1 + item.spare) / (item.volume or 1.0)
        each = holes_per_cartridge(shop, item)
        return max(by_volume, holes / each if each else 0.0)
    per = item.per
    if item.per_reinforced is not None and slab in ("reinforced", "post-tensioned", "unknown"):
        per = item.per_reinforced
    return counts.get(item.basis, 0.0) * per * (1 + item.spare)


def order_lines(job: Job, layout: Layout, counts: Counts) -> tuple[OrderLine, ...]:
    """Return the job's order as it would be alone, by supplier and item; what is not needed is left out."""
    holes = len(layout.holes)
    lines = []
    for name, item in job.shop.stock.items():
        bought_to_cut = float(counts.sources.get(name, 0) + counts.loose_posts.get(name, 0))
        if item.kind in ("stock-panel", "roll"):
            needed = counts.whole_panels.get(name, 0) + bought_to_cut
        elif item.basis == "loose-post":
            needed = bought_to_cut
        else:
            needed = need_of(item, counts.basis, job.options.site.slab, job.shop, holes)
        if needed > 0:
            lines.append(order_line(name, item, needed, bought_to_cut))
    return tuple(sorted(lines, key=lambda line: (line.supplier, line.item)))


def order_line(name: str, item: StockItem, needed: float, for_cutting: float = 0.0) -> OrderLine:
    """Return one line with whole packs."""
    packs = packs_for(needed, item.pack)
    return OrderLine(
        item=name,
        description=item.description,
        supplier=item.supplier,
        unit=item.unit,
        needed=needed,
        pack=item.pack,
        packs=packs,
        unit_price=item.price,
        price=round(packs * item.price, 2),
        for_cutting=for_cutting,
    )


def packs_for(needed: float, pack: float) -> int:
    """Return the whole packs that cover a need."""
    return math.ceil(needed / pack - TINY)


def total_of(lines: Iterable[OrderLine]) -> float:
    """Return the sum of an order's lines, in whole cents."""
    return round(sum(line.price for line in lines), 2)
