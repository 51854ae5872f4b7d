"""Where the deck is too narrow for the wanted setback: the line gives way smoothly towards the least one, or the job is held with the shortfall."""

from __future__ import annotations

from typing import Final

import numpy as np

from pipeline.errors import LayoutError, Reason
from pipeline.geometry.chain import Point
from pipeline.layout.ground import Flags, deck_margin, objects_in, off_the_deck
from pipeline.layout.measures import least_setback
from pipeline.layout.swell import RAMP
from pipeline.layout.walk import Floats
from pipeline.model.job import Job
from pipeline.model.site import Site
from pipeline.units import format_length

RUNG: Final = 0.004  # [m] between the setbacks that are tried
RUN_ON: Final = 0.6  # [m] both ends of an open parallel run on beyond their walls by nearly this; no hole stands there
SAFE_SIDE: Final = 0.002  # [m] the line keeps this much farther from an edge than a hole has to


def standing_room(places: Floats, job: Job, site: Site) -> Flags:
    """Say at which places (n, 2) the line itself can not run: off the deck or too near its edge, in an object."""
    return off_the_deck(places, site, job.shop) | objects_in(places, site, job.shop)


def given_way(
    stations: Floats, places: Floats, normals: Floats, wanted: Floats, least: Floats, length: float, closed: bool, job: Job, site: Site
) -> Floats:
    """Return the swell that is as wanted where there is room, and gives way on ramps where there is not.

    Parameters
    ----------
    stations : array (n,)
        Of the samples of the parallel [m].
    places, normals : array (n, 2)
        The samples [m], and the outward normals.
    wanted, least : array (n,)
        Swell at the wanted and at the least setback [m].
    length : float
        Of the parallel [m].
    closed : bool
        Whether the fence is a loop.
    job : Job
        Shop and rule packs.
    site : Site
        Deck, walls and objects.

    Raises
    ------
    LayoutError
        Where not even the least setback leaves room for a hole.
    """
    blocked = standing_room(places + wanted[:, None] * normals, job, site)
    if not closed:
        blocked &= (stations > RUN_ON) & (stations < length - RUN_ON)
    if not blocked.any():
        return wanted
    room = wanted.copy()
    at = np.nonzero(blocked)[0]
    room[at] = _most_room(places[at], normals[at], wanted[at], least[at], job, site)
    lost = at[np.isnan(room[at])]
    if len(lost):
        raise LayoutError(_too_narrow(places[lost] + least[lost, None] * normals[lost], job, site))
    given = np.minimum(wanted, _lowered(stations, room, length, closed=closed))
    short = np.nonzero(given < least - 1e-6)[0]
    if len(short):
        raise LayoutError(_too_narrow(places[short] + given[short, None] * normals[short], job, site))
    return given


def _most_room(places: Floats, normals: Floats, wanted: Floats, least: Floats, job: Job, site: Site) -> Floats:
    """Return the largest swell not over the wanted one at which a hole has room, NaN where there is none down to the least."""
    found = np.full(len(places), np.nan)
    rungs = int(np.ceil((wanted - least).max() / RUNG)) + 1
    for rung in range(rungs + 1):
        open_ones = np.nonzero(np.isnan(found))[0]
        swell = np.maximum(wanted[open_ones] - rung * RUNG, least[open_ones])
        free = ~standing_room(places[open_ones] + swell[:, None] * normals[open_ones], job, site)
        found[open_ones[free]] = np.maximum(swell[free] - SAFE_SIDE, least[open_ones[free]])
    return found


def _lowered(stations: Floats, room: Floats, length: float, *, closed: bool) -> Floats:
    """Return the largest swell that is nowhere over `room` and nowhere steeper than `RAMP`."""
    if closed:
        stations = np.concatenate((stations - length, stations, stations + length))
        room = np.concatenate((room, room, room))
    ahead = np.minimum.accumulate(room - RAMP * stations) + RAMP * stations
    back = (np.minimum.accumulate((room + RAMP * stations)[::-1]) - RAMP * stations[::-1])[::-1]
    both = np.minimum(ahead, back)
    return both[len(both) // 3 : 2 * len(both) // 3] if closed else both


def _too_narrow(places: Floats, job: Job, site: Site) -> Reason:
    """Return the reason of the hold: the worst place, by how much it falls short there, and what would cure it."""
    units = job.options.report_units
    short, names = deck_margin(places, site, job.shop)
    worst = int(np.argmax(short))
    place: Point = (float(places[worst, 0]), float(places[worst, 1]))
    what = names[worst]
    return Reason(
        ref="no-room-for-the-line",
        what=f"at ({place[0]:.2f}, {place[1]:.2f}) m there is no room for a hole: {what}, {format_length(float(short[worst]), units)} short at the least setback",
        why=f"the fabric has to stay {format_length(least_setback(job), units)} from the water, and a hole its edge distance inside the deck and out of objects",
        do="move the object, widen the deck there, let the fence end at a wall (code WALL), or ask for another rule pack if one applies",
    )
