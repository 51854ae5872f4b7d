"""From TOML tables to records: lengths with their unit, unknown keys refused by their nearest known one, lines named."""

from __future__ import annotations

import difflib
import re
from typing import Any, Final, Literal, TypeVar, get_args, get_origin, get_type_hints

import msgspec

from pipeline.errors import JobError, Reason
from pipeline.units import Angle, Length, parse_angle, parse_length

MOST_LENGTH: Final = 100_000.0  # [m] a longer one is a slip, and its square might not be a number
Record = TypeVar("Record", bound=msgspec.Struct)


def read_record(table: dict[str, Any], kind: type[Record], *, file: str, text: str = "") -> Record:
    """Convert a table into a record.

    Raises
    ------
    JobError
        With the key, the line where it stands, what is allowed and the nearest known key.
    """
    try:
        return msgspec.convert(table, kind, strict=True, dec_hook=_from_text)
    except msgspec.ValidationError as fault:
        raise JobError(_reason(str(fault), table, kind, file, text)) from None


def _from_text(kind: type, value: Any) -> Any:
    if kind is Length:
        length = parse_length(_text_of(value, '"30 in"'))
        if abs(length) > MOST_LENGTH:
            raise ValueError(f"{value!r} is beyond {MOST_LENGTH / 1000:g} km: nothing of this trade is so long")
        return length
    if kind is Angle:
        return parse_angle(_text_of(value, '"2 deg"'))
    raise NotImplementedError(kind)


def _text_of(value: Any, example: str) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{value!r} has no unit: write it in quotes with its unit, like {example}")
    return value


def _reason(message: str, table: dict[str, Any], kind: type, file: str, text: str) -> Reason:
    unknown = re.search(r"unknown field `([^`]*)`", message)
    path = re.search(r"at `\$\.?([^`]*)`", message)
    where = path[1] if path else ""
    key = unknown[1] if unknown else where.rsplit(".", 1)[-1]
    if unknown:
        known = _known_keys(kind, where)
        near = difflib.get_close_matches(key, known, 1, 0.4)
        did_you_mean = f"did you mean `{near[0]}`?  " if near else ""
        return Reason(
            ref="unknown-key",
            what=f"unknown key `{key}`" + (f" in [{where}]" if where else ""),
            why="a key that is not read would be missed in silence",
            file=file,
            line=line_of(key, text),
            do=f"{did_you_mean}allowed here: {', '.join(sorted(known))}",
        )
    return Reason(
        ref="bad-value",
        what=f"`{where}`: {message.split(' - at ')[0].replace('enum value', 'word')}" if where else message,
        why="the value cannot be read",
        file=file,
        line=line_of(re.sub(r"\[.*", "", key), text),
        do=_what_to_write(message, kind, where),
    )


def _what_to_write(message: str, kind: type, where: str) -> str:
    """Return the words allowed where one of a few is asked for, else how a value is written."""
    word = re.search(r"Invalid enum value '([^']*)'", message)
    allowed = _words_allowed(kind, where) if word else ()
    if not word or not allowed:
        return "write a value of the kind named; a length or angle stands in quotes with its unit"
    near = difflib.get_close_matches(word[1], allowed, 1, 0.4)
    return (f"did you mean `{near[0]}`?  " if near else "") + f"allowed here: {', '.join(allowed)}"


def _words_allowed(kind: type, where: str) -> tuple[str, ...]:
    *steps, last = re.sub(r"\[[^\]]*\]", "", where).split(".")
    for step in steps:
        kind = _struct_within(get_type_hints(kind).get(step)) or kind
    hint = get_type_hints(kind).get(last)
    return tuple(word for word in get_args(hint) if isinstance(word, str)) if get_origin(hint) is Literal else ()


def _known_keys(kind: type, where: str) -> list[str]:
    """Return the keys allowed at a dotted path of a record."""
    for step in filter(None, re.sub(r"\[[^\]]*\]", "", where).split(".")):
        hints = get_type_hints(kind)
        kind = _struct_within(hints.get(step)) or kind
    return [field.name for field in msgspec.structs.fields(kind)]


def _struct_within(hint: Any) -> type | None:
    if isinstance(hint, type) and issubclass(hint, msgspec.Struct):
        return hint
    for part in getattr(hint, "__args__", ()):
        found = _struct_within(part)
        if found:
            return found
    return None


def line_of(key: str, text: str) -> int | None:
    """Return the first line of a TOML file's text where a key or table of a name stands; None where none does."""
    for number, line in enumerate(text.splitlines(), 1):
        if re.match(rf"\s*(\[+)?\s*\"?{re.escape(key)}\"?\s*(=|\]|\.)", line):
            return number
    return None
