"""From shots to pointings: faces and sets of one occupation brought together, the instrument's errors taken out and reported."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from typing import Final, NamedTuple

from pipeline.errors import Reason
from pipeline.model.shop import SurveyOptions
from pipeline.survey.field_book import Shot
from pipeline.survey.reduction import air_correction, collimation, index_error, wrapped
from pipeline.survey.refusals import refusal

SPREAD_ALLOWED: Final = 4.0  # sigmas of one shot from the mean of its target, beyond which shots are not averaged
SIGNIFICANT: Final = 3.0  # sigmas beyond which an instrument's error is believed and taken out of single-face shots
SECOND: Final = math.pi / 648000  # [rad]


class Pointing(NamedTuple):
    """What one occupation has to say of one target, after averaging.

    Parameters
    ----------
    setup, target, group : str
        `group` is the occupation: directions within it share their zero.
    hz, zenith, slope : float or None
        [rad], [rad], [m]
    sigma_hz, sigma_zenith, sigma_slope : float
        Of the mean, the target's centring included [rad], [rad], [m].
    hi, ht : float or None
        [m]
    shot : Shot
        The first of those averaged, for reporting.
    """

    setup: str
    target: str
    group: str
    hz: float | None
    zenith: float | None
    slope: float | None
    sigma_hz: float
    sigma_zenith: float
    sigma_slope: float
    hi: float | None
    ht: float | None
    shot: Shot

    @property
    def level(self) -> float | None:
        """Level distance [m], where slope and zenith angle were measured."""
        return None if self.slope is None or self.zenith is None else abs(self.slope * math.sin(self.zenith))


class InstrumentErrors(NamedTuple):
    """Collimation and index error of one occupation [rad], with their sigmas, from so many pairs of faces."""

    setup: str
    collimation: float
    index_error: float
    sigma_collimation: float
    sigma_index: float
    pairs: int


def occupations(shots: Sequence[Shot]) -> list[list[Shot]]:
    """Return the shots by occupation: a setup's shots up to the next setup, or to another height of instrument."""
    groups: list[list[Shot]] = []
    for shot in shots:
        last = groups[-1][-1] if groups else None
        if last is not None and last.setup == shot.setup and (shot.hi is None or last.hi is None or shot.hi == last.hi):
            groups[-1].append(shot)
        else:
            groups.append([shot])
    return groups


def pointings(shots: Sequence[Shot], options: SurveyOptions, most: int) -> tuple[list[Pointing], list[InstrumentErrors], list[Reason]]:
    """Return the pointings of all occupations, at most `most`, in the order shot, the instrument's errors, and warnings about shots that spread."""
    out: list[Pointing] = []
    errors: list[InstrumentErrors] = []
    warnings: list[Reason] = []
    groups = occupations(shots)
    if len(groups) > most:
        raise refusal(
            "too-many-setups",
            f"the instrument was set up {len(groups):,} times, the limit is {most:,}",
            why="a pool takes two or three setups; shots of different setups must not be mixed",
            file=shots[0].file,
            do="put each setup's shots together, in the order shot; for a larger survey raise [limits] setups in shop.toml",
        )
    for number, group in enumerate(groups):
        found = _instrument_errors(group, options)
        if found.pairs:
            errors.append(found)
        spread: list[str] = []
        for target, shots_at in _by_target(group).items():
            mine = [_single(shot, f"{shot.setup}#{number}", found, options) for shot in shots_at]
            averaged = _averaged(mine)
            if averaged is None:
                spread.append(target)
            out += mine if averaged is None else [averaged]
        if spread:
            warnings.append(_spread_warning(group[0], spread))
    return out, errors, warnings


def errors_in_words(errors: Sequence[InstrumentErrors]) -> list[str]:
    """Return one line for each occupation on both faces."""
    return [
        f'setup {e.setup}: collimation {_seconds(e.collimation)} ± {e.sigma_collimation / SECOND:.1f}", '
        f'index {_seconds(e.index_error)} ± {e.sigma_index / SECOND:.1f}" from {e.pairs} target{"s" if e.pairs > 1 else ""} on both faces'
        for e in errors
    ]


def _seconds(turn: float) -> str:
    """Return a small angle in seconds with its sign, and nought without one."""
    tenths = round(turn / SECOND, 1)
    return f'{tenths:+.1f}"' if tenths else '0.0"'


def _instrument_errors(group: Sequence[Shot], options: SurveyOptions) -> InstrumentErrors:
    collimations, indices = [], []
    for one, two in _face_pairs(group):
        zenith = one.zenith if one.zenith is not None else math.pi / 2
        weight = _centring(options) / _level(one) if _level(one) else 0.0
        sigma = math.hypot(float(options.angle_sigma), weight)
        if one.hz is not None and two.hz is not None:
            collimations.append((collimation(one.hz, two.hz, zenith), sigma / math.sqrt(2)))
        if one.zenith is not None and two.zenith is not None:
            sigma_zenith = math.hypot(float(options.angle_sigma), float(options.elevation_sigma) / (_level(one) or math.inf))
            indices.append((index_error(one.zenith, two.zenith), sigma_zenith / math.sqrt(2)))
    mean_c, sigma_c = _weighted_mean(collimations)
    mean_i, sigma_i = _weighted_mean(indices)
    return InstrumentErrors(group[0].setup, mean_c, mean_i, sigma_c, sigma_i, max(len(collimations), len(indices)))


def _face_pairs(group: Sequence[Shot]) -> list[tuple[Shot, Shot]]:
    pairs = []
    for shots_at in _by_target(group).values():
        ones = [shot for shot in shots_at if shot.face == 1]
        twos = [shot for shot in shots_at if shot.face == 2]
        pairs += list(zip(ones, twos, strict=False))
    return pairs


def _by_target(group: Sequence[Shot]) -> dict[str, list[Shot]]:
    by_target: dict[str, list[Shot]] = {}
    for shot in group:
        by_target.setdefault(shot.target, []).append(shot)
    return by_target


def _weighted_mean(values: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return (mean, sigma), of the values that agree with their median."""
    if not values:
        return 0.0, 0.0
    middle = statistics.median(value for value, _ in values)
    agreeing = [(value, sigma) for value, sigma in values if abs(value - middle) <= SPREAD_ALLOWED * sigma] or list(values)
    total = sum(sigma**-2 for _, sigma in agreeing)
    return sum(value * sigma**-2 for value, sigma in agreeing) / total, total**-0.5


def _single(shot: Shot, group: str, errors: InstrumentErrors, options: SurveyOptions) -> Pointing:
    """Return one shot as a pointing of face 1, freed of what the instrument is known to be off."""
    sign = 1 if shot.face == 1 else -1
    zenith = None if shot.zenith is None else (shot.zenith if sign == 1 else 2 * math.pi - shot.zenith)
    hz = None if shot.hz is None else (shot.hz if sign == 1 else shot.hz - math.pi)
    if hz is not None and _is_significant(errors.collimation, errors.sigma_collimation):
        hz -= sign * errors.collimation / max(0.05, math.sin(zenith if zenith is not None else math.pi / 2))
    if zenith is not None and _is_significant(errors.index_error, errors.sigma_index):
        zenith -= sign * errors.index_error
    slope = shot.slope
    if slope is not None and options.temperature is not None and options.pressure is not None:
        slope *= 1 + air_correction(options.temperature, options.pressure)
    level = _level(shot)
    return Pointing(
        setup=shot.setup,
        target=shot.target,
        group=group,
        hz=hz,
        zenith=zenith,
        slope=slope,
        sigma_hz=shot.sigma_hz or math.hypot(float(options.angle_sigma), _centring(options) / level if level else 0.0),
        sigma_zenith=shot.sigma_zenith or math.hypot(float(options.angle_sigma), float(options.elevation_sigma) / level if level else 0.0),
        sigma_slope=shot.sigma_dist or math.hypot(float(options.distance_sigma), _centring(options)),
        hi=shot.hi,
        ht=shot.ht,
        shot=shot,
    )


def _is_significant(value: float, sigma: float) -> bool:
    return abs(value) > SIGNIFICANT * sigma


def _centring(options: SurveyOptions) -> float:
    """Return how well a prism pole stands on its point [m]: what is left of one shot's position sigma beside the distance's."""
    return math.sqrt(max(0.0, float(options.position_sigma) ** 2 - float(options.distance_sigma) ** 2))


def _level(shot: Shot) -> float:
    """Return the level distance [m]; a slope distance without a zenith angle will do for a weight."""
    return 0.0 if shot.slope is None else abs(shot.slope * math.sin(shot.zenith if shot.zenith is not None else math.pi / 2))


def _averaged(mine: Sequence[Pointing]) -> Pointing | None:
    """Return the mean of several pointings at one target; None when they spread beyond their sigmas or differ in target height."""
    first = mine[0]
    if len(mine) == 1:
        return first
    if len({(pointing.hi, pointing.ht) for pointing in mine}) > 1:
        return None
    hz = _mean([(wrapped(p.hz - first.hz), p.sigma_hz) for p in mine if p.hz is not None and first.hz is not None])
    zenith = _mean([(p.zenith, p.sigma_zenith) for p in mine if p.zenith is not None])
    slope = _mean([(p.slope, p.sigma_slope) for p in mine if p.slope is not None])
    if any(mean is not None and mean[2] > SPREAD_ALLOWED for mean in (hz, zenith, slope)):
        return None
    return first._replace(
        hz=None if hz is None or first.hz is None else first.hz + hz[0],
        zenith=None if zenith is None else zenith[0],
        slope=None if slope is None else slope[0],
        sigma_hz=hz[1] if hz else first.sigma_hz,
        sigma_zenith=zenith[1] if zenith else first.sigma_zenith,
        sigma_slope=slope[1] if slope else first.sigma_slope,
    )


def _mean(values: Sequence[tuple[float, float]]) -> tuple[float, float, float] | None:
    """Return (weighted mean, its sigma, largest normalised residual); None without values."""
    if not values:
        return None
    total = sum(sigma**-2 for _, sigma in values)
    mean = sum(value * sigma**-2 for value, sigma in values) / total
    worst = max(abs(value - mean) / math.sqrt(max(sigma**2 - 1 / total, 1e-30)) for value, sigma in values) if len(values) > 1 else 0.0
    return mean, total**-0.5, worst


def _spread_warning(first: Shot, targets: Sequence[str]) -> Reason:
    shown = ", ".join(targets[:8]) + (f" and {len(targets) - 8} more" if len(targets) > 8 else "")
    return Reason(
        ref="spread",
        what=f"at setup {first.setup} the shots at {shown} differ by more than the instrument's sigmas allow",
        why="they were not averaged; the adjustment judges each on its own",
        file=first.file,
        line=first.row,
        do="see whether a target was mixed up between the faces, or a target height was changed",
    )
