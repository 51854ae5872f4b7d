"""What an adjustment has to say of itself: the summary the artifact carries, and whether the whole fits its a-priori sigmas."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.errors import Reason
from pipeline.model.survey import Adjustment, SurveyPoint
from pipeline.survey.adjustment import Solution, variance_factor_limits
from pipeline.survey.network import ANGULAR
from pipeline.survey.snooping import Snooped, first_largest
from pipeline.units import ReportUnits, format_length

NANOMETRE = 9  # decimals
WEAK = 0.015  # [m] standard deviation of a point, five times that of one good shot
MISFIT_HOLD = 5.0  # times the a-priori sigmas: noise that large is no noise


def adjustment_summary(found: Snooped, rejected: tuple[str, ...]) -> Adjustment:
    """Return the record of an adjustment."""
    solution = found.solution
    statistics = np.abs(solution.w)
    worst = first_largest(statistics) if len(statistics) else 0
    low, high = variance_factor_limits(solution.degrees_of_freedom)
    return Adjustment(
        observations=len(solution.residuals),
        unknowns=solution.design.unknowns,
        degrees_of_freedom=solution.degrees_of_freedom,
        iterations=solution.iterations,
        converged=solution.converged,
        variance_factor=rounded(solution.variance_factor),
        variance_factor_limits=(rounded(low), rounded(high) if np.isfinite(high) else 0.0),
        worst=solution.network.observations[worst].label if len(statistics) else "",
        worst_statistic=rounded(float(statistics[worst])) if len(statistics) else 0.0,
        rejected=rejected,
    )


def rounded(value: float) -> float:
    """Return a computed figure to nine decimals, a nanometre: beyond that the linear algebra of one machine differs from another's."""
    return round(value, NANOMETRE) + 0.0


def scale_of_sigmas(solution: Solution) -> float:
    """Return what variances are multiplied by: the variance factor where its test says the shots were worse than assumed, never less than 1."""
    _, high = variance_factor_limits(solution.degrees_of_freedom)
    return solution.variance_factor if solution.degrees_of_freedom > 0 and solution.variance_factor > high else 1.0


def fit_reasons(found: Snooped, what: str, file: str) -> tuple[list[Reason], list[Reason]]:
    """Return (warnings, holds) about the fit of the whole."""
    solution = found.solution
    _, high = variance_factor_limits(solution.degrees_of_freedom)
    if not solution.converged:
        return [], [
            Reason(
                ref="not-converged",
                what=f"the adjustment of the {what} did not settle",
                why="they contradict each other grossly",
                file=file,
                do="see the ties and points named with it",
            )
        ]
    if found.exhausted or (solution.sigma0 > MISFIT_HOLD and solution.degrees_of_freedom > 1 and not found.unlocated):
        misfit = f"the {what} miss one another by {solution.sigma0:.1f} times what they should"
        return [], [
            Reason(
                ref="misfit",
                what=misfit,
                why="that many blunders cannot be told from good shots",
                file=file,
                do="see whether points were mixed up, or the sigmas in job.toml are far too small",
            )
        ]
    if solution.degrees_of_freedom > 0 and solution.variance_factor > high and not found.unlocated:
        larger = f"the {what} scatter {solution.sigma0:.1f} times as much as their standard deviations say"
        return [
            Reason(
                ref="scatter",
                what=larger,
                why="the points' uncertainties were enlarged by as much",
                file=file,
                do="measure more carefully, or give larger sigmas in job.toml",
            )
        ], []
    return [], []


def weak_points(points: Sequence[SurveyPoint], units: ReportUnits) -> list[Reason]:
    """Warn of points that the geometry of their ties or sights leaves poorly known."""
    weak = [point for point in points if point.code and max(point.sigma_east, point.sigma_north) > WEAK]
    if not weak:
        return []
    named = [f"{point.point} ±{format_length(max(point.sigma_east, point.sigma_north), units)}" for point in weak]
    shown = ", ".join(named[:8]) + (f" and {len(weak) - 8} more" if len(weak) > 8 else "")
    return [
        Reason(
            ref="weak-points",
            what=f"these points are poorly known: {shown} (standard deviation)",
            why="their ties or sights cross at a shallow angle, or scatter",
            file=weak[0].file,
            line=weak[0].row or None,
            do="measure another distance to them, from a point in another direction",
        )
    ]


def worst_residuals(solution: Solution) -> dict[str, float]:
    """Return, for each point, the largest residual among the lengths and height differences that touch it [m]; angles as their arc."""
    worst: dict[str, float] = {}
    index = {name: number for number, name in enumerate(solution.design.names)}
    for o, residual in zip(solution.network.observations, solution.residuals.tolist(), strict=True):
        size = abs(residual)
        if o.kind in ANGULAR:
            step = solution.places[index[o.to], :2] - solution.places[index[o.at], :2]
            size *= float(np.hypot(*step))
        for name in (o.at, o.to, o.fore):
            if name:
                worst[name] = max(worst.get(name, 0.0), size)
    return worst
