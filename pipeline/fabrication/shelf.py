"""The shelf: reading `offcuts.csv`, and writing what it would be after a night."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from typing import Final

from pipeline.errors import JobError, Reason
from pipeline.inert_text import inert
from pipeline.model.night import Offcut
from pipeline.units import parse_length

COLUMNS: Final = ("id", "length_mm", "posts", "height_mm", "colour", "where")
FILE: Final = "offcuts.csv"
ID: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,31}")
LONGEST: Final = 1000.0  # [m] no roll is longer; catches millimetres written as metres
HIGHEST: Final = 5.0  # [m]
MOST_POSTS: Final = 1000


def read_offcuts(text: str, *, most: int, file: str = FILE) -> tuple[Offcut, ...]:
    r"""Read the offcut file: columns id, length, posts, height, colour and, if wanted, where.

    Parameters
    ----------
    text : str
        With a header.  `length` and `height` hold lengths with their unit ("96 in"); `length_mm` and `height_mm` plain numbers.
    most : int
        Offcuts beyond which the file is refused ([limits] of the shop).
    file : str
        Its name, for the messages.

    Raises
    ------
    JobError
        With every fault of the file and its line.

    Examples
    --------
    >>> read_offcuts("id,length,posts,height,colour\nA7,96 in,3,48 in,black\n", most=10)[0].posts
    3
    """
    rows = csv.reader(io.StringIO(text.lstrip("\ufeff"), newline=""))
    faults: list[Reason] = []
    offcuts: dict[str, Offcut] = {}
    header: dict[str, int] | None = None
    seen = 0
    try:
        for cells in rows:
            trimmed = [cell.strip() for cell in cells]
            if not any(trimmed) or trimmed[0].startswith("#"):
                continue
            if header is None:
                header = _header(trimmed, file, rows.line_num)
            elif seen >= most:
                raise JobError(
                    _fault(file, rows.line_num, f"more than {most} offcuts", "raise `offcuts` in [limits] of shop.toml, or shorten the file")
                )
            else:
                seen += 1
                _take(trimmed, header, offcuts, faults, file, rows.line_num)
    except csv.Error as fault:
        raise JobError(_fault(file, rows.line_num, f"the line cannot be read: {fault}", "write plain comma-separated text")) from None
    if faults:
        raise JobError(faults)
    return tuple(offcuts.values())


def offcuts_csv(offcuts: Sequence[Offcut]) -> str:
    """Return the shelf as text that `read_offcuts` reads back."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for offcut in sorted(offcuts, key=lambda offcut: offcut.id):
        length, height = f"{offcut.length * 1000:.1f}", f"{offcut.height * 1000:.1f}"
        writer.writerow((offcut.id, length, offcut.posts, height, inert(offcut.colour), inert(offcut.where)))
    return out.getvalue()


def _header(cells: Sequence[str], file: str, line: int) -> dict[str, int]:
    header = {name.lower(): column for column, name in enumerate(cells)}
    unknown = [name for name in header if name not in (*COLUMNS, "length", "height", "")]
    missing = [name for name in ("id", "length", "posts", "height", "colour") if name not in header and f"{name}_mm" not in header]
    if unknown or missing or len(header) < len(cells):
        wrong = [f"unknown column {name!r}" for name in unknown] + [f"no column {name!r}" for name in missing] or ["a column stands twice"]
        raise JobError(_fault(file, line, ", ".join(wrong), "write the header id,length,posts,height,colour,where (or length_mm, height_mm)"))
    return header


def _take(cells: Sequence[str], header: dict[str, int], offcuts: dict[str, Offcut], faults: list[Reason], file: str, line: int) -> None:
    """Add one line's offcut, or its faults."""

    def cell(name: str) -> str:
        column = header.get(name)
        return cells[column] if column is not None and column < len(cells) else ""

    before = len(faults)
    if not ID.fullmatch(cell("id")):
        faults.append(_fault(file, line, f"{cell('id')!r} is no id", "write 1 to 32 letters, digits, '.', '_' or '-'"))
    elif cell("id") in offcuts:
        first = offcuts[cell("id")].row
        faults.append(_fault(file, line, f"offcut {cell('id')!r} stands in line {first} already", "give each offcut an id of its own"))
    length = _length(cell, "length", LONGEST, faults, file, line)
    height = _length(cell, "height", HIGHEST, faults, file, line)
    posts = cell("posts")
    if not re.fullmatch(r"\d{1,4}", posts) or int(posts) > MOST_POSTS:
        faults.append(_fault(file, line, f"posts {posts!r} is no whole number", "write how many posts still stand on it, 0 for none"))
    if not cell("colour"):
        faults.append(_fault(file, line, "no colour", "write the colour as in the shop file"))
    if len(faults) == before:
        colour, where = _plain(cell("colour")), _plain(cell("where"))
        offcuts[cell("id")] = Offcut(id=cell("id"), length=length, posts=int(posts), height=height, colour=colour, where=where, row=line)


def _length(cell: object, name: str, most: float, faults: list[Reason], file: str, line: int) -> float:
    """Return a length [m] from its own column or the one in millimetres; 0 with a fault noted when it cannot be."""
    assert callable(cell)
    plain, with_unit = cell(f"{name}_mm"), cell(name)
    try:
        length = float(parse_length(f"{plain} mm" if plain else with_unit))
    except ValueError as fault:
        faults.append(_fault(file, line, f"{name}: {fault}", "write the length with its unit, or a number under length_mm"))
        return 0.0
    if not 0.0 < length <= most:
        faults.append(_fault(file, line, f"{name} of {plain or with_unit} is out of range", f"it has to be more than 0 and at most {most:.0f} m"))
        return 0.0
    return length


def _plain(text: str) -> str:
    """Return a text without the apostrophe that `inert` puts before it."""
    return text[1:] if text.startswith("'") and inert(text[1:]) == text else text


def _fault(file: str, line: int, what: str, do: str) -> Reason:
    return Reason(
        ref="offcut-file", what=what, why="an offcut that is not what it says would be cut for the wrong panel", file=file, line=line, do=do
    )
