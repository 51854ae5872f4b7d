"""What tape ties say of their points before any is placed: codes, lines, sides, mean lengths, second ties to one point."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import msgspec

from pipeline.survey.codes import LINE_CODES, CodedShot, checked_point, read_description
from pipeline.survey.field_book import Tie
from pipeline.survey.network import Observation
from pipeline.survey.tape_placing import Line

TIE: Final = "tie "  # what a tie's label begins with


def with_checks(ties: Sequence[Tie], table: Mapping[str, str], shot: Iterable[str] = ()) -> list[Tie]:
    """Return ties to a CHECK as second ties to the point its remark names, among those tied or `shot`."""
    names = {name.lower(): name for name in shot} | {name.lower(): name for tie in ties for name in (tie.start, tie.end)}
    out = []
    for tie in ties:
        named = names.get(checked_point(read_description(tie.description, table)).lower())
        checks = named is not None and named != tie.start
        out.append(msgspec.structs.replace(tie, end=named, description="") if checks else tie)
    return out


def descriptions(ties: Sequence[Tie], table: Mapping[str, str]) -> dict[str, CodedShot]:
    """Return each point's code in the order measured: from the ties that end at it; the base line's code is for both its ends."""
    coded: dict[str, CodedShot] = {}
    blank = CodedShot("", "", (), "")
    for tie in ties:
        for name in (tie.start, tie.end):
            coded.setdefault(name, blank)
        shot = read_description(tie.description, table)
        if (shot.code or shot.remark) and not coded[tie.end].code and not tie.level:
            coded[tie.end] = shot
    first = ties[0]
    shot = read_description(first.description, table)
    if not coded[first.start].code and not any(tie.end == first.start and tie.description for tie in ties):
        coded[first.start] = shot._replace(modifiers=())
    return coded


def mean_lengths(ties: Sequence[Tie]) -> dict[tuple[str, str], float]:
    """Return the length between each pair of points [m], averaged where it was measured twice."""
    gathered: dict[tuple[str, str], list[float]] = {}
    for tie in ties:
        pair = (tie.end, tie.start) if (tie.end, tie.start) in gathered else (tie.start, tie.end)
        gathered.setdefault(pair, []).append(tie.dist)
    return {pair: sum(lengths) / len(lengths) for pair, lengths in gathered.items()}


def written_sides(ties: Sequence[Tie]) -> dict[str, str]:
    """Return the side written for each point, where one is."""
    sides: dict[str, str] = {}
    for tie in ties:
        if tie.side:
            sides.setdefault(tie.end, tie.side)
    return sides


def lines_of_ties(coded: Mapping[str, CodedShot]) -> list[Line]:
    """Return the lines the codes make, their points in the order measured."""
    lines: dict[tuple[str, str], list[str]] = {}
    closed: set[tuple[str, str]] = set()
    for name, shot in coded.items():
        if shot.code in LINE_CODES:
            lines.setdefault((shot.code, shot.line), []).append(name)
            if shot.code == "WATER" or "C" in shot.modifiers:
                closed.add((shot.code, shot.line))
    return [Line(tuple(names), key in closed) for key, names in lines.items()]


def tie_label(tie: Tie) -> str:
    """Return a tie in the crew's words."""
    return f"{TIE}{tie.start}–{tie.end}"


def tie_observations(ties: Sequence[Tie], sigma: float) -> tuple[Observation, ...]:
    """Return ties as distances in plan; `sigma` [m] where a tie has none of its own."""
    return tuple(
        Observation(kind="distance", at=tie.start, to=tie.end, value=tie.dist, sigma=tie.sigma or sigma, label=tie_label(tie)) for tie in ties
    )


def is_tie(observation: Observation) -> bool:
    """Return whether an observation came from a tape."""
    return observation.label.startswith(TIE)
