"""What a remark says in `name=length` words: `r=18in h=30in`, `sill=36 in`, `leaf=42in`."""

from __future__ import annotations

import re

from pipeline.units import Length, parse_length

_WORD = re.compile(r"(?:^|[\s,;])(?P<name>[A-Za-z]+)\s*=\s*(?P<value>.*?)(?=(?:[\s,;]+[A-Za-z]+\s*=)|$)")


def length_in(remark: str, name: str) -> Length | None:
    """Return the length [m] a remark gives under a name; None where it gives none.

    Raises
    ------
    ValueError
        When the name is there and its value is no length with a unit.

    Examples
    --------
    >>> length_in("pump r=18in h=30 in", "h")
    0.762
    """
    for found in _WORD.finditer(remark):
        if found["name"].lower() == name:
            return _leading_length(found["value"].strip(" ,;"))
    return None


def _leading_length(value: str) -> Length:
    """Read the longest run of words from the start that is a length; what follows is talk."""
    words = value.split()
    for count in range(len(words), 0, -1):
        try:
            return parse_length(" ".join(words[:count]).strip(",;"))
        except ValueError:
            continue
    return parse_length(value)  # raises, saying what is allowed
