"""The office's own files in the queue: the shop, the clauses it confirmed, rule packs of its own."""

from __future__ import annotations

import datetime
import hashlib
from pathlib import Path
from typing import Any

import msgspec

from pipeline.artifacts import encode
from pipeline.errors import JobError, Reason
from pipeline.intake.files import read_regular, read_toml
from pipeline.intake.names import shown
from pipeline.intake.queue import RULES_ENDING
from pipeline.intake.resolve import Table, default_limits, resolve_options, resolve_shop, shipped_packs
from pipeline.model.job import Confirmation, InputFile
from pipeline.model.rules import RulePack
from pipeline.model.shop import Shop
from pipeline.rule_files import checked_pack, confirmed
from pipeline.toml_records import read_record


class Confirmed(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """confirmed.toml: one [[confirmed]] table for every clause checked against the office's own copy."""

    confirmed: tuple[Confirmation, ...] = ()


class Office(msgspec.Struct, frozen=True, kw_only=True):
    """What the office says for every job of the queue.

    Parameters
    ----------
    shop : Shop
    defaults : dict
        Job defaults, as in job.toml.
    packs : dict of str to RulePack
        Shipped and own packs by id, with the confirmed limits raised.
    confirmations : tuple of Confirmation
    pack_files : dict of str to InputFile
        Own rule packs' files by the packs' ids.
    files : dict of str to InputFile
        shop.toml and confirmed.toml by name, where they are.
    """

    shop: Shop
    defaults: Table
    packs: dict[str, RulePack]
    confirmations: tuple[Confirmation, ...] = ()
    pack_files: dict[str, InputFile] = {}
    files: dict[str, InputFile] = {}

    @property
    def digest(self) -> str:
        """SHA-256 over everything a job can take from the office."""
        whole = msgspec.json.encode((self.files, self.pack_files), order="sorted")
        whole += msgspec.json.encode(self.defaults, order="sorted") + b"".join(encode(self.packs[name]) for name in sorted(self.packs))
        return hashlib.sha256(encode(self.shop) + whole + b"".join(encode(one) for one in self.confirmations)).hexdigest()


def read_office(folder: Path) -> Office:
    """Read the office's files of a queue; every one of them may be absent.

    Raises
    ------
    JobError
        When one of them cannot be used: then no job can be trusted to be built as the office wants it.
    """
    files: dict[str, InputFile] = {}
    own, text = _toml(folder, "shop.toml", files)
    shop, defaults = resolve_shop(own, text=text)
    resolve_options(defaults, file="shop.toml", text=text)
    packs, pack_files = _own_packs(folder, shipped_packs())
    table, text = _toml(folder, "confirmed.toml", files)
    confirmations = read_record(_dates_as_text(table), Confirmed, file="confirmed.toml", text=text).confirmed
    raised = confirmed(tuple(packs.values()), confirmations)
    by_id = {pack.id: pack for pack in raised}
    return Office(shop=shop, defaults=defaults, packs=by_id, confirmations=confirmations, pack_files=pack_files, files=files)


def _dates_as_text(table: Table) -> Table:
    """Return the confirmations with TOML's own dates as text: `when` may be written as either."""
    entries = table.get("confirmed")
    if not isinstance(entries, list):
        return table
    dated = [
        {key: value.isoformat() if type(value) is datetime.date else value for key, value in entry.items()} if isinstance(entry, dict) else entry
        for entry in entries
    ]
    return {**table, "confirmed": dated}


def _toml(folder: Path, name: str, files: dict[str, InputFile]) -> tuple[dict[str, Any], str]:
    """Return the table and text of a file that may be absent, and note its digest."""
    try:
        (folder / name).lstat()
    except OSError:
        return {}, ""
    usual = default_limits()  # the shop file sets limits for jobs, not for itself
    content = read_regular(folder / name, shown_as=shown(name), most=usual.settings_bytes, limit="")
    files[name] = InputFile(name=shown(name), sha256=hashlib.sha256(content).hexdigest())
    return read_toml(content, file=shown(name), depth=usual.settings_depth, limit="")


def _own_packs(folder: Path, shipped: dict[str, RulePack]) -> tuple[dict[str, RulePack], dict[str, InputFile]]:
    """Return the shipped packs with those of the queue's own, and the files of the latter by the packs' ids."""
    packs, sources = dict(shipped), {}
    for path in sorted(folder.glob(f"*{RULES_ENDING}")):
        files: dict[str, InputFile] = {}
        table, text = _toml(folder, path.name, files)
        pack = checked_pack(table, file=shown(path.name), text=text)
        if pack.id in packs:
            raise JobError(_pack_twice(pack.id, path.name))
        packs[pack.id], sources[pack.id] = pack, files[path.name]
    return packs, sources


def _pack_twice(pack: str, name: str) -> Reason:
    return Reason(
        ref="rule-pack-twice",
        what=f"there is another rule pack called {pack!r}",
        why="a job that names it could mean either",
        file=shown(name),
        do="give this one another id",
    )
