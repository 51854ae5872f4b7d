"""Sharing equal pieces out among sources so that each job is cut from few different ones."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

Entry = TypeVar("Entry")


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
    Sources whose pieces leave no choice come first; then each source prefers entries of jobs it already serves.  That is a
    rule of thumb for the least important of the three objectives, and not proven fewest.
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
