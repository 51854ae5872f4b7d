"""Which revision a package is: the same content keeps its number, other content gets the next one."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from pipeline.model.status import Revision


def content_digest(digests: Sequence[str]) -> str:
    """Return one SHA-256 over those of the layout, fabrication and compliance artifacts, in this order."""
    return hashlib.sha256("\n".join(digests).encode()).hexdigest()


def one_before(made: Sequence[Revision], revision: Revision) -> Revision | None:
    """Return the last revision made before this one, None for the first."""
    earlier = [one for one in made if one.revision < revision.revision]
    return earlier[-1] if earlier else None


def next_revision(made: Sequence[Revision], content: str, *, as_drilled: bool = False) -> Revision:
    """Return the revision of `content`: that of the last package when it holds the same, else one more.

    Examples
    --------
    >>> next_revision((Revision(revision=3, content="ab"),), "cd").revision
    4
    """
    if made and made[-1].content == content:
        return made[-1]
    return Revision(revision=made[-1].revision + 1 if made else 1, content=content, as_drilled=as_drilled)
