"""What was read from the survey's files, before anything was computed: points, shots, ties, and the lines that could not be read."""

from __future__ import annotations

from typing import Literal

import msgspec

from pipeline.errors import Reason
from pipeline.model.survey import Form
from pipeline.units import UnitName


class ReadPoint(msgspec.Struct, frozen=True, kw_only=True):
    """One point as its file gives it, in metres of the survey's own frame."""

    point: str
    east: float
    north: float
    elev: float | None = None
    description: str = ""
    file: str = ""
    row: int = 0


class Shot(msgspec.Struct, frozen=True, kw_only=True):
    """One pointing of a total station.

    Parameters
    ----------
    setup, target : str
    face : int or None
        1, 2, or not written.
    hi, ht : float or None
        Heights of instrument and target [m].
    hz, zenith : float or None
        As read [rad].
    slope : float or None
        As read [m].
    sigma_hz, sigma_zenith : float or None
        [rad]
    sigma_dist : float or None
        [m]
    """

    setup: str
    target: str
    face: int | None = None
    hi: float | None = None
    ht: float | None = None
    hz: float | None = None
    zenith: float | None = None
    slope: float | None = None
    sigma_hz: float | None = None
    sigma_zenith: float | None = None
    sigma_dist: float | None = None
    description: str = ""
    file: str = ""
    row: int = 0


class Tie(msgspec.Struct, frozen=True, kw_only=True):
    """One distance by tape, or one height difference where `level` is set.

    Parameters
    ----------
    start, end : str
        The two points; a height difference is `end` above `start`.
    dist : float
        [m]
    text : str
        The reading as written, for telling how it may have been misread.
    unit : UnitName
        Unit a bare number in it stands in.
    side : {"", "left", "right"}
        Of the base line, for `end`.
    sigma : float or None
        [m]
    """

    start: str
    end: str
    dist: float
    text: str = ""
    unit: UnitName = "metre"
    level: bool = False
    side: Literal["", "left", "right"] = ""
    sigma: float | None = None
    description: str = ""
    file: str = ""
    row: int = 0


class Quarantined(msgspec.Struct, frozen=True, kw_only=True):
    """A line that could not be read: why, and its text, from which it is judged what it was."""

    reason: Reason
    text: str


class Page(msgspec.Struct, frozen=True, kw_only=True):
    """What one file gave.

    Parameters
    ----------
    stated_unit : UnitName or None
        The unit the file itself states, where it does.
    named_crs : str
        The projected system the file itself names.
    assumed_columns : str
        The columns taken for granted, where neither the file nor the job names them.
    """

    file: str
    form: Form
    points: tuple[ReadPoint, ...] = ()
    shots: tuple[Shot, ...] = ()
    ties: tuple[Tie, ...] = ()
    quarantined: tuple[Quarantined, ...] = ()
    warnings: tuple[Reason, ...] = ()
    stated_unit: UnitName | None = None
    named_crs: str = ""
    assumed_columns: str = ""
