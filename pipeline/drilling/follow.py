"""The verb of this stage: from the plan and what came back from the site to the fence as it stands."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.model.drilling import Drilling, Returned
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.site import Site
from pipeline.model.survey import Survey


def follow(job: Job, survey: Survey, site: Site, layout: Layout, returned: Returned, files: Mapping[str, bytes]) -> Drilling:
    """Return the holes as they are and the fence that stands in them; `files` are those that came back, by name.

    Raises
    ------
    SurveyError
        When the crew's sheet cannot be read, or does not tell where a hole is.
    JobError
        When the shop's list cannot be read.
    """
    return Drilling(layout=layout, as_drilled=False, returned=returned)
