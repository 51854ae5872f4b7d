"""What a batch makes of all its complete jobs together: one order, one cutting, and the shelf's next state."""

from __future__ import annotations

import msgspec

from pipeline.model.fabrication import Cut, CutTicket, CuttingProof


class Offcut(msgspec.Struct, frozen=True, kw_only=True):
    """A piece of fabric on the shelf.

    Parameters
    ----------
    id : str
    length : float
        [m]
    posts : int
        That still stand on it.
    height : float
        Of the fabric [m].
    colour : str
    where : str
    row : int
        Line of the offcut file it stands in, 0 for one this night makes.
    """

    id: str
    length: float
    posts: int
    height: float
    colour: str
    where: str = ""
    row: int = 0


class CuttingGroup(msgspec.Struct, frozen=True, kw_only=True):
    """The cutting of all panels of one height and colour.

    Parameters
    ----------
    height : float
        [m]
    colour : str
    tickets : tuple of CutTicket
    posts_bought : int
        Loose posts beyond those that came with the sources.
    proof : CuttingProof
    alone_cost, alone_waste : float
        Sum over the jobs, each cut alone, one after another from the same shelf and new stock [currency], [m].
    as_drilled : bool
        Of the jobs whose holes are drilled: these can be cut now, and what they are cut from was ordered with their plan.
    """

    height: float
    colour: str
    tickets: tuple[CutTicket, ...]
    posts_bought: int
    proof: CuttingProof
    alone_cost: float
    alone_waste: float
    as_drilled: bool = False


class PooledCutting(msgspec.Struct, frozen=True, kw_only=True):
    """Pooled cutting over all complete jobs of a batch.

    Parameters
    ----------
    groups : tuple of CuttingGroup
    shelf_next : tuple of Offcut
        What lies on the shelf once everything is cut; a proposal, taken over when the office copies it.
    used_offcuts : tuple of str
    cost, bound, gap : float
        Summed over the groups: stock used less the value of usable left-over, its lower bound, and their difference.
    waste, alone_waste : float
        [m]
    alone_cost, saving : float
        What the jobs would cost cut alone, and what pooling saves, in the shop's currency.
    currency : str
    """

    groups: tuple[CuttingGroup, ...]
    shelf_next: tuple[Offcut, ...]
    used_offcuts: tuple[str, ...]
    cost: float
    bound: float
    gap: float
    waste: float
    alone_waste: float
    alone_cost: float
    saving: float
    currency: str

    @property
    def tickets(self) -> tuple[CutTicket, ...]:
        """All tickets, group by group."""
        return tuple(ticket for group in self.groups for ticket in group.tickets)

    @property
    def cuts(self) -> tuple[Cut, ...]:
        """All cuts, in cutting order."""
        return tuple(cut for ticket in self.tickets for cut in ticket.cuts)


class Share(msgspec.Struct, frozen=True, kw_only=True):
    """One job's part of a pooled order line: units needed, and price in the shop's currency."""

    job: str
    needed: float
    price: float


class PooledLine(msgspec.Struct, frozen=True, kw_only=True):
    """One line of the pooled order; fields as in an OrderLine, with the share of each job."""

    item: str
    description: str
    supplier: str
    unit: str
    needed: float
    pack: float
    packs: int
    unit_price: float
    price: float
    shares: tuple[Share, ...]


class PooledOrder(msgspec.Struct, frozen=True, kw_only=True):
    """One order for all complete jobs of a batch.

    Parameters
    ----------
    lines : tuple of PooledLine
        By supplier, then item.
    jobs : tuple of str
    totals : dict
        Job to its share of the total, in the shop's currency.
    total : float
    alone : dict
        Job to what its own order would be alone.
    saving : float
        Sum of `alone` less `total`.
    currency : str
    shelf : tuple of Offcut
        What lies on the shelf after the night's cutting.
    beyond : dict
        Job to the revision beyond whose order its own is counted, for jobs whose holes are drilled; 0 where it is the whole order all the same.
    """

    lines: tuple[PooledLine, ...]
    jobs: tuple[str, ...]
    totals: dict[str, float]
    total: float
    alone: dict[str, float]
    saving: float
    currency: str
    shelf: tuple[Offcut, ...] = ()
    beyond: dict[str, int] = {}
