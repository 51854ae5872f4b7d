"""What the fabrication stage hands on: panels as the shop makes them, cuts, labels, and what has to be bought."""

from __future__ import annotations

from typing import Literal

import msgspec

from pipeline.errors import Reason

PostWork = Literal["as made", "moved", "added"]


class PanelPost(msgspec.Struct, frozen=True, kw_only=True):
    """One post of a panel and what the shop does with it.

    Parameters
    ----------
    station : float
        Along the fabric from the first post's centre [m].
    hole : str
        The hole it stands in.
    work : PostWork
        `as made`: it stays where the source has it; `moved`: taken off and fastened again here; `added`: a loose post.
    was : float or None
        Where it stood on the source piece before it was moved [m].
    """

    station: float
    hole: str
    work: PostWork = "as made"
    was: float | None = None


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
        On the whole panel.
    latch_first, latch_last : str
        Latch hardware at the first and the last post, in words ("eye, 45 in", "hook, lowered 6-1/2 in", "hinge").
    mass : float
        [kg]
    colour : str
    posts : tuple of PanelPost
        The same posts with their holes and the work on each.
    screw_heights : tuple of float
        Of the screws of one trim strip above the fabric's foot [m].
    fabric_before : float
        Fabric before the first post's centre, and after the last one's once trimmed [m].
    hem : str
        The fabric's two edges, in words.
    latch_first_height, latch_last_height : float or None
        Of the latch above the deck that its own post stands on [m].
    recipe : tuple of str
        Custom only: how it is made, step by step, in the job's report units.
    source_cut : str
        Custom only: the cut it is made from ("K01").
    label : str
        Text of the label's code block.
    cut_for : float or None
        Custom only, where its piece is cut already and kept: the mark it was cut for, from the first post's centre [m].
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
    posts: tuple[PanelPost, ...] = ()
    screw_heights: tuple[float, ...] = ()
    fabric_before: float = 0.0
    hem: str = ""
    latch_first_height: float | None = None
    latch_last_height: float | None = None
    recipe: tuple[str, ...] = ()
    source_cut: str = ""
    label: str = ""
    cut_for: float | None = None


class Demand(msgspec.Struct, frozen=True, kw_only=True):
    """A length of fabric with posts that has to be cut for a custom panel.

    Parameters
    ----------
    panel : str
    length : float
        Of the fabric to be cut off: what lies before the first post, and on to the cut [m].
    posts : int
    height : float
        Of the fabric [m].
    colour : str
    cut_already : bool
        The piece is cut: it counts among what its source gave, and is not cut again.  A piece that no longer fits its panel stands under
        the panel's name and "as cut".
    """

    panel: str
    length: float
    posts: int
    height: float
    colour: str
    cut_already: bool = False


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
    job : str
        The job the panel belongs to.
    done : bool
        It is cut already.
    """

    cut: str
    panel: str
    source: str
    start: float
    end: float
    left_over: float = 0.0
    job: str = ""
    done: bool = False


class CutTicket(msgspec.Struct, frozen=True, kw_only=True):
    """All cuts of one roll, stock panel or offcut, in cutting order.

    Parameters
    ----------
    source : str
        "roll-48 #1", "panel-5-48 #1", or the offcut's id.
    item : str
        The stock item it is; empty for an offcut from the shelf.
    description : str
    length : float
        Of its fabric, end to end [m].
    height : float
    colour : str
    kerf : float
        What one cut takes [m].
    cuts : tuple of Cut
    left_over : float
        [m]
    usable : bool
        True when the left-over goes to the shelf.
    posts_on, posts_used, posts_left : int
        Posts that came with the source, that its pieces need, and that stay with the left-over (or, where it is not
        usable, go to the loose posts).
    posts_in : int
        Loose posts that have to be brought to it.
    where : str
        Where an offcut lies.
    fit_for : str
        What the left-over is good for, in words.
    label : str
        Text of the ticket's code block.
    """

    source: str
    item: str = ""
    description: str = ""
    length: float
    height: float
    colour: str
    kerf: float = 0.0
    cuts: tuple[Cut, ...]
    left_over: float
    usable: bool
    posts_on: int = 0
    posts_used: int = 0
    posts_left: int = 0
    posts_in: int = 0
    where: str = ""
    fit_for: str = ""
    label: str = ""


class CuttingProof(msgspec.Struct, frozen=True, kw_only=True):
    """What the cutting optimised: objective, lower bound, gap, method.

    `objective` and `bound` are (cost in the shop's currency, waste [m], sources, each counted once a job), compared in this order;
    `gap` is objective less bound of the first, 0 when it is proven best.
    """

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
    for_cutting : float
        Of the needed units, how many are bought to be cut for custom panels (a batch replaces them by its pooled cutting).
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
    for_cutting: float = 0.0


class Label(msgspec.Struct, frozen=True, kw_only=True):
    """What is printed on a panel's label.

    Parameters
    ----------
    panel : str
    lines : tuple of str
        Job, panel, length and height, holes: in this order, in the job's report units.
    code : str
        Text for a code block a scanner reads.
    """

    panel: str
    lines: tuple[str, ...]
    code: str


class Fabrication(msgspec.Struct, frozen=True, kw_only=True):
    """What the shop makes and buys for one job.

    Parameters
    ----------
    panels : tuple of PanelDrawing
    demands : tuple of Demand
        What has to be cut, for the pooled cutting.
    cuts : tuple of Cut
        As cut for this job alone.
    proof : CuttingProof
    order : tuple of OrderLine
        What this job would be alone.
    total : float
        Of the order, in the shop's currency.
    currency : str
    epoxy_ml : float
        In the annuli between holes and sleeves, waste not included [ml].
    holes_per_cartridge : float
        That one cartridge fills within its working time.
    warnings : tuple of Reason
    labels : tuple of Label
    tickets : tuple of CutTicket
        The same cuts, source by source.
    """

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
    labels: tuple[Label, ...] = ()
    tickets: tuple[CutTicket, ...] = ()
