"""Resolve a job: `job.toml` over the shop's defaults over the default shop file, with the rule packs that bind it."""

from __future__ import annotations

import datetime
import functools
import tomllib
from importlib import resources
from typing import Any

import msgspec

from pipeline.errors import JobError, Reason
from pipeline.intake.ranges import checked_ranges
from pipeline.model.job import Job
from pipeline.model.rules import RulePack
from pipeline.model.shop import JobOptions, Limits, Shop
from pipeline.rule_files import checked_pack
from pipeline.toml_records import read_record

Table = dict[str, Any]


def default_shop_table() -> Table:
    """Return the default shop file that ships, as a plain table."""
    return tomllib.loads(resources.files("pipeline.fabrication").joinpath("default_shop.toml").read_text(encoding="utf-8"))


@functools.cache
def default_limits() -> Limits:
    """Return the limits of the default shop file."""
    return resolve_shop()[0].limits


def resolve_shop(own: Table | None = None, *, file: str = "shop.toml", text: str = "") -> tuple[Shop, Table]:
    """Lay a shop's own table over the default one; returns the shop and its job defaults."""
    merged = merged_tables(default_shop_table(), own or {})
    defaults = merged.pop("defaults")
    shop = read_record(merged, Shop, file=file, text=text)
    checked_ranges(shop, file=file, text=text)
    return shop, defaults


def resolve_options(defaults: Table, own: Table | None = None, *, file: str = "job.toml", text: str = "") -> JobOptions:
    """Lay a job's own table over the shop's job defaults."""
    table = merged_tables(defaults, own or {})
    fence = table["fence"]
    if isinstance(fence, dict) and fence.get("setback") == "best":
        table["fence"] = {**fence, "setback": defaults["fence"]["setback"], "best_setback": True}
    if type(table.get("due")) is datetime.date:  # TOML's own date, without a time of day
        table["due"] = table["due"].isoformat()
    options = read_record(table, JobOptions, file=file, text=text)
    checked_ranges(options, file=file, text=text)
    return options


def shipped_packs() -> dict[str, RulePack]:
    """Return every rule pack that ships, by id, in the order of their file names."""
    packs = {}
    for entry in sorted(resources.files("pipeline.compliance.packs").iterdir(), key=lambda entry: entry.name):
        if entry.name.endswith(".toml"):
            text = entry.read_text(encoding="utf-8")
            pack = checked_pack(tomllib.loads(text), file=entry.name, text=text)
            packs[pack.id] = pack
    return packs


def chosen_packs(options: JobOptions, available: dict[str, RulePack]) -> tuple[RulePack, ...]:
    """Return the packs a job names; raises JobError naming the nearest known one."""
    import difflib

    if not options.rules:
        raise JobError(
            Reason(
                ref="no-rule-pack",
                what="the job names no rule pack",
                why="a fence that is held against nothing would look as if it complied",
                file="job.toml",
                do='name at least one, like rules = ["us-ispsc-2021"]; `sleeveline rules` lists them',
            )
        )
    missing = [name for name in options.rules if name not in available]
    if missing:
        raise JobError(
            Reason(
                ref="unknown-rule-pack",
                what=f"there is no rule pack {name!r}",
                why="every rule pack a job names has to hold",
                file="job.toml",
                do=f"write one of: {', '.join(difflib.get_close_matches(name, available, 3, 0.3) or sorted(available))}",
            )
            for name in missing
        )
    return tuple(available[name] for name in options.rules)


def default_job(name: str = "job", **own: Any) -> Job:
    """Return a job made of the shop's defaults alone; `own` are tables as in `job.toml`."""
    shop, defaults = resolve_shop()
    options = resolve_options(defaults, own)
    return Job(name=name, options=options, shop=shop, packs=chosen_packs(options, shipped_packs()))


def merged_tables(under: Table, over: Table) -> Table:
    """Return `over` laid on `under`, tables merged key by key, everything else replaced."""
    merged = dict(under)
    for key, value in over.items():
        below = merged.get(key)
        merged[key] = merged_tables(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return merged


def with_packs(job: Job, packs: tuple[RulePack, ...]) -> Job:
    """Return the same job bound by other packs."""
    return msgspec.structs.replace(job, packs=packs)
