"""The shop's list of what is cut already, cut.csv."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from pipeline.drilling.sheet import length_figure
from pipeline.drilling.table import fault, lines_of, nearest_of
from pipeline.errors import JobError, Reason
from pipeline.model.drilling import CutAlready
from pipeline.units import ReportUnits

FILE: Final = "cut.csv"
COLUMNS: Final = {"panel": ("panel",), "length": ("length", "mark"), "remark": ("remark", "note")}
LONGEST: Final = 100.0  # [m] of a panel


def read_cut(content: bytes, panels: Iterable[str], units: ReportUnits) -> tuple[CutAlready, ...]:
    r"""Read which panels are cut already, and to what length along the posts.

    Raises
    ------
    JobError
        With every fault of the list and its line.

    Examples
    --------
    >>> read_cut(b"panel,length\nP03,6' 2\"\n", ["P03"], "inch")[0].length / 0.0254
    74.0
    """
    known, faults, cut = tuple(panels), list[Reason](), dict[str, CutAlready]()
    for line in lines_of(content, FILE, COLUMNS, needed=("panel", "length")):
        panel, text = line.cells.get("panel", "").upper(), line.cells.get("length", "")
        try:
            length = length_figure(text, units).value
        except ValueError:
            length = 0.0
        if panel not in known:
            faults.append(
                fault(FILE, line.row, f"no panel is called {panel[:40]!r}", f"{nearest_of(panel, list(known))}panels are P01 and so on", _WHY)
            )
        elif panel in cut:
            faults.append(fault(FILE, line.row, f"{panel} stands in line {cut[panel].row} already", "keep one line a panel", _WHY))
        elif not 0 < length <= LONGEST:
            faults.append(
                fault(FILE, line.row, f"{text[:40]!r} is no length", "write the length along the posts, with its unit or in the report's", _WHY)
            )
        else:
            cut[panel] = CutAlready(panel=panel, length=length, row=line.row)
    if faults:
        raise JobError(faults)
    return tuple(cut.values())


_WHY: Final = "fabric would be cut twice, or a panel that is cut would be missing"
