"""Coded points from what was read: the description by the grammar, sigmas by the instrument."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from pipeline.errors import Reason
from pipeline.model.shop import SurveyOptions
from pipeline.model.survey import SurveyPoint
from pipeline.survey.codes import read_description
from pipeline.survey.field_book import ReadPoint

NAMED: Final = 8  # points without a code that are named one by one


def placed(points: Iterable[ReadPoint], options: SurveyOptions, table: Mapping[str, str]) -> list[SurveyPoint]:
    """Return read points as survey points, with the a-priori sigmas of one shot [m], in the order shot."""
    return [_placed(order, read, options, table) for order, read in enumerate(points)]


def _placed(order: int, read: ReadPoint, options: SurveyOptions, table: Mapping[str, str]) -> SurveyPoint:
    coded = read_description(read.description, table)
    return SurveyPoint(
        point=read.point,
        code=coded.code,
        line=coded.line,
        modifiers=coded.modifiers,
        remark=coded.remark,
        east=read.east,
        north=read.north,
        elev=read.elev,
        sigma_east=float(options.position_sigma),
        sigma_north=float(options.position_sigma),
        sigma_elev=None if read.elev is None else float(options.elevation_sigma),
        state="check" if coded.code == "CHECK" else "used",
        order=order,
        file=read.file,
        row=read.row,
    )


def words_not_understood(points: Iterable[ReadPoint], table: Mapping[str, str]) -> tuple[Reason, ...]:
    """Return one warning naming the codes and words after codes that mean nothing to us, with how often each stands."""
    codes: dict[str, int] = {}
    words: dict[str, int] = {}
    unread: list[ReadPoint] = []
    blank: list[ReadPoint] = []
    for read in points:
        coded = read_description(read.description, table)
        if coded.code:
            for word in coded.unread:
                words[word] = words.get(word, 0) + 1
        else:
            first = read.description.split("/")[0].split()[:1]
            name = first[0] if first else "(blank)"
            codes[name] = codes.get(name, 0) + 1
            (unread if first else blank).append(read)
    reasons = []
    if codes:
        reasons.append(
            Reason(
                ref="unknown-codes",
                what=f"codes that mean nothing to the fence: {_listed(codes)}{_without_code(blank)}",
                why="their points are kept, but no line is drawn through them",
                file=(blank or unread)[0].file,
                line=(blank or unread)[0].row or None,
                do=("give the points without a code theirs; " if blank else "")
                + 'if one of them is a code of yours, map it in shop.toml: [codes] EW = "WATER"',
            )
        )
    if words:
        reasons.append(
            Reason(
                ref="unknown-modifiers",
                what=f"words after a code that are no modifier: {_listed(words)}",
                why="only B, E, C, PC and PT are; whatever follows a slash is a remark",
                do="write a slash before remarks",
            )
        )
    return tuple(reasons)


def _without_code(blank: Sequence[ReadPoint]) -> str:
    if not blank:
        return ""
    more = f" and {len(blank) - NAMED} more" if len(blank) > NAMED else ""
    return f"; points without a code: {', '.join(read.point for read in blank[:NAMED])}{more}"


def _listed(counts: Mapping[str, int], most: int = 12) -> str:
    ordered = sorted(counts.items(), key=lambda entry: (-entry[1], entry[0]))
    shown = ", ".join(f"{name} ({count})" for name, count in ordered[:most])
    return shown + (f" and {len(ordered) - most} more" if len(ordered) > most else "")
