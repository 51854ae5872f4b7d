"""`points.csv`: every surveyed point as reduced and adjusted, in the survey's own frame."""

from __future__ import annotations

import csv
import io

from pipeline.inert_text import inert_cell
from pipeline.model.survey import Frame, Survey, SurveyPoint
from pipeline.units import MILLIMETRE

HEADER = ["point", "code", "east_m", "north_m", "elev_m", "sigma_east_mm", "sigma_north_mm", "sigma_elev_mm", "state", "residual_mm", "why"]


def points_csv(survey: Survey) -> bytes:
    """Return the table as UTF-8 CSV; coordinates in metres with six decimals, sigmas and residuals in mm with one; no text in it is a formula."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    writer.writerows([inert_cell(cell) for cell in _row(point, survey.frame)] for point in survey.points)
    return out.getvalue().encode()


def _row(point: SurveyPoint, frame: Frame) -> list[str]:
    east, north = frame.to_survey(point.east, point.north)
    return [
        point.point,
        point.code + point.line,
        f"{east:z.6f}",
        f"{north:z.6f}",
        "" if point.elev is None else f"{point.elev:z.6f}",
        _mm(point.sigma_east),
        _mm(point.sigma_north),
        _mm(point.sigma_elev),
        point.state,
        _mm(point.residual),
        point.why,
    ]


def _mm(length: float | None) -> str:
    return "" if length is None else f"{length / MILLIMETRE:z.1f}"
