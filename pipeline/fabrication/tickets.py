"""What is printed on a cut ticket: what the left-over is fit for, and the text of its code block."""

from __future__ import annotations

import msgspec

from pipeline.model.fabrication import CutTicket
from pipeline.model.shop import Shop
from pipeline.units import ReportUnits, format_length


def finished(ticket: CutTicket, shop: Shop, units: ReportUnits) -> CutTicket:
    """Return a ticket with what its left-over is fit for and its code text."""
    return msgspec.structs.replace(ticket, fit_for=_fit_for(ticket, shop, units), label=ticket_code(ticket))


def ticket_code(ticket: CutTicket) -> str:
    """Return the text of a ticket's code block: source, first and last cut, left-over in mm."""
    return f"{ticket.source}|{ticket.cuts[0].cut}|{ticket.cuts[-1].cut}|{ticket.left_over * 1000:.1f}"


def _fit_for(ticket: CutTicket, shop: Shop, units: ReportUnits) -> str:
    """Say what the left-over still makes: the longest custom panel, and with how many posts of its own."""
    if not ticket.usable:
        return "not worth keeping"
    longest = ticket.left_over - shop.panel.fabric_beyond_end_post - shop.panel.custom_extra
    posts = f"{ticket.posts_left} post{'s' if ticket.posts_left != 1 else ''}"
    return f"to the shelf, {posts} on it: makes a custom panel of up to {format_length(longest, units)}"
