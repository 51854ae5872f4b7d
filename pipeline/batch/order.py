"""One order for all complete jobs of a batch, by supplier, with each job's share; written as a workbook with live formulas."""

from __future__ import annotations

import datetime
import io
import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, Final

from pipeline.fabrication.cutting_list import loose_posts
from pipeline.fabrication.hardware import packs_for
from pipeline.inert_text import inert
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.night import PooledCutting, PooledLine, PooledOrder, Share
from pipeline.model.shop import Shop
from pipeline.model.succession import Succession

CREATED: Final = datetime.datetime(2000, 1, 1)  # no clock: the same order gives the same bytes
CENTS: Final = 100
ROUNDED_NEED: Final = 1e-5  # [-] of a need: an older package may have it with six digits only
TINY_NEED: Final = 1e-9  # as in `packs_for`: what binary fractions may be off

JobAndFabrication = tuple[Job, Fabrication]
Needs = dict[str, dict[str, float]]


def pooled_order(
    jobs: Sequence[JobAndFabrication], cutting: PooledCutting | None = None, successions: Mapping[str, Succession] | None = None
) -> PooledOrder:
    """Order for all jobs together: packs are rounded up once, and shared between the jobs by need.

    Parameters
    ----------
    jobs : sequence of (Job, Fabrication)
        All complete jobs; they share one shop.
    cutting : PooledCutting or None
        The pooled cutting, which replaces what each job would buy to be cut; None: each job is cut alone.
    successions : mapping of str to Succession, or None
        Of the jobs whose holes are drilled.  What they were planned with was ordered then: they order what they need beyond it, and what
        they are cut from with it.

    Returns
    -------
    PooledOrder
        Shares are in whole cents and sum to the order.
    """
    jobs = sorted(jobs, key=lambda entry: entry[0].name)
    if not jobs:
        return PooledOrder(lines=(), jobs=(), totals={}, total=0.0, alone={}, saving=0.0, currency="")
    shop, drilled = jobs[0][0].shop, successions or {}
    planned = [entry for entry in jobs if entry[0].name not in drilled]
    needs = _needs(planned, to_cut=cutting is None)
    for job, fabrication in jobs:
        for item, needed in _further_needs(fabrication, drilled[job.name]).items() if job.name in drilled else ():
            needs.setdefault(item, {})[job.name] = needed
    bought: Needs = _cutting_needs(shop, planned, cutting) if cutting is not None else {}
    lines = [_line(shop, item, needs.get(item, {}), bought.get(item, {})) for item in shop.stock if item in needs or item in bought]
    lines.sort(key=lambda line: (line.supplier, line.item))
    cents: Counter[str] = Counter()
    for line in lines:
        for share in line.shares:
            cents[share.job] += round(share.price * CENTS)
    alone = {
        job.name: _alone(shop, _further_needs(fabrication, drilled[job.name])) if job.name in drilled else fabrication.total
        for job, fabrication in jobs
    }
    total = round(sum(line.price for line in lines), 2)
    return PooledOrder(
        lines=tuple(lines),
        jobs=tuple(job.name for job, _ in jobs),
        totals={job.name: cents[job.name] / CENTS for job, _ in jobs},
        total=total,
        alone=alone,
        saving=round(sum(alone.values()) - total, 2),
        currency=shop.currency,
        shelf=cutting.shelf_next if cutting is not None else (),
        beyond={name: succession.since if succession.further else 0 for name, succession in sorted(drilled.items())},
    )


def shared_cents(total: float, needs: Mapping[str, float]) -> dict[str, float]:
    """Share an amount by need in whole cents that sum to it: rounded down, the cents left to the largest remainders.

    Examples
    --------
    >>> shared_cents(10.0, {"a": 1, "b": 1, "c": 1})
    {'a': 3.34, 'b': 3.33, 'c': 3.33}
    """
    cents, whole = round(total * CENTS), sum(needs.values())
    exact = {job: cents * need / whole for job, need in needs.items()}
    given = {job: math.floor(value) for job, value in exact.items()}
    short = cents - sum(given.values())
    for job in sorted(exact, key=lambda job: (given[job] - exact[job], job))[:short]:
        given[job] += 1
    return {job: value / CENTS for job, value in given.items()}


def write_order_xlsx(order: PooledOrder) -> bytes:
    """Return the order as a workbook: sheets Order, Jobs, Shares and Shelf; sums are formulas, with their values stored beside."""
    import xlsxwriter  # only who writes a workbook pays for it

    out = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    book = xlsxwriter.Workbook(out, options)
    book.set_properties({"title": "Order of the night", "created": CREATED})
    pen = _Pen(book, order)
    pen.order_sheet()
    pen.jobs_sheet()
    pen.shares_sheet()
    pen.shelf_sheet()
    book.close()
    return out.getvalue()


class _Pen:
    """Writes the sheets; rows are counted from 1, as in the formulas."""

    def __init__(self, book: Any, order: PooledOrder) -> None:
        self.book, self.order = book, order
        self.bold = book.add_format({"bold": True, "bottom": 1})
        self.money = book.add_format({"num_format": "#,##0.00"})
        self.sum = book.add_format({"num_format": "#,##0.00", "bold": True, "top": 1})
        self.amount = book.add_format({"num_format": "#,##0.###"})
        self.shares = [(line, share) for line in order.lines for share in line.shares]
        self.last_line = 1 + len(order.lines)
        self.last_share = 1 + len(self.shares)
        self.last_job = 1 + len(order.jobs)

    def order_sheet(self) -> None:
        head = ("supplier", "item", "description", "unit", "needed", "pack", "packs", "unit_price", "price", "currency")
        sheet = self._sheet("Order", head, (26, 16, 44, 10, 10, 8, 8, 11, 12, 9))
        for row, line in enumerate(self.order.lines, 2):
            self._texts(sheet, row, (line.supplier, line.item, line.description, line.unit))
            sheet.write_number(row - 1, 4, line.needed, self.amount)
            sheet.write_number(row - 1, 5, line.pack, self.amount)
            sheet.write_formula(row - 1, 6, f"=ROUNDUP(E{row}/F{row}-{TINY_NEED},0)", self.amount, line.packs)
            sheet.write_number(row - 1, 7, line.unit_price, self.money)
            sheet.write_formula(row - 1, 8, f"=ROUND(G{row}*H{row},2)", self.money, line.price)
            sheet.write_string(row - 1, 9, self.order.currency)
        row = self.last_line + 2
        for supplier in sorted({line.supplier for line in self.order.lines}):
            total = round(sum(line.price for line in self.order.lines if line.supplier == supplier), 2)
            sheet.write_string(row - 1, 0, inert(supplier))
            self._formula(sheet, row, 8, f"=SUMIF(A2:A{self.last_line},A{row},I2:I{self.last_line})", total)
            row += 1
        sheet.write_string(row - 1, 0, "TOTAL", self.bold)
        self._formula(sheet, row, 8, f"=SUM(I2:I{max(2, self.last_line)})", self.order.total, self.sum)

    def jobs_sheet(self) -> None:
        sheet = self._sheet("Jobs", ("job", "share", "alone", "saving", "currency", "what"), (40, 14, 14, 14, 9, 34))
        for row, job in enumerate(self.order.jobs, 2):
            share, alone = self.order.totals[job], self.order.alone[job]
            sheet.write_string(row - 1, 0, inert(job))
            self._formula(sheet, row, 1, f"=SUMIF(Shares!B2:B{self.last_share},A{row},Shares!D2:D{self.last_share})", share)
            sheet.write_number(row - 1, 2, alone, self.money)
            self._formula(sheet, row, 3, f"=C{row}-B{row}", round(alone - share, 2))
            sheet.write_string(row - 1, 4, self.order.currency)
            beyond = self.order.beyond.get(job, 0)
            sheet.write_string(row - 1, 5, f"as drilled: beyond revision {beyond}" if beyond else "whole order")
        row = self.last_job + 2
        sheet.write_string(row - 1, 0, "TOTAL", self.bold)
        sums = (self.order.total, round(sum(self.order.alone.values()), 2), self.order.saving)
        for column, value in enumerate(sums, 1):
            letter = "ABCD"[column]
            self._formula(sheet, row, column, f"=SUM({letter}2:{letter}{max(2, self.last_job)})", value, self.sum)

    def shares_sheet(self) -> None:
        sheet = self._sheet("Shares", ("item", "job", "needed", "price", "currency"), (18, 40, 12, 14, 9))
        for row, (line, share) in enumerate(self.shares, 2):
            self._texts(sheet, row, (line.item, share.job))
            sheet.write_number(row - 1, 2, share.needed, self.amount)
            sheet.write_number(row - 1, 3, share.price, self.money)
            sheet.write_string(row - 1, 4, self.order.currency)

    def shelf_sheet(self) -> None:
        sheet = self._sheet("Shelf", ("id", "length_mm", "posts", "height_mm", "colour", "where"), (14, 12, 8, 12, 12, 40))
        for row, offcut in enumerate(self.order.shelf, 2):
            sheet.write_string(row - 1, 0, inert(offcut.id))
            sheet.write_number(row - 1, 1, round(offcut.length * 1000, 1))
            sheet.write_number(row - 1, 2, offcut.posts)
            sheet.write_number(row - 1, 3, round(offcut.height * 1000, 1))
            sheet.write_string(row - 1, 4, inert(offcut.colour))
            sheet.write_string(row - 1, 5, inert(offcut.where))

    def _sheet(self, name: str, head: Sequence[str], widths: Sequence[float]) -> Any:
        sheet = self.book.add_worksheet(name)
        for column, (title, width) in enumerate(zip(head, widths, strict=True)):
            sheet.set_column(column, column, width)
            sheet.write_string(0, column, title, self.bold)
        sheet.freeze_panes(1, 0)
        return sheet

    def _texts(self, sheet: Any, row: int, texts: Sequence[str]) -> None:
        for column, text in enumerate(texts):
            sheet.write_string(row - 1, column, inert(text))

    def _formula(self, sheet: Any, row: int, column: int, formula: str, value: float, style: Any = None) -> None:
        sheet.write_formula(row - 1, column, formula, style or self.money, value)


def _needs(jobs: Sequence[JobAndFabrication], *, to_cut: bool) -> Needs:
    """Return item to job to units needed, without what is bought to be cut unless `to_cut`."""
    needs: Needs = defaultdict(dict)
    for job, fabrication in jobs:
        for line in fabrication.order:
            needed = line.needed if to_cut else line.needed - line.for_cutting
            if needed > TINY_NEED:
                needs[line.item][job.name] = needed
    return needs


def _further_needs(fabrication: Fabrication, succession: Succession) -> dict[str, float]:
    """Return item to units a drilled job needs beyond what earlier revisions needed; all of it where there was none."""
    before = succession.before.needed if succession.before is not None else {}
    short = {line.item: line.needed - before.get(line.item, 0.0) for line in fabrication.order}
    return {line.item: short[line.item] for line in fabrication.order if short[line.item] > ROUNDED_NEED * line.needed}


def _alone(shop: Shop, needs: Mapping[str, float]) -> float:
    """Return what needs cost when a job orders them for itself."""
    return round(sum(packs_for(needed, shop.stock[item].pack) * shop.stock[item].price for item, needed in needs.items()), 2)


def _cutting_needs(shop: Shop, jobs: Sequence[JobAndFabrication], cutting: PooledCutting) -> Needs:
    """Return item to job to units bought to be cut: sources by the fabric each job takes of them, loose posts by the posts it needs."""
    needs: Needs = defaultdict(lambda: defaultdict(float))
    groups = [group for group in cutting.groups if not group.as_drilled]
    for ticket in (ticket for group in groups for ticket in group.tickets):
        taken = sum(cut.end - cut.start for cut in ticket.cuts)
        for cut in ticket.cuts if ticket.item else ():
            needs[ticket.item][cut.job] += (cut.end - cut.start) / taken
    for group in groups:
        posts = {
            job.name: sum(demand.posts for demand in fabrication.demands if (demand.height, demand.colour) == (group.height, group.colour))
            for job, fabrication in jobs
        }
        cheapest = sorted(loose_posts(shop, group.height, group.colour), key=lambda entry: entry[1].price / entry[1].pack)[:1]
        for item, _ in cheapest if group.posts_bought else ():
            for name, count in posts.items():
                if count:
                    needs[item][name] += group.posts_bought * count / sum(posts.values())
    return needs


def _line(shop: Shop, name: str, needs: Mapping[str, float], bought: Mapping[str, float]) -> PooledLine:
    item = shop.stock[name]
    shares = {job: needs.get(job, 0.0) + bought.get(job, 0.0) for job in sorted({*needs, *bought})}
    needed = sum(shares.values())
    packs = packs_for(needed, item.pack)
    price = round(packs * item.price, 2)
    money = shared_cents(price, shares)
    return PooledLine(
        item=name,
        description=item.description,
        supplier=item.supplier,
        unit=item.unit,
        needed=needed,
        pack=item.pack,
        packs=packs,
        unit_price=item.price,
        price=price,
        shares=tuple(Share(job=job, needed=need, price=money[job]) for job, need in shares.items()),
    )
