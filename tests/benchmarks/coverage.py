"""How often 90 % intervals of the surface at its best point hold the truth, by what is done about the variances."""

from __future__ import annotations

import numpy as np
from scipy import stats
from tests.benchmarks import fleet as fleets
from tests.benchmarks.fleet import Fleet

from tastefield.stats import hull, mixed

DESIGNS = ((8, 2), (30, 5))  # shots, tasters
SPREADS = ((0.35, 0.6), (0.0, 0.6), (0.35, 0.0), (0.0, 0.0), (0.6, 1.0))  # of shots, of tasters; noise 0.8
LEVEL = 0.9
TAILS = np.array([(1 - LEVEL) / 2, (1 + LEVEL) / 2])
REFITS = 199
LATTICE = fleets.terms_at(*(axis.ravel() for axis in np.meshgrid(*[np.linspace(-1, 1, 21)] * 2)))
_, B1, B2, B11, B22, B12 = fleets.SURFACE
SUMMIT = fleets.terms_at(*np.linalg.solve([[2 * B11, B12], [B12, 2 * B22]], [-B1, -B2])[:, None])[0]
COLUMNS = ("fixed", "satterthwaite", "refitted", "fixed", "satterthwaite", "refitted", "luck off")


def main(reduced: bool) -> int:
    """Print the table."""
    many, few = (300, 20) if reduced else (3_000, 500)
    print(
        f"Percent of {LEVEL:.0%} intervals, +- its standard error, that hold the true surface: first where it is truly"
    )
    print("highest, then where the fit is highest among points of a lattice inside the hull of the shots.")
    print(f"Fixed and satterthwaite: {many} setups; refitted and luck off: {few} of them, {REFITS} refits each.\n")
    print(f"{'shots x tasters':17}{'sd shots, tasters':19}" + "".join(f"{name:>15}" for name in COLUMNS))
    for shots, tasters in DESIGNS:
        for i, (sd_shot, sd_taster) in enumerate(SPREADS):
            fleet = fleets.make(many, shots, tasters, 0.0, 10 + i, (sd_shot,), (sd_taster,))
            fits = mixed.fit_many(fleet.y, fleet.X, fleet.factors, fleet.setup)
            closed, refitted = closed_form(fleet, fits), by_refits(fleet.first(few))
            held = [*closed[:2], refitted[0], *closed[2:], *refitted[1:]]
            spreads = f"{sd_shot:.2f}, {sd_taster:.2f}"
            cells = (f"{100 * h.mean():.1f} +- {100 * h.std() / np.sqrt(h.size):.1f}" for h in held)
            print(f"{f'{shots} x {tasters}':17}{spreads:19}" + "".join(f"{cell:>15}" for cell in cells), flush=True)
    return 0


def candidates(fleet: Fleet, setup: int) -> np.ndarray:
    """Terms of the lattice's points inside the hull of a setup's shots; the shots themselves where there are none."""
    shots = np.unique(fleet.one(setup)[1], axis=0)
    inside = LATTICE[hull.Support.around(shots[:, 1:3], 0.0).contains(LATTICE[:, 1:3])]
    return inside if len(inside) else shots


def closed_form(fleet: Fleet, fits: mixed.ManyFits) -> list[np.ndarray]:
    """Whether the intervals held: normal and t at the true summit, normal and t at the summit found, (setups,) each."""
    held = []
    found = np.array([highest(candidates(fleet, i), fits.fixed[i]) for i in range(fleet.count)])
    for points in (np.broadcast_to(SUMMIT, found.shape), found):
        miss = np.abs(np.sum(points * (fits.fixed - fleets.SURFACE), axis=1))
        error = np.sqrt(np.einsum("sp,spq,sq->s", points, fits.fixed_cov, points))
        for df in (np.inf, np.maximum(fits.df(points), mixed.LEAST_DF)):
            held.append(miss <= stats.t.ppf(TAILS[1], df) * error)
    return held


def highest(points: np.ndarray, fixed: np.ndarray) -> np.ndarray:
    return np.asarray(points[np.argmax(points @ fixed)])


def by_refits(fleet: Fleet) -> list[np.ndarray]:
    """Whether the intervals held: draws at the true summit, at the summit found, and that less its luck."""
    held = []
    for i in range(fleet.count):
        fit, lattice = mixed.fit_crossed(*fleet.one(i)), candidates(fleet, i)
        found = mixed.best(fit, lattice, REFITS, seed=i)
        points = np.stack([SUMMIT, lattice[found.index]])
        truth = points @ fleets.SURFACE
        low, high = np.quantile(mixed.draws(fit, points, REFITS, i, "refitted"), TAILS, axis=0)
        t = abs(truth[1] - found.mean) / found.sd
        held.append([*((low <= truth) & (truth <= high)), t <= stats.t.ppf(TAILS[1], found.df)])
    return list(np.array(held).T)
