"""The form `points`: delimited text of point, northing, easting, elevation and description in any order."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from pipeline.errors import Reason
from pipeline.survey.decoding import numbered_lines
from pipeline.survey.delimited import header_word, sniffed_delimiter, split_line
from pipeline.survey.field_book import Page, Quarantined, ReadPoint
from pipeline.survey.quantities import is_number, number
from pipeline.survey.refusals import refusal
from pipeline.units import METRES_PER, UnitName

Lines = list[tuple[int, str]]

DEFAULT_COLUMNS: Final = "PNEZD"
COLUMN_WORDS: Final[dict[str, str]] = {
    **dict.fromkeys(("p", "pt", "pnt", "point", "points", "point number", "point no", "point id", "point name", "pt no", "pt id", "ptno"), "P"),
    **dict.fromkeys(
        ("ptid", "ptnum", "ptnumber", "pno", "pointid", "pointno", "pointnumber", "pointname", "pnt no", "pnt id", "station", "shot no"), "P"
    ),
    **dict.fromkeys(("no", "nr", "num", "number", "id", "name", "#", "point #", "pt #", "shot"), "P"),
    **dict.fromkeys(("n", "north", "northing", "y", "y coord", "y north", "grid north", "northings"), "N"),
    **dict.fromkeys(("e", "east", "easting", "x", "x coord", "x east", "grid east", "eastings"), "E"),
    **dict.fromkeys(("z", "el", "elev", "elevation", "height", "level", "rl", "reduced level", "z coord", "altitude", "h"), "Z"),
    **dict.fromkeys(("d", "desc", "description", "descriptor", "code", "codes", "feature", "feature code", "raw description", "point code"), "D"),
    **dict.fromkeys(("remark", "remarks", "note", "notes", "comment", "comments"), "R"),
}  # words a header names its columns by, in plain English; R: a remark beside the code
UNIT_WORDS: Final[dict[str, UnitName]] = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), "metre"),
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), "millimetre"),
    **dict.fromkeys(("ft", "feet", "foot", "ift", "international feet"), "foot"),
    **dict.fromkeys(("usft", "ftus", "us survey feet", "us survey foot", "us ft", "sft", "survey feet"), "us-survey-foot"),
    **dict.fromkeys(("in", "inch", "inches"), "inch"),
}


class Columns(NamedTuple):
    """Where each thing stands: field numbers from 0; None where the file has no such column."""

    north: int
    east: int
    point: int | None
    elev: int | None
    description: int | None
    remark: int | None = None


def read_points(text: str, file: str, unit: UnitName, columns: str = "", most: int = 100_000) -> Page:
    """Read a point file.

    Parameters
    ----------
    text : str
        The whole file.
    file : str
        Its name, for what is reported.
    unit : UnitName
        Of the coordinates, where the header states none.
    columns : str
        Letters of P N E Z D in the order of the file; empty: the header's, else PNEZD.
    most : int
        More points than this are refused.

    Returns
    -------
    Page
        Points in metres; wrong lines are quarantined with their number and reason.
    """
    lines = numbered_lines(text)
    refuse_too_many(len(lines), most, file, "points")
    spaced = sniffed_delimiter(lines, _looks_like_point)
    header = _header(split_line(lines[0][1], spaced)) if lines else None
    if header is None and lines:
        spaced, header = _header_under_any_delimiter(lines, spaced)
    places = _columns(header, columns, file, lines[0][0] if lines else None)
    unknown = header is None and _names_columns(lines)
    stated = _stated_unit(split_line(lines[0][1], spaced)) if header else None
    points, quarantined = _points(lines[1:] if header or unknown else lines, spaced, places, METRES_PER[stated or unit], file)
    return Page(
        file=file,
        form="points",
        points=tuple(points),
        quarantined=tuple(quarantined),
        warnings=tuple(_header_warnings(lines, places, unknown=unknown, file=file)),
        stated_unit=stated,
        assumed_columns="" if header or columns else DEFAULT_COLUMNS,
    )


def _header_warnings(lines: Lines, places: Columns, *, unknown: bool, file: str) -> list[Reason]:
    if unknown:
        what = f"the header of {file} is not understood: {lines[0][1][:80]!r}"
        why = f"its columns were read as {DEFAULT_COLUMNS}, or as job.toml names them"
        do = 'name the columns Point, Northing, Easting, Elevation, Description, or write [survey] columns = "PNEZD" in job.toml'
        return [Reason(ref="header-not-understood", what=what, why=why, file=file, line=lines[0][0], do=do)]
    if lines and places.point is None:
        what = f"{file} has no column of point numbers"
        why = "the numbers of its lines were taken for them"
        return [Reason(ref="no-point-numbers", what=what, why=why, file=file, line=lines[0][0], do="name that column Point in the header")]
    return []


def refuse_too_many(count: int, most: int, file: str, what: str) -> None:
    """Raise when a file holds more than the shop's limit."""
    if count > most:
        raise refusal(
            f"too-many-{what}",
            f"{file} holds {count:,} {what}, the limit is {most:,}",
            why="a pool has some hundreds; a file this long is usually a whole tract or a scan",
            file=file,
            do=f"keep what belongs to the pool, or raise [limits] {what} in shop.toml",
        )


def _looks_like_point(fields: list[str], comma: bool) -> bool:
    whole = not any(sign in fields[0] for sign in ",;\t") or is_number(fields[0], comma=comma)
    return whole and len(fields) >= 2 and sum(is_number(field, comma=comma) for field in fields[:6]) >= 2


def _header_under_any_delimiter(lines: Lines, spaced: str) -> tuple[str, dict[str, int] | None]:
    """A file with nothing but its header, or one bad line, may have fooled the count: ask the header."""
    for delimiter in (",", ";", "\t"):
        header = _header(split_line(lines[0][1], delimiter))
        if (
            header is not None
            and spaced != delimiter
            and not any(_looks_like_point(split_line(line, spaced), spaced != ",") for _, line in lines[1:3])
        ):
            return delimiter, header
    return spaced, None


def _header(fields: list[str]) -> dict[str, int] | None:
    """Return where the header puts each column; None when the line is no header."""
    named: dict[str, int] = {}
    for place, field in enumerate(fields):
        letter = COLUMN_WORDS.get(_without_unit(header_word(field)))
        if letter:
            named.setdefault(letter, place)
    return named if "N" in named and "E" in named else None


def _without_unit(words: str) -> str:
    first, _, last = words.rpartition(" ")
    return first if first and last in UNIT_WORDS else words


def _stated_unit(fields: list[str]) -> UnitName | None:
    """Return the unit a header names beside northing or easting: ``Northing (ft)``, ``east_mm``."""
    for field in fields:
        if COLUMN_WORDS.get(_without_unit(header_word(field))) in ("N", "E"):
            bracketed = re.search(r"[\[(](.*?)[\])]", field.lower())
            last = bracketed[1].strip() if bracketed else header_word(field).rpartition(" ")[2]
            words = last.replace("-", " ").replace(".", "")
            if words in UNIT_WORDS and (bracketed or header_word(field) != last):
                return UNIT_WORDS[words]
    return None


def _names_columns(lines: Lines) -> bool:
    """Return whether the first line is a row of words over rows of numbers, though not words we know."""
    if len(lines) < 2:
        return False
    fields = re.split(r"[,;\t ]+", lines[0][1])
    return len(fields) >= 3 and not any(re.search(r"\d", field) for field in fields)


def _columns(header: Mapping[str, int] | None, asked: str, file: str, line: int | None) -> Columns:
    letters = asked.upper()
    if letters and (set(letters) - set("PNEZD") or len(set(letters)) != len(letters) or not {"N", "E"} <= set(letters)):
        raise refusal(
            "bad-columns",
            f"`columns = {asked!r}` does not name the columns",
            why="northing and easting are needed, each letter once",
            file="job.toml",
            do='write the letters P N E Z D in the order of the file, like columns = "PNEZD"',
        )
    by_letter = {letter: place for place, letter in enumerate(letters)}
    if header and letters and any(header.get(letter, place) != place for letter, place in by_letter.items()):
        in_order = "".join(letter for letter, _ in sorted(header.items(), key=lambda entry: entry[1]) if letter != "R")
        raise refusal(
            "columns-against-header",
            f'the header of {file} names the columns {in_order}, job.toml says columns = "{letters}"',
            why="one of them puts northing where easting is",
            file=file,
            line=line,
            do="see which is right; take `columns` out of job.toml, or put the header right",
        )
    found = dict(header) if header else by_letter or {letter: place for place, letter in enumerate(DEFAULT_COLUMNS)}
    return Columns(found["N"], found["E"], found.get("P"), found.get("Z"), found.get("D"), found.get("R"))


def _points(lines: Sequence[tuple[int, str]], delimiter: str, columns: Columns, scale: float, file: str) -> tuple[list[ReadPoint], list[Quarantined]]:
    points, quarantined = [], []
    comma = delimiter != ","
    last = max(place for place in columns if place is not None)
    rest_is_description = columns.description == last
    for row, line in lines:
        fields = split_line(line, delimiter)
        try:
            points.append(_point(line, fields, columns, rest_is_description, delimiter, comma, scale, file, row))
        except ValueError as fault:
            quarantined.append(quarantine(file, row, line, str(fault)))
    return points, quarantined


def _point(
    line: str, fields: list[str], columns: Columns, rest_is_description: bool, delimiter: str, comma: bool, scale: float, file: str, row: int
) -> ReadPoint:
    needed = max(columns.north, columns.east, columns.point or 0) + 1
    if len(fields) < needed:
        raise ValueError(f"it has too few cells: {len(fields)}, and number, northing and easting need {needed}")
    if delimiter == " " and rest_is_description:
        fields = _with_missing_height(fields, columns)
    point = fields[columns.point] if columns.point is not None else str(row)
    if not point:
        raise ValueError("the point has no number")
    elev = _elevation(fields, columns, comma)
    return ReadPoint(
        point=point[:64],
        north=number(fields[columns.north], comma=comma) * scale,
        east=number(fields[columns.east], comma=comma) * scale,
        elev=None if elev is None else elev * scale,
        description=_description(line, fields, columns, rest_is_description, delimiter),
        file=file,
        row=row,
    )


def _with_missing_height(fields: list[str], columns: Columns) -> list[str]:
    """Split at spaces, a missing height lets the description slide into its place: slide it back."""
    place = columns.elev
    if place is None or place >= len(fields) or not fields[place][:1].isalpha():
        return fields
    return [*fields[:place], "", *fields[place:]]


def _elevation(fields: list[str], columns: Columns, comma: bool) -> float | None:
    """Return the elevation; a missing one may be an empty cell, a dash, or (split at spaces) simply not there."""
    if columns.elev is None or columns.elev >= len(fields):
        return None
    text = fields[columns.elev]
    if text in ("", "-", "--") or text.lower() in ("n/a", "na", "none"):
        return None
    return number(text, comma=comma)


def _description(line: str, fields: list[str], columns: Columns, rest: bool, delimiter: str) -> str:
    if columns.description is None:
        text = ""
    elif rest and delimiter != " " and '"' not in line[:2] and f'{delimiter}"' not in line:
        parts = line.split(delimiter, columns.description)  # whole, with its own commas and spaces
        text = parts[-1].rstrip(", ;\t") if len(parts) > columns.description else ""
    elif rest:
        text = (delimiter if delimiter != "\t" else " ").join(fields[columns.description :]).rstrip(", ;")
    else:
        text = fields[columns.description] if columns.description < len(fields) else ""
    remark = fields[columns.remark] if columns.remark is not None and columns.remark < len(fields) else ""
    joined = f"{text} / {remark}" if remark and "/" not in text else f"{text} {remark}"
    return joined.strip()[:500]


def quarantine(file: str, row: int, line: str, why: str) -> Quarantined:
    """Return a line that could not be read, with the reason in words."""
    shown = line if len(line) <= 80 else line[:77] + "..."
    return Quarantined(
        reason=Reason(
            ref="unreadable-line", what=f"line {row} of {file} cannot be read: {shown!r}", why=why, file=file, line=row, do="put the line right"
        ),
        text=line,
    )
