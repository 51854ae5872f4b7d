"""The record of a job's revisions: which packages were made, newest last."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from pipeline.model.status import Revision


def recorded(made: Sequence[Revision], revision: Revision) -> bytes:
    """Return the record with `revision` in it, as indented JSON."""
    kept = [one for one in made if one.revision != revision.revision]
    whole = sorted([*kept, revision], key=lambda one: one.revision)
    return msgspec.json.format(msgspec.json.encode(whole, order="sorted"), indent=1) + b"\n"
