"""The package as one zip, bit for bit the same for the same files: fixed date, order, rights and compression."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from typing import Final

_FIXED_DATE: Final = (1980, 1, 1, 0, 0, 0)  # the earliest a zip can hold
_RIGHTS: Final = 0o100644 << 16  # a plain file, as Unix writes it
_UNIX: Final = 3


def zipped(folder: str, files: Mapping[str, bytes]) -> bytes:
    """Return a zip of files under one folder."""
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w") as archive:
        for name in sorted(files):
            entry = zipfile.ZipInfo(f"{folder}/{name}", _FIXED_DATE)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = _RIGHTS
            entry.create_system = _UNIX
            archive.writestr(entry, files[name], compresslevel=6)
    return content.getvalue()
