"""The form `dxf`: points, lines, polylines and arcs on layers named as the codes.

A drawing says what is straight and what is an arc; points along both are handed on, with PC and PT at the ends of
arcs, so that it goes the way of every other survey.
"""

from __future__ import annotations

import contextlib
import io
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final, NamedTuple

from pipeline.errors import Reason, SurveyError
from pipeline.model.shop import Limits
from pipeline.survey.codes import LINE_CODES, read_description
from pipeline.survey.decoding import not_text
from pipeline.survey.field_book import Page, ReadPoint
from pipeline.survey.point_files import refuse_too_many
from pipeline.survey.quantities import LARGEST_NUMBER
from pipeline.survey.refusals import refusal
from pipeline.units import METRES_PER, UnitName

STATED_UNITS: Final[dict[int, UnitName]] = {1: "inch", 2: "foot", 4: "millimetre", 6: "metre", 21: "us-survey-foot"}  # $INSUNITS
SPACING: Final = 0.75  # [m] of points handed on along lines and arcs
LEAST_WITHIN_ARC: Final = 3  # points within an arc, however short
JOINED: Final = 0.002  # [m] ends of entities that near are one point
MOST_ON_A_PIECE: Final = 2000
ENTITY: Final = re.compile(rb"^[ \t]*0[ \t]*\r?\n[ \t]*[A-Z]", re.MULTILINE)  # group code 0, and the name of a kind

Place = tuple[float, float, float]


class Piece(NamedTuple):
    """A straight piece or an arc between two places [m]; bulge as in DXF, the tangent of a quarter of the angle, + to the left."""

    start: Place
    end: Place
    bulge: float = 0.0

    def reversed(self) -> Piece:
        """Return the same piece walked the other way."""
        return Piece(self.end, self.start, -self.bulge)


class Path(NamedTuple):
    """Pieces end to end."""

    pieces: tuple[Piece, ...]
    closed: bool


def read_dxf(content: bytes, file: str, unit: UnitName, table: Mapping[str, str], limits: Limits) -> Page:
    """Read a drawing.

    Parameters
    ----------
    content : bytes
        The file.
    file : str
        Its name.
    unit : UnitName
        The job's, for a drawing that states none.
    table : mapping
        The shop's own codes; layers may be named by them.
    limits : Limits
        The shop's, of a drawing and of points.

    Raises
    ------
    SurveyError
        When it is no drawing, or one that states another unit than the job's where both give a possible pool.
    """
    if len(content) > limits.drawing_bytes:
        raise _too_large(file, f"{len(content):,} bytes", limits.drawing_bytes, "drawing_bytes")
    entities = len(ENTITY.findall(content))  # before the drawing is taken apart, which takes seconds for so many
    if entities > limits.drawing_entities:
        raise _too_large(file, f"{entities:,} entities", limits.drawing_entities, "drawing_entities")
    document = _document(content, file)
    singles: list[tuple[str, Place]] = []
    loose: dict[str, list[Piece]] = {}
    paths: dict[str, list[Path]] = {}
    passed: dict[str, int] = {}
    with _damage_refused(file):
        stated = STATED_UNITS.get(int(document.header.get("$INSUNITS", 0) or 0))
        scale = METRES_PER[stated or unit]
        for entity in document.modelspace():
            layer = str(entity.dxf.get("layer", "0"))
            if not read_description(layer, table).code:
                continue
            if not _taken(entity, layer, scale, singles, loose, paths):
                passed[f"{entity.dxftype()} on {layer}"] = passed.get(f"{entity.dxftype()} on {layer}", 0) + 1
    for layer, pieces in loose.items():
        if len(pieces) > limits.drawing_pieces:
            raise _too_large(file, f"{len(pieces):,} lines and arcs on the layer {layer}", limits.drawing_pieces, "drawing_pieces")
        paths.setdefault(layer, []).extend(_joined(pieces))
    points = [*_points_of_paths(paths, file, table, limits.points), *_single_points(singles, file)]
    refuse_too_many(len(points), limits.points, file, "points")
    return Page(file=file, form="dxf", points=tuple(points), warnings=_passed_warnings(passed, file), stated_unit=stated)


def _too_large(file: str, what: str, most: int, limit: str) -> SurveyError:
    return refusal(
        "drawing-too-large",
        f"{file} holds {what}, the limit is {most:,}",
        why="the drawing of a pool has some hundreds of lines; this is more than a pool's",
        file=file,
        do=f"save what belongs to the pool as a drawing of its own, or raise [limits] {limit} in shop.toml",
    )


def _document(content: bytes, file: str) -> Any:
    from ezdxf import recover
    from ezdxf.audit import AuditError

    if not (content.startswith(b"AutoCAD Binary DXF") or b"SECTION" in content[:4000]):
        raise not_text(file)
    with _damage_refused(file), _silent(recover.logger):
        document, audit = recover.read(io.BytesIO(content))
    guessed = [
        entry.message
        for entry in (*audit.errors, *audit.fixes)
        if entry.code in (AuditError.INVALID_FLOATING_POINT_VALUE, AuditError.INVALID_INTEGER_VALUE)
    ]
    if guessed:
        raise _damaged(file, guessed)
    return document


def _damaged(file: str, guessed: list[str]) -> SurveyError:
    found = re.search(r'"(.*?)" near line (\d+)', guessed[0])
    return refusal(
        "damaged-drawing",
        f"{file} holds {len(guessed)} numbers that are none" + (f", the first {found[1][:40]!r}" if found else ""),
        why="what a reader would make of them is a guess, and the pool would be another",
        file=file,
        line=int(found[2]) if found else None,
        do="save it again as DXF from the program it was made with, with decimal points",
    )


@contextlib.contextmanager
def _damage_refused(file: str) -> Iterator[None]:
    """Turn whatever the reader of drawings trips over in a damaged one into a refusal."""
    from ezdxf.lldxf.const import DXFError

    trips = (DXFError, OSError, ValueError, ArithmeticError, LookupError, TypeError, AttributeError, AssertionError, RecursionError, MemoryError)
    try:
        yield
    except trips as fault:
        raise refusal(
            "not-dxf",
            f"{file} cannot be read as a drawing: {type(fault).__name__} {str(fault)[:100]}",
            why="a damaged file may lack lines",
            file=file,
            do="save it again as DXF (R2000 or later)",
        ) from None


@contextlib.contextmanager
def _silent(log: Any) -> Iterator[None]:
    """Keep the reader's own log off the crew's screen: what it mends is judged from its findings."""
    before, log.disabled = log.disabled, True
    try:
        yield
    finally:
        log.disabled = before


def _taken(
    entity: Any, layer: str, scale: float, singles: list[tuple[str, Place]], loose: dict[str, list[Piece]], paths: dict[str, list[Path]]
) -> bool:
    """File one entity; returns False for a kind this form does not have."""
    match entity.dxftype():
        case "POINT":
            singles.append((layer, _place(entity.dxf.location, scale)))
        case "LINE":
            loose.setdefault(layer, []).append(Piece(_place(entity.dxf.start, scale), _place(entity.dxf.end, scale)))
        case "ARC":
            loose.setdefault(layer, []).append(_arc(entity, scale))
        case "CIRCLE":
            paths.setdefault(layer, []).append(_circle(entity, scale))
        case "LWPOLYLINE":
            path = _polyline(entity, scale)
            if path.pieces:
                paths.setdefault(layer, []).append(path)
        case "POLYLINE" if entity.is_2d_polyline or entity.is_3d_polyline:
            path = _old_polyline(entity, scale)
            if path.pieces:
                paths.setdefault(layer, []).append(path)
        case _:
            return False
    return True


def _place(vector: Any, scale: float) -> Place:
    place = (float(vector[0]) * scale, float(vector[1]) * scale, float(vector[2]) * scale if len(vector) > 2 else 0.0)
    if not all(math.isfinite(value) and abs(value) < LARGEST_NUMBER for value in place):
        raise refusal(
            "wild-coordinate",
            "an entity of the drawing lies at no place",
            why=f"its coordinates are {place}",
            do="audit the drawing in the program it was made with",
        )
    return place


def _arc(entity: Any, scale: float) -> Piece:
    """An ARC runs counter-clockwise from its start to its end angle."""
    sweep = (entity.dxf.end_angle - entity.dxf.start_angle) % 360 or 360
    return Piece(_place(entity.start_point, scale), _place(entity.end_point, scale), math.tan(math.radians(sweep) / 4))


def _circle(entity: Any, scale: float) -> Path:
    centre, radius = _place(entity.dxf.center, scale), float(entity.dxf.radius) * scale
    west, east = (centre[0] - radius, centre[1], centre[2]), (centre[0] + radius, centre[1], centre[2])
    return Path((Piece(west, east, 1.0), Piece(east, west, 1.0)), True)


def _polyline(entity: Any, scale: float) -> Path:
    level = float(entity.dxf.get("elevation", 0.0) or 0.0)
    return _path([(_place((x, y, level), scale), float(bulge)) for x, y, bulge in entity.get_points("xyb")], closed=bool(entity.closed))


def _old_polyline(entity: Any, scale: float) -> Path:
    """A POLYLINE of drawings before 2000: vertices of their own, with heights where it runs in space."""
    return _path([(_place(v.dxf.location, scale), float(v.dxf.get("bulge", 0.0) or 0.0)) for v in entity.vertices], closed=bool(entity.is_closed))


def _path(vertices: list[tuple[Place, float]], *, closed: bool) -> Path:
    if closed and len(vertices) > 1 and math.dist(vertices[0][0], vertices[-1][0]) < JOINED:
        vertices.pop()
    ends = [*vertices[1:], vertices[0]] if closed else vertices[1:]
    pieces = tuple(Piece(start, end, bulge) for (start, bulge), (end, _) in zip(vertices, ends, strict=False) if math.dist(start, end) > JOINED)
    return Path(pieces, closed and len(pieces) > 1)


def _joined(pieces: list[Piece]) -> list[Path]:
    """Join lines and arcs whose ends meet, in the order drawn."""
    waiting = [piece for piece in pieces if math.dist(piece.start, piece.end) > JOINED]
    paths = []
    while waiting:
        run = [waiting.pop(0)]
        grown = True
        while grown:
            grown = False
            for number, piece in enumerate(waiting):
                added = _added(run, piece)
                if added is not None:
                    run, grown = added, True
                    waiting.pop(number)
                    break
        paths.append(Path(tuple(run), len(run) > 1 and math.dist(run[0].start, run[-1].end) < JOINED))
    return paths


def _added(run: list[Piece], piece: Piece) -> list[Piece] | None:
    for candidate in (piece, piece.reversed()):
        if math.dist(run[-1].end, candidate.start) < JOINED:
            return [*run, candidate]
        if math.dist(candidate.end, run[0].start) < JOINED:
            return [candidate, *run]
    return None


def _points_of_paths(paths: Mapping[str, list[Path]], file: str, table: Mapping[str, str], most: int) -> list[ReadPoint]:
    points: list[ReadPoint] = []
    for layer, on_layer in paths.items():
        numbered = len(on_layer) > 1 and read_description(layer, table).code in LINE_CODES
        for number, path in enumerate(on_layer, 1):
            code = f"{layer}{number}" if numbered and not layer[-1:].isdigit() else layer
            points += _points_of_path(path, code, f"{layer}-{number}." if len(on_layer) > 1 else f"{layer}-", file)
            refuse_too_many(len(points), most, file, "points")
    return points


def _points_of_path(path: Path, code: str, stem: str, file: str) -> list[ReadPoint]:
    """Return points along a path, with the modifiers that say where arcs begin and end and how the path does."""
    places: list[Place] = []
    modifiers: list[set[str]] = []
    for piece in path.pieces:
        along = _along(piece)
        if places:
            along, at = along[1:], len(places) - 1
        else:
            at = 0
        places += along
        modifiers += [set() for _ in along]
        if piece.bulge:
            modifiers[at].add("PC")
            modifiers[-1].add("PT")
    if path.closed:
        places.pop()
        if modifiers.pop() & {"PT"} and "PC" not in modifiers[0]:
            modifiers[0].add("PT")
    modifiers[0].add("B")
    modifiers[-1].add("C" if path.closed else "E")
    return [
        ReadPoint(
            point=f"{stem}{number}",
            east=east,
            north=north,
            elev=level or None,
            description=" ".join([code, *(m for m in ("B", "PT", "PC", "E", "C") if m in own)]),
            file=file,
        )
        for number, ((east, north, level), own) in enumerate(zip(places, modifiers, strict=True), 1)
    ]


def _along(piece: Piece) -> list[Place]:
    """Return places along a piece, both ends included."""
    (x0, y0, z0), (x1, y1, z1) = piece.start, piece.end
    chord = math.hypot(x1 - x0, y1 - y0)
    if not piece.bulge:
        count = min(MOST_ON_A_PIECE, max(1, math.ceil(chord / SPACING)))
        return [(x0 + (x1 - x0) * k / count, y0 + (y1 - y0) * k / count, z0 + (z1 - z0) * k / count) for k in range(count + 1)]
    sweep = 4 * math.atan(piece.bulge)
    radius = chord / (2 * math.sin(sweep / 2))
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    off = radius * math.cos(sweep / 2) / chord
    centre = (middle[0] - (y1 - y0) * off, middle[1] + (x1 - x0) * off)
    count = min(MOST_ON_A_PIECE, max(LEAST_WITHIN_ARC + 1, math.ceil(abs(radius * sweep) / SPACING)))
    begin = math.atan2(y0 - centre[1], x0 - centre[0])
    inner = [
        (
            centre[0] + abs(radius) * math.cos(begin + sweep * k / count),
            centre[1] + abs(radius) * math.sin(begin + sweep * k / count),
            z0 + (z1 - z0) * k / count,
        )
        for k in range(1, count)
    ]
    return [piece.start, *inner, piece.end]


def _single_points(singles: Iterable[tuple[str, Place]], file: str) -> list[ReadPoint]:
    counts: dict[str, int] = {}
    points = []
    for layer, (east, north, level) in singles:
        counts[layer] = counts.get(layer, 0) + 1
        points.append(ReadPoint(point=f"{layer}-P{counts[layer]}", east=east, north=north, elev=level or None, description=layer, file=file))
    return points


def _passed_warnings(passed: Mapping[str, int], file: str) -> tuple[Reason, ...]:
    if not passed:
        return ()
    shown = ", ".join(f"{count} {name}" for name, count in sorted(passed.items())[:10])
    return (
        Reason(
            ref="entities-not-read",
            what=f"{file}: {shown} were not read",
            why="points, lines, arcs, circles and polylines are",
            file=file,
            do="explode or redraw what belongs to the survey",
        ),
    )
