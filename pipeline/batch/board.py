"""The page for the office: every job of the night, in one file that needs no network."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable
from html import escape
from importlib import resources
from typing import Final
from urllib.parse import quote

import msgspec

from pipeline.batch.standings import Standing
from pipeline.errors import Reason
from pipeline.model.night import PooledCutting, PooledOrder

# Order in which the office wants to see them: what somebody has to act on first.
_HELD, _FAILS, _MARGINAL, _COMPLETE = range(4)
_WORDS: Final = {_HELD: "held", _FAILS: "does not comply", _MARGINAL: "marginal", _COMPLETE: "complete"}
_KINDS: Final = {_HELD: "held", _FAILS: "fails", _MARGINAL: "marginal", _COMPLETE: "complete"}
_SHEETS: Final = {"crew.pdf": "crew", "shop.pdf": "shop", "inspection.pdf": "inspection", "plan.dxf": "plan DXF"}
_SORTED_BY: Final = (("job", "Job"), ("state", "State"), ("due", "Due"), ("share", "Order"))  # what the page sorts by, and in which words
_SAFETY: Final = "The checks are a help and no approval: local codes, the authority having jurisdiction and licensed practice decide. No fence replaces supervision."


class Board(msgspec.Struct, frozen=True, kw_only=True):
    """What the page shows: the jobs, and the night's order and cutting where they could be made."""

    jobs: tuple[Standing, ...]
    order: PooledOrder | None = None
    cutting: PooledCutting | None = None


def board_page(board: Board) -> str:
    """Return the board as one HTML page."""
    style, script = _asset("board.css"), _asset("board.js")
    policy = f"default-src 'none'; img-src data:; style-src '{_hash(style)}'; script-src '{_hash(script)}'; base-uri 'none'; form-action 'none'"
    jobs = sorted(board.jobs, key=lambda job: (_rank(job), job.shown))
    parts = (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Board of the night: {len(jobs)} jobs</title>\n<style>{style}</style>\n</head>\n<body>",
        '<a class="skip" href="#jobs">To the jobs</a>',
        f"<header><h1>Board of the night</h1><p>{_SAFETY}</p></header>\n<main>",
        _totals(board),
        _controls(),
        _table(jobs, board),
        f"</main>\n<script>{script}</script>\n</body>\n</html>\n",
    )
    return "\n".join(parts)


def _asset(name: str) -> str:
    return resources.files("pipeline.batch").joinpath(name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """Return what a content security policy calls an inline text by."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _rank(job: Standing) -> int:
    if job.status.state == "held":
        return _HELD
    return {"does not comply": _FAILS, "marginal": _MARGINAL}.get(job.verdict, _COMPLETE)


def _totals(board: Board) -> str:
    """Return the night in numbers, with links to what was made for all jobs together."""
    ranks = [_rank(job) for job in board.jobs]
    facts = [("jobs", str(len(ranks)))]
    facts += [("held", str(ranks.count(_HELD))), ("complete", str(len(ranks) - ranks.count(_HELD)))]
    facts += [("of these not complying", str(ranks.count(_FAILS))), ("of these marginal", str(ranks.count(_MARGINAL)))]
    if board.order is not None and board.order.jobs:
        facts += [
            ("one order", _money(board.order.total, board.order.currency)),
            ("saved by ordering together", _money(board.order.saving, board.order.currency)),
        ]
    if board.cutting is not None and board.cutting.groups:
        facts += [
            ("saved by cutting together", _money(board.cutting.saving, board.cutting.currency)),
            ("fabric wasted", f"{board.cutting.waste:.2f} m (cut alone {board.cutting.alone_waste:.2f} m)"),
        ]
    told = "".join(f"<div><dt>{name}</dt><dd>{escape(value)}</dd></div>" for name, value in facts)
    links = (("order.xlsx", "order"), ("cutting.csv", "cutting"), ("offcuts.csv", "shelf after cutting"), ("status.csv", "status as a table"))
    linked = "".join(f'<li><a href="{name}">{words}</a></li>' for name, words in links)
    return f'<section aria-label="The night in numbers"><dl class="totals">{told}</dl><ul class="links">{linked}</ul></section>'


def _money(amount: float, currency: str) -> str:
    return f"{amount:,.2f} {currency}"


def _controls() -> str:
    options = "".join(f'<option value="{kind}">{_WORDS[rank]}</option>' for rank, kind in _KINDS.items())
    keys = "".join(f'<option value="{key}">{words.lower()}</option>' for key, words in _SORTED_BY)
    return (
        '<form class="controls" role="search"><label>Find <input id="find" type="search" autocomplete="off"></label>'
        f'<label>Show <select id="show"><option value="">all</option>{options}</select></label>'
        f'<label>Sort by <select id="sort"><option value="">what to act on</option>{keys}</select></label>'
        '<p id="count" role="status" aria-live="polite"></p></form>'
    )


def _table(jobs: list[Standing], board: Board) -> str:
    sortable = "".join(
        f'<th scope="col" data-key="{key}" data-words="{words}"><button type="button">{words}</button></th>' for key, words in _SORTED_BY
    )
    head = f'<th scope="col">Plan</th>{sortable}<th scope="col">What to do</th><th scope="col">Package</th>'
    shares = board.order.totals if board.order is not None else {}
    currency = board.order.currency if board.order is not None else ""
    rows = "\n".join(_row(job, shares.get(job.status.job), currency) for job in jobs)
    return f'<table id="jobs"><caption>Jobs, those to act on first</caption><thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody></table>'


def _row(job: Standing, share: float | None, currency: str) -> str:
    rank = _rank(job)
    cells = (
        ("Plan", _thumbnail(job)),
        ("State", f'<span class="badge">{_WORDS[rank]}</span>{_state_note(job)}'),
        ("Due", escape(job.due)),
        ("Order", _money(share, currency) if share is not None else ""),
        ("What to do", _reasons(job)),
        ("Package", _links(job)),
    )
    told = [f'<td data-label="{name}">{text}</td>' for name, text in cells]
    told.insert(1, f'<th scope="row">{_name(job)}</th>')
    keys = f'data-job="{escape(job.shown)}" data-state="{rank}" data-due="{escape(job.due)}" data-share="{share or 0:.2f}" data-kind="{_KINDS[rank]}"'
    return f'<tr class="{_KINDS[rank]}" {keys}>{"".join(told)}</tr>'


def _thumbnail(job: Standing) -> str:
    if not job.thumbnail:
        return '<span class="quiet">no plan</span>'
    coded = base64.b64encode(job.thumbnail.encode()).decode()
    return f'<img width="120" height="92" alt="Plan of {escape(job.shown)}" src="data:image/svg+xml;base64,{coded}">'


def _name(job: Standing) -> str:
    title = f'<span class="title">{escape(job.title)}</span>' if job.title and job.title != job.shown else ""
    rules = f'<span class="quiet">{escape(", ".join(job.rules))}</span>' if job.rules else ""
    return f"{escape(job.shown)}{title}{rules}"


def _state_note(job: Standing) -> str:
    if job.status.state == "held":
        return f'<span class="quiet">at {escape(job.status.stage)}</span>'
    counts = [f"{number} {words}" for number, words in ((job.fails, "failing"), (job.on_site, "to see on site")) if number]
    drilled = ", as drilled" if job.basis == "as drilled" else ""
    notes = [f"revision {job.status.revision}{drilled}", *counts]
    if job.verdict and job.verdict != _WORDS[_rank(job)]:
        notes.insert(0, job.verdict)
    if job.since:
        notes.append(f"since revision {job.since}: {', '.join(job.changed) or _unchanged(job)}")
    return "".join(f'<span class="quiet">{escape(note)}</span>' for note in notes)


def _unchanged(job: Standing) -> str:
    """Return what is said where nothing changed that anybody has to act on."""
    return "holes within setting out, panels as they were" if job.basis == "as drilled" else "no hole and no panel changed"


def _reasons(job: Standing) -> str:
    failing = [warning for warning in job.status.warnings if warning.ref == "does-not-comply"]
    held = "".join(_reason(reason) for reason in (*job.status.reasons, *failing))
    warnings = [warning for warning in job.status.warnings if warning not in failing]
    folded = ""
    if warnings:
        listed = "".join(_reason(warning) for warning in warnings)
        folded = f'<details class="warnings"><summary>{_counted(len(warnings), "warning")}</summary><ul>{listed}</ul></details>'
    log = f"<details><summary>last lines of the log</summary><pre>{escape(chr(10).join(job.log))}</pre></details>" if job.log else ""
    return (f"<ul>{held}</ul>" if held else "") + folded + log


def _counted(number: int, word: str) -> str:
    first, _, rest = word.partition(" of ")
    return f"{number} {first}" + ("" if number == 1 else "s") + (f" of {rest}" if rest else "")


def _reason(reason: Reason) -> str:
    where = f'<span class="where">{escape(reason.file)}{f", line {reason.line}" if reason.line else ""}:</span> ' if reason.file else ""
    why = f'<span class="why">{escape(reason.why)}</span>' if reason.why else ""
    do = f'<span class="do">{escape(reason.do)}</span>' if reason.do else ""
    return f"<li>{where}{escape(reason.what)}{why}{do}</li>"


def _links(job: Standing) -> str:
    """Return links to the sheets people open, the whole package, and, folded, everything else."""
    base = f"../jobs/{quote(job.status.job)}"
    main = [(f"{base}/package/{quote(name)}", words) for name, words in _SHEETS.items() if name in job.files]
    if job.zip:
        main.append((f"{base}/{quote(job.zip)}", "all as zip"))
    rest = [(f"{base}/package/{quote(name)}", name) for name in job.files if name not in _SHEETS]
    rest += [(f"{base}/{quote(name)}", name) for name in job.survey]
    folded = (
        f"<details><summary>{_counted(len(rest), 'more file' if main else 'file of the survey')}</summary>{_linked(job, rest)}</details>"
        if rest
        else ""
    )
    return _linked(job, main) + folded


def _linked(job: Standing, links: Iterable[tuple[str, str]]) -> str:
    listed = "".join(
        f'<li><a href="{escape(target)}">{escape(words)}<span class="unseen"> of {escape(job.shown)}</span></a></li>' for target, words in links
    )
    return f'<ul class="links">{listed}</ul>' if listed else ""
