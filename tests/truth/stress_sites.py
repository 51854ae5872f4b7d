"""Sites beyond the samples: any outline as a surveyed job, a queue of many, and a survey seen from elsewhere."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from pathlib import Path

from pipeline.geometry.chain import Chain, Point
from tests.truth.outlines import FOOT, long_line, random_outlines
from tests.truth.sites import FieldBook, Placement, Shot, TrueSite, falling_deck
from tests.truth.survey_files import point_file

DECK_BEYOND = 2.6  # [m] hard deck all round the pool's extent


def open_site(name: str, water: Chain, seed: int, *, gate: bool = True) -> TrueSite:
    """A pool of any outline with open deck all round, three marks, levels and a gate; shot as the samples are."""
    outline = water.densified(0.01)
    (x0, y0), (x1, y1) = outline.min(axis=0), outline.max(axis=0)
    low, high = (float(x0) - DECK_BEYOND, float(y0) - DECK_BEYOND), (float(x1) + DECK_BEYOND, float(y1) + DECK_BEYOND)
    book = FieldBook(seed, falling_deck([water], 30.0, 0.015), Placement())
    for number, mark in enumerate([(low[0] - 1, low[1] - 0.7), (high[0] + 0.8, low[1] - 1), (high[0] + 0.6, high[1] + 0.9)], 1):
        book.take("MARK / nail", mark, number=str(number))
    book.line("WATER", water, straight=0.8, curved=0.45)
    book.each("DECK", [low, (high[0], low[1]), high, (low[0], high[1])], last="C")
    middles = [water.piece(index).point_at(water.piece(index).length / 2) for index in range(len(water))]
    for index, middle in enumerate(middles):
        book.take("SPOT", _beside(water, index, middle, 1.1))
    if gate:
        longest = max(range(len(water)), key=lambda index: water.piece(index).length)
        book.take("GATE", _beside(water, longest, middles[longest], 0.8))
    return TrueSite(name=name, odd="made for stress", waters=(water,), shots=tuple(book.shots), level=book.level)


def _beside(water: Chain, index: int, middle: Point, away: float) -> Point:
    """The point `away` [m] outside the middle of a piece."""
    heading = water.piece(index).direction_at(water.piece(index).length / 2)
    return (middle[0] + away * math.sin(heading), middle[1] - away * math.cos(heading))


def random_sites(count: int = 38) -> tuple[TrueSite, ...]:
    """Open sites round the random outlines."""
    return tuple(open_site(f"random-{index:02d}", water, 1000 + index) for index, water in enumerate(random_outlines(count)))


def long_site() -> TrueSite:
    """A fence of about 150 m round one long pool."""
    return open_site("long-150", long_line(150.0), 999)


def write_job(site: TrueSite, queue: Path, *, job: str = 'survey.unit = "foot"\n') -> Path:
    """One job's folder in a queue: a point file in feet with a header, and its job.toml."""
    place = queue / site.name
    place.mkdir(parents=True)
    (place / "job.toml").write_text(job, encoding="utf-8")
    header = "Point,Northing,Easting,Elevation,Description"
    (place / "points.csv").write_text(point_file(site.shots, unit=FOOT, header=header, decimals=4), encoding="utf-8")
    return place


def seen_otherwise(site: TrueSite, change: Callable[[tuple[float, float, float]], tuple[float, float, float]]) -> TrueSite:
    """The same survey with every measured place changed (turned, shifted): the truth is left as it was."""
    return dataclasses.replace(site, shots=tuple(dataclasses.replace(shot, measured=change(shot.measured)) for shot in site.shots))


def begun_elsewhere(shots: Sequence[Shot], code: str, steps: int) -> tuple[Shot, ...]:
    """The same shots with a closed line begun `steps` shots later; everything else stays where it was."""
    ring = [shot for shot in shots if shot.description == code]
    turned = iter(ring[steps:] + ring[:steps])
    return tuple(next(turned) if shot.description == code else shot for shot in shots)


def shot_the_other_way(shots: Sequence[Shot], code: str) -> tuple[Shot, ...]:
    """The same shots with one line shot in the opposite direction."""
    turned = iter([shot for shot in shots if shot.description == code][::-1])
    return tuple(next(turned) if shot.description == code else shot for shot in shots)
