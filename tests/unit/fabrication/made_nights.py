"""Nights of many jobs with custom panels and a shelf of offcuts, all by chance from a seed."""

from __future__ import annotations

import random
from functools import cache

import msgspec

from pipeline.fabrication.fabricate import fabricate
from pipeline.intake.resolve import default_job
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.night import Offcut
from pipeline.units import INCH
from tests.unit.fabrication.straight_fences import straight_fence

Night = tuple[list[tuple[Job, Fabrication]], list[Offcut]]


@cache
def shop_job() -> Job:
    return default_job()


def named_job(name: str, **options: object) -> Job:
    job = shop_job()
    return msgspec.structs.replace(job, name=name, options=msgspec.structs.replace(job.options, **options))


def made_night(seed: int, jobs: int, pieces: int, offcuts: int) -> Night:
    """`pieces` custom panels spread over `jobs` jobs of two heights, and `offcuts` on the shelf."""
    chance = random.Random(seed)
    shares = [0] * jobs
    for _ in range(pieces):
        shares[chance.randrange(jobs)] += 1
    night = [(job, fabricate(job, _layout(chance, customs))) for job, customs in ((named_job(f"job-{n:03d}"), c) for n, c in enumerate(shares))]
    return night, [_offcut(chance, number) for number in range(offcuts)]


def _layout(chance: random.Random, customs: int):
    panels = [("stock", [36.0] * chance.choice([3, 4, 5])) for _ in range(2)]
    for _ in range(customs):
        panels.append(("custom", [chance.uniform(18, 36)] * chance.choice([1, 1, 2, 2, 3, 3, 4])))
    return straight_fence(panels, height=chance.choice([48.0, 48.0, 60.0]))


def _offcut(chance: random.Random, number: int) -> Offcut:
    return Offcut(
        id=f"A{number:03d}",
        length=chance.uniform(0.92, 9.0) if chance.random() < 0.9 else chance.uniform(10.0, 40.0),
        posts=chance.choice([0, 0, 1, 2, 3]),
        height=chance.choice([48.0, 48.0, 60.0]) * INCH,
        colour="black",
        where="rack",
    )
