"""The code grammar: ``CODE[line] [modifier] [/ remark]``, with the shop's own codes mapped to ours."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final, NamedTuple

from pipeline.model.survey import CODES

MODIFIERS: Final = frozenset(("B", "E", "C", "PC", "PT"))
LINE_CODES: Final = frozenset(("WATER", "COPING", "DECK", "WALL", "STEP", "JOINT", "DRAIN", "UTILITY", "OBJECT"))
EXPENDABLE_CODES: Final = frozenset(("SPOT", "CHECK", "COPING"))  # a job is whole without one of these; any other lost shot changes the fence
_OWN: Final = frozenset(CODES)
_TOKEN: Final = re.compile(r"^([^\W\d]+)[-_.]?(\d*)$")


class CodedShot(NamedTuple):
    """A description, read."""

    code: str
    line: str
    modifiers: tuple[str, ...]
    remark: str
    unread: tuple[str, ...] = ()


def code_table(shop_codes: Mapping[str, str]) -> dict[str, str]:
    """Return the shop's own codes mapped to ours, both in capitals."""
    return {own.upper(): ours.upper() for own, ours in shop_codes.items()}


def read_description(description: str, table: Mapping[str, str]) -> CodedShot:
    """Read a shot's description; `table` is what `code_table` made of the shop's own codes.

    Modifiers count only as separate words after the code, so that ``BC`` (back of curb to some crews) stays a
    code and is never "begin, close".  A description whose first word is no code keeps its text as the remark.

    Examples
    --------
    >>> read_description("wall2 b / south face", {})
    CodedShot(code='WALL', line='2', modifiers=('B',), remark='south face', unread=())
    >>> read_description("EW3", {"EW": "WATER"})
    CodedShot(code='WATER', line='3', modifiers=(), remark='', unread=())
    """
    head, _, remark = description.partition("/")
    words = head.split()
    named = _code_and_line(words[0], table) if words else None
    if named is None:
        return CodedShot("", "", (), description.strip())
    modifiers = tuple(word.upper() for word in words[1:] if word.upper() in MODIFIERS)
    unread = tuple(word for word in words[1:] if word.upper() not in MODIFIERS)
    return CodedShot(*named, modifiers, remark.strip(), unread)


def checked_point(shot: CodedShot) -> str:
    """Return the number a CHECK shot's remark names, ``/ of 101``; empty where it is no check or names none.

    Examples
    --------
    >>> checked_point(read_description("check / of W12, again", {}))
    'W12'
    """
    if shot.code != "CHECK":
        return ""
    words = re.split(r"[\s,;]+", shot.remark.strip())
    if words[:1] and words[0].lower() == "of":
        words = words[1:]
    return words[0] if words else ""


def codes_within(text: str, table: Mapping[str, str]) -> set[str]:
    """Return every code a line of text holds as a word of its own, wherever in the line."""
    found = (_code_and_line(word, table) for word in re.split(r"[\s,;/\t\"]+", text) if word)
    return {named[0] for named in found if named}


def _code_and_line(word: str, table: Mapping[str, str]) -> tuple[str, str] | None:
    """Return (code, line) of a description's first word; None when it is no code."""
    upper = word.upper()
    if upper in table:
        return table[upper], ""
    found = _TOKEN.match(upper)
    if found is None:
        return None
    code = table.get(found[1], found[1])
    return (code, found[2].lstrip("0")) if code in _OWN else None
