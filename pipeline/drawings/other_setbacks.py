"""For the office: the same job at other setbacks, in a table; the layout stage works it out, the job's own setback is marked."""

from __future__ import annotations

from typing import Any, Final

from pipeline.drawings.dossier import Dossier
from pipeline.drawings.pages import TextPart, paragraph, space, table, together
from pipeline.model.layout import Alternative
from pipeline.units import format_length

_SAME: Final = 1e-6  # [m] setbacks nearer to each other than this are the same
_WIDTHS: Final = (30, 15, 17, 27, 37, 66)  # [mm]


def other_setbacks(dossier: Dossier) -> tuple[TextPart, ...]:
    """Return the table of setbacks; nothing where there is nothing to choose, as once the holes are drilled."""
    layout = dossier.layout
    if dossier.drilled is not None or len(layout.alternatives) < 2:
        return ()
    head = ("setback", "holes", "custom panels", f"panels cost, {dossier.fabrication.currency}", "least margin over what the rules ask", "remark")
    rows = [_row(dossier, other) for other in layout.alternatives]
    flow = [
        table(head, rows, _WIDTHS, plain=False, over="For the office: this job at other setbacks"),
        space(1.5),
        paragraph(
            "Setback: fabric to water's edge, wanted everywhere. Cost: of the panels alone, at the shop's prices. The package is for the setback marked; "
            "another one is written into job.toml as `setback` in [fence] and everything is worked out anew."
        ),
    ]
    return (TextPart("Other setbacks", (together(flow),), follows=True),)


def _row(dossier: Dossier, other: Alternative) -> tuple[Any, ...]:
    setback = format_length(other.setback, dossier.units)
    if other.note:
        return (setback, "–", "–", "–", "–", f"cannot be built: {other.note}")
    own = abs(other.setback - dossier.layout.setback) < _SAME
    remarks = ["this package" if own else "", "" if other.proven else "not proven to be the best there"]
    cells = (
        setback,
        str(other.holes),
        str(other.custom_panels),
        f"{other.cost:,.2f}",
        _margin(other.least_margin, dossier),
        "; ".join(filter(None, remarks)),
    )
    return tuple(paragraph(cell, "head-cell") for cell in cells) if own else cells


def _margin(margin: float, dossier: Dossier) -> str:
    """Return a margin; one that is short of what the rules ask says so, as a bare minus is easily missed."""
    return format_length(margin, dossier.units) if margin >= 0 else f"short by {format_length(-margin, dossier.units)}"
