"""Triangulated surfaces: facets over nodes, where a place lies among them, and how much the slope jumps from one to the next."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

Array = NDArray[np.float64]
Facets = NDArray[np.intp]


def triangulated(nodes: Array) -> Facets:
    """Return the Delaunay triangles (n, 3) over `nodes` (m, 2) [m], as node numbers in ascending order."""
    number = {(float(x), float(y)): index for index, (x, y) in enumerate(nodes)}
    found = shapely.delaunay_triangles(shapely.MultiPoint(nodes))
    rows = [sorted(number[corner] for corner in piece.exterior.coords[:3]) for piece in found.geoms]
    return np.array(sorted(rows), dtype=np.intp).reshape(-1, 3)


def slopes(nodes: Array, facets: Facets) -> Array:
    """Return (n, 2, 3): what turns the levels of a facet's three nodes into its slope [1/m]."""
    a, b, c = (nodes[facets[:, corner]] for corner in range(3))
    doubled = _cross(b - a, c - a)
    rows = np.stack([_turned(c - b), _turned(a - c), _turned(b - a)], axis=2)
    return np.asarray(rows / doubled[:, None, None])


def areas(nodes: Array, facets: Facets) -> Array:
    """Return the area of every facet [m²]."""
    a, b, c = (nodes[facets[:, corner]] for corner in range(3))
    return np.asarray(np.abs(_cross(b - a, c - a)) / 2)


def shares(places: Array, nodes: Array, facets: Facets) -> Array:
    """Return (p, m): the weights of the nodes' levels in the level at each place; facets are run on beyond their edge."""
    gradients = slopes(nodes, facets)
    centres = nodes[facets].mean(axis=1)
    rows = np.zeros((len(places), len(nodes)))
    for index, place in enumerate(places):
        weights = 1 / 3 + np.einsum("fd,fdk->fk", place - centres, gradients)
        best = int(np.argmax(np.round(weights.min(axis=1), 12)))
        rows[index, facets[best]] = weights[best]
    return rows


def slope_jumps(nodes: Array, facets: Facets) -> Array:
    """Return (e, m): per inner edge the jump of the slope across it, weighted by sqrt(edge / distance of the centres).

    The sum of squares of these rows times the nodes' levels is the bending of the surface [1/m units of slope squared].
    """
    sides: dict[tuple[int, int], list[int]] = {}
    for index, facet in enumerate(facets):
        for i, j in ((0, 1), (0, 2), (1, 2)):
            sides.setdefault((int(facet[i]), int(facet[j])), []).append(index)
    gradients = slopes(nodes, facets)
    rows = []
    for (i, j), pair in sorted(sides.items()):
        if len(pair) != 2:
            continue
        along = nodes[j] - nodes[i]
        length = float(np.hypot(*along))
        normal = np.array([-along[1], along[0]]) / length
        between = abs(float((nodes[facets[pair[0]]].mean(axis=0) - nodes[facets[pair[1]]].mean(axis=0)) @ normal))
        row = np.zeros(len(nodes))
        for sign, facet in ((1.0, pair[0]), (-1.0, pair[1])):
            row[facets[facet]] += sign * (normal @ gradients[facet])
        rows.append(row * np.sqrt(length / max(between, 1e-3)))
    return np.array(rows).reshape(-1, len(nodes))


def joined(facets: Facets) -> NDArray[np.intp]:
    """Return for each facet the number of the connected part (sharing nodes) it belongs to."""
    parent: dict[int, int] = {}

    def root(node: int) -> int:
        while parent.setdefault(node, node) != node:
            node = parent[node]
        return node

    for facet in facets:
        for node in facet[1:]:
            parent[root(int(node))] = root(int(facet[0]))
    roots = [root(int(facet[0])) for facet in facets]
    order = {value: index for index, value in enumerate(sorted(set(roots)))}
    return np.array([order[value] for value in roots], dtype=np.intp)


def hull_of(places: Array) -> Sequence[tuple[float, float]]:
    """Return the corners of the convex hull of places [m]."""
    hull = shapely.convex_hull(shapely.MultiPoint(places))
    return [(float(x), float(y)) for x, y in hull.exterior.coords[:-1]] if hull.geom_type == "Polygon" else []


def _cross(one: Array, other: Array) -> Array:
    return np.asarray(one[..., 0] * other[..., 1] - one[..., 1] * other[..., 0])


def _turned(side: Array) -> Array:
    return np.stack([-side[:, 1], side[:, 0]], axis=1)
