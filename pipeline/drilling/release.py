"""What may be cut and hung by what was measured, and which distances have to be taped first."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from pipeline.drilling.misfits import COVERAGE, SAME, gates_hardly_known, spacings_off
from pipeline.model.drilling import DrilledHole, Misfit, Reading, ToTape
from pipeline.model.layout import Layout, Panel
from pipeline.model.shop import Shop

SURE: Final = 2.58  # [-] standard deviations, 99 of 100: a panel is cut, or a hole drilled again, on no less
CUT_BY: Final = 0.003 / SURE  # [m] one sigma: a distance known so is within 3 mm in 99 of 100

Span = tuple[str, str]


@dataclass(frozen=True)
class Known:
    """How well the distances between neighbouring holes are known.

    Parameters
    ----------
    taped : frozenset of Span
        From hole to next hole: a reading of just that was followed.
    sigmas : dict
        Hole to the standard deviation of its distance to the next that stands, as estimated [m].
    unmeasured : frozenset of str
        Holes that nobody measured, or that are not drilled.
    """

    taped: frozenset[Span]
    sigmas: dict[str, float]
    unmeasured: frozenset[str]

    @classmethod
    def of(cls, holes: Sequence[DrilledHole], readings: Sequence[Reading]) -> Known:
        return cls(
            taped=frozenset((one.hole, one.to) for one in readings if one.kind == "to-next" and one.followed),
            sigmas={one.hole: one.to_next_sigma or 0.0 for one in holes},
            unmeasured=frozenset(one.hole for one in holes if one.state in ("planned", "missing")),
        )

    def to_cut_by(self, span: Span) -> bool:
        """Say whether a custom panel may be cut by a distance: it was taped, or both holes are known as well as a tape would."""
        return span in self.taped or (self.unmeasured.isdisjoint(span) and self.sigmas.get(span[0], 0.0) <= CUT_BY)

    def leaves_open(self, span: Span, coverage: float) -> float:
        """Return how far a distance may be off as estimated [m]; 0 of one that was taped: a tape is what the shop hangs by."""
        return 0.0 if span in self.taped else coverage * self.sigmas.get(span[0], 0.0)


def to_tape_of(plan: Layout, stands: Layout, known: Known, shop: Shop) -> tuple[ToTape, ...]:
    """Return the panels that wait for a tape, in the order of the panels, and then the gates.

    Ties and shots place each hole by itself: two neighbours 3 mm off in opposite ways are 6 mm wrong to one another, and nothing in the sheet shows it.  So a
    custom panel is cut by distances that were taped (or are known as well), and a stock panel that may be off by more than it takes, or a gate, is taped before it is hung.

    Parameters
    ----------
    plan, stands, known, shop
        As designed; as drilled, its panels custom where they do not hang; what is known of the distances; what a stock panel takes.
    """
    found = []
    for was, now in zip(plan.panels, stands.panels, strict=True):
        spans = _of_custom(now, known) if now.kind == "custom" else _of_stock(plan, was, now, stands, known, shop)
        if spans:
            found.append(ToTape(panel=now.name, spans=tuple(spans), sigma=max(known.sigmas.get(span[0], 0.0) for span in spans)))
    gates = (gate for gate, _ in gates_hardly_known(plan, stands, shop, known.sigmas))
    leaves = [(gate.name, (gate.hinge_hole, gate.latch_hole), known.sigmas.get(gate.hinge_hole, 0.0)) for gate in gates]
    return (*found, *(ToTape(panel=name, spans=(span,), sigma=sigma) for name, span, sigma in leaves if span not in known.taped))


def sure(misfit: Misfit, known: Known, shop: Shop) -> bool:
    """Say whether a stock panel is off by more than it takes whatever the readings leave open: on no other ground is a hole drilled again."""
    return misfit.posts != 0 or abs(misfit.off) - known.leaves_open((misfit.first, misfit.last), SURE) > shop.setting_out.fit_tolerance + SAME


def _of_custom(panel: Panel, known: Known) -> list[Span]:
    return [span for span in itertools.pairwise(panel.holes) if not known.to_cut_by(span)]


def _of_stock(plan: Layout, was: Panel, now: Panel, stands: Layout, known: Known, shop: Shop) -> list[Span]:
    """Return the distances that may be off by more than a stock panel takes.

    What nobody measured is asked for as such, and here only where the hole beside it is found half as far off already.
    """
    takes = shop.setting_out.fit_tolerance + SAME
    off = [(abs(by), (first, last)) for by, first, last in spacings_off(plan, was, now, stands)]
    return [span for by, span in off if by + known.leaves_open(span, COVERAGE) > takes and (by > takes / 2 or known.unmeasured.isdisjoint(span))]


def runs_of(spans: Sequence[Span]) -> Iterator[Span]:
    """Yield neighbouring distances as one, from its first hole to its last.

    Examples
    --------
    >>> list(runs_of([("H001", "H002"), ("H002", "H003"), ("H005", "H006")]))
    [('H001', 'H003'), ('H005', 'H006')]
    """
    first, last = "", ""
    for here, there in spans:
        if here != last:
            if last:
                yield first, last
            first = here
        last = there
    if last:
        yield first, last
