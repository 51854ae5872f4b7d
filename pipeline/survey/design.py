"""Observation equations of a network: computed values and their derivatives, vectorised by kind of observation.

Azimuths run clockwise from north: ``az = atan2(dE, dN)``.  Derivatives after C. D. Ghilani, "Adjustment
Computations", chapters 14-16 (from memory), and held against differences of the computed values in the tests.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from pipeline.survey.network import ANGULAR, COORDINATES, KINDS, Network

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
_AXES: Final = ("E", "N", "U")
_USED_AXES: Final[dict[str, tuple[int, ...]]] = {
    **dict.fromkeys(("distance", "direction", "angle", "azimuth"), (0, 1)),
    **dict.fromkeys(("zenith", "slope"), (0, 1, 2)),
    "rise": (2,),
    "east": (0,),
    "north": (1,),
    "up": (2,),
}


class Rows(NamedTuple):
    """All observations of one kind, as arrays."""

    kind: str
    rows: Indices
    at: Indices
    to: Indices
    fore: Indices
    group: Indices
    hi: Floats
    ht: Floats


class Design(NamedTuple):
    """A network turned into arrays.

    Parameters
    ----------
    places : Floats, shape (points, 3)
        East, north, up about `centre` [m].
    columns : Indices, shape (points, 3)
        Column of each coordinate's unknown; −1 where it is held or nobody observed it.
    orientations : Indices, shape (groups,)
        Column of each group's orientation unknown.
    unknowns : int
    owners : Indices, shape (unknowns,)
        Point each unknown belongs to; an orientation belongs to the point its directions were observed at.
    """

    names: tuple[str, ...]
    centre: Floats
    places: Floats
    columns: Indices
    orientations: Indices
    unknowns: int
    owners: Indices
    kinds: tuple[Rows, ...]
    values: Floats
    sigmas: Floats
    angular: NDArray[np.bool_]


def design_of(network: Network) -> Design:
    """Return a network as arrays, with its unknowns numbered point by point."""
    index = {point.name: number for number, point in enumerate(network.points)}
    places = np.array([(point.east, point.north, point.up) for point in network.points], dtype=float).reshape(-1, 3)
    centre = places.mean(axis=0)
    observations = network.observations
    groups = {name: number for number, name in enumerate(dict.fromkeys(o.group for o in observations if o.kind == "direction"))}
    kinds = tuple(_rows(kind, network, index, groups) for kind in KINDS if any(o.kind == kind for o in observations))
    columns, orientations, owners = _numbered(network, kinds, len(groups))
    return Design(
        names=tuple(index),
        centre=centre,
        places=places - centre,
        columns=columns,
        orientations=orientations,
        unknowns=len(owners),
        owners=owners,
        kinds=kinds,
        values=np.array([o.value - (centre[COORDINATES.index(o.kind)] if o.kind in COORDINATES else 0.0) for o in observations], dtype=float),
        sigmas=np.array([o.sigma for o in observations], dtype=float),
        angular=np.array([o.kind in ANGULAR for o in observations], dtype=bool),
    )


def _rows(kind: str, network: Network, index: dict[str, int], groups: dict[str, int]) -> Rows:
    chosen = [(row, o) for row, o in enumerate(network.observations) if o.kind == kind]
    return Rows(
        kind,
        np.array([row for row, _ in chosen], dtype=np.int64),
        np.array([index[o.at] for _, o in chosen], dtype=np.int64),
        np.array([index[o.to] if o.to else 0 for _, o in chosen], dtype=np.int64),
        np.array([index[o.fore] if o.fore else 0 for _, o in chosen], dtype=np.int64),
        np.array([groups[o.group] if kind == "direction" else 0 for _, o in chosen], dtype=np.int64),
        np.array([o.hi for _, o in chosen], dtype=float),
        np.array([o.ht for _, o in chosen], dtype=float),
    )


def _numbered(network: Network, kinds: tuple[Rows, ...], groups: int) -> tuple[Indices, Indices, Indices]:
    """Number the unknowns: the coordinates of a point and the orientations observed at it stand together."""
    count = len(network.points)
    used = np.zeros((count, 3), dtype=bool)
    for rows in kinds:
        ends = [rows.at] if rows.kind in COORDINATES else [rows.at, rows.to, *([rows.fore] if rows.kind == "angle" else [])]
        for axis in _USED_AXES[rows.kind]:
            for end in ends:
                used[end, axis] = True
    for number, point in enumerate(network.points):
        for axis, letter in enumerate(_AXES):
            if letter in point.held.upper():
                used[number, axis] = False
    group_owner = np.zeros(groups, dtype=np.int64)
    for rows in kinds:
        if rows.kind == "direction":
            group_owner[rows.group] = rows.at
    groups_at: dict[int, list[int]] = {}
    for group, owner in enumerate(group_owner.tolist()):
        groups_at.setdefault(owner, []).append(group)
    columns = np.full((count, 3), -1, dtype=np.int64)
    orientations = np.full(groups, -1, dtype=np.int64)
    owners: list[int] = []
    for number in range(count):
        for axis in range(3):
            if used[number, axis]:
                columns[number, axis] = len(owners)
                owners.append(number)
        for group in groups_at.get(number, ()):
            orientations[group] = len(owners)
            owners.append(number)
    return columns, orientations, np.array(owners, dtype=np.int64)


def first_orientations(design: Design, places: Floats) -> Floats:
    """Return each group's orientation [rad] as the circular mean of azimuth less direction."""
    orientations = np.zeros(len(design.orientations))
    for rows in design.kinds:
        if rows.kind == "direction":
            turn = _azimuth(places, rows.at, rows.to) - design.values[rows.rows]
            sines = np.bincount(rows.group, np.sin(turn), len(orientations))
            cosines = np.bincount(rows.group, np.cos(turn), len(orientations))
            orientations = np.arctan2(sines, cosines)
    return orientations


def misclosures(design: Design, places: Floats, orientations: Floats) -> Floats:
    """Return observed less computed values; angles wrapped into (−π, π]."""
    computed = np.zeros(len(design.values))
    for rows in design.kinds:
        computed[rows.rows] = _computed(rows, places, orientations)
    gaps = design.values - computed
    turn = 2 * math.pi
    gaps[design.angular] -= turn * np.round(gaps[design.angular] / turn)
    return gaps


def jacobian(design: Design, places: Floats) -> Any:
    """Return the derivatives of the computed values by the unknowns, as a sparse matrix of shape (observations, unknowns)."""
    all_rows: list[Indices] = []
    all_columns: list[Indices] = []
    all_values: list[Floats] = []
    for rows in design.kinds:
        for columns, values in _derivatives(rows, design, places):
            kept = columns >= 0
            all_rows.append(rows.rows[kept])
            all_columns.append(columns[kept])
            all_values.append(values[kept])
    shape = (len(design.values), design.unknowns)
    if not all_rows:
        return sparse.csr_array(shape)
    return sparse.csr_array((np.concatenate(all_values), (np.concatenate(all_rows), np.concatenate(all_columns))), shape=shape)


def _azimuth(places: Floats, at: Indices, to: Indices) -> Floats:
    azimuth: Floats = np.arctan2(places[to, 0] - places[at, 0], places[to, 1] - places[at, 1])
    return azimuth


def _leg(rows: Rows, places: Floats) -> tuple[Floats, Floats, Floats]:
    """Return (dE, dN, dU) from instrument axis to target."""
    step = places[rows.to] - places[rows.at]
    return step[:, 0], step[:, 1], step[:, 2] + rows.ht - rows.hi


def _computed(rows: Rows, places: Floats, orientations: Floats) -> Floats:
    if rows.kind in COORDINATES:
        values: Floats = places[rows.at, COORDINATES.index(rows.kind)]
        return values
    east, north, rise = _leg(rows, places)
    level = np.hypot(east, north)
    match rows.kind:
        case "distance":
            values = level
        case "slope":
            values = np.hypot(level, rise)
        case "zenith":
            values = np.arctan2(level, rise)
        case "rise":
            values = rise
        case "azimuth":
            values = np.arctan2(east, north)
        case "direction":
            values = np.arctan2(east, north) - orientations[rows.group]
        case _:
            values = _azimuth(places, rows.at, rows.fore) - np.arctan2(east, north)
    return values


def _derivatives(rows: Rows, design: Design, places: Floats) -> list[tuple[Indices, Floats]]:
    """Return (columns, values) pairs of one kind."""
    columns, ones = design.columns, np.ones(len(rows.rows))
    if rows.kind in COORDINATES:
        return [(columns[rows.at, COORDINATES.index(rows.kind)], ones)]
    if rows.kind == "rise":
        return [(columns[rows.to, 2], ones), (columns[rows.at, 2], -ones)]
    east, north, rise = _leg(rows, places)
    level = np.hypot(east, north)
    match rows.kind:
        case "distance":
            return _both_ends(rows, columns, (east / level, north / level))
        case "slope":
            slope = np.hypot(level, rise)
            return _both_ends(rows, columns, (east / slope, north / slope, rise / slope))
        case "zenith":
            square = level**2 + rise**2
            return _both_ends(rows, columns, (east / level * rise / square, north / level * rise / square, -level / square))
        case "azimuth":
            return _both_ends(rows, columns, (north / level**2, -east / level**2))
        case "direction":
            return [*_both_ends(rows, columns, (north / level**2, -east / level**2)), (design.orientations[rows.group], -ones)]
        case _:
            back = _both_ends(rows, columns, (-north / level**2, east / level**2))
            step = places[rows.fore] - places[rows.at]
            square = step[:, 0] ** 2 + step[:, 1] ** 2
            return back + _both_ends(rows._replace(to=rows.fore), columns, (step[:, 1] / square, -step[:, 0] / square))


def _both_ends(rows: Rows, columns: Indices, slopes: tuple[Floats, ...]) -> list[tuple[Indices, Floats]]:
    """What moves an observation by moving its far end moves it the other way by moving its near end."""
    pairs = []
    for axis, slope in enumerate(slopes):
        pairs += [(columns[rows.to, axis], slope), (columns[rows.at, axis], -slope)]
    return pairs
