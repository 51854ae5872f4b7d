"""What the drilling stage hands on: the holes as they are, how well they are known, and what follows from them.

`Returned` comes before it: what the crew and the shop sent back, as intake found it.  A job of which nothing came back has none
of all this.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from pipeline.errors import Reason
from pipeline.geometry.chain import Point
from pipeline.model.job import InputFile
from pipeline.model.layout import Layout

HoleState = Literal["planned", "measured", "moved", "missing", "added", "abandoned"]
ReadingKind = Literal["to-next", "tie", "east", "north"]


class Returned(msgspec.Struct, frozen=True, kw_only=True):
    """What came back from the site and the shop, by name and SHA-256; None where nothing did.

    Parameters
    ----------
    as_drilled : InputFile or None
        The crew's sheet of the holes as drilled.
    cut : InputFile or None
        The shop's list of the panels that are cut already.
    """

    as_drilled: InputFile | None = None
    cut: InputFile | None = None

    @property
    def files(self) -> tuple[InputFile, ...]:
        return tuple(file for file in (self.as_drilled, self.cut) if file is not None)


class CutAlready(msgspec.Struct, frozen=True, kw_only=True):
    """One line of cut.csv: a panel that is cut already, and the length along the posts it was made to [m]."""

    panel: str
    length: float
    row: int


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """One figure of the crew's sheet, held against the holes as estimated.

    Parameters
    ----------
    hole : str
        Of the line it stands in.
    to : str
        The next hole, or the mark; empty for a coordinate.
    kind : ReadingKind
    value : float
        As read; a coordinate in job-plan coordinates [m].
    planned : float or None
        What the plan has for it; None where it has nothing (an added hole) [m].
    residual : float
        Value less what the estimated holes have [m].
    sigma : float
        A-priori standard deviation [m].
    followed : bool
    why : str
        Why it is not followed, in words; empty where it is.
    cause : str
        The likely slip ("a foot too much", "rows H006 and H007 swapped"); empty where none is known.
    row : int
        Line of the file.
    """

    hole: str
    to: str
    kind: ReadingKind
    value: float
    planned: float | None = None
    residual: float
    sigma: float
    followed: bool = True
    why: str = ""
    cause: str = ""
    row: int


class DrilledHole(msgspec.Struct, frozen=True, kw_only=True):
    """One hole as it is, or as it is not.

    Parameters
    ----------
    hole : str
    state : HoleState
        `planned`: nobody measured it; `measured`: it stands where the plan has it, as far as the readings tell; `moved`: it
        does not, or its remark says so; `missing`: not drilled yet, it stays planned; `added`: not in the plan; `abandoned`: given up and filled, no
        post stands in it.
    planned : Point or None
        Where the plan has it [m]; None for an added one.
    place : Point or None
        Where it is, as estimated [m]; None for an abandoned one that nobody measured.
    variance_east, variance_north, covariance : float
        Of the estimate [m²].
    to_next_sigma : float or None
        Of the distance to the next hole that stands, as estimated [m].
    instead_of : str
        The abandoned hole whose place in the line an added one takes.
    remark : str
        The crew's.
    """

    hole: str
    state: HoleState
    planned: Point | None = None
    place: Point | None = None
    variance_east: float = 0.0
    variance_north: float = 0.0
    covariance: float = 0.0
    to_next_sigma: float | None = None
    instead_of: str = ""
    remark: str = ""

    @property
    def sigma(self) -> float:
        """Standard deviation in the worse direction, in plan [m]."""
        mean, half = (self.variance_east + self.variance_north) / 2, (self.variance_east - self.variance_north) / 2
        worst: float = (mean + (half**2 + self.covariance**2) ** 0.5) ** 0.5
        return worst

    @property
    def off_plan(self) -> float | None:
        """From where the plan has it [m]."""
        if self.planned is None or self.place is None:
            return None
        distance: float = ((self.place[0] - self.planned[0]) ** 2 + (self.place[1] - self.planned[1]) ** 2) ** 0.5
        return distance


class Cure(msgspec.Struct, frozen=True, kw_only=True):
    """One hole drilled again, and what that saves.

    Parameters
    ----------
    hole : str
    move : float
        From where it is to where it would be drilled, the middle of `range` [m].
    toward : str
        In words: "toward H013", "away from the pool".
    place : Point
        Where it would be drilled [m].
    range : tuple of float
        Least and most `move` in that direction that do the same [m].
    saves : tuple of str
        Panels that stay stock.
    cost : float
        Of drilling it again and of the custom panels that remain, in the shop's currency.
    cost_as_is : float
        Of making all misfits custom.
    note : str
        What is to be minded: a new hole that meets the old one's bore.
    """

    hole: str
    move: float
    toward: str
    place: Point
    range: tuple[float, float]
    saves: tuple[str, ...]
    cost: float
    cost_as_is: float
    note: str = ""


class Misfit(msgspec.Struct, frozen=True, kw_only=True):
    """A stock panel of the plan that no longer hangs in its holes and becomes custom.

    Parameters
    ----------
    panel : str
    first, last : str
        The neighbouring holes whose distance is off most.
    off : float
        Their distance less the post spacing; too wide is positive [m].
    extra : float
        What the custom panel costs above the stock panel, in the shop's currency.
    posts : int
        How many posts more than the stock panel it has in these holes; where it is not 0 that is why, and `off` is of the whole length [-].
    cure : Cure or None
        The one hole that would save it at least cost if it were drilled again, worth it or not; None also while the readings leave open whether the panel
        hangs at all.
    """

    panel: str
    first: str
    last: str
    off: float
    extra: float
    posts: int = 0
    cure: Cure | None = None


class ToTape(msgspec.Struct, frozen=True, kw_only=True):
    """A panel that waits for a tape: a custom one is not cut, a stock one or a gate is not hung, before these distances are known.

    Parameters
    ----------
    panel : str
        Or a gate.
    spans : tuple of (str, str)
        Neighbouring holes to tape, centre to centre, in walking order.
    sigma : float
        Standard deviation of the worst known of these distances as estimated [m].
    """

    panel: str
    spans: tuple[tuple[str, str], ...]
    sigma: float


class Adjusted(msgspec.Struct, frozen=True, kw_only=True):
    """Summary of the estimation.

    Parameters
    ----------
    readings, followed : int
    iterations : int
    variance_factor : float
        Of the readings followed and of the plan, a-posteriori over a-priori [-].
    worst : str
        The reading followed with the largest normalised residual, in words.
    worst_statistic : float
        [-]
    """

    readings: int
    followed: int
    iterations: int
    variance_factor: float
    worst: str = ""
    worst_statistic: float = 0.0


class Drilling(msgspec.Struct, frozen=True, kw_only=True):
    """The holes as drilled, and the fence that stands in them.

    Parameters
    ----------
    layout : Layout
        The fence as it stands: the record of the plan with the holes, chords, turns, ties, panels and joints of the holes as they
        are.  Whatever comes after this stage reads it in place of the plan.
    planned : Layout or None
        The plan the holes were drilled from, where it is not today's; None where it is.
    as_drilled : bool
        False when only cut.csv came back: the holes are the planned ones.
    holes : tuple of DrilledHole
        All of the plan and the added ones, in walking order, pockets last.
    readings : tuple of Reading
        In the order of the sheet.
    misfits : tuple of Misfit
    cures : tuple of Cure
        Every single hole that would save a panel if it were drilled again, cheapest first; all cost less than making every misfit custom.
    to_tape : tuple of ToTape
        Panels and gates that are not released yet, with the distances that nobody taped; every other one may be cut or hung.
    cut : tuple of CutAlready
    adjusted : Adjusted or None
    returned : Returned
    warnings : tuple of Reason
    """

    layout: Layout
    planned: Layout | None = None
    as_drilled: bool = True
    holes: tuple[DrilledHole, ...] = ()
    readings: tuple[Reading, ...] = ()
    misfits: tuple[Misfit, ...] = ()
    cures: tuple[Cure, ...] = ()
    to_tape: tuple[ToTape, ...] = ()
    cut: tuple[CutAlready, ...] = ()
    adjusted: Adjusted | None = None
    returned: Returned = Returned()
    warnings: tuple[Reason, ...] = ()

    @property
    def not_followed(self) -> tuple[Reading, ...]:
        return tuple(reading for reading in self.readings if not reading.followed)

    def waits(self, panel: str) -> ToTape | None:
        """Return what has to be taped before a panel is cut or hung; None of one that is released."""
        return next((one for one in self.to_tape if one.panel == panel), None)

    def of(self, hole: str) -> DrilledHole | None:
        """Return what is known of a hole, None of one that is not here."""
        return next((one for one in self.holes if one.hole == hole), None)
