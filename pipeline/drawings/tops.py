"""How high the fence stands over the deck, as every sheet draws and prints it."""

from __future__ import annotations

from pipeline.model.job import Job
from pipeline.model.layout import Gate, Layout


def top_over_deck(job: Job, height: float) -> float:
    """Return how high the top of a panel's fabric stands over the deck at its posts [m], for a panel of a nominal height [m].

    A shop's heights are those of the fabric, which hangs its hem gap above the deck, or count from the deck; the checks
    hold the same height against the rules.
    """
    panel = job.shop.panel
    return float(height) if panel.height_from_deck else height + panel.hem_gap


def gate_top(job: Job, layout: Layout, gate: Gate) -> float:
    """Return how high a gate's leaf stands over the deck [m]: as the lowest of the panels beside it, else of the whole fence."""
    ends = {gate.hinge_hole, gate.latch_hole}
    beside = [panel for panel in layout.panels if ends & set(panel.holes)] or list(layout.panels)
    return min((top_over_deck(job, panel.height) for panel in beside), default=0.0)
