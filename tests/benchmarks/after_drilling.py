"""Drilled by simulation, at full size: how panels fit the true holes, slips named, cures against trying; prints the tables of DEVELOPERS.md.

``python -m tests.benchmarks.after_drilling --seeds 2 --slips 2 --outlines 38``: on every sample that can be built and on the random outlines, each with its own fixed seeds.
"""

from __future__ import annotations

import argparse
import contextlib
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.artifacts import JobPlace
from pipeline.errors import SleevelineError
from pipeline.model.drilling import Drilling
from tests.conftest import ROOT
from tests.end_to_end.conftest import run_command
from tests.truth.after_drilling import Fit, Planned, cheapest_by_trying, fits, followed, misfits, planned_at, planned_on
from tests.truth.drilling import SCATTER, Drilled, Form, Sheet, also_taped, drill, measured, put_off, with_rows_swapped, with_slip, written
from tests.truth.stress_sites import random_sites

WITHIN = 0.003  # [m]
FORMS: tuple[Form, ...] = ("to_next", "ties", "total station")
FOOT = 0.3048  # [m]


def plans(outlines: int, folder: Path) -> Iterator[tuple[str, Planned]]:
    """Plans of all samples, as one night leaves them, and of the random outlines."""
    run_command("batch", ROOT / "sample_surveys", "--out", folder / "night")
    for path in sorted((folder / "night" / "jobs").iterdir()):
        place = JobPlace(path.name, path, path, folder / "night" / ".sleeveline" / "work" / path.name)
        if (path / "package").is_dir():
            yield path.name, planned_at(place)
    for site in random_sites(outlines):
        plan, surveyed = planned_on(site, folder / site.name)
        if not surveyed:
            print(f"{site.name}: its survey is held; planned on the site as it truly is", flush=True)
        yield site.name, plan


def sheet_of(plan: Planned, sheet: Sheet) -> str:
    return written(sheet, plan.job.options.report_units, frame=plan.survey.frame)


def fit_table(found: dict[str, list[Fit]], held: Counter[str], tolerance: float) -> None:
    """Print, by sheet, how what is made from it fits the true holes; `told_what_is_measured` says what the columns are."""
    head = (
        "sheet", "panels", "custom", "released", "posts", "spacings", "end to end", "stock", "released",
        f"hang within {tolerance * 1000:.1f} mm", "and 3 mm more", "posts", "distances recorded", "worst [mm]", "jobs held",
    )  # fmt: skip
    print("\n| " + " | ".join(head) + " |\n|" + " --- |" * len(head))
    for form, all_of in found.items():
        custom, stock = ([fit for fit in all_of if fit.kind == kind] for kind in ("custom", "stock"))
        cut, hung = ([fit for fit in own if fit.released] for own in (custom, stock))
        cells = (
            form, len(all_of), len(custom), len(cut), *(share(getattr(fit, name) <= WITHIN for fit in cut) for name in ("posts", "spacing", "whole")),
            len(stock), len(hung), share(fit.spacing <= tolerance for fit in hung), share(fit.spacing <= tolerance + WITHIN for fit in hung),
            share(fit.posts <= WITHIN for fit in hung), share(fit.chord <= WITHIN for fit in all_of),
            f"{max(fit.chord for fit in all_of) * 1000:.1f}", held[form],
        )  # fmt: skip
        print("| " + " | ".join(map(str, cells)) + " |")


def told_what_is_measured() -> None:
    print(
        "\ncustom panels as the shop makes them (post stations of the drawing), those released for cutting: share of panels whose every post is within 3 mm of its true hole when the"
        "\n  panel is laid along its holes as well as it can be; whose every spacing is within 3 mm of the true distance; whose end posts are together within 3 mm (errors of all spacings added)."
        "\nstock panels are as they were made before anything was drilled, so their spacings differ from the holes' by the scatter itself; of those released for hanging: share whose every true"
        "\n  distance is within what the shop says a stock panel takes, the same with 3 mm more, and, for what it is worth, whose posts are within 3 mm of their holes before the fabric gives."
        "\ndistances recorded: panels of which every distance in holes.csv is within 3 mm of the true one, released or not."
    )


def share(said: Iterator[bool]) -> str:
    values = list(said)
    return f"{100 * sum(values) / len(values):.2f} %" if values else "-"


def slips_of(plan: Planned, number: int, places: int) -> Iterator[tuple[str, bool]]:
    """Every slip put into a sheet of distances, and whether it is named (and, where it is one of reading, not followed)."""
    truth = drill(plan.layout, number)
    sheet = measured(truth, "to_next", number)
    inner = [hole for panel in plan.layout.panels if panel.kind == "stock" for hole in panel.holes[1:-2]]
    for hole in inner[:: max(1, len(inner) // places)][:places]:
        for name, slip in (("a foot too much", FOOT), ("a foot too little", -FOOT)):
            yield name, _named(plan, sheet_of(plan, with_slip(sheet, hole, "to_next", slip)), {hole}, moved=False)
        for way in (0.060, -0.060):
            off = put_off(truth, hole, way)
            yield "a hole 60 mm off", _named(plan, sheet_of(plan, measured(off, "to_next", number)), {hole}, moved=True)
    for joint in plan.layout.joints[:places]:
        before = truth.line[truth.line.index(joint.before) - 1]
        yield "rows swapped", _named(plan, sheet_of(plan, with_rows_swapped(sheet, before, joint.before)), {before, joint.before}, moved=False)
    for form in ("ties", "total station"):
        rows = measured(truth, form, number, marks=plan.marks)
        one, other = truth.line[2], truth.line[5]
        if one in rows and other in rows:
            yield f"rows swapped, {form}", _named(plan, sheet_of(plan, with_rows_swapped(rows, one, other)), {one, other}, moved=False)
            off = put_off(truth, one, 0.060, turn=1.0)
            yield f"a hole 60 mm off, {form}", _named(plan, sheet_of(plan, measured(off, form, number, marks=plan.marks)), {one}, moved=True)


def _named(plan: Planned, sheet: str, holes: set[str], *, moved: bool) -> bool:
    """Whether the holes, and no others, are named; a job that is held has to name them in its reason."""
    try:
        drilling = followed(plan, sheet)
    except SleevelineError as held:
        return all(hole in str(held) for hole in holes)
    if moved:
        return {hole.hole for hole in drilling.holes if hole.state == "moved"} == holes and not drilling.not_followed
    return {reading.hole for reading in drilling.not_followed} == holes and not any(hole.state == "moved" for hole in drilling.holes)


def cures_of(plan: Planned, number: int) -> Iterator[str]:
    """How the cure offered compares with the cheapest of all single holes by trying, with one to three holes too far off."""
    setting_out = plan.job.shop.setting_out
    tolerance, redrill = float(setting_out.fit_tolerance), float(setting_out.redrill_price)
    inner = [hole for panel in plan.layout.panels if panel.kind == "stock" for hole in panel.holes[1:-1]]
    for seed in range(3):
        truth = drill(plan.layout, 31 * number + seed)
        for hole in inner[seed :: max(1, len(inner) // (seed + 1))][: seed + 1]:
            truth = put_off(truth, hole, (0.017, -0.021, 0.026)[seed], turn=0.4 * seed)
        try:
            drilling = followed(plan, sheet_of(plan, measured(truth, "to_next", seed)))
        except SleevelineError as held:
            yield f"held ({held.reasons[0].ref})"
            continue
        yield _compared(plan, drilling, tolerance, redrill)


def _compared(plan: Planned, drilling: Drilling, tolerance: float, redrill: float) -> str:
    places = {hole.name: hole.place for hole in drilling.layout.holes}
    extras = {one.panel: one.extra for one in drilling.misfits}
    if set(extras) != misfits(plan.layout, places, tolerance):
        return "MISFITS DIFFER"
    tried = cheapest_by_trying(plan, places, extras, tolerance=tolerance, redrill=redrill)
    offered = drilling.cures[0] if drilling.cures else None
    if offered is None or tried is None:
        return "no cure, none by trying" if offered is tried is None else "only by trying" if offered is None else "only offered: finer than the grid"
    if misfits(plan.layout, {**places, offered.hole: offered.place}, tolerance) != set(extras) - set(offered.saves):
        return "DOES NOT DO WHAT IT SAYS"
    return (
        "as cheap as by trying"
        if abs(offered.cost - tried.cost) < 0.005
        else "cheaper than by trying"
        if offered.cost < tried.cost
        else "DEARER THAN BY TRYING"
    )


class Tally:
    """What was found so far."""

    def __init__(self) -> None:
        self.fits: dict[str, list[Fit]] = defaultdict(list)
        self.held: Counter[str] = Counter()
        self.slips: dict[str, list[bool]] = defaultdict(list)
        self.cures: Counter[str] = Counter()
        self.tolerance, self.seconds, self.sheets, self.plans = 0.0, 0.0, 0, 0

    def take(self, number: int, name: str, plan: Planned, seeds: int, places: int) -> None:
        """Drill one plan: as it should be, with slips, and with holes too far off."""
        self.plans += 1
        self.tolerance = float(plan.job.shop.setting_out.fit_tolerance)
        for seed in range(seeds):
            truth = drill(plan.layout, 1000 * number + seed, SCATTER)
            for form in FORMS:
                self._measure(name, plan, truth, form, 1000 * number + seed)
        for slip, named in slips_of(plan, number, places):
            self.slips[slip].append(named)
            if not named:
                print(f"not named: {name} {slip}", flush=True)
        self.cures.update(cures_of(plan, number))

    def _measure(self, name: str, plan: Planned, truth: Drilled, form: Form, seed: int) -> None:
        sheet = measured(truth, form, 77_000 + seed, marks=plan.marks)
        drilling = self._followed(name, plan, truth, sheet, form)
        asked = [span for one in drilling.to_tape for span in one.spans] if drilling is not None else []
        if form != "to_next" and drilling is not None:
            self._followed(name, plan, truth, also_taped(sheet, truth, asked, 78_000 + seed), f"{form}, then what was asked for taped")

    def _followed(self, name: str, plan: Planned, truth: Drilled, sheet: Sheet, form: str) -> Drilling | None:
        began = time.process_time()
        try:
            drilling = followed(plan, sheet_of(plan, sheet))
        except SleevelineError as reason:
            self.held[form] += 1
            print(f"held: {name} {form}: {reason}", flush=True)
            return None
        self.seconds, self.sheets = self.seconds + time.process_time() - began, self.sheets + 1
        self.fits[form] += list(fits(plan, drilling, truth))
        return drilling

    def told(self) -> None:
        print(f"{self.plans} plans")
        fit_table(self.fits, self.held, self.tolerance)
        told_what_is_measured()
        print("\n| slip | named |\n| --- | --- |")
        for slip, named in self.slips.items():
            print(f"| {slip} | {sum(named)} of {len(named)} |")
        print("\ncures:", ", ".join(f"{outcome} {number}" for outcome, number in sorted(self.cures.items())))
        print(f"{self.seconds / max(1, self.sheets):.2f} s of computing a sheet")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=10, help="drillings of each plan")
    parser.add_argument("--slips", type=int, default=4, help="places of each slip, for every plan")
    parser.add_argument("--outlines", type=int, default=38, help="random outlines beside the samples")
    asked = parser.parse_args()
    tally = Tally()
    with TemporaryDirectory() as folder, contextlib.suppress(KeyboardInterrupt):  # interrupted: what was found so far
        for number, (name, plan) in enumerate(plans(asked.outlines, Path(folder))):
            tally.take(number, name, plan, asked.seeds, asked.slips)
    tally.told()


if __name__ == "__main__":
    main()
