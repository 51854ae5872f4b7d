"""Processor time of the compliance stage for each complete job of an OUT folder, artifacts read before.

``sleeveline batch sample_surveys --out OUT`` first, then ``python -m tests.benchmarks.compliance_speed OUT``.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.compliance.judge import judge
from pipeline.compliance.stage import work_packs
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.site import Site

TIMES = 3


def seconds(out: Path, name: str) -> tuple[float, int, int]:
    """Return (least processor time of some runs [s], bays, patches) of one job."""
    place = JobPlace(name, out, out / "jobs" / name, out / ".sleeveline" / "work" / name)
    job, site = artifacts.read(place, "job", Job), artifacts.read(place, "edge", Site)
    layout, fabrication = artifacts.read(place, "layout", Layout), artifacts.read(place, "fabrication", Fabrication)
    packs, taken = work_packs(), []
    for _ in range(TIMES):
        begun = time.process_time()
        judge(job, site, layout, fabrication, packs)
        taken.append(time.process_time() - begun)
    return min(taken), sum(len(panel.holes) - 1 for panel in layout.panels), len(site.levels.patches)


def main() -> None:
    out = Path(sys.argv[1])
    for folder in sorted((out / "jobs").iterdir()):
        if (folder / "compliance.json").exists():
            took, bays, patches = seconds(out, folder.name)
            print(f"{folder.name:24s} {took:6.3f} s   {bays:3d} bays, {patches:3d} patches", flush=True)


if __name__ == "__main__":
    main()
