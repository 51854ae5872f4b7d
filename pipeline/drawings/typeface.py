"""The sheets' typeface: real text, measured the same on every machine and embedded in every PDF.

The faces are FiraGO Regular and Bold (SIL Open Font License 1.1, which allows embedding), as shipped by the package
pymupdf-fonts.  They hold Latin, Greek, Cyrillic and Georgian.  Scripts that need joining or run right to left would come
out wrong, and others are not in the face: their characters are printed as an open box, and `unprintable` names them.
"""

from __future__ import annotations

import unicodedata
from functools import cache, lru_cache
from io import BytesIO
from typing import Final

REGULAR: Final = "FiraGO-Regular"
BOLD: Final = "FiraGO-Bold"
CAP_RATIO: Final = 0.69  # cap height per font size [-], OS/2 table of both faces (0.689 and 0.693)
DESCENT_RATIO: Final = 0.24  # depth below the baseline per font size [-], measured on "gjpqy(" of the bold face
MILLIMETRES_PER_POINT: Final = 25.4 / 72
OPEN_BOX: Final = "\u25af"
_RIGHT_TO_LEFT = frozenset({"R", "AL", "RLE", "RLO", "RLI", "LRE", "LRO", "LRI", "PDF", "PDI"})
_INDIC: Final = range(0x0900, 0x0E00)  # Devanagari to Sinhala: their letters join and reorder
_SHIPPED_AS: Final = {REGULAR: "figo", BOLD: "figbo"}


@cache
def register() -> None:
    """Hand both faces to reportlab, once a process."""
    import pymupdf_fonts
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    for name, shipped_as in _SHIPPED_AS.items():
        pdfmetrics.registerFont(TTFont(name, BytesIO(pymupdf_fonts.myfont(shipped_as)), shapable=False))
    pdfmetrics.registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=REGULAR, boldItalic=BOLD)


def face(bold: bool) -> str:
    """Return the name reportlab knows a face by."""
    return BOLD if bold else REGULAR


def points_of(cap: float) -> float:
    """Return the font size [pt] whose capitals are `cap` [mm] high."""
    return cap / CAP_RATIO / MILLIMETRES_PER_POINT


def width(text: str, cap: float, *, bold: bool = False) -> float:
    """Return how wide a line of text is drawn [mm] when its capitals are `cap` [mm] high."""
    return _width_per_cap(text, bold) * cap


@lru_cache(maxsize=50_000)
def _width_per_cap(text: str, bold: bool) -> float:
    from reportlab.pdfbase import pdfmetrics

    register()
    return float(pdfmetrics.stringWidth(printable(text), face(bold), points_of(1.0))) * MILLIMETRES_PER_POINT


def printable(text: str) -> str:
    r"""Return `text` composed, without control characters, and with an open box for what the face cannot draw.

    Examples
    --------
    >>> printable("Pα\u0301rk \u4e2d")
    'Pάrk ▯'
    """
    composed = unicodedata.normalize("NFC", text)
    if composed.isascii() and composed.isprintable():
        return composed
    return "".join(character if _in_face(character) else _stand_in(character) for character in composed)


def unprintable(text: str) -> str:
    """Return the characters of `text` that `printable` replaces by an open box, each once, in order of appearance."""
    composed = unicodedata.normalize("NFC", text)
    return "".join(dict.fromkeys(character for character in composed if not _in_face(character) and _stand_in(character) == OPEN_BOX))


@cache
def _in_face(character: str) -> bool:
    from reportlab.pdfbase import pdfmetrics

    register()
    if unicodedata.bidirectional(character) in _RIGHT_TO_LEFT or ord(character) in _INDIC:
        return False
    return character.isprintable() and all(ord(character) in pdfmetrics.getFont(name).face.charToGlyph for name in _SHIPPED_AS)


def _stand_in(character: str) -> str:
    kind = unicodedata.category(character)
    if kind in ("Zs", "Zl", "Zp", "Cc"):
        return " "
    return "" if kind in ("Cf", "Mn", "Me") else OPEN_BOX
