"""Reading a package as its users do: the tables, the survey's points, and where the truth lies in the job's frame.

Nothing here looks at the artifacts that pass between stages.
"""

from __future__ import annotations

import csv
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.geometry.chain import Chain, Point
from tests.truth.outlines import moved
from tests.truth.sites import TrueSite
from tests.truth.survey_files import US_FOOT, grid_to_ground

Row = dict[str, str]


@dataclass(frozen=True)
class Hole:
    """One row of holes.csv [m, rad]."""

    name: str
    carries: str
    role: str
    place: Point
    row: Row

    def metres(self, column: str) -> float:
        return float(self.row[column]) / 1000


def table(path: Path) -> list[Row]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def status(job: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((job / "status.json").read_text(encoding="utf-8"))
    return found


def holes(job: Path, *, pockets: bool = False) -> list[Hole]:
    """The holes of the line in walking order; with `pockets` those beside it too."""
    found = [
        Hole(row["hole"], row["panel"], row["role"], (float(row["east_mm"]) / 1000, float(row["north_mm"]) / 1000), row)
        for row in table(job / "package" / "holes.csv")
    ]
    return [hole for hole in found if pockets or hole.role != "pocket"]


def neighbours(line: list[Hole], closed: bool) -> list[tuple[Hole, Hole]]:
    """Consecutive holes of the line, the last and the first too when it is a loop."""
    return list(zip(line, line[1:] + line[:1] if closed else line[1:], strict=closed))


def chords(line: list[Hole], closed: bool) -> list[tuple[Hole, Hole]]:
    """The pairs of holes with fabric or a gate's leaf between them."""
    return [(one, other) for one, other in neighbours(line, closed) if one.carries == other.carries]


def turn(before: Point, here: Point, after: Point) -> float:
    """Deflection at a hole [rad], left positive."""
    arriving = math.atan2(here[1] - before[1], here[0] - before[0])
    leaving = math.atan2(after[1] - here[1], after[0] - here[0])
    return math.remainder(leaving - arriving, 2 * math.pi)


def surveyed(job: Path) -> dict[str, tuple[float, float]]:
    """points.csv: every used point's place in the survey's own frame [m]."""
    return {row["point"]: (float(row["east_m"]), float(row["north_m"])) for row in table(job / "points.csv")}


def true_waters(site: TrueSite, job: Path) -> tuple[Chain, ...]:
    """The true water's edges in the frame of `line_in_truth`."""
    return tuple(to_job(site, job, chain) for chain in site.waters)


def to_job(site: TrueSite, job: Path, chain: Chain) -> Chain:
    """A true chain in the job's frame; a free frame is found by fitting all points of points.csv, without a scale."""
    if site.frame != "free":
        return chain
    angle, east, north = fitted_frame(site, job)
    return moved(chain, angle, east, north)


def fitted_frame(site: TrueSite, job: Path) -> tuple[float, float, float]:
    """Turn [rad] and shift [m] that bring the truth onto the surveyed points, by least squares (closed form)."""
    found = surveyed(job)
    pairs = [(shot.true[:2], found[shot.number]) for shot in site.shots if shot.number in found]
    true = np.array([pair[0] for pair in pairs])
    seen = np.array([pair[1] for pair in pairs])
    mean_true, mean_seen = true.mean(axis=0), seen.mean(axis=0)
    a, b = true - mean_true, seen - mean_seen
    angle = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    cosine, sine = math.cos(angle), math.sin(angle)
    east, north = mean_seen - np.array([cosine * mean_true[0] - sine * mean_true[1], sine * mean_true[0] + cosine * mean_true[1]])
    return angle, float(east), float(north)


def line_in_truth(site: TrueSite, job: Path) -> dict[str, Point]:
    """Where each hole stands in the frame of `true_waters` [m].

    For a grid survey the holes are taken from stakeout.csv and brought to the ground strictly in space, so that the
    combined factor the pipeline used is put to the test.
    """
    if site.frame != "grid":
        return {hole.name: hole.place for hole in holes(job, pockets=True)}
    ground = grid_to_ground()
    rows = table(job / "package" / "stakeout.csv")
    return {row["P"]: ground(float(row["E"]), float(row["N"]), float(row["Z"]) * US_FOOT) for row in rows}
