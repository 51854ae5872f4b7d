"""A code block a phone or scanner reads: a QR code (ISO/IEC 18004) as marks on paper."""

from __future__ import annotations

from itertools import groupby

from pipeline.drawings.ink import Area, Mark
from pipeline.geometry.chain import Point

_MASK = 0  # of the eight, always the same: a reader is told which; seeking the best takes eight times as long (a test reads every label)
_QUIET = 4  # modules left white round the code (ISO/IEC 18004, from memory)


def code_block(text: str, at: Point, side: float) -> list[Mark]:
    """Return a QR code of `text`, error correction M, in a square of `side` [mm] whose lower left is `at`, its quiet zone included."""
    from reportlab.graphics.barcode import qrencoder

    code = qrencoder.QRCode(None, qrencoder.QRErrorCorrectLevel.M)
    code.addData(text)
    code.version = code.calculate_version()
    code.makeImpl(False, _MASK)
    count = code.getModuleCount()
    module = side / (count + 2 * _QUIET)
    marks: list[Mark] = []
    for row in range(count):
        top = at[1] + side - (_QUIET + row) * module
        for dark, run in groupby(range(count), key=lambda column: bool(code.isDark(row, column))):  # used before the row changes
            columns = list(run)
            if dark:
                left, right = at[0] + (_QUIET + columns[0]) * module, at[0] + (_QUIET + columns[-1] + 1) * module
                marks.append(Area(points=((left, top - module), (right, top - module), (right, top), (left, top))))
    return marks
