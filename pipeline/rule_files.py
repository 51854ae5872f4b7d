"""From TOML to rule packs: every limit checked against the vocabulary, every fault with its line; and the office's confirmations."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Iterator
from typing import Any, Final

import msgspec

from pipeline.errors import JobError, Reason, RulePackError
from pipeline.model.job import Confirmation
from pipeline.model.rules import UNIT_METRES, Limit, RulePack
from pipeline.model.vocabulary import UNITS_OF, VOCABULARY, Quantity

ID: Final = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")
WHY: Final = "a limit that is read wrongly would pass a fence that is not safe"
SAME_LENGTH: Final = 1e-9  # [m] two printed values nearer than this are the same value


def checked_pack(table: dict[str, Any], *, file: str, text: str) -> RulePack:
    """Convert one pack's table into a record, refusing whatever would change what its document asks.

    Parameters
    ----------
    table : dict
        As `tomllib` reads it.
    file : str
        The pack's file name, for messages.
    text : str
        The file's text, for line numbers.

    Raises
    ------
    RulePackError
        With every fault of the file: an unknown key or quantity, a missing clause, a unit of another dimension, a
        comparator turned round, a value that is no number, an id used twice; each with its line and what is allowed.
    """
    limits = table.get("limits")
    entries = [entry for entry in limits if isinstance(entry, dict)] if isinstance(limits, list) else []
    faults = list(_head_faults(table, file, text))
    for index, entry in enumerate(entries):
        faults.extend(_limit_faults(entry, index, file, text))
    faults.extend(_repeated_ids(entries, file, text))
    if not entries:
        faults.append(_fault("no-limits", "the pack has no [[limits]]", file, 1, "write at least one [[limits]] table"))
    if faults:
        raise RulePackError(faults)
    return msgspec.convert(table, RulePack, strict=True)


def confirmed(packs: tuple[RulePack, ...], confirmations: Iterable[Confirmation]) -> tuple[RulePack, ...]:
    """Raise to `confirmed` the limits the office has checked against its own copy of a code.

    An entry for a pack that is not among `packs` is left alone.

    Raises
    ------
    JobError
        When an entry names a limit the pack does not have, or its value, clause or edition differ from the pack's: then
        either the pack or the entry is wrong, and somebody has to look.
    """
    by_pack = {pack.id: pack for pack in packs}
    entries = [entry for entry in confirmations if entry.pack in by_pack]
    faults = [fault for entry in entries for fault in _confirmation_faults(entry, by_pack[entry.pack])]
    if faults:
        raise JobError(faults)
    raised = {(entry.pack, entry.limit) for entry in entries}
    return tuple(_raised(pack, raised) for pack in packs)


def _raised(pack: RulePack, raised: set[tuple[str, str]]) -> RulePack:
    limits = (msgspec.structs.replace(limit, certainty="confirmed") if (pack.id, limit.id) in raised else limit for limit in pack.limits)
    return msgspec.structs.replace(pack, limits=tuple(limits))


def _head_faults(table: dict[str, Any], file: str, text: str) -> Iterator[Reason]:
    head = {key: value for key, value in table.items() if key != "limits"}
    known = [field.name for field in msgspec.structs.fields(RulePack)]
    try:
        msgspec.convert({**head, "limits": []}, RulePack, strict=True)
    except msgspec.ValidationError as fault:
        yield _fault("bad-pack", _plain(fault), file, _line(text, _key_of(fault), None), f"allowed keys: {', '.join(known)}")
    name = table.get("id")
    if isinstance(name, str) and not ID.fullmatch(name):
        yield _fault("bad-pack-id", f"the id {name!r} is no name", file, _line(text, "id", None), "use small letters, digits, '-' and '_'")


def _limit_faults(entry: dict[str, Any], index: int, file: str, text: str) -> Iterator[Reason]:
    name = entry.get("id", f"number {index + 1}")
    try:
        limit = msgspec.convert(entry, Limit, strict=True)
    except msgspec.ValidationError as fault:
        line = _line(text, _key_of(fault), index)
        yield _fault("bad-limit", f"limit {name}: {_plain(fault)}", file, line, _allowed_for(fault, entry))
        return
    if not limit.clause.strip():
        do = "name the clause as the document numbers it"
        yield _fault("missing-clause", f"limit {name} names no clause", file, _line(text, "clause", index), do)
    if limit.certainty == "confirmed":
        do = "write read, summary or memory; the office confirms a limit in confirmed.toml"
        yield _fault("confirmed-in-pack", f"limit {name} calls itself confirmed", file, _line(text, "certainty", index), do)
    quantity = VOCABULARY.get(limit.quantity)
    if quantity is None:
        near = difflib.get_close_matches(limit.quantity, VOCABULARY, 3, 0.3)
        do = f"did you mean {' or '.join(near)}?  " if near else ""
        what = f"limit {name}: there is no quantity {limit.quantity!r}"
        yield _fault("unknown-quantity", what, file, _line(text, "quantity", index), f"{do}allowed: {', '.join(sorted(VOCABULARY))}")
        return
    yield from _sense_faults(limit, quantity, index, file, text)


def _sense_faults(limit: Limit, quantity: Quantity, index: int, file: str, text: str) -> Iterator[Reason]:
    """Yield what makes a limit say something else than its quantity can mean."""
    units = UNITS_OF[quantity.dimension]
    if limit.unit not in units:
        what = f"limit {limit.id}: {limit.quantity} in {limit.unit!r}"
        yield _fault("wrong-unit", what, file, _line(text, "unit", index), f"it is a {quantity.dimension}: write {' or '.join(units)}")
    if limit.comparator not in quantity.comparators:
        what = f"limit {limit.id}: {limit.quantity} with comparator {limit.comparator!r}"
        do = f"{limit.quantity} ({quantity.meaning}) takes {' or '.join(quantity.comparators)}"
        yield _fault("comparator-turned-round", what, file, _line(text, "comparator", index), do)
    if isinstance(limit.value, bool) != (quantity.dimension == "yes-no"):
        do = "write value = true" if quantity.dimension == "yes-no" else "write a plain number in the clause's own unit"
        yield _fault("wrong-value", f"limit {limit.id}: value {limit.value!r}", file, _line(text, "value", index), do)
    elif not (math.isfinite(limit.value) and limit.value > 0):
        do = "write the clause's own value, larger than 0; a clause that does not hold here is left out of the pack"
        yield _fault("wrong-value", f"limit {limit.id}: value {limit.value!r}", file, _line(text, "value", index), do)


def _repeated_ids(entries: list[dict[str, Any]], file: str, text: str) -> Iterator[Reason]:
    seen: set[Any] = set()
    for index, entry in enumerate(entries):
        name = entry.get("id")
        if isinstance(name, str) and name in seen:
            yield _fault("repeated-limit", f"the limit {name} stands twice", file, _line(text, "id", index), "give each limit an id of its own")
        if isinstance(name, str):
            seen.add(name)


def _allowed_for(fault: msgspec.ValidationError, entry: dict[str, Any]) -> str:
    """Say what may stand where the fault lies."""
    key = _key_of(fault)
    quantity = VOCABULARY.get(str(entry.get("quantity", "")))
    if key == "unit" and quantity:
        return f"{entry['quantity']} is a {quantity.dimension}: write {' or '.join(UNITS_OF[quantity.dimension])}"
    if key == "comparator" and quantity:
        return f"{entry['quantity']} takes {' or '.join(quantity.comparators)}"
    if key == "certainty":
        return "write read, summary or memory; confirmed comes from confirmed.toml alone"
    keys = [field.name for field in msgspec.structs.fields(Limit)]
    near = difflib.get_close_matches(key, keys, 1, 0.5) if "unknown field" in str(fault) else []
    return (f"did you mean {near[0]}?  " if near else "") + f"a limit has the keys {', '.join(keys)}"


def _confirmation_faults(entry: Confirmation, pack: RulePack) -> Iterator[Reason]:
    limit = next((limit for limit in pack.limits if limit.id == entry.limit), None)
    if limit is None:
        near = difflib.get_close_matches(entry.limit, [limit.id for limit in pack.limits], 3, 0.3)
        yield _unconfirmed(entry, f"the pack has no limit {entry.limit!r}", f"write one of its limits: {', '.join(near) or 'see `sleeveline rules`'}")
        return
    if entry.clause.strip() != limit.clause.strip():
        do = f"write clause = {limit.clause!r} if that is the clause you read; if your copy numbers it otherwise, the pack needs mending first"
        yield _unconfirmed(entry, f"clause {entry.clause!r}, but the pack has {limit.clause!r}", do)
    if not _same_value(entry.value, limit):
        do = f"if your copy says {entry.value!r}, the pack is wrong: tell its keeper, and use no {entry.limit} before it is mended"
        yield _unconfirmed(entry, f"value {entry.value!r}, but the pack has {limit.printed!r}", do)
    if re.fullmatch(r"\d{4}", pack.edition) and pack.edition not in entry.edition:
        do = f"confirm it from the {pack.edition} edition, or bind the job to the pack of your edition"
        yield _unconfirmed(entry, f"edition {entry.edition!r}, but the pack is of {pack.edition}", do)


def _same_value(printed: str, limit: Limit) -> bool:
    """Say whether a value as printed ("48 in", "1219.2 mm", "yes") is the limit's value."""
    if isinstance(limit.value, bool):
        return printed.strip().lower() in (("yes", "true", "required", "prohibited") if limit.value else ("no", "false"))
    found = re.fullmatch(r"\s*([0-9]+(?:\.[0-9]+)?)\s*([A-Za-z/0-9]+)\s*", printed)
    if found is None:
        return False
    value, unit = float(found[1]), found[2]
    if limit.is_length and unit in UNIT_METRES:
        return abs(value * UNIT_METRES[unit] - limit.metres) < SAME_LENGTH
    return unit == limit.unit and value == limit.value


def _unconfirmed(entry: Confirmation, what: str, do: str) -> Reason:
    return Reason(
        ref="confirmation-differs",
        what=f"the confirmation of {entry.pack} {entry.limit} by {entry.who}: {what}",
        why="a confirmation that does not match its pack confirms nothing",
        file="confirmed.toml",
        do=do,
    )


def _fault(ref: str, what: str, file: str, line: int | None, do: str) -> Reason:
    return Reason(ref=ref, what=what, why=WHY, file=file, line=line, do=do)


def _plain(fault: msgspec.ValidationError) -> str:
    return str(fault).split(" - at ")[0].replace("Object ", "").replace("Invalid enum value", "unknown value")


def _key_of(fault: msgspec.ValidationError) -> str:
    """Return the key a fault speaks of, empty when it is missing."""
    message = str(fault)
    unknown = re.search(r"unknown field `([^`]*)`", message)
    path = re.search(r"at `\$\.?([^`]*)`", message)
    return unknown[1] if unknown else path[1].rsplit(".", 1)[-1] if path else ""


def _line(text: str, key: str, index: int | None) -> int | None:
    """Return the line of `key` in the head (index None) or in the index-th [[limits]] table; of the table itself when the key is not there."""
    lines = text.splitlines()
    heads = [number for number, line in enumerate(lines, 1) if re.match(r"\s*\[\[\s*limits\s*\]\]", line)]
    if index is not None and index >= len(heads):
        return None
    first = 0 if index is None else heads[index]
    last = (heads[0] - 1 if heads else len(lines)) if index is None else (heads[index + 1] - 1 if index + 1 < len(heads) else len(lines))
    for number in range(first + 1, last + 1):
        if key and re.match(rf"\s*\"?{re.escape(key)}\"?\s*=", lines[number - 1]):
            return number
    return first or 1
