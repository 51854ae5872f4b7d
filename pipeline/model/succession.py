"""What a package is beside those before it: what changed, and what has to be bought beyond what they ordered."""

from __future__ import annotations

import msgspec

from pipeline.model.fabrication import OrderLine


class Ordered(msgspec.Struct, frozen=True, kw_only=True):
    """What a job has ordered by a revision, by item: the most units any revision needed in all, and units in all the packs it would have bought alone."""

    needed: dict[str, float]
    had: dict[str, float]


class Succession(msgspec.Struct, frozen=True, kw_only=True):
    """How one revision of a job's package follows the earlier ones.

    Parameters
    ----------
    revision : int
    since : int
        The revision before it; 0 for the first package.
    as_drilled : bool
    further : bool
        True where the order is only what is needed beyond what earlier revisions ordered; False where it is the job's whole order.
    order : tuple of OrderLine
        Of the job alone: what has to be bought.
    total : float
        Of this order, in the shop's currency.
    before : Ordered or None
        What earlier revisions ordered; None where the order is the whole one.
    ordered : Ordered
        The same with this one's order.
    left_over : dict
        Item to units that earlier revisions ordered in whole packs and this one does not need.
    changed : tuple of str
        What changed, in a few words each, for the board.
    waits : tuple of str
        Panels that are not to be cut, or hung, before their holes are taped.
    """

    revision: int
    since: int = 0
    as_drilled: bool = False
    further: bool = False
    order: tuple[OrderLine, ...] = ()
    total: float = 0.0
    before: Ordered | None = None
    ordered: Ordered
    left_over: dict[str, float] = {}
    changed: tuple[str, ...] = ()
    waits: tuple[str, ...] = ()
