"""Laying out a job folder for somebody who begins one."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Final

from pipeline.artifacts import write_bytes
from pipeline.errors import JobError, hold
from pipeline.intake.names import name_fault

_EXAMPLES: Final = ("points.csv", "observations.csv", "tape.csv", "landxml.xml", "lines.dxf", "as_drilled.csv", "cut.csv")


def lay_out(folder: Path) -> tuple[Path, ...]:
    """Make a job folder with a commented job.toml, and an example of each survey form in examples/; returns what was written.

    Raises
    ------
    JobError
        When the folder's name can be no job's, or the folder already holds something.
    """
    fault = name_fault(folder.name)
    if fault is not None:
        raise JobError(fault)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise hold(JobError, "not-empty", f"{folder} is there already and is not empty", why="nothing is overwritten", do="choose another name")
    written = {folder / "job.toml": _form("job.toml")}
    written |= {folder / "examples" / name: _form(name) for name in _EXAMPLES}
    written[folder / "examples" / "shop.toml"] = resources.files("pipeline.fabrication").joinpath("default_shop.toml").read_bytes()
    for path, content in written.items():
        write_bytes(path, content)
    return tuple(written)


def _form(name: str) -> bytes:
    return resources.files("pipeline.intake").joinpath("forms", name).read_bytes()
