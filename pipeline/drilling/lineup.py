"""Which holes there are, in walking order: given-up ones out, added ones in, and which the tape went to next."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from typing import Final

import msgspec

from pipeline.drilling.sheet import SheetRow, base_of
from pipeline.geometry.chain import Point
from pipeline.model.layout import Hole, Layout

ALONG: Final = 0.15  # [m] one sigma of where a moved or added hole stands along the line (own judgement: a hand's breadth or two)
ALONG_EXTRA: Final = 0.4  # [m] the same of a hole added between two that stand
ACROSS: Final = 0.05  # [m] across the line, where moving costs setback or deck (own judgement)


class Expected(msgspec.Struct, frozen=True, kw_only=True):
    """Where a hole is expected before anything was measured.

    Parameters
    ----------
    name : str
    plan : Hole
        Of the plan: itself, or the one an added hole stands behind.
    place : Point
        [m]
    along : Point
        Unit vector of the line there.
    sigma_along, sigma_across : float
        [m]
    added : bool
    """

    name: str
    plan: Hole
    place: Point
    along: Point
    sigma_along: float
    sigma_across: float
    added: bool = False

    @property
    def loose(self) -> bool:
        """Whether more than setting out and drilling parts it from the plan."""
        return self.sigma_along >= ALONG


class Lineup(msgspec.Struct, frozen=True, kw_only=True):
    """The holes that stand or will stand.

    Parameters
    ----------
    line : tuple of Expected
        In walking order, the missing ones too.
    pockets : tuple of Expected
    closed : bool
    tape_next : dict
        Hole to the next one that was there when the tape was read.
    instead_of : dict
        Added hole to the given-up one whose place it takes.
    abandoned, missing : tuple of str
    """

    line: tuple[Expected, ...]
    pockets: tuple[Expected, ...]
    closed: bool
    tape_next: dict[str, str]
    instead_of: dict[str, str]
    abandoned: tuple[str, ...]
    missing: tuple[str, ...]

    def filled(self, plan: Layout) -> tuple[Point, ...]:
        """Return where the given-up holes were planned [m]: there is steel, or fill."""
        return tuple(hole.place for hole in plan.holes if hole.name in self.abandoned)

    @property
    def holes(self) -> tuple[Expected, ...]:
        return (*self.line, *self.pockets)


def line_up(layout: Layout, rows: Mapping[str, SheetRow], sigmas: Mapping[str, float]) -> Lineup:
    """Return the holes as they stand by the remarks of the sheet; `sigmas` are those of setting out and drilling, by hole [m]."""
    line = [hole for hole in layout.holes if hole.role != "pocket"]
    pockets = [hole for hole in layout.holes if hole.role == "pocket"]
    abandoned = tuple(hole.name for hole in layout.holes if _word(rows, hole.name) == "abandoned")
    missing = tuple(hole.name for hole in layout.holes if _word(rows, hole.name) == "missing")
    added = sorted(name for name in rows if base_of(name))
    instead_of = {names[0]: base for base, names in _by_base(added).items() if base in abandoned}
    ways = _ways(line, layout.closed)
    stand = list(_standing(line, rows, added, abandoned, instead_of, ways, sigmas))
    aside = list(_standing(pockets, rows, added, abandoned, instead_of, {hole.name: (1.0, 0.0) for hole in pockets}, sigmas))
    there = [one.name for one in stand if one.name not in missing]
    pairs = list(itertools.pairwise(there)) + ([(there[-1], there[0])] if layout.closed and len(there) > 2 else [])
    return Lineup(
        line=tuple(stand),
        pockets=tuple(aside),
        closed=layout.closed,
        tape_next=dict(pairs),
        instead_of=instead_of,
        abandoned=abandoned,
        missing=missing,
    )


def _word(rows: Mapping[str, SheetRow], hole: str) -> str:
    return rows[hole].word if hole in rows else ""


def _by_base(added: Iterable[str]) -> dict[str, list[str]]:
    return {base: list(names) for base, names in itertools.groupby(added, key=base_of)}


def _standing(
    holes: list[Hole],
    rows: Mapping[str, SheetRow],
    added: list[str],
    abandoned: tuple[str, ...],
    instead_of: Mapping[str, str],
    ways: Mapping[str, Point],
    sigmas: Mapping[str, float],
) -> Iterable[Expected]:
    for index, hole in enumerate(holes):
        way, sigma = ways[hole.name], sigmas[hole.name]
        if hole.name not in abandoned:
            moved = _word(rows, hole.name) == "moved"
            along, across = (ALONG, ACROSS) if moved else (sigma, sigma)
            yield Expected(name=hole.name, plan=hole, place=hole.place, along=way, sigma_along=along, sigma_across=across)
        more = [name for name in added if base_of(name) == hole.name]
        after = holes[(index + 1) % len(holes)]
        for number, name in enumerate(more):
            place, along = (
                (hole.place, ALONG) if name in instead_of else (_between(hole.place, after.place, (number + 1) / (len(more) + 1)), ALONG_EXTRA)
            )
            yield Expected(name=name, plan=hole, place=place, along=way, sigma_along=along, sigma_across=ACROSS, added=True)


def _between(first: Point, last: Point, ratio: float) -> Point:
    return (first[0] + ratio * (last[0] - first[0]), first[1] + ratio * (last[1] - first[1]))


def _ways(line: list[Hole], closed: bool) -> dict[str, Point]:
    """Return the unit vector of the line at every hole: from the hole before it to the one after."""
    ways = {}
    for index, hole in enumerate(line):
        before = line[index - 1] if index or closed else hole
        after = line[(index + 1) % len(line)] if index + 1 < len(line) or closed else hole
        dx, dy = after.east - before.east, after.north - before.north
        length = math.hypot(dx, dy) or 1.0
        ways[hole.name] = (dx / length, dy / length)
    return ways
