"""Text that a spreadsheet must never take for a formula."""

from __future__ import annotations

from typing import Final

LIVE: Final = ("=", "+", "-", "@", "\t", "\r")


def inert(text: str) -> str:
    """Return the text, with an apostrophe before it where a spreadsheet would calculate it.

    Examples
    --------
    >>> inert("=1+1"), inert("Shelf 3")
    ("'=1+1", 'Shelf 3')
    """
    return f"'{text}" if text.lstrip(" ").startswith(LIVE) else text
