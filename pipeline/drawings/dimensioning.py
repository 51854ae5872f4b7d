"""Dimensions on details, as marks on paper: extension lines, a line with oblique ticks, and the length above it."""

from __future__ import annotations

import math
from typing import Final

from pipeline.drawings import typeface
from pipeline.drawings.ink import FINE, Mark, Stroke, Words
from pipeline.drawings.label_placing import upright
from pipeline.geometry.chain import Point

CAP: Final = 1.9  # [mm]
_BEYOND: Final = 0.8  # [mm] extension line past the dimension line
_FROM: Final = 0.7  # [mm] gap between the thing and its extension line
_TICK: Final = 0.7  # [mm]


def dimension(start: Point, end: Point, offset: float, text: str, *, cap: float = CAP) -> list[Mark]:
    """Dimension the straight way from `start` to `end` [mm]; its line lies `offset` [mm] to the left of that way.

    Text that is wider than the line stands beside its end, so that it never covers a tick.
    """
    heading = math.atan2(end[1] - start[1], end[0] - start[0])
    left = (-math.sin(heading), math.cos(heading))
    along = (math.cos(heading), math.sin(heading))
    side = 1.0 if offset >= 0 else -1.0
    feet = [_moved(point, left, offset) for point in (start, end)]
    marks: list[Mark] = [Stroke(points=(feet[0], feet[1]), width=FINE)]
    for point, foot in zip((start, end), feet, strict=True):
        if abs(offset) > _FROM + 0.3:
            marks.append(Stroke(points=(_moved(point, left, side * _FROM), _moved(foot, left, side * _BEYOND)), width=FINE))
        slant = (along[0] + left[0], along[1] + left[1])
        marks.append(Stroke(points=(_moved(foot, slant, -_TICK), _moved(foot, slant, _TICK)), width=0.2))
    return [*marks, *_text(feet, heading, text, cap)]


def _text(feet: list[Point], heading: float, text: str, cap: float) -> list[Mark]:
    turn, reversed_ = upright(heading)
    above = (-math.sin(turn), math.cos(turn))
    length, needed = math.dist(feet[0], feet[1]), typeface.width(text, cap)
    if needed + 1.0 <= length:
        at = _moved(((feet[0][0] + feet[1][0]) / 2, (feet[0][1] + feet[1][1]) / 2), above, 0.7)
        return [Words(text=text, at=at, cap=cap, align="centre", turn=turn)]
    along = (math.cos(turn), math.sin(turn))
    far = feet[0] if reversed_ else feet[1]
    tail = _moved(far, along, 2.0)
    at = _moved(_moved(far, along, 2.6), above, -cap / 2)
    return [Stroke(points=(far, tail), width=FINE), Words(text=text, at=at, cap=cap, turn=turn)]


def _moved(point: Point, direction: Point, distance: float) -> Point:
    return (point[0] + direction[0] * distance, point[1] + direction[1] * distance)
