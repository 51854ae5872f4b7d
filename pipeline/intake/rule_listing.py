"""The rule packs in words, for the terminal."""

from __future__ import annotations

import difflib
from typing import Final

from pipeline.errors import JobError, hold
from pipeline.model.rules import Limit, RulePack

_IN_WORDS: Final[dict[str, str]] = {  # comparators that read better in other words
    "min": "at least",
    "max": "at most",
    "less-than": "less than",
    "must-not-pass": "must not pass",
    "ask-official": "ask the official",
    "alternative": "accepted instead:",
    "not-required": "not required",
    "more-than": "more than",
}


def list_packs(packs: dict[str, RulePack]) -> list[str]:
    """Return one line a pack: id, kind, edition, document."""
    width = max((len(name) for name in packs), default=0)
    return [f"{name:<{width}}  {pack.kind:<10}  {pack.document}, {pack.edition} ({pack.jurisdiction})" for name, pack in sorted(packs.items())]


def list_pack(packs: dict[str, RulePack], name: str) -> list[str]:
    """Return a pack's head and one entry a limit, in the pack's order."""
    if name not in packs:
        near = difflib.get_close_matches(name, packs, 1, 0.3)
        raise hold(
            JobError,
            "unknown-rule-pack",
            f"there is no rule pack {name!r}",
            do=(f"did you mean {near[0]!r}?  " if near else "") + "`sleeveline rules` lists them all",
        )
    pack = packs[name]
    head = [f"{pack.id}: {pack.document}, {pack.edition}", f"{pack.kind}, {pack.jurisdiction}"]
    return [*head, *([pack.note] if pack.note else []), "", *(line for limit in pack.limits for line in _limit_lines(limit))]


def _limit_lines(limit: Limit) -> list[str]:
    value = f" {limit.value:g} {limit.unit}" if limit.unit not in ("bool", "judgement") else ""
    lines = [f"{limit.clause}  {limit.quantity}: {_IN_WORDS.get(limit.comparator, limit.comparator)}{value}  [{limit.certainty}]  ({limit.id})"]
    lines += [f"    {text}" for text in (limit.applies_to, limit.where, limit.paraphrase) if text]
    return lines
