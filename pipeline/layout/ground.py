"""Where on the deck a hole may be drilled, and where a gate's leaf may swing."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Chain, polyline
from pipeline.layout.nearness import crosses, distances_to, inside
from pipeline.layout.walk import Floats
from pipeline.model.shop import Shop
from pipeline.model.site import Opening, Site, SiteObject

Flags = NDArray[np.bool_]
AT_WALL = 0.25  # [m] a deck's edge this near to a wall along its length runs to the wall (own judgement)
TOUCH = 1e-6  # [m] a hole exactly at its least distance is allowed


def with_door_swings(site: Site) -> Site:
    """Return the site with what every door sweeps on the water's side among its objects: no hole and no line under a door's swing.

    Notes
    -----
    Which jamb carries the hinges was not shot, so the square over the door's width counts.
    """
    swings = tuple(_door_swing(opening, site) for opening in site.openings if opening.kind == "DOOR")
    return msgspec.structs.replace(site, objects=(*site.objects, *swings))


def _door_swing(door: Opening, site: Site) -> SiteObject:
    (ax, ay), (bx, by) = door.jambs
    x, y = _water_anchor(site)
    side = 1.0 if (bx - ax) * (y - ay) - (by - ay) * (x - ax) > 0 else -1.0
    out = (-(by - ay) * side, (bx - ax) * side)
    corners = [(ax, ay), (bx, by), (bx + out[0], by + out[1]), (ax + out[0], ay + out[1])]
    return SiteObject(name=f"swing of door{door.line}", outline=polyline(corners if side > 0 else corners[::-1], closed=True))


def hazards(site: Site, shop: Shop) -> Iterator[tuple[str, Chain, float, bool]]:
    """Yield what no hole may meet: (name in words, chain, least distance of a hole's centre [m], whether the inside counts too)."""
    half, sleeve = shop.sleeve.bore / 2, shop.sleeve
    for line in site.joints:
        yield f"joint JOINT{line.line}", line.chain, sleeve.joint_distance + half, False
    for line in site.drains:
        yield f"drain DRAIN{line.line}", line.chain, sleeve.drain_distance + half, False
    for line in site.utilities:
        yield f"utility UTILITY{line.line}", line.chain, max(float(sleeve.utility_distance), float(half)), False
    for each in site.point_hazards:
        yield f"point {each.name}", each.outline, sleeve.utility_distance, True
    for each in site.objects:
        yield f"object {each.name}", each.outline, float(half), True


def undrillable(places: Floats, site: Site, shop: Shop) -> Flags:
    """Say at which places (n, 2) no hole may be drilled."""
    blocked = off_the_deck(places, site, shop)
    for _, chain, least, filled in hazards(site, shop):
        blocked |= distances_to(places, chain) < least - TOUCH
        if filled and chain.closed:
            blocked |= inside(places, chain)
    for riser in site.risers:
        blocked |= distances_to(places, riser.nosing) < shop.panel.end_clearance - 0.002  # skewed crossings keep their joint, not the edge distance
    return blocked


def what_blocks(place: Floats, site: Site, shop: Shop) -> str:
    """Return in words what keeps a hole from being drilled at one place (1, 2)."""
    found = [f"{name} is {distances_to(place, chain)[0] * 1000:.0f} mm away, {least * 1000:.0f} mm is the least"
             for name, chain, least, filled in hazards(site, shop)
             if distances_to(place, chain)[0] < least - TOUCH or (filled and bool(inside(place, chain)[0]))]  # fmt: skip
    if off_the_deck(place, site, shop)[0]:
        found.append("the deck's edge is too near")
    return "; ".join(found) or "a riser's edge is too near"


def objects_in(places: Floats, site: Site, shop: Shop) -> Flags:
    """Say which places lie in an object, or so near that the bore would meet it."""
    met = np.zeros(len(places), dtype=bool)
    for each in site.objects:
        met |= (distances_to(places, each.outline) < shop.sleeve.bore / 2 - TOUCH) | inside(places, each.outline)
    return met


def deck_margin(places: Floats, site: Site, shop: Shop) -> tuple[Floats, list[str]]:
    """Return by how much every place lacks room [m], and what is in the way there in words."""
    least = shop.sleeve.edge_distance + shop.sleeve.bore / 2
    short, names = np.zeros(len(places)), ["the deck ends"] * len(places)
    for deck in site.decks:
        to_edge = distances_to(places, deck.chain)
        beyond = ~inside(places, deck.chain) if deck.chain.closed else np.zeros(len(places), dtype=bool)
        short = np.maximum(short, np.where(beyond, least + to_edge, least - to_edge))
    for each in site.objects:
        to_edge = distances_to(places, each.outline)
        deep = np.where(inside(places, each.outline), to_edge + shop.sleeve.bore / 2, shop.sleeve.bore / 2 - to_edge)
        names = [f"object {each.name} stands there" if one > other else name for one, other, name in zip(deep, short, names, strict=True)]
        short = np.maximum(short, deep)
    return short, names


def off_the_deck(places: Floats, site: Site, shop: Shop) -> Flags:
    """Say which places lie off the hard deck or nearer to its edge than a hole may be; none where no deck was surveyed."""
    least = shop.sleeve.edge_distance + shop.sleeve.bore / 2
    off = np.zeros(len(places), dtype=bool)
    for deck in site.decks:
        for edge in _free_edges(deck.chain, site):
            off |= distances_to(places, edge) < least - TOUCH
        if deck.chain.closed:
            off |= ~inside(places, deck.chain)
        else:
            off |= crosses(np.broadcast_to(_water_anchor(site), places.shape), places, deck.chain)
    return off


def _free_edges(deck: Chain, site: Site) -> Iterator[Chain]:
    """Yield the pieces of a deck's edge that end in the open; where the deck runs to a wall it has no edge to break out."""
    for piece in deck.pieces():
        ends = (piece.start, piece.point_at(piece.length / 2), piece.end)
        if not any(all(wall.chain.nearest(end)[1] < AT_WALL for end in ends) for wall in site.walls):
            yield Chain((piece.start, piece.end), (piece.bulge,))


def _water_anchor(site: Site) -> Floats:
    """Return a place inside the first water: what can be reached from it without crossing the deck's edge is deck."""
    corners = site.waters[0].chain.densified(0.01)
    return np.asarray(corners.mean(axis=0))
