"""Dose of a timed grinder against its timer and its grind: log dose a line in both, few shots leaning on a prior.

    ln(dose) = a + b ln(timer) + c f + e        e ~ N(0, noise^2)

    timer   what the dose timer is set to, in any unit          f   how fine: log shot time that the dial stands for

    b ~ N(1, 0.1^2)           a timer doubles the dose when it is doubled: common practice, no source
    c ~ N(-0.15, 0.15^2)      ground for a shot a tenth slower it gives 1.5 % less, 4 % at most: that it gives less is
                              common practice (no source), how much is an assumption of ours
    noise: 2 % worth 4 shots; an assumption of ours

The priors of b and c stand in the least-squares problem as two more rows whose errors are those of the priors (mixed
estimation: Theil and Goldberger 1961, Int. Econ. Rev. 2:65, from memory); statsmodels solves it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TIMER = (1.0, 0.1)
FINENESS = (-0.15, 0.15)
NOISE_SD, NOISE_SHOTS = 0.02, 4.0
ROUNDS = 20


@dataclass(frozen=True, eq=False)
class DoseLine:
    """The fitted line.

    :param coefficients: (3,) a, b, c for ln(timer) and fineness about ``centre``. :param cov: (3, 3).
    :param noise_var: variance of the log dose of one shot. :param df: degrees of freedom behind it.
    """

    coefficients: Array
    cov: Array
    noise_var: float
    df: float
    centre: tuple[float, float]

    def log_dose(self, timer: float, fineness: float) -> tuple[float, float]:
        """Expected log dose of a shot, and the standard deviation of one shot about it."""
        x = np.array([1.0, np.log(timer) - self.centre[0], fineness - self.centre[1]])
        return float(x @ self.coefficients), float(np.sqrt(x @ self.cov @ x + self.noise_var))

    def timer_for(self, dose_g: float, fineness: float) -> float:
        """The timer whose expected log dose is that of this dose."""
        a, b, c = self.coefficients
        return float(np.exp(self.centre[0] + (np.log(dose_g) - a - c * (fineness - self.centre[1])) / b))


def fit(dose_g: Array, timer: Array, fineness: Array) -> DoseLine:
    """Fit the line to shots of one grinder and coffee.

    :param dose_g: (n,) weighed doses, ``timer``: (n,) settings, both above 0.
    :param fineness: (n,) log shot time that the dial stands for.
    :raises ValueError: no shot, or a dose or a setting that is not above 0.
    """
    from statsmodels.regression.linear_model import WLS  # a second to load, and few benches have a timed grinder

    dose, timer, fine = (np.asarray(values, dtype=float) for values in (dose_g, timer, fineness))
    if not len(dose) or not (np.isfinite([dose, timer, fine]).all() and (dose > 0).all() and (timer > 0).all()):
        raise ValueError("needs shots with a dose and a timer above 0, and a known fineness")
    centre = (float(np.log(timer).mean()), float(fine.mean()))
    X = np.column_stack([np.ones_like(dose), np.log(timer) - centre[0], fine - centre[1]])
    rows = np.vstack([X, [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    y = np.concatenate([np.log(dose), [TIMER[0], FINENESS[0]]])
    noise = NOISE_SD**2
    for _ in range(ROUNDS):
        variances = np.concatenate([np.full(len(dose), noise), [TIMER[1] ** 2, FINENESS[1] ** 2]])
        found = WLS(y, rows, weights=1.0 / variances).fit()
        rest = y[: len(dose)] - X @ found.params
        used = float(np.trace(np.linalg.solve(rows.T @ (rows / variances[:, None]), X.T @ X / noise)))
        df = len(dose) - used + NOISE_SHOTS
        last, noise = noise, float((rest @ rest + NOISE_SHOTS * NOISE_SD**2) / df)
        if abs(noise - last) <= 1e-9 * last:
            break
    return DoseLine(np.asarray(found.params), np.asarray(found.normalized_cov_params), noise, float(df), centre)
