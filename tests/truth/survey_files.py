"""The files a crew and an office would bring of a true site: point files of several makes, tape ties, raw shots, grid coordinates."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

from pipeline.geometry.chain import Point
from tests.truth.instruments import (
    TAPE_SIGMA,
    Noise,
    TotalStation,
    degrees_minutes_seconds,
    feet_and_inches,
)
from tests.truth.outlines import FOOT
from tests.truth.sites import Shot, TrueSite

US_FOOT = 1200 / 3937  # [m] exact
GRID_SITE = (39.25, -106.29)  # [deg] latitude and longitude of the high site's origin (an invented site)
GRID_HEIGHT = 3105.0  # [m] above the ellipsoid
GRID_CRS = "EPSG:2232"  # NAD83 / Colorado Central (ftUS)
GEOCENTRIC = ("EPSG:6319", "EPSG:6317")  # NAD83(2011), geographic with height and earth-centred


def point_file(
    shots: Sequence[Shot], *, unit: float, order: str = "PNEZD", header: str = "", separator: str = ",", comma: bool = False, decimals: int = 3
) -> str:
    """Delimited text of the measured points; `unit` in metres, `header` a line of its own or empty."""
    lines = [header] if header else []
    for shot in shots:
        east, north, elev = (f"{value / unit:.{decimals}f}" for value in shot.measured)
        cells = {"P": shot.number, "N": north, "E": east, "Z": elev, "D": shot.description}
        if comma:
            cells.update({axis: cells[axis].replace(".", ",") for axis in "NEZ"})
        lines.append(separator.join(cells[axis] for axis in order))
    return "\n".join(lines) + "\n"


def tape_file(site: TrueSite, seed: int = 77) -> str:
    """Ties from the four marks to every point, three each, and levels from the first mark."""
    noise = Noise(seed)
    marks = [shot for shot in site.shots if shot.description.startswith("MARK")]
    rest = [shot for shot in site.shots if not shot.description.startswith("MARK")]
    rows = ["# base line A-B first; every distance level, both ends held", "from,to,dist,code,remark,side"]

    def tie(one: Shot, other: Shot, code: str, side: str = "") -> str:
        length = math.dist(one.true[:2], other.true[:2]) + noise.normal(TAPE_SIGMA)
        return f"{one.number},{other.number},{_quoted(feet_and_inches(length))},{code},,{side}"

    for index, one in enumerate(marks):
        rows += [tie(one, other, "MARK") for other in marks[index + 1 :]]
    for shot in rest:
        code = shot.description
        chosen = _best_marks(shot, marks)
        rows += [tie(mark, shot, code, "left" if mark is chosen[0] else "") for mark in chosen]
    for shot in marks[1:] + rest:
        rise = shot.true[2] - marks[0].true[2] + noise.normal(0.002)
        rows.append(f"{marks[0].number},{shot.number},{_quoted(feet_and_inches(rise, 8))},LEVEL,,")
    return "\n".join(rows) + "\n"


def _best_marks(shot: Shot, marks: Sequence[Shot]) -> list[Shot]:
    """All marks but the one farthest off, in the order of the marks."""
    farthest = max(marks, key=lambda mark: math.dist(mark.true[:2], shot.true[:2]))
    return [mark for mark in marks if mark is not farthest]


def _quoted(reading: str) -> str:
    return '"' + reading.replace('"', '""') + '"'


def observation_file(site: TrueSite, seed: int = 88) -> str:
    """Raw shots from two setups; marks and the other setup in both faces, the rest in face 1, in metres."""
    noise = Noise(seed)
    marks = [shot for shot in site.shots if shot.description.startswith("MARK")]
    rest = [shot for shot in site.shots if not shot.description.startswith("MARK")]
    first, second = site.setups
    errors = {"collimation": math.radians(6 / 3600), "index": math.radians(9 / 3600)}
    stations = [
        TotalStation("S1", first[0], first[1], 1.524, math.radians(213.4), noise, **errors),
        TotalStation("S2", second[0], second[1], 1.488, math.radians(31.9), noise, **errors),
    ]
    rows = ["setup,target,face,hi,ht,hz_deg,zenith_deg,slope_dist,code,remark"]
    for index, station in enumerate(stations):
        other = stations[1 - index]
        targets = [(shot.number, (shot.true[0], shot.true[1]), shot.true[2], "MARK", shot.description.partition("/ ")[2]) for shot in marks]
        targets.append((other.name, other.place, other.elev, "MARK", "nail under the other setup"))
        for name, place, elev, code, remark in targets:
            rows += [_row(station, name, place, elev, 1.6, face, code, remark) for face in (1, 2)]
        for shot in rest:
            if _nearer(shot, station, other):
                rows.append(_row(station, shot.number, (shot.true[0], shot.true[1]), shot.true[2], 1.8, 1, shot.description, ""))
    return "\n".join(rows) + "\n"


def _row(station: TotalStation, name: str, place: Point, elev: float, target_height: float, face: int, code: str, remark: str) -> str:
    hz, zenith, slope = station.shot(place, elev, target_height, face)
    angles = f"{degrees_minutes_seconds(hz)},{degrees_minutes_seconds(zenith)}"
    return f"{station.name},{name},{face},{station.height:.3f},{target_height:.3f},{angles},{slope:.4f},{code},{remark}"


def _nearer(shot: Shot, station: TotalStation, other: TotalStation) -> bool:
    return math.dist(shot.true[:2], station.place) <= math.dist(shot.true[:2], other.place)


def ground_to_grid() -> Callable[[float, float, float], tuple[float, float, float]]:
    """How a ground place (east, north, height [m]) of the high site goes to its grid (east, north, height in US survey feet).

    Strictly in space: the ground frame is east, north and up at the site; from it through earth-centred coordinates to
    latitude, longitude and height, then into the projection.
    """
    from pyproj import Transformer

    to_geographic = Transformer.from_crs(*GEOCENTRIC[::-1], always_xy=True)
    to_grid = Transformer.from_crs("EPSG:4269", GRID_CRS, always_xy=True)
    origin, axes = _ground_frame()

    def convert(east: float, north: float, elev: float) -> tuple[float, float, float]:
        local = (east, north, elev - GRID_HEIGHT)
        centred = [origin[row] + sum(axes[column][row] * local[column] for column in range(3)) for row in range(3)]
        lon, lat, above = to_geographic.transform(*centred)
        grid_east, grid_north = to_grid.transform(lon, lat)
        return grid_east, grid_north, above / US_FOOT

    return convert


def grid_to_ground() -> Callable[[float, float, float], Point]:
    """The way back: grid (east, north [US survey feet], height [m]) to the ground frame's (east, north) [m]."""
    from pyproj import Transformer

    to_centre = Transformer.from_crs(*GEOCENTRIC, always_xy=True)
    from_grid = Transformer.from_crs(GRID_CRS, "EPSG:4269", always_xy=True)
    origin, axes = _ground_frame()

    def convert(grid_east: float, grid_north: float, height: float) -> Point:
        lon, lat = from_grid.transform(grid_east, grid_north)
        centred = to_centre.transform(lon, lat, height)
        east, north = (sum(axes[column][row] * (centred[row] - origin[row]) for row in range(3)) for column in range(2))
        return east, north

    return convert


def _ground_frame() -> tuple[tuple[float, float, float], tuple[tuple[float, float, float], ...]]:
    """Origin of the high site in earth-centred coordinates [m], and its axes east, north and up there."""
    from pyproj import Transformer

    lat, lon = (math.radians(value) for value in GRID_SITE)
    origin = Transformer.from_crs(*GEOCENTRIC, always_xy=True).transform(GRID_SITE[1], GRID_SITE[0], GRID_HEIGHT)
    axes = (
        (-math.sin(lon), math.cos(lon), 0.0),
        (-math.sin(lat) * math.cos(lon), -math.sin(lat) * math.sin(lon), math.cos(lat)),
        (math.cos(lat) * math.cos(lon), math.cos(lat) * math.sin(lon), math.sin(lat)),
    )
    return origin, axes


def grid_file(site: TrueSite) -> str:
    """PNEZD in US survey feet on the grid."""
    convert = ground_to_grid()
    lines = ["Point,Northing,Easting,Elevation,Code"]
    for shot in site.shots:
        east, north, elev = convert(*shot.measured)
        lines.append(f"{shot.number},{north:.3f},{east:.3f},{elev:.3f},{shot.description}")
    return "\n".join(lines) + "\n"


def landxml_file(shots: Sequence[Shot], *, unit: float = FOOT, units: str = '<Imperial linearUnit="foot" areaUnit="squareFoot"/>') -> str:
    """LandXML 1.2: CgPoints, each "northing easting elevation", the description in `code`."""
    points = []
    for shot in shots:
        east, north, elev = (f"{value / unit:.4f}" for value in shot.measured)
        points.append(f'    <CgPoint name="{shot.number}" code="{shot.description}">{north} {east} {elev}</CgPoint>')
    head = '<?xml version="1.0" encoding="UTF-8"?>\n<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2" date="2026-11-24" time="16:05:00">'
    return "\n".join([head, f"  <Units>{units}</Units>", "  <CgPoints>", *points, "  </CgPoints>", "</LandXML>"]) + "\n"


def write_dxf(site: TrueSite, path: Path) -> None:
    """A drawing of the true site in metres: the water as a polyline with bulges, deck corners as one, marks and levels as points, on layers named as the codes."""
    import ezdxf

    document = ezdxf.new("R2010", setup=False)
    document.header["$INSUNITS"] = 6  # metres
    space = document.modelspace()
    for index, water in enumerate(site.waters, 1):
        points = [(x, y, bulge) for (x, y), bulge in zip(water.vertices, water.bulges, strict=True)]
        layer = "WATER" if len(site.waters) == 1 else f"WATER{index}"
        space.add_lwpolyline(points, format="xyb", close=True, dxfattribs={"layer": layer})
    deck = [shot.true[:2] for shot in site.shots if shot.description.startswith("DECK")]
    space.add_lwpolyline(deck, close=True, dxfattribs={"layer": "DECK"})
    for shot in site.shots:
        code = shot.description.split()[0]
        if code in {"MARK", "SPOT", "GATE"}:
            space.add_point(shot.true, dxfattribs={"layer": code})
    document.saveas(path)


def sample_files(site: TrueSite) -> dict[str, str]:
    """The survey files of a sample, by name."""
    feet = {"unit": FOOT}
    writers: dict[str, Callable[[], dict[str, str]]] = {
        "01-rectangle": lambda: {"points.csv": point_file(site.shots, header="Point,Northing,Easting,Elevation,Description", **feet)},
        "02-long-round-ends": lambda: {"points.txt": point_file(site.shots, unit=1.0, separator=" ")},
        "03-freeform": lambda: {"points.csv": point_file(site.shots, order="PENZD", header="Pt No,East,North,Height,Code", **feet)},
        "04-l-shape-spa": lambda: {
            "points.csv": point_file(site.shots, unit=1.0, separator=";", comma=True, header="Point;Northing;Easting;Elevation;Description")
        },
        "05-house-wall": lambda: {"points.csv": "# PNEZD, feet\n" + point_file(site.shots, **feet)},
        "06-three-risers": lambda: {"points.csv": point_file(site.shots, header="P,N,E,Z,D", **feet)},
        "07-tape-ties": lambda: {"ties.csv": tape_file(site)},
        "08-two-setups": lambda: {"shots.csv": observation_file(site)},
        "09-state-plane": lambda: {"grid.csv": grid_file(site)},
        "10-blunder": lambda: {"points.csv": point_file(site.shots, order="PENZD", decimals=2, **feet)},
        "11-no-water": lambda: {"points.csv": point_file(site.shots, header="point,northing,easting,elevation,description", **feet)},
    }
    return writers[site.name]()
