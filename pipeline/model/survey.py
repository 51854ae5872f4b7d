"""What the survey stage hands on: every point as reduced and adjusted, and the frame it is in."""

from __future__ import annotations

from typing import Literal

import msgspec

from pipeline.errors import Reason
from pipeline.units import UnitName

PointState = Literal["used", "check", "suspect", "rejected"]
Form = Literal["points", "observations", "tape", "landxml", "dxf"]

CODES = (
    "WATER", "COPING", "DECK", "WALL", "STEP", "JOINT", "DRAIN", "UTILITY", "OBJECT",
    "DOOR", "WINDOW", "GATE", "START", "END", "SPOT", "MARK", "CHECK",
)  # fmt: skip


class Frame(msgspec.Struct, frozen=True, kw_only=True):
    """How job-plan coordinates came from the survey's own frame.

    plan = (survey - origin) / combined_factor, with both in metres; a local survey has origin (0, 0)
    and combined factor 1.  The survey frame's own unit is `unit`.

    Parameters
    ----------
    unit : UnitName
        Unit of the survey's coordinates.
    crs : str
        Projected system of the coordinates ("EPSG:2236"); empty for a local frame.
    origin_east, origin_north : float
        [m] in the survey's frame.
    combined_factor : float
        Grid distance per ground distance [-].
    convergence : float
        Grid convergence at the origin [rad]; for information.
    """

    unit: UnitName = "metre"
    crs: str = ""
    origin_east: float = 0.0
    origin_north: float = 0.0
    combined_factor: float = 1.0
    convergence: float = 0.0

    def to_survey(self, east: float, north: float) -> tuple[float, float]:
        """Return survey-frame coordinates [m] of a plan point [m]."""
        return self.origin_east + east * self.combined_factor, self.origin_north + north * self.combined_factor

    def to_plan(self, east: float, north: float) -> tuple[float, float]:
        """Return plan coordinates [m] of a survey-frame point [m]."""
        return (east - self.origin_east) / self.combined_factor, (north - self.origin_north) / self.combined_factor


class SurveyPoint(msgspec.Struct, frozen=True, kw_only=True):
    """One surveyed point, in job-plan coordinates.

    Parameters
    ----------
    point : str
        Its number, as in the field ("101", "W12").
    code : str
        One of `CODES`, after the shop's own codes were mapped; empty when the description names none.
    line : str
        What separates lines of one code ("1" in ``WALL1``); empty for the first.
    modifiers : tuple of str
        Of B, E, C, PC, PT.
    remark : str
        What stands after the slash.
    east, north : float
        [m]
    elev : float or None
        [m]
    sigma_east, sigma_north : float
        Standard deviations [m].
    cov_east_north : float
        Covariance [m²].
    sigma_elev : float or None
        [m]
    state : PointState
        `used`, `check` (a second shot, not part of a line), `suspect` (used with a warning) or `rejected`.
    residual : float or None
        Largest residual of the point in the adjustment [m].
    why : str
        Why the point is suspect or rejected.
    order : int
        Place in the order shot, from 0.
    file : str
    row : int
        File and line the point was read from.
    """

    point: str
    code: str
    line: str = ""
    modifiers: tuple[str, ...] = ()
    remark: str = ""
    east: float
    north: float
    elev: float | None = None
    sigma_east: float
    sigma_north: float
    cov_east_north: float = 0.0
    sigma_elev: float | None = None
    state: PointState = "used"
    residual: float | None = None
    why: str = ""
    order: int
    file: str = ""
    row: int = 0

    @property
    def place(self) -> tuple[float, float]:
        """(east, north) [m]"""
        return (self.east, self.north)


class Adjustment(msgspec.Struct, frozen=True, kw_only=True):
    """Summary of a least-squares adjustment.

    Parameters
    ----------
    observations, unknowns, degrees_of_freedom, iterations : int
    converged : bool
    variance_factor : float
        A-posteriori variance of unit weight over the a-priori one [-]; 1 when there is no redundancy.
    variance_factor_limits : tuple of float
        Two-sided 95 % limits of the global test [-].
    worst : str
        The observation with the largest test statistic, in words.
    worst_statistic : float
        Its standardised residual [-].
    rejected : tuple of str
        What snooping took out, in words with the estimated size.
    """

    observations: int
    unknowns: int
    degrees_of_freedom: int
    iterations: int
    converged: bool
    variance_factor: float
    variance_factor_limits: tuple[float, float] = (0.0, 0.0)
    worst: str = ""
    worst_statistic: float = 0.0
    rejected: tuple[str, ...] = ()


Matrix3 = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]


class CommonErrors(msgspec.Struct, frozen=True, kw_only=True):
    """What the errors of points adjusted together have in common: setups, orientations and marks move all that was measured from them.

    A factor is one such movement, by one standard deviation; factors are independent of one another, so that whatever is computed from the
    points may be moved by each factor in turn and the changes be added as squares.  The covariance of two different points
    is the sum over the factors of the products of their movements; a point's own covariance stands with the point, and what it has
    beyond its factors is its own error alone.

    Parameters
    ----------
    points : tuple of str
        Points by number.
    factors : tuple of tuple of float
        Each holds east, north and up of every point in turn [m], three times as many values as there are points.
    left_out : float
        Largest standard deviation of a movement that found no place among the factors [m]; 0 when none was left out.
    """

    points: tuple[str, ...]
    factors: tuple[tuple[float, ...], ...]
    left_out: float = 0.0

    def covariance(self, first: str, second: str) -> Matrix3:
        """Return the covariance of two different points [m²], rows east, north, up of the first; zeros where either was not adjusted."""
        if first not in self.points or second not in self.points:
            return ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
        a, b = 3 * self.points.index(first), 3 * self.points.index(second)

        def row(axis: int) -> tuple[float, float, float]:
            east, north, up = (sum(factor[a + axis] * factor[b + other] for factor in self.factors) for other in range(3))
            return east, north, up

        return row(0), row(1), row(2)


class Survey(msgspec.Struct, frozen=True, kw_only=True):
    """The survey, reduced and adjusted.

    Parameters
    ----------
    common_errors : CommonErrors or None
        None for points that came as coordinates, of which nothing more is known than their own sigmas.
    """

    form: Form
    frame: Frame
    points: tuple[SurveyPoint, ...]
    adjustment: Adjustment | None = None
    common_errors: CommonErrors | None = None
    quarantined: tuple[Reason, ...] = ()
    warnings: tuple[Reason, ...] = ()
