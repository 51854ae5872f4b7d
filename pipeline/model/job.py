"""One job, resolved: what it asks for, the shop it is built by, the rule packs that bind it, its input files."""

from __future__ import annotations

import msgspec

from pipeline.errors import Reason
from pipeline.model.rules import RulePack
from pipeline.model.shop import JobOptions, Shop


class InputFile(msgspec.Struct, frozen=True, kw_only=True):
    """One input, by its name in the job's folder and its SHA-256."""

    name: str
    sha256: str


class Confirmation(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A clause the office has checked against its own copy of a code (one entry of confirmed.toml)."""

    pack: str
    limit: str
    clause: str
    value: str
    who: str
    when: str
    edition: str


class Job(msgspec.Struct, frozen=True, kw_only=True):
    """Everything the stages need to know of a job, in one record.

    Parameters
    ----------
    name : str
        The folder's name.
    options : JobOptions
    shop : Shop
    packs : tuple of RulePack
        All bind; confirmed limits already carry certainty `confirmed`.
    confirmations : tuple of Confirmation
        Those that touch these packs, for printing beside the verdicts.
    survey_files : tuple of InputFile
        In the order to be read.
    inputs : tuple of InputFile
        Every file that the plan depends on, for the manifest; what comes back after drilling is `model.drilling.Returned`.
    warnings : tuple of Reason
    """

    name: str
    options: JobOptions
    shop: Shop
    packs: tuple[RulePack, ...]
    confirmations: tuple[Confirmation, ...] = ()
    survey_files: tuple[InputFile, ...] = ()
    inputs: tuple[InputFile, ...] = ()
    warnings: tuple[Reason, ...] = ()

    @property
    def title(self) -> str:
        return self.options.title or self.name
