"""Shell of the layout stage: reads the job and the fitted site, writes the layout."""

from __future__ import annotations

from pipeline import __version__, artifacts
from pipeline.artifacts import JobPlace
from pipeline.errors import Reason
from pipeline.geometry import compiled
from pipeline.layout.lay_out import lay_out
from pipeline.model.job import Job
from pipeline.model.site import Site

NAME = "layout"


def load() -> None:
    """Load what the work would load late."""
    compiled.load()


def run(place: JobPlace) -> tuple[Reason, ...]:
    """Make the layout of one job; raises LayoutError when no fence fits the site as asked."""
    layout = lay_out(artifacts.read(place, "job", Job), artifacts.read(place, "edge", Site))
    inputs = {name: artifacts.digest(place, name) for name in ("job", "edge")}
    artifacts.write(place, NAME, layout, inputs=inputs, made_by=f"{NAME} {__version__}")
    return layout.warnings
