"""Made-up fleets: setups of shots scored by tasters, a quadratic surface in two coded factors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

TERMS = ("1", "x1", "x2", "x1^2", "x2^2", "x1:x2")
SURFACE = np.array([6.0, 0.3, 0.2, -0.4, -0.4, 0.1])


@dataclass(frozen=True, eq=False)
class Fleet:
    """Rows of all setups, one after another."""

    y: np.ndarray
    X: np.ndarray
    shot: np.ndarray
    taster: np.ndarray
    setup: np.ndarray
    count: int

    @property
    def factors(self) -> dict[str, np.ndarray]:
        return {"shot": self.shot, "taster": self.taster}

    def first(self, count: int) -> Fleet:
        rows = self.setup < count
        return Fleet(*(a[rows] for a in (self.y, self.X, self.shot, self.taster, self.setup)), count)

    def one(self, setup: int) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
        rows = slice(*np.searchsorted(self.setup, [setup, setup + 1]))
        return self.y[rows], self.X[rows], {"shot": self.shot[rows], "taster": self.taster[rows]}


def terms_at(x1: np.ndarray, x2: np.ndarray) -> np.ndarray:
    return np.stack([np.ones_like(x1), x1, x2, x1**2, x2**2, x1 * x2], axis=-1)


def make(
    count: int,
    shots: int,
    tasters: int,
    missing: float,
    seed: int,
    sd_shot: Sequence[float] = (0.0, 0.35, 0.6),
    sd_taster: Sequence[float] = (0.2, 0.6, 1.0),
) -> Fleet:
    """``count`` setups, each with one of the standard deviations, noise 0.8; ``missing``: share of scores not given."""
    rng = np.random.default_rng(seed)
    terms = terms_at(*(0.6 * rng.normal(size=(2, count, shots))))
    sd_shot, sd_taster = (rng.choice(sds, count)[:, None] for sds in (sd_shot, sd_taster))
    of_shot = terms @ SURFACE + sd_shot * rng.normal(size=(count, shots))
    of_taster = sd_taster * rng.normal(size=(count, tasters))
    y = of_shot[:, :, None] + of_taster[:, None] + 0.8 * rng.normal(size=(count, shots, tasters))
    setup, shot, taster = (grid.ravel() for grid in np.indices(y.shape))
    given = rng.random(y.size) >= missing
    return Fleet(y.ravel()[given], terms[setup, shot][given], shot[given], taster[given], setup[given], count)
