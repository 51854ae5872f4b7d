"""The shell of the compliance stage: job, site, layout and fabrication in, the `compliance` artifact out."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import Final

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.compliance.judge import judge
from pipeline.errors import Reason
from pipeline.model.drilling import Drilling
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.rules import RulePack
from pipeline.model.site import Site
from pipeline.rule_files import checked_pack

NAME = "compliance"
WORK_PACKS: Final = ("us-nec-680", "us-osha-1926", "work-before-drilling")  # they raise cautions at every job


def run(place: JobPlace) -> tuple[Reason, ...]:
    """Hold one job's fence against its rule packs."""
    job = artifacts.read(place, "job", Job)
    site = artifacts.read(place, "edge", Site)
    drilling = artifacts.read_if_there(place, "drilling", Drilling)
    layout = drilling.layout if drilling else artifacts.read(place, "layout", Layout)
    fabrication = artifacts.read(place, "fabrication", Fabrication)
    found = judge(job, site, layout, fabrication, work_packs(), drilling)
    inputs = {name: artifacts.digest(place, name) for name in ("job", "edge", "drilling" if drilling else "layout", "fabrication")}
    artifacts.write(place, NAME, found, inputs=inputs, made_by=f"{NAME} 1")
    return found.warnings


def work_packs() -> tuple[RulePack, ...]:
    """Return the shipped packs about the work itself."""
    folder = resources.files("pipeline.compliance.packs")
    texts = ((f"{name}.toml", folder.joinpath(f"{name}.toml").read_text(encoding="utf-8")) for name in WORK_PACKS)
    return tuple(checked_pack(tomllib.loads(text), file=name, text=text) for name, text in texts)
