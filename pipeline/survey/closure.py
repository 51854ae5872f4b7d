"""How a traverse of setups closes: angles and distances round the loop, by the compass rule; for whoever still stands on the site."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from pipeline.survey.cogo import compass_rule
from pipeline.survey.pointings import Pointing
from pipeline.survey.reduction import wrapped

SECOND: Final = math.pi / 648000  # [rad]


def closure_in_words(sights: Sequence[Pointing]) -> list[str]:
    """Return one line on the loop through all setups in the order they were occupied; none where there is no such loop of three or more."""
    setups = list(dict.fromkeys(sight.setup for sight in sights))
    if len(setups) < 3:
        return []
    courses: list[tuple[float, float]] = []
    azimuth = 0.0
    for number, setup in enumerate(setups):
        back, ahead = setups[number - 1], setups[(number + 1) % len(setups)]
        turn, distance = _angle(sights, setup, back, ahead), _distance(sights, setup, ahead)
        if turn is None or distance is None:
            return []
        azimuth = azimuth + math.pi + turn if number else 0.0
        courses.append((azimuth, distance))
    first = _angle(sights, setups[0], setups[-1], setups[1])
    if first is None:
        return []
    miss = wrapped(azimuth + math.pi + first)
    balanced = [(turn - miss * number / len(courses), distance) for number, (turn, distance) in enumerate(courses)]
    found = compass_rule((0.0, 0.0), balanced)
    return [
        f"The loop {'–'.join([*setups, setups[0]])} closes to {found.closure * 1000:.0f} mm in {found.length:.1f} m "
        f'(1 in {min(found.precision, 1e6):,.0f}); its angles to {miss / SECOND:+.0f}".'
    ]


def _angle(sights: Sequence[Pointing], setup: str, back: str, ahead: str) -> float | None:
    """Return the angle clockwise from one target to another, within one occupation [rad]."""
    seen: dict[str, dict[str, float]] = {}
    for sight in sights:
        if sight.setup == setup and sight.hz is not None and sight.target in (back, ahead):
            seen.setdefault(sight.group, {})[sight.target] = sight.hz
    for directions in seen.values():
        if back in directions and ahead in directions:
            return directions[ahead] - directions[back]
    return None


def _distance(sights: Sequence[Pointing], one: str, other: str) -> float | None:
    """Return the mean level distance between two setups, from both ends where there are both [m]."""
    lengths = [sight.level for sight in sights if {sight.setup, sight.target} == {one, other} and sight.level is not None]
    return sum(lengths) / len(lengths) if lengths else None
