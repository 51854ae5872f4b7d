"""The published networks of the folder of published answers, as this project's records."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from pipeline.survey.network import Network, NetworkPoint, Observation

SECOND = math.pi / 648000  # [rad]
CC = 1e-4 * math.pi / 200  # [rad]
NETWORKS = (
    "Benning82_Distance_fix", "Benning83_DistanceDirection_fix", "Ghilani14_5_Distance_fix", "Ghilani15_4_Angle_fix", "Ghilani15_5_Angle_fix",
    "Ghilani16_1_Traverse", "Ghilani21_10_DistanceAngle_fix", "Ghilani_Wolf_Distance_Angle", "Grossmann_Direction_fix", "StrangBorre_Distance_fix",
    "StrangBorre_Distance_free", "WeissEtAl_Distance_fix",
)  # fmt: skip


def published(folder: Path, name: str) -> tuple[dict[str, Any], Network]:
    """What is stored of a network, and the network as inputs only."""
    stored = json.loads((folder / "networks" / f"{name}.json").read_text(encoding="utf-8"))
    points = tuple(NetworkPoint(name=key, east=p["x"], north=p["y"], held="EN" if p["fixed"] else "") for key, p in stored["points"].items())
    return stored, Network(points=points, observations=tuple(_observation(o) for o in stored["observations"]))


def stored_unit(entry: dict[str, Any]) -> float:
    """The unit of a stored residual [m] or [rad]."""
    return 0.001 if entry["v_unit"] == "mm" else CC


def _observation(entry: dict[str, Any]) -> Observation:
    if entry["type"] == "distance":
        return Observation(
            kind="distance",
            at=entry["from"],
            to=entry["to"],
            value=entry["val_m"],
            sigma=entry["stdev"] / 1000,
            label=f"{entry['from']}-{entry['to']}",
        )
    if entry["unit"] == "dms":
        degrees, minutes, seconds = entry["val"].split("-")
        value, sigma = math.radians(int(degrees) + int(minutes) / 60 + float(seconds) / 3600), entry["stdev"] * SECOND
    else:
        value, sigma = float(entry["val"]) * math.pi / 200, entry["stdev"] * CC
    if entry["type"] == "angle":
        label = f"{entry['from']}({entry['bs']},{entry['fs']})"
        return Observation(kind="angle", at=entry["from"], to=entry["bs"], fore=entry["fs"], value=value, sigma=sigma, label=label)
    if entry["type"] == "azimuth":
        return Observation(kind="azimuth", at=entry["from"], to=entry["to"], value=value, sigma=sigma)
    return Observation(kind="direction", at=entry["from"], to=entry["to"], value=value, sigma=sigma, group=str(entry["set"]))
