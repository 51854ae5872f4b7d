"""The page for the office: every job of the night, in one file."""

from __future__ import annotations

from html import escape

from pipeline.batch.standings import Standing


def board_page(standings: tuple[Standing, ...]) -> str:
    """Return the board as one HTML page that needs no network."""
    rows = "".join(
        f"<tr><td>{escape(one.shown)}<td>{one.status.state}<td>{escape('; '.join(r.what for r in one.status.reasons))}" for one in standings
    )
    return f"<!doctype html><html lang=en><meta charset=utf-8><title>Board</title><table>{rows}</table></html>"
