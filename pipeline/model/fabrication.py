"""What the fabrication stage hands on: panels as the shop makes them, cuts, and what has to be bought."""

from __future__ import annotations

from typing import Literal

import msgspec

from pipeline.errors import Reason


class PanelDrawing(msgspec.Struct, frozen=True, kw_only=True):
    """A panel as drawn in the shop.

    Parameters
    ----------
    panel : str
    kind : {"stock", "custom"}
    post_stations : tuple of float
        Distances of the posts' centres along the fabric from the first one [m].
    height : float
        Of the fabric [m].
    mark, cut : float or None
        Custom only: where the end post goes, and where to cut, both from the first post's centre [m].
    made_from : str
        Stock item, roll or offcut.
    takes_off : str
        What comes off the source, in words.
    screws, trim_strips : int
    latch_first, latch_last : str
        Latch hardware at the first and the last post, in words ("eye, 45 in", "hook, lowered 6-1/2 in", "hinge").
    mass : float
        [kg]
    colour : str
    """

    panel: str
    kind: Literal["stock", "custom"]
    post_stations: tuple[float, ...]
    height: float
    mark: float | None = None
    cut: float | None = None
    made_from: str
    takes_off: str = ""
    screws: int
    trim_strips: int
    latch_first: str = ""
    latch_last: str = ""
    mass: float
    colour: str


class Demand(msgspec.Struct, frozen=True, kw_only=True):
    """A length of fabric with posts that has to be cut for a custom panel."""

    panel: str
    length: float
    posts: int
    height: float
    colour: str


class Cut(msgspec.Struct, frozen=True, kw_only=True):
    """One cut from a roll, stock panel or offcut.

    Parameters
    ----------
    cut : str
        K01...
    panel : str
    source : str
        "roll-48 #1", "panel-5-48 #1", or the offcut's id.
    start, end : float
        Along the source [m].
    left_over : float
        What is left on the source after its last cut; 0 on all but the last cut of a source [m].
    """

    cut: str
    panel: str
    source: str
    start: float
    end: float
    left_over: float = 0.0


class CuttingProof(msgspec.Struct, frozen=True, kw_only=True):
    """What the cutting optimised: objective, lower bound, gap, method."""

    objective: tuple[float, ...]
    bound: tuple[float, ...]
    gap: float
    method: str


class OrderLine(msgspec.Struct, frozen=True, kw_only=True):
    """One line of an order.

    Parameters
    ----------
    item, description, supplier, unit : str
    needed : float
        Units the job needs, spares included.
    pack : float
        Units a pack holds.
    packs : int
        Packs to buy.
    unit_price : float
        Of one pack, in the shop's currency.
    price : float
    """

    item: str
    description: str
    supplier: str
    unit: str
    needed: float
    pack: float
    packs: int
    unit_price: float
    price: float


class Fabrication(msgspec.Struct, frozen=True, kw_only=True):
    """What the shop makes and buys for one job."""

    panels: tuple[PanelDrawing, ...]
    demands: tuple[Demand, ...]
    cuts: tuple[Cut, ...]
    proof: CuttingProof
    order: tuple[OrderLine, ...]
    total: float
    currency: str
    epoxy_ml: float
    holes_per_cartridge: float
    warnings: tuple[Reason, ...] = ()
