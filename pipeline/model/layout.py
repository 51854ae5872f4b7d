"""What the layout stage hands on: the fence line with every hole, panel, joint, end and gate."""

from __future__ import annotations

from typing import Literal

import msgspec

from pipeline.errors import Reason
from pipeline.geometry.chain import Chain, Point

HoleRole = Literal["end", "inner", "gate", "pocket"]
LeanSide = Literal["plumb", "away", "pool"]


class TapeTie(msgspec.Struct, frozen=True, kw_only=True):
    """A distance [m] by which a hole is found from a mark or wall corner."""

    mark: str
    distance: float


class Hole(msgspec.Struct, frozen=True, kw_only=True):
    """One hole to drill, in walking order with the water on the left.

    Parameters
    ----------
    name : str
        H001...
    carries : str
        The panel or gate it carries ("P01", "G1").
    role : HoleRole
        `end` of a panel, `inner`, `gate` (hinge or latch post of a gate), or `pocket`: a gate's extra hole beside the
        line.
    station : float
        Along the hole line [m].
    east, north : float
        Job-plan coordinates of the hole's centre at the deck [m].
    elev : float or None
        Of the deck at the hole [m].
    to_next : float or None
        Centre to centre, straight, to the next hole of the line [m]; None at the end of an open line and for a pocket.
    water : float
        Centre to the nearest water's edge in plan [m].
    turn : float
        Deflection of the two chords at the hole, positive where the line bends away from the pool (outward curve) [rad].
    lean : float
        From plumb, never negative [rad].
    lean_toward : LeanSide
    bore, depth : float
        [m]
    ties : tuple of TapeTie
        Two tape ties, or none where no two marks serve.
    tie_sigma : float or None
        Expected standard error of the mark set out from the ties, the worse direction [m].
    """

    name: str
    carries: str
    role: HoleRole
    station: float
    east: float
    north: float
    elev: float | None = None
    to_next: float | None = None
    water: float
    turn: float = 0.0
    lean: float = 0.0
    lean_toward: LeanSide = "plumb"
    bore: float
    depth: float
    ties: tuple[TapeTie, ...] = ()
    tie_sigma: float | None = None

    @property
    def place(self) -> Point:
        """(east, north) [m]"""
        return (self.east, self.north)


class Panel(msgspec.Struct, frozen=True, kw_only=True):
    """One length of fabric with its posts.

    Parameters
    ----------
    name : str
        P01...
    kind : {"stock", "custom"}
    holes : tuple of str
        Names of the holes its posts stand in, in order.
    length : float
        Along the posts: sum of the chords between its holes [m].
    height : float
        Of the fabric's top above the deck [m].
    stock_posts : int or None
        Posts of the stock panel it is, None for a custom panel.
    """

    name: str
    kind: Literal["stock", "custom"]
    holes: tuple[str, ...]
    length: float
    height: float
    stock_posts: int | None = None

    @property
    def posts(self) -> int:
        return len(self.holes)


class Joint(msgspec.Struct, frozen=True, kw_only=True):
    """Where two neighbouring panels meet and are latched to each other.

    Parameters
    ----------
    name : str
        J01...
    before, after : str
        The last hole of one panel and the first of the next.
    gap : float
        Hole centre to hole centre [m].
    rise : float
        Level of the deck at `after` above that at `before` [m]; not 0 at a step.
    riser : str
        Line of the STEP the joint straddles; empty on level deck.
    latch_height : float
        Of the latch above the deck on the lower side [m].
    """

    name: str
    before: str
    after: str
    gap: float
    rise: float = 0.0
    riser: str = ""
    latch_height: float


class FenceEnd(msgspec.Struct, frozen=True, kw_only=True):
    """An end of an open fence at a wall.

    Parameters
    ----------
    hole : str
        The end hole.
    wall : str
        Line of the WALL; empty where the fence ends free (a START or END shot without a wall).
    foot : Point
        Nearest place on the wall [m].
    clearance : float
        Hole centre to wall [m].
    """

    hole: str
    wall: str
    foot: Point
    clearance: float


class Gate(msgspec.Struct, frozen=True, kw_only=True):
    """A gate between two panels.

    Parameters
    ----------
    name : str
        G1...
    hinge_hole, latch_hole, pocket_hole : str
    leaf : float
        Width of the leaf, between the hinge and the latch hole's centres [m].
    wished_at : Point or None
        Where the survey or the job asked for it [m]; None when it was proposed.
    moved : float
        From the wish to where it stands [m].
    swing : tuple of Point
        Outline of the area the leaf sweeps, on the side away from the water [m].
    """

    name: str
    hinge_hole: str
    latch_hole: str
    pocket_hole: str
    leaf: float
    wished_at: Point | None = None
    moved: float = 0.0
    swing: tuple[Point, ...] = ()


class CheckDistance(msgspec.Struct, frozen=True, kw_only=True):
    """A distance across the fence by which the crew checks its setting-out [m]."""

    first: str
    second: str
    distance: float


class Alternative(msgspec.Struct, frozen=True, kw_only=True):
    """The same job at another setback.

    Parameters
    ----------
    setback : float
        Fabric to water's edge [m].
    holes, custom_panels : int
    cost : float
        Of the panels, in the shop's currency.
    least_margin : float
        Least setback of the fabric over what the rule packs ask [m].
    note : str
        Why it cannot be built, or empty.
    proven : bool
        Whether no fence at this setback has fewer custom panels or a lower cost.
    """

    setback: float
    holes: int
    custom_panels: int
    cost: float
    least_margin: float
    note: str = ""
    proven: bool = False


class Certificate(msgspec.Struct, frozen=True, kw_only=True):
    """What the layout optimised, what it reached, and the bound that proves it.

    Parameters
    ----------
    objective : tuple of float
        (custom panels, cost, use of the give [m], deviation [m]: how far holes stand off the wanted line and gates from where they were wished,
        in sum), compared in this order.
    bound : tuple of float
        Lower bound of the same.
    gap : float
        0 when proven best of all rows that `method` names.
    method : str
        In words: what was searched, over what, with what resolution.
    anywhere : tuple of float
        Lower bound of (custom panels, cost) over every place a hole or a gate could take, between those stations too.
    stations : tuple of float
        The row the objective is counted on: where the search put the line's holes, in their order, before the give of every bend was spread evenly over its spacings [m].
    gates : tuple of float
        Stations at which the gates were wanted, in their order [m].
    """

    objective: tuple[float, ...]
    bound: tuple[float, ...]
    gap: float
    method: str
    anywhere: tuple[float, ...] = ()
    stations: tuple[float, ...] = ()
    gates: tuple[float, ...] = ()


class Layout(msgspec.Struct, frozen=True, kw_only=True):
    """The fence as it is to be built; `wanted` is its line as it would run with room everywhere, None where it runs so."""

    line: Chain
    setback: float
    least_setback: float
    closed: bool
    holes: tuple[Hole, ...]
    panels: tuple[Panel, ...]
    joints: tuple[Joint, ...]
    gates: tuple[Gate, ...] = ()
    ends: tuple[FenceEnd, ...] = ()
    check_distances: tuple[CheckDistance, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    certificate: Certificate
    wanted: Chain | None = None
    warnings: tuple[Reason, ...] = ()
