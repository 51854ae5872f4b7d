"""Rule packs: what a code, law, standard or guide asks, as data."""

from __future__ import annotations

from typing import Final, Literal

import msgspec

from pipeline.units import FOOT, INCH, MILLIMETRE

Comparator = Literal[
    "min",  # measured >= limit
    "max",  # measured <= limit
    "less-than",  # measured < limit
    "must-not-pass",  # a sphere of this size may not pass: largest sphere that passes < limit
    "required",  # a yes or no: the thing must be so
    "prohibited",
    "ask-official",  # the text leaves it open: only the authority can tell
    "alternative",  # accepted instead of something else; asks nothing by itself
    "not-required",
    "within",  # a reach inside which another limit holds; asks nothing by itself
    "more-than",  # from beyond this on the document applies
    "from",  # a band begins here
    "to",  # a band ends here
    "nominal",
]
Certainty = Literal["read", "summary", "memory", "confirmed"]
PackKind = Literal["law", "model-code", "standard", "guidance"]
LimitUnit = Literal["in", "ft", "mm", "m", "lbf", "dBA", "s", "h", "days", "count", "years", "ug/m3", "percent", "diameters", "bool", "judgement"]

BOUNDS: Final = ("min", "max", "less-than", "must-not-pass")
UNIT_METRES: Final[dict[str, float]] = {"in": INCH, "ft": FOOT, "mm": MILLIMETRE, "m": 1.0}


class Limit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One limit of a document.

    Parameters
    ----------
    id : str
    clause : str
    quantity : str
        Kebab-case name of what is limited, of the list in `pipeline.model.vocabulary`.
    comparator : Comparator
    value : float or bool
        In `unit`, exactly as the document's own unit has it.
    unit : LimitUnit
    applies_to : str
        What it applies to, in words.
    where : str
        From where to where it is measured.
    paraphrase : str
        What the clause asks, in our own words.
    source : str
        Where the text or its summary was read.
    certainty : Certainty
        `read` the clause, a `summary` of it, or known from `memory` only; `confirmed` by the office.
    option : str
        The option of the document under which alone it binds ("enclosure"), where the document lets the owner choose
        among several; missing it is then no fail by itself.
    """

    id: str
    clause: str
    quantity: str
    comparator: Comparator
    value: float | bool
    unit: LimitUnit
    applies_to: str = ""
    where: str = ""
    paraphrase: str = ""
    source: str = ""
    certainty: Certainty
    option: str = ""

    @property
    def metres(self) -> float:
        """The limit [m]; raises KeyError when it is no length."""
        return float(self.value) * UNIT_METRES[self.unit]

    @property
    def is_length(self) -> bool:
        return self.unit in UNIT_METRES

    @property
    def bounds_a_length(self) -> bool:
        """Whether it holds a measured length to a bound, rather than giving a reach, a band or a scope."""
        return self.is_length and self.comparator in BOUNDS

    @property
    def printed(self) -> str:
        """The value as the document has it: ``"48 in"``, ``"1.75 in"``, ``"yes"``."""
        if isinstance(self.value, bool):
            return "yes" if self.value else "no"
        return f"{self.value:g} {self.unit}"


class RulePack(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one document asks.

    Parameters
    ----------
    id, jurisdiction, document, edition : str
    kind : PackKind
        `guidance` is advice: a miss of it is shown, and is no breach of law.
    note : str
        About the document.
    warn : str
        What everybody who is bound by the pack has to know before relying on it; a warning of every such job.
    limits : tuple of Limit
    """

    id: str
    jurisdiction: str
    document: str
    edition: str
    kind: PackKind
    note: str = ""
    warn: str = ""
    limits: tuple[Limit, ...]


def limits_of(packs: tuple[RulePack, ...], quantity: str) -> tuple[tuple[RulePack, Limit], ...]:
    """Return every limit of a quantity with its pack, in the order of the packs."""
    return tuple((pack, limit) for pack in packs for limit in pack.limits if limit.quantity == quantity)


def strictest(packs: tuple[RulePack, ...], *quantities: str) -> tuple[RulePack, Limit] | None:
    """Return the limit that rules among all packs for these quantities: the largest `min`, else the smallest upper limit.

    Guidance counts like law: following the stricter is always safe.  Where two upper limits are alike, the one that may
    not even be reached (`less-than`, `must-not-pass`) rules.  Limits of an option do not bind by themselves and are left
    out.  None when no pack limits any of them by a length.
    """
    found = [pair for quantity in quantities for pair in limits_of(packs, quantity) if pair[1].bounds_a_length and not pair[1].option]
    if not found:
        return None
    if found[0][1].comparator == "min":
        return max((pair for pair in found if pair[1].comparator == "min"), key=lambda pair: pair[1].metres)
    return min((pair for pair in found if pair[1].comparator != "min"), key=lambda pair: (pair[1].metres, pair[1].comparator == "max"))
