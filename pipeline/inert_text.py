"""Text that a spreadsheet must never take for a formula."""

from __future__ import annotations

import re
from typing import Final

LIVE: Final = ("=", "+", "-", "@", "\t", "\r")
_NUMBER: Final = re.compile(r"[+-]?\d+(?:\.\d+)?")


def inert(text: str) -> str:
    """Return the text, with an apostrophe before it where a spreadsheet would calculate it.

    Examples
    --------
    >>> inert("=1+1"), inert("Shelf 3")
    ("'=1+1", 'Shelf 3')
    """
    return f"'{text}" if text.lstrip(" ").startswith(LIVE) else text


def inert_cell(cell: object) -> object:
    """Return a cell of a table: a number stays one, text is made inert.

    Examples
    --------
    >>> inert_cell("-1.5"), inert_cell("-1+5"), inert_cell(3)
    ('-1.5', "'-1+5", 3)
    """
    return inert(cell) if isinstance(cell, str) and not _NUMBER.fullmatch(cell) else cell
