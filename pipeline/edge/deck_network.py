"""A network of facets over the deck: nodes beside the water, along the risers and at the deck's outside, and the fit over them.

The level of a place is a trend (falling away from the water) plus the facets' own levels, whose slope changes little from
one facet to the next; risers part the facets, control joints do not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np
import shapely
from numpy.typing import NDArray

from pipeline.geometry.chain import Chain, Piece
from pipeline.geometry.planes import PlanePatch
from pipeline.geometry.triangles import areas, hull_of, joined, shares, slope_jumps, slopes, triangulated
from pipeline.model.site import JointLevels, joint_levels

Array = NDArray[np.float64]

RINGS: Final = (1.0, 2.4)  # [m] nodes this far from the water, on either side of where fences stand
ALONG: Final = 2.5  # [m] most between nodes along the water
FAN: Final = math.radians(30)  # most of a curve between nodes
APART: Final = 0.6  # [m] least between nodes of a ring
ON_RISER: Final = 0.6  # [m] between nodes along a riser
CLEAR: Final = 0.3  # [m] other nodes keep off a riser by this
PAST: Final = 2.0  # [m] a riser parts the deck this far beyond its ends
EDGE: Final = 0.35  # [m] facets whose middle is farther inside the water than this are none of the deck's
LIP: Final = 0.0005  # [m] a riser's upper and lower nodes stand this far to its sides
FALL_GUESS: Final = 0.03  # [-] standard deviation of a fall away from the water no height tells (common practice: 1 to 2 %)
SLOPE_GUESS: Final = 0.03  # [-] of a part's mean slope no height tells
LEVEL_GUESS: Final = 10.0  # [m] of a level no height tells
KNOWN: Final = 0.05  # [m] a facet less well known is none


class Network(msgspec.Struct, frozen=True, kw_only=True):
    """Nodes (m, 2) [m] and their places on the plan, facets (f, 3), the trend at the nodes [m], bending rows and slope rows."""

    nodes: Array
    snapped: Array
    facets: NDArray[np.intp]
    trend: Array
    bending: Array
    slope: Array


def network_of(places: Array, waters: Sequence[Chain], nosings: Sequence[Chain]) -> Network | None:
    """Lay a network over the deck beside waters, parted at risers; None where there is nothing to lay it on.

    Parameters
    ----------
    places : array (n, 2)
        Heights [m]; all of them lie on the network.
    waters : sequence of Chain
        Water's edges, counter-clockwise.
    nosings : sequence of Chain
        Risers that part the deck.
    """
    if not waters or len(places) < 4:
        return None
    pools = [shapely.Polygon(chain.densified(0.02)) for chain in waters]
    cuts = [_run_on(chain) for chain in nosings]
    free = _beside_waters(waters, pools)
    outer = hull_of(np.vstack([free, places]))
    free = _spaced(np.vstack([free, np.array(outer)]), 0.2)
    lines = [shapely.LineString(cut) for cut in cuts]
    free = np.array([node for node in free if all(line.distance(shapely.Point(node)) > CLEAR for line in lines)]).reshape(-1, 2)
    sided, snapped = _along_risers(cuts)
    nodes, flat = np.vstack([free, sided]), np.vstack([free, snapped])
    facets = _on_deck(nodes, triangulated(nodes), pools, lines)
    if not len(facets):
        return None
    used, renumbered = np.unique(facets, return_inverse=True)
    facets, nodes, flat = renumbered.reshape(-1, 3).astype(np.intp), nodes[used], flat[used]
    trend = np.array(
        [-min(pool.exterior.distance(shapely.Point(node)) if not pool.contains(shapely.Point(node)) else 0.0 for pool in pools) for node in nodes]
    )
    return Network(nodes=nodes, snapped=flat, facets=facets, trend=trend, bending=slope_jumps(nodes, facets), slope=_slope_rows(nodes, facets))


def design_of(network: Network, places: Array) -> Array:
    """Return (n, m + 1): levels at places from the nodes' own levels and the fall."""
    at = shares(places, network.nodes, network.facets)
    return np.column_stack([at, at @ network.trend])


def prior_of(network: Network, bend: float) -> Array:
    """Return the prior precision (m + 1, m + 1) for slopes that change by `bend` [-] (one standard deviation) over a metre."""
    count = len(network.nodes)
    prior = np.zeros((count + 1, count + 1))
    prior[:count, :count] = network.bending.T @ network.bending / bend**2 + network.slope.T @ network.slope / SLOPE_GUESS**2
    prior[range(count), range(count)] += 1 / LEVEL_GUESS**2
    prior[count, count] = 1 / FALL_GUESS**2
    return prior


def facets_as_patches(network: Network, mean: Array, covariance: Array, zero: float, sigma: float) -> tuple[tuple[PlanePatch, ...], JointLevels]:
    """Return every facet that is known as a patch, and how well the nodes are known together.

    `zero` [m] is added to the levels, `sigma` [m] is the roughness.
    """
    turn = np.column_stack([np.eye(len(network.nodes)), network.trend])
    levels, spread = turn @ mean, turn @ covariance @ turn.T
    middles = np.array([np.sum(spread[np.ix_(facet, facet)]) / 9 for facet in network.facets])
    known = np.flatnonzero(middles < KNOWN**2)
    kept, numbers = np.unique(network.facets[known], return_inverse=True)
    gradients = slopes(network.nodes, network.facets)
    patches = []
    for index, corners in zip(known, numbers.reshape(-1, 3), strict=True):
        facet = network.facets[index]
        rows = np.vstack([np.full(3, 1 / 3), gradients[index]])
        level, east, north = (float(value) for value in rows @ levels[facet])
        x, y = (float(value) for value in network.nodes[facet].mean(axis=0))
        patches.append(
            PlanePatch(
                region=tuple((float(px), float(py)) for px, py in network.snapped[facet]),
                origin=(x, y),
                coefficients=(level + zero, east, north),
                covariance=tuple(float(value) for value in (rows @ spread[np.ix_(facet, facet)] @ rows.T).ravel()),
                sigma=sigma,
                nodes=tuple(int(node) for node in corners),
            )
        )
    return tuple(patches), joint_levels(spread[np.ix_(kept, kept)])


def _run_on(nosing: Chain) -> Array:
    """Return a riser's line run on straight beyond both ends."""
    line = nosing.densified(0.01)
    first, last = line[0] - line[1], line[-1] - line[-2]
    return np.vstack([line[0] + PAST * first / np.hypot(*first), line, line[-1] + PAST * last / np.hypot(*last)])


def _beside_waters(waters: Sequence[Chain], pools: Sequence[shapely.Polygon]) -> Array:
    """Return nodes on the water's edges and on rings round them."""
    found: list[Array] = []
    stations = [spot for chain in waters for spot in _stations(chain)]
    found.append(_spaced(np.array([place for place, _ in stations]), APART))
    for reach in RINGS:
        ring = np.array([(x + reach * math.cos(way), y + reach * math.sin(way)) for (x, y), ways in stations for way in ways])
        clear = [node for node in ring if min(pool.distance(shapely.Point(node)) for pool in pools) > 0.9 * reach]
        found.append(_spaced(np.array(clear).reshape(-1, 2), APART))
    return np.vstack(found)


def _stations(chain: Chain) -> list[tuple[tuple[float, float], list[float]]]:
    """Return places along a counter-clockwise chain with the directions [rad] that lead away from the water there."""
    found = []
    for index in range(len(chain)):
        piece, before = chain.piece(index), chain.piece(index - 1)
        arriving, leaving = before.direction_at(before.length), piece.direction_at(0.0)
        turn = math.remainder(leaving - arriving, 2 * math.pi)
        outward = arriving - math.pi / 2
        ways = [outward + turn * step / 2 for step in range(3)] if turn > math.radians(15) else [outward + turn / 2]
        found.append((piece.start, ways))
        parts = _parts(piece)
        for step in range(1, parts):
            along = piece.length * step / parts
            found.append((piece.point_at(along), [piece.direction_at(along) - math.pi / 2]))
    return found


def _parts(piece: Piece) -> int:
    return max(1, math.ceil(piece.length / ALONG), math.ceil(abs(piece.sweep) / FAN))


def _spaced(nodes: Array, apart: float) -> Array:
    """Return nodes without those nearer than `apart` [m] to one before them."""
    kept: list[Array] = []
    for node in nodes:
        if all(np.hypot(*(node - other)) > apart for other in kept):
            kept.append(node)
    return np.array(kept).reshape(-1, 2)


def _along_risers(cuts: Sequence[Array]) -> tuple[Array, Array]:
    """Return nodes on both sides of every riser, and where they lie on the plan: on the riser itself."""
    sided, snapped = [], []
    for cut in cuts:
        line = shapely.LineString(cut)
        count = max(2, math.ceil(line.length / ON_RISER))
        for step in range(count + 1):
            place = np.array(line.interpolate(step / count, normalized=True).coords[0])
            after = np.array(line.interpolate(min(step / count + 0.01, 1.0), normalized=True).coords[0])
            before = np.array(line.interpolate(max(step / count - 0.01, 0.0), normalized=True).coords[0])
            way = (after - before) / np.hypot(*(after - before))
            for sign in (1.0, -1.0):
                sided.append(place + sign * LIP * np.array([-way[1], way[0]]))
                snapped.append(place)
    return np.array(sided).reshape(-1, 2), np.array(snapped).reshape(-1, 2)


def _on_deck(nodes: Array, facets: NDArray[np.intp], pools: Sequence[shapely.Polygon], lines: Sequence[shapely.LineString]) -> NDArray[np.intp]:
    """Return the facets that lie outside the waters, and on one side of every riser."""
    kept, inner = [], [pool.buffer(-EDGE) for pool in pools]
    for facet, area in zip(facets, areas(nodes, facets), strict=True):
        outline = shapely.Polygon(nodes[facet])
        if area < 1e-4 or any(pool.contains(outline.centroid) for pool in inner):
            continue
        if any(outline.intersection(line).length > 4 * LIP for line in lines):
            continue
        kept.append(facet)
    return np.array(kept, dtype=np.intp).reshape(-1, 3)


def _slope_rows(nodes: Array, facets: NDArray[np.intp]) -> Array:
    """Return rows that give the root of the mean square of slope over each connected part."""
    size, part, gradients = areas(nodes, facets), joined(facets), slopes(nodes, facets)
    rows = np.zeros((2 * len(facets), len(nodes)))
    for index, facet in enumerate(facets):
        share = math.sqrt(size[index] / size[part == part[index]].sum())
        rows[2 * index : 2 * index + 2, facet] = share * gradients[index]
    return rows
