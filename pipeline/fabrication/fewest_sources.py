"""Cutting each job from few different sources, at no more cost and no more waste.

The least important of the three objectives, after cost and waste.  What is done is a rule of thumb and a search by single moves and swaps: it
is not proven fewest.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Final, TypeVar

import msgspec

from pipeline.cutting.problem import Stock

PASSES: Final = 5  # over all jobs; ordinarily two find nothing more

Entry = TypeVar("Entry")


class OnSource(msgspec.Struct, frozen=True):
    """A piece on a source: its length in cutting steps, its job, and its number among the source's entries."""

    length: int
    job: str
    entry: int


def shared_out(needs: Sequence[Sequence[int]], entries: Mapping[int, Sequence[Entry]], key: Callable[[Entry], str]) -> list[list[Entry]]:
    """Give each source the entries of the kinds it needs.

    Parameters
    ----------
    needs : sequence of sequence of int
        For each source the kinds of its pieces, in cutting order.
    entries : mapping
        Kind to its entries, as many as needed over all sources.
    key : callable
        The job of an entry.

    Returns
    -------
    list of list
        Entries in the order of `needs`.

    Notes
    -----
    Sources whose pieces leave least choice come first; then each source prefers entries of jobs it already serves.
    """
    left = {kind: list(own) for kind, own in entries.items()}
    given: list[list[Entry]] = [[] for _ in needs]
    for index in sorted(range(len(needs)), key=lambda index: (sum(len(entries[kind]) for kind in needs[index]), index)):
        jobs = {key(own[0]) for kind in needs[index] if len(own := left[kind]) == 1}
        for kind in needs[index]:
            own = left[kind]
            chosen = next((entry for entry in own if key(entry) in jobs), own[0])
            own.remove(chosen)
            jobs.add(key(chosen))
            given[index].append(chosen)
    return given


def brought_together(stocks: Sequence[Stock], sources: Sequence[Sequence[OnSource]]) -> list[list[OnSource]]:
    """Move and swap pieces between sources while that lessens the sources over the jobs, and neither cost nor waste rises.

    Parameters
    ----------
    stocks : sequence of Stock
        What each source is.
    sources : sequence of sequence of OnSource
        What is cut from each; none is emptied.

    Returns
    -------
    list of list of OnSource
        Pieces of each source, the longest first.
    """
    held = [list(pieces) for pieces in sources]
    for _ in range(PASSES):
        changed = False
        for job in sorted({piece.job for pieces in held for piece in pieces}):
            while _one_change(stocks, held, job):
                changed = True
        if not changed:
            break
    return [sorted(pieces, key=lambda piece: (-piece.length, piece.job, piece.entry)) for pieces in held]


def _one_change(stocks: Sequence[Stock], held: list[list[OnSource]], job: str) -> bool:
    """Make the first change that brings a job's pieces together; False when there is none."""
    own = [index for index, pieces in enumerate(held) if any(piece.job == job for piece in pieces)]
    for here, there, going, coming in _changes(held, own, job):
        after_here = [piece for piece in held[here] if piece not in going] + coming
        after_there = [piece for piece in held[there] if piece not in coming] + going
        fewer = _jobs(after_here) + _jobs(after_there) < _jobs(held[here]) + _jobs(held[there])
        if fewer and after_here and _no_worse(stocks, (here, there), (held[here], held[there]), (after_here, after_there)):
            held[here], held[there] = after_here, after_there
            return True
    return False


def _changes(held: Sequence[Sequence[OnSource]], own: Sequence[int], job: str) -> Iterator[tuple[int, int, list[OnSource], list[OnSource]]]:
    """Yield (from, to, pieces going, pieces coming): a job's pieces of one source to another it is cut from, alone or for one piece back."""
    for here in own:
        going = [piece for piece in held[here] if piece.job == job]
        for there in own:
            if there != here:
                yield here, there, going, []
                for other in held[there]:
                    if other.job != job:
                        yield here, there, going, [other]


def _jobs(pieces: Sequence[OnSource]) -> int:
    return len(Counter(piece.job for piece in pieces))


def _no_worse(
    stocks: Sequence[Stock], where: tuple[int, int], before: tuple[list[OnSource], list[OnSource]], after: tuple[list[OnSource], list[OnSource]]
) -> bool:
    own = [stocks[index] for index in where]
    used = [sum(piece.length + stock.kerf for piece in pieces) for stock, pieces in zip(own, after, strict=True)]
    if any(length > stock.room for stock, length in zip(own, used, strict=True)):
        return False
    pairs_before, pairs_after = list(zip(own, before, strict=True)), list(zip(own, after, strict=True))
    value_kept = sum(_kept(*pair)[0] for pair in pairs_after) >= sum(_kept(*pair)[0] for pair in pairs_before)
    return value_kept and sum(_kept(*pair)[1] for pair in pairs_after) >= sum(_kept(*pair)[1] for pair in pairs_before)


def _kept(stock: Stock, pieces: Sequence[OnSource]) -> tuple[int, int]:
    """Return (value, length) of a source's left-over, where it is worth keeping."""
    rest = stock.rest(sum(piece.length + stock.kerf for piece in pieces))
    value = stock.rest_value(rest)
    return value, rest if value else 0
