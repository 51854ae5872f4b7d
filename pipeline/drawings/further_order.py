"""The order of a package that follows another: only what is needed beyond what the earlier ones ordered."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping
from typing import Final

import msgspec

from pipeline.model.fabrication import OrderLine
from pipeline.model.succession import Ordered

_ROUNDED: Final = 1e-5  # [-] of a need: order.csv has six digits


def read_ordered(manifest: bytes, order_csv: bytes) -> Ordered:
    """Return what a job has ordered up to an older package: from its manifest, or, where that does not say, from its order.csv."""
    found = msgspec.json.decode(manifest, type=_Manifest).ordered
    if found is not None:
        return found
    rows = list(csv.DictReader(io.StringIO(order_csv.decode())))
    return Ordered(
        needed={row["item"]: float(row["needed"]) for row in rows}, had={row["item"]: int(row["packs"]) * float(row["pack"]) for row in rows}
    )


class _Manifest(msgspec.Struct, frozen=True):
    """What is read of an older manifest."""

    ordered: Ordered | None = None


def ordered_with(lines: Iterable[OrderLine], bought: Iterable[OrderLine], before: Ordered | None = None) -> Ordered:
    """Return what is ordered once `bought` is: `lines` are what the job needs in all, `before` what was ordered for it earlier."""
    had, needed = (dict(before.had), dict(before.needed)) if before else ({}, {})
    for line in bought:
        had[line.item] = had.get(line.item, 0.0) + line.packs * line.pack
    for line in lines:
        needed[line.item] = max(needed.get(line.item, 0.0), line.needed)
    return Ordered(needed=needed, had=had)


def further(lines: Iterable[OrderLine], ordered: Ordered) -> tuple[OrderLine, ...]:
    """Return the lines of an order less what is in the packs ordered before; whole packs again, nothing that is there already."""
    found = []
    for line in lines:
        short = line.needed - ordered.had.get(line.item, 0.0)
        if short > _ROUNDED * line.needed:
            packs = math.ceil(short / line.pack - _ROUNDED)
            price = round(packs * line.unit_price, 2)
            found.append(msgspec.structs.replace(line, needed=short, packs=packs, price=price, for_cutting=min(line.for_cutting, short)))
    return tuple(found)


def left_over(lines: Iterable[OrderLine], ordered: Ordered) -> dict[str, float]:
    """Return the units of each item that were needed before and are not needed now, for the shop to put aside."""
    now: Mapping[str, float] = {line.item: line.needed for line in lines}
    spare = {item: needed - now.get(item, 0.0) for item, needed in sorted(ordered.needed.items())}
    return {item: units for item, units in spare.items() if units > _ROUNDED * ordered.needed[item]}
