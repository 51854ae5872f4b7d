"""Numbers of a shop or job file that cannot be: below zero, or nothing where something is divided by them or made of them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

import msgspec

from pipeline.errors import JobError, Reason
from pipeline.toml_records import line_of
from pipeline.units import Angle, Length

LEAST: Final = 1e-6  # [m], [rad] of a length or angle that may not be nothing: none of this trade is told finer
MAY_BE_COLD: Final = frozenset({"survey.temperature"})  # [°C]
MORE_THAN_NOTHING: Final = frozenset({
    "survey.position_sigma", "survey.elevation_sigma", "survey.distance_sigma", "survey.tape_sigma", "survey.angle_sigma", "survey.pressure",
    "fence.height", "fence.setback", "gate.leaf", "gate.swing",
    "panel.post_spacing", "panel.joint", "panel.stock_posts", "panel.heights", "panel.custom_least", "panel.screw_pitch", "panel.cut_step",
    "post.diameter", "post.modulus", "sleeve.bore", "sleeve.depth", "sleeve.outside", "sleeve.inside",
    "setting_out.tape_length", "stock.pack", "stock.length", "stock.height", "stock.posts",
    "limits.file_bytes", "limits.points", "limits.observations", "limits.site_extent", "limits.pool_most", "limits.pool_side_most",
    "limits.stage_seconds", "limits.cutting_seconds", "limits.job_files", "limits.settings_bytes", "limits.settings_depth",
})  # fmt: skip  # by table


def checked_ranges(record: msgspec.Struct, *, file: str, text: str = "") -> None:
    """Hold a file one of whose numbers cannot be.

    Parameters
    ----------
    record : Struct
        A shop or a job's options.
    file, text : str
        Where its values stand, for the line.

    Raises
    ------
    JobError
        With every such key, its line, and what it may be.
    """
    faults = [_fault(key, value, file, text) for key, value in _numbers(record, ()) if not _may_be(_plain(key), value)]
    if faults:
        raise JobError(faults)


def _numbers(value: Any, key: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], float]]:
    """Yield every number below a value with the keys that lead to it."""
    if isinstance(value, msgspec.Struct):
        for field in msgspec.structs.fields(type(value)):
            yield from _numbers(getattr(value, field.name), (*key, field.name))
    elif isinstance(value, dict):
        for name, one in value.items():
            yield from _numbers(one, (*key, name))
    elif isinstance(value, tuple | list):
        for one in value:
            yield from _numbers(one, key)
    elif isinstance(value, float | int) and not isinstance(value, bool):
        yield key, value


def _plain(key: tuple[str, ...]) -> str:
    """Return a key without the name of the table between: `stock.glue.pack` is `stock.pack`."""
    return ".".join((key[0], key[-1])) if len(key) > 1 else key[0]


def _may_be(key: str, value: float) -> bool:
    if key in MAY_BE_COLD or not math.isfinite(value):
        return math.isfinite(value)
    if key not in MORE_THAN_NOTHING:
        return value >= 0
    return value >= LEAST if isinstance(value, Length | Angle) else value > 0


def _fault(key: tuple[str, ...], value: float, file: str, text: str) -> Reason:
    found = "no finite number" if not math.isfinite(value) else "below zero" if value < 0 else "0, or as good as 0"
    return Reason(
        ref="bad-value",
        what=f"`{'.'.join(key)}` is {found}",
        why="no fence can be laid out, cut or judged by such a number",
        file=file,
        line=line_of(key[-1], text),
        do=f"write {_least(key, value)}",
    )


def _least(key: tuple[str, ...], value: float) -> str:
    """Return in words what a key may be."""
    if _plain(key) not in MORE_THAN_NOTHING:
        return "0 or more"
    return "at least 0.001 mm" if isinstance(value, Length) else "at least 0.2 sec" if isinstance(value, Angle) else "more than 0"
