"""A small delimited table as people type it: header, comments, and every fault with its line."""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Iterator, Mapping
from typing import Final

import msgspec

from pipeline.errors import JobError, Reason

DELIMITERS: Final = (",", ";", "\t")
Columns = Mapping[str, tuple[str, ...]]  # our name of a column, and what it may be called


class Line(msgspec.Struct, frozen=True):
    """One line of a table: its number from 1, and what stands in it by our names of the columns."""

    row: int
    cells: dict[str, str]


def lines_of(content: bytes, file: str, columns: Columns, *, needed: tuple[str, ...]) -> tuple[Line, ...]:
    """Return the lines of a table under its header.

    Parameters
    ----------
    content, file
        Its bytes, UTF-8 with or without BOM or Latin-1, and its name for the messages.
    columns, needed
        Every column there may be, and those there have to be.

    Raises
    ------
    JobError
        When it has no header, or a column nobody knows; how long it is was looked at when it was taken in.
    """
    rows = [(number, cells) for number, cells in _rows(content, file) if any(cells) and not cells[0].startswith("#")]
    if not rows:
        raise JobError(fault(file, None, "the file is empty", "write a header and one line a hole, or take the file out"))
    header = _header(rows[0], file, columns, needed)
    return tuple(Line(number, {name: cells[at] for name, at in header.items() if at < len(cells) and cells[at]}) for number, cells in rows[1:])


def heads_of(content: bytes) -> set[str]:
    """Return the words of a table's header, in lower case."""
    text = _decoded(content)
    head = next((line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")), "")
    return {word.strip().casefold() for word in head.split(_delimiter(text))}


def fault(file: str, row: int | None, what: str, do: str, why: str = "what was drilled cannot be told from it") -> Reason:
    """Return a fault of a table's line."""
    where = f"line {row}: " if row is not None else ""
    return Reason(ref="sheet-not-read", what=f"{file}, {where}{what}" if where else f"{file}: {what}", why=why, file=file, line=row, do=do)


def nearest_of(word: str, known: list[str]) -> str:
    """Return a hint at the nearest known word, or nothing."""
    near = difflib.get_close_matches(word, known, 1, 0.5)
    return f"did you mean {near[0]!r}?  " if near else ""


def _rows(content: bytes, file: str) -> Iterator[tuple[int, list[str]]]:
    text = _decoded(content)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text))
    try:
        for cells in reader:
            yield reader.line_num, [cell.strip() for cell in cells]
    except csv.Error as wrong:
        raise JobError(fault(file, reader.line_num, f"cannot be read: {wrong}", "write plain text with commas")) from None


def _decoded(content: bytes) -> str:
    try:
        return content.decode("utf-8-sig").replace("\0", "")
    except UnicodeDecodeError:
        return content.decode("latin-1").replace("\0", "")


def _delimiter(text: str) -> str:
    """Return what parts the header's names."""
    head = next((line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")), "")
    return max(DELIMITERS, key=lambda one: (head.count(one), -DELIMITERS.index(one)))


def _header(row: tuple[int, list[str]], file: str, columns: Columns, needed: tuple[str, ...]) -> dict[str, int]:
    number, cells = row
    called = {word: name for name, words in columns.items() for word in words}
    faults, header = [], dict[str, int]()
    for at, cell in enumerate(cells):
        word = cell.casefold().replace(" ", "_").replace("-", "_")
        if word and word not in called:
            known = sorted(called)
            faults.append(fault(file, number, f"no column is called {cell[:40]!r}", f"{nearest_of(word, known)}columns: {', '.join(columns)}"))
        elif word and called[word] in header:
            faults.append(fault(file, number, f"the column {called[word]} stands there twice", "keep one of them"))
        elif word:
            header[called[word]] = at
    faults += [
        fault(file, number, f"there is no column {name}", f"begin the file with a header, like {','.join(columns)}")
        for name in needed
        if name not in header
    ]
    if faults:
        raise JobError(faults)
    return header
