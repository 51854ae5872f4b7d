"""Small sites and what instruments without errors, or with known ones, would write of them; the same for the same seed."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from typing import NamedTuple

Place = tuple[float, float, float]


class Made(NamedTuple):
    """A site: name of each point to (code, east, north, up) [m]."""

    points: dict[str, tuple[str, float, float, float]]

    def place(self, name: str) -> Place:
        return self.points[name][1:]


def made_site(seed: int, count: int = 12, *, base: str = "tape") -> Made:
    """A freeform pool inside four marks; A is the origin and B east of it, or (`base` = "station") S1 is the origin and M1 north of it."""
    source = random.Random(seed)
    points: dict[str, tuple[str, float, float, float]] = {}
    if base == "tape":
        points["A"] = ("MARK", 0.0, 0.0, 0.0)
        points["B"] = ("MARK", source.uniform(13, 17), 0.0, source.uniform(-0.2, 0.2))
        points["C"] = ("MARK", source.uniform(13, 17), source.uniform(10, 12), source.uniform(-0.2, 0.2))
        points["D"] = ("MARK", source.uniform(-2, 0), source.uniform(10, 12), source.uniform(-0.2, 0.2))
        centre = (7.0, 5.3)
    else:
        points["S1"] = ("MARK", 0.0, 0.0, 0.0)
        points["M1"] = ("MARK", 0.0, source.uniform(8, 15), source.uniform(-0.5, 0.5))
        points["M2"] = ("MARK", source.uniform(12, 16), source.uniform(8, 12), source.uniform(-0.5, 0.5))
        points["M3"] = ("MARK", source.uniform(-9, -6), source.uniform(5, 7), source.uniform(-0.5, 0.5))
        points["S2"] = ("MARK", source.uniform(13, 16), source.uniform(-2, 2), source.uniform(-0.3, 0.3))
        centre = (6.5, 5.5)
    long, wide = source.uniform(3.5, 4.5), source.uniform(2.0, 3.0)
    for number in range(count):
        turn = 2 * math.pi * number / count
        east, north = centre[0] + long * math.cos(turn), centre[1] + wide * math.sin(turn)
        points[f"W{number + 1}"] = ("WATER", east, north, source.uniform(-0.01, 0.01))
    points["P1"] = ("SPOT", centre[0] + long + 1, centre[1], source.uniform(-0.1, 0.1))
    return Made(points)


def no_error(_sigma: float) -> float:
    return 0.0


def errors(seed: int) -> Callable[[float], float]:
    """Normal errors from a seed."""
    source = random.Random(seed)
    return lambda sigma: source.gauss(0.0, sigma)


def tape_file(
    site: Made, error: Callable[[float], float] = no_error, *, sigma: float = 0.003, marks: str = "ABCD", side: bool = True, order: Sequence[str] = ()
) -> str:
    """Every point tied from `marks`, in metres with ten decimals; the base line first."""
    lines = ["from,to,dist,code,remark,side,sigma_mm", _tie(site, "A", "B", error, sigma, "")]
    names = list(order) or [name for name in site.points if name not in "AB"]
    for name in names:
        told = "left" if side and name.startswith("W") else ""
        lines += [
            _tie(site, mark, name, error, sigma, told) for mark in marks if mark != name and not (name in "CD" and mark in "CD" and mark > name)
        ]
    return "\n".join(lines) + "\n"


def _tie(site: Made, start: str, end: str, error: Callable[[float], float], sigma: float, side: str) -> str:
    length = math.dist(site.place(start)[:2], site.place(end)[:2]) + error(sigma)
    return f"{start},{end},{length:.10f},{site.points[end][0]},,{side},{sigma * 1000:.6g}"


def shots_file(
    site: Made,
    error: Callable[[float], float] = no_error,
    *,
    sigma_angle: float = 5.0,
    sigma_dist: float = 2.0,
    circles: Sequence[float] = (0.7, 2.1),
) -> str:
    """Shots from S1 and S2 on all that is not a setup; marks and setups from both; decimal degrees."""
    lines = ["setup,target,face,hi,ht,hz_deg,zenith_deg,slope_dist,code,remark,sigma_hz_sec,sigma_zenith_sec,sigma_dist_mm"]
    second = math.pi / 648000
    for setup, circle in zip(("S1", "S2"), circles, strict=True):
        at, hi = site.place(setup), 1.5 if setup == "S1" else 1.62
        for name, (code, *place) in site.points.items():
            if name == setup or (setup == "S2" and name.startswith(("W", "P"))):
                continue
            ht = 1.6 if name.startswith(("M", "S")) else 1.8
            level = math.hypot(place[0] - at[0], place[1] - at[1])
            rise = place[2] + ht - at[2] - hi
            azimuth = math.atan2(place[0] - at[0], place[1] - at[1])
            slope = math.hypot(level, rise)
            zenith = math.atan2(level, rise)
            for _ in range(3):  # the reading is bent by curvature and refraction over the level distance of the reading itself
                zenith = math.atan2(level, rise) + 0.87 * slope * math.sin(zenith) / (2 * 6_371_000)
            hz = math.degrees(azimuth - circle + error(sigma_angle * second)) % 360
            zen = math.degrees(zenith + error(sigma_angle * second))
            dist = slope + error(sigma_dist / 1000)
            lines.append(f"{setup},{name},1,{hi},{ht},{hz:.12f},{zen:.12f},{dist:.10f},{code},,{sigma_angle},{sigma_angle},{sigma_dist}")
    return "\n".join(lines) + "\n"


def point_file(
    site: Made, *, unit: float = 1.0, columns: str = "PNEZD", delimiter: str = ",", comma: bool = False, header: str = "", decimals: int = 9
) -> str:
    """Points in any order of columns, unit, delimiter, with or without decimal commas."""
    lines = [header] if header else []
    for name, (code, east, north, up) in site.points.items():
        cells = {"P": name, "D": code}
        for letter, value in (("N", north), ("E", east), ("Z", up)):
            text = f"{value / unit:.{decimals}f}"
            cells[letter] = text.replace(".", ",") if comma else text
        lines.append(delimiter.join(cells[letter] for letter in columns))
    return "\n".join(lines) + "\n"
