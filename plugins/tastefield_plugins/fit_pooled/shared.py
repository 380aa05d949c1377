"""What a pooled surface shares with other runs, validated: a file from outside is not to be trusted."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationInfo, model_validator

from tastefield.stats import hull
from tastefield.stats.pooled import appeal, basis, felt, halo, parts, served, shift
from tastefield.stats.pooled.layout import HUB
from tastefield.stats.pooled.search import BOUNDS

CENTRE = np.array([2.0, 27.0])
HALF_RANGE = float(np.log(1.5))

CODING: dict[str, Any] = {
    "centre": CENTRE.tolist(),
    "half_range": HALF_RANGE,
    "basis": [basis.HALF_WIDTH, basis.REACH, basis.HIGHEST, basis.FALL_WIDTH, basis.TILT],
    "lengths": [list(length) for length in basis.LENGTHS],
    "moved": shift.EARNED,
    "appeal": [appeal.LOWEST, appeal.USUAL, appeal.HIGHEST],
    "level": list(parts.CENTRE),
    "fall": list(parts.FALL),
    "parts": {**parts.HALF_NORMAL, **{name: list(prior) for name, prior in parts.LOG_NORMAL.items()}},
    "effect": parts.EFFECT_SD,
    "time felt": [felt.PRIOR.mean, felt.PRIOR.sd],
    "halo": [*parts.HALO, *parts.RIDGE, halo.WIDTH],
    "served": [*parts.SERVED_SD.values(), served.GAIN],
}
"""What two runs must have assumed alike before what they learned can be added up."""

COUNT = len(parts.NAMES) + 1
SLACK = 1e-6
"""Share of the largest eigenvalue by which rounding may leave a matrix below what it must be."""
COARSE = 0.2
"""Grid of the corners that leave the run, coded units: about 8 % of ratio and of time."""
GRID = np.array([[x, y] for x in np.linspace(-2, 2, 9) for y in np.linspace(-2, 2, 9)])
MOST_TOLD = float((basis.expand(GRID) ** 2).sum(axis=1).max()) / 0.1**2
"""Precision (its trace) that a score tells at most: no taste is surer than a tenth of a point."""
UNLIKELY_SDS = 4.0
"""Luck of a shot and noise of a taste farther than this from what is stated of them make every claim sure, or none."""
FARTHEST_SCORE = 60.0
"""Scores from 1 to 9 never make a mean surface stray farther than this, even far from all shots."""


def _coding(value: dict[str, Any]) -> dict[str, Any]:
    differ = sorted(key for key in {*CODING, *value} if CODING.get(key) != value.get(key))
    if differ:
        raise ValueError(f"this version assumes another {', '.join(differ)}")
    return value


def _length(value: tuple[float, float]) -> tuple[float, float]:
    if value not in basis.LENGTHS:
        raise ValueError(f"must be one of {', '.join(map(str, basis.LENGTHS))}")
    return value


def _theta(value: list[float]) -> list[float]:
    if len(value) != COUNT:
        raise ValueError(f"must hold {COUNT} numbers, holds {len(value)}")
    low, high = np.array(BOUNDS).T
    if not bool(((np.array(value) >= low - 1e-9) & (np.array(value) <= high + 1e-9)).all()):
        raise ValueError("holds standard deviations that no score can show")
    for name, (median, width) in parts.LOG_NORMAL.items():
        if abs(value[parts.NAMES.index(name)] - np.log(median)) > UNLIKELY_SDS * width:
            raise ValueError(f"holds a standard deviation of {name} that no bench has")
    return value


def _matrix(value: list[list[float]], size: int) -> NDArray[np.float64]:
    if len(value) != size or any(len(row) != size for row in value):
        raise ValueError(f"must be {size} x {size} numbers")
    matrix = np.array(value)
    if not np.allclose(matrix, matrix.T, rtol=1e-6, atol=1e-9 * max(np.abs(matrix).max(), 1e-300)):
        raise ValueError("must be symmetric")
    return matrix


def _covariance(value: list[list[float]]) -> list[list[float]]:
    if np.linalg.eigvalsh(_matrix(value, COUNT))[0] <= 0:
        raise ValueError("is no covariance: some direction has no doubt, or less")
    return value


def _precision(value: list[list[float]]) -> list[list[float]]:
    values = np.linalg.eigvalsh(_matrix(value, HUB))
    if values[0] < -SLACK * max(values[-1], 1e-300):
        raise ValueError("is no precision: some direction is known less than not at all")
    return value


def _told(value: list[float]) -> list[float]:
    if len(value) != HUB:
        raise ValueError(f"must hold {HUB} numbers, holds {len(value)}")
    return value


def corners(tasted: NDArray[np.float64]) -> list[list[float]]:
    """Corners (m, 2) of the hull of the tasted shots, coded, on a coarse grid: no shot can be read from them."""
    if not len(tasted):
        return []
    found = np.unique(np.round(hull.Support.around(tasted, 0.0).vertices / COARSE) * COARSE, axis=0)
    return [[float(value) for value in corner] for corner in found.round(6)]


def _apart(value: tuple[float, float]) -> tuple[float, float]:
    if not all(0.01 <= one <= 1.5 for one in value):
        raise ValueError("holds coffees all alike, or farther apart than espressos are")
    return value


def _time_felt(value: tuple[float, float]) -> tuple[float, float]:
    if not (0.0 <= value[0] <= 1.0 and 0.001 <= value[1] <= 0.5):
        raise ValueError("holds no share from 0 to 1, or one surer than any bench can be")
    return value


def _corners(value: list[tuple[float, float]]) -> list[tuple[float, float]]:
    if len(value) and float(np.abs(np.array(value)).max()) > basis.HALF_WIDTH:
        raise ValueError("reaches beyond every espresso")
    return value


_WIDEST = np.sqrt(np.max([basis.weights(length) for length in basis.LENGTHS], axis=0))


class Hub(BaseModel):
    """What the scores told of level, fall and shared surface, the stated prior not in it.

    Whatever scores were given, they cannot tell more than their number allows, nor mean scores far off every scale.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    precision: Annotated[list[list[float]], AfterValidator(_precision)]
    told: Annotated[list[float], AfterValidator(_told)]

    @model_validator(mode="after")
    def _possible(self, info: ValidationInfo) -> Hub:
        precision, told = np.array(self.precision), np.array(self.told)
        most = (info.context or {}).get("scores")
        if most is not None and np.trace(precision) > most * MOST_TOLD:
            raise ValueError("is surer than so many scores can make anybody")
        before = np.concatenate([[parts.CENTRE[1], parts.FALL[1]], _WIDEST])
        scaled = before[:, None] * precision * before + np.eye(HUB)
        with np.errstate(all="ignore"):
            mean = before * np.linalg.solve(scaled, before * told)
            mean[:2] += [parts.CENTRE[0], parts.FALL[0]]
            farthest = float(np.abs(basis.expand(GRID) @ mean).max())
        if not farthest <= FARTHEST_SCORE:
            raise ValueError("expects scores that no scale holds")
        return self


class PooledShared(BaseModel):
    """The keys of a pooled population that leave the run.

    :param length: along and across equal flow, coded units.
    :param theta: log standard deviations of the parts, then the effect of extraction.
    :param apart: how far the bests of coffees lie apart along each factor, coded.
    :param time_felt: mean and standard deviation of the share of what a shot's time is off that its taste shows.
    :param corners: of the hull of the tasted shots, coded, on a coarse grid.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    coding: Annotated[dict[str, Any], AfterValidator(_coding)]
    length: Annotated[tuple[float, float], AfterValidator(_length)]
    theta: Annotated[list[float], AfterValidator(_theta)]
    theta_cov: Annotated[list[list[float]], AfterValidator(_covariance)]
    hub: Hub
    apart: Annotated[tuple[float, float], AfterValidator(_apart)]
    time_felt: Annotated[tuple[float, float], AfterValidator(_time_felt)]
    corners: Annotated[list[tuple[float, float]], AfterValidator(_corners), Field(max_length=10_000)]
