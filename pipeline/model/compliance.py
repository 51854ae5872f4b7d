"""What the compliance stage hands on: every clause with place, value, margin, uncertainty and verdict."""

from __future__ import annotations

from typing import Literal

import msgspec

from pipeline.errors import Reason
from pipeline.geometry.chain import Point
from pipeline.model.rules import Certainty

Verdict = Literal["pass", "marginal", "fail", "on-site"]


class Check(msgspec.Struct, frozen=True, kw_only=True):
    """One clause held against the fence, at the place where it is tightest.

    Parameters
    ----------
    name : str
        C001...
    rule_pack, document, clause, limit : str
        `limit` is the id of the pack's limit.
    quantity : str
    where : str
        Holes, panel, gate or point, in words.
    place : Point or None
        For the plan [m].
    also : tuple of Point
        Further places the same finding holds for, for the plan [m]: the other openings of a wall.
    measured, limit_value, margin, u95 : float or None
        [m], or [rad] for angles; None where it is a yes or no.  Margin is positive on the safe side.
    is_angle : bool
    verdict : Verdict
    certainty : Certainty
    look_at : str
        What a person has to look at or confirm on site; for `on-site`, and beside others where it helps.
    cure : str
        What in the layout would cure a fail.
    paraphrase : str
    rules : bool
        True when this is the strictest limit of its quantity.
    certainty_note : str
        Who confirmed the clause, when and from which edition; or how it is known, where that needs saying.
    """

    name: str
    rule_pack: str
    document: str
    clause: str
    limit: str
    quantity: str
    where: str = ""
    place: Point | None = None
    also: tuple[Point, ...] = ()
    measured: float | None = None
    limit_value: float | None = None
    margin: float | None = None
    u95: float | None = None
    is_angle: bool = False
    verdict: Verdict
    certainty: Certainty
    look_at: str = ""
    cure: str = ""
    paraphrase: str = ""
    rules: bool = False
    certainty_note: str = ""


class NotApplicable(msgspec.Struct, frozen=True, kw_only=True):
    """A limit of a pack that a mesh barrier can neither meet nor miss here, with the reason."""

    rule_pack: str
    limit: str
    clause: str
    why: str


class Caution(msgspec.Struct, frozen=True, kw_only=True):
    """Something that can hurt people at this job.

    Parameters
    ----------
    text : str
    source : str
        Document and how it is known.
    raised_by : str
        The fact of this job that raises it ("hole H012 in the bonding band"); empty for the general ones.
    """

    text: str
    source: str
    raised_by: str = ""


class Compliance(msgspec.Struct, frozen=True, kw_only=True):
    """Every check of one job, and the cautions it raises.

    Parameters
    ----------
    checks : tuple of Check
        In the order of the packs and their limits.
    not_applicable : tuple of NotApplicable
        Every other limit of the packs, with the reason; together with the checks nothing is left out.
    cautions : tuple of Caution
        Those this job raises first, then the general ones.
    verdict
        "does not comply" when a law, code or standard is missed; a miss of mere guidance is a warning.
    as_drilled : bool
        The holes were measured after drilling.
    warnings : tuple of Reason
    deference : tuple of str
        What has to stand on every print: who decides, and that the fence replaces no supervision.
    not_covered : tuple of str
        What the codes of this job do not say.
    """

    checks: tuple[Check, ...]
    not_applicable: tuple[NotApplicable, ...]
    cautions: tuple[Caution, ...]
    verdict: Literal["complies", "marginal", "does not comply", "on-site items open"]
    as_drilled: bool = False
    warnings: tuple[Reason, ...] = ()
    deference: tuple[str, ...] = ()
    not_covered: tuple[str, ...] = ()
