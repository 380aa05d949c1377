"""What is known of the surface of one setup, or of a machine with a coffee that nobody tasted on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tastefield.stats.pooled import basis, parts
from tastefield.stats.pooled.evidence import Evidence
from tastefield.stats.pooled.layout import Layout, extraction, local_masks, local_parts, unit_of

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

WIDTH = basis.COUNT + 2


@dataclass(frozen=True, eq=False)
class Moments:
    """Mean (WIDTH,) and covariance (WIDTH, WIDTH) of the coefficients of :func:`basis.expand`."""

    mean: Array
    cov: Array


class Unit:
    """One unit at one set of standard deviations, ready to answer for any of its setups."""

    def __init__(self, plan: Layout, found: Evidence, number: int) -> None:
        self.plan, self.found = plan, found
        bench = plan.bench
        self.rows = np.flatnonzero(plan.unit[bench.setup] == number)
        self.variance = dict(zip(parts.NAMES, np.exp(2 * found.theta[:-1]), strict=True))
        self.unit = unit_of(plan, self.rows)
        local = np.array([self.variance[name] for name in local_parts(plan)])
        V = np.einsum("p,pij->ij", local, local_masks(plan, self.rows))
        if not bench.tasted.all():
            read, effect = extraction(plan, self.rows), float(found.theta[-1])
            V += read.fixed + effect * read.slope + effect**2 * read.square
        self.inverse = np.linalg.inv(V)
        off = bench.value[self.rows] - self.unit.D @ (plan.mean + found.u)[self.unit.columns]
        self.told = self.inverse @ off
        self.seen = self.inverse @ self.unit.D
        self.tasted = (~bench.read[self.rows]).astype(float)
        self.felt = self.tasted * bench.slope[self.rows]
        self.phi = basis.functions(bench.moved[self.rows]) * self.felt[:, None]

    def answer(self, setup: int, new_coffee: bool = False) -> Moments:
        """The surface of a setup for a typical taster, equal weight over all tasters of the bench.

        :param new_coffee: of its machine instead, with a coffee of which nothing is known, and so a new setup.
        """
        found, var = self.found, self.variance
        columns, T = self._known(setup, new_coffee)
        across, own = self._local(setup, new_coffee)
        mean = self._mean(columns, T, across)
        J = T.copy()
        J[:, np.searchsorted(columns, self.unit.columns)] -= across @ self.seen
        cov = own - across @ self.inverse @ across.T + J @ found.P[np.ix_(columns, columns)] @ J.T
        cov[0, 0] += var["taster x coffee"] * self._untold(setup, new_coffee)
        return Moments(mean, 0.5 * (cov + cov.T))

    def expected(self, setup: int) -> Array:
        """The mean alone (WIDTH,) of :meth:`answer`, in a fraction of its time."""
        return self._mean(*self._known(setup, False), self._local(setup, False)[0])

    def _mean(self, columns: Codes, T: Array, across: Array) -> Array:
        return np.asarray(T @ (self.plan.mean + self.found.u)[columns] + across @ self.told)

    def _known(self, setup: int, new_coffee: bool) -> tuple[Codes, Array]:
        """Columns of u that the surface and the unit rest on, and what each does to its coefficients (WIDTH, c)."""
        plan, bench = self.plan, self.plan.bench
        unit = np.eye(WIDTH)
        effects = {column: unit[column] for column in range(WIDTH)}
        tasters = bench.taster_count
        effects |= {plan.starts["taster"] + taster: unit[0] / tasters for taster in range(tasters)}
        effects |= {plan.starts["kind"] + int(kind): unit[0] for kind in bench.kinds[setup] if kind >= 0}
        coffee = int(bench.coffee[setup])
        if not new_coffee:
            pairs = [plan.pairs[coffee, taster] for taster in range(tasters) if (coffee, taster) in plan.pairs]
            effects |= dict.fromkeys(pairs, unit[0] / max(tasters, 1))
        for factor in (plan.column_factor, "roast"):
            code = int(getattr(bench, factor)[setup])
            if code < 0 or (new_coffee and factor != "machine"):
                continue
            start = plan.block(factor, code)
            effects[start] = unit[0]
            for direction in range(plan.width - 1):
                effects[start + 1 + direction] = np.concatenate([[0.0, 0.0], plan.directions[:, direction]])
        columns = np.union1d(self.unit.columns, np.array(sorted(effects), dtype=np.int64))
        T = np.zeros((WIDTH, len(columns)))
        T[:, np.searchsorted(columns, np.array(list(effects)))] = np.column_stack(list(effects.values()))
        return columns, T

    def _local(self, setup: int, new_coffee: bool) -> tuple[Array, Array]:
        """Of the parts in V: covariance of the coefficients with the unit's rows (WIDTH, n), and their own."""
        plan, bench, var = self.plan, self.plan.bench, self.variance
        of_row = bench.setup[self.rows]
        unit, column = plan.unit_factor, plan.column_factor
        here = self.tasted
        same = (of_row == setup) * self.tasted
        alike = (getattr(bench, column)[of_row] == getattr(bench, column)[setup]).astype(float)
        roast = ((bench.roast[of_row] == bench.roast[setup]) & (bench.roast[setup] >= 0)).astype(float)
        has_roast = float(bench.roast[setup] >= 0)
        fresh_unit = new_coffee and unit == "coffee"
        if new_coffee:
            same = 0 * same
            roast = 0 * roast
            here = 0 * here if fresh_unit else here
            alike = 0 * alike if column == "coffee" else alike * 0
        whole = var[unit] * here + var["setup"] * same
        left = var[column] * alike + var["roast"] * roast
        across = np.zeros((WIDTH, len(self.rows)))
        across[2:] = (plan.weights[:, None] * self.phi.T) * whole + (plan.left @ self.phi.T) * left
        across[0] = (var[f"{unit} level"] * here + var["setup level"] * same) * self.felt
        own = np.zeros((WIDTH, WIDTH))
        full = var[unit] + var["setup"]
        part = var[column] + has_roast * var["roast"]
        level = var[f"{unit} level"] + var["setup level"]
        if new_coffee:
            any_roast = float(bench.roast.max(initial=-1) >= 0)
            full += any_roast * var["roast"] + (var["coffee"] if column == "coffee" else 0.0)
            part = var["machine"] if column == "machine" else 0.0
            level += any_roast * var["kind level"] + (var["coffee level"] if column == "coffee" else 0.0)
        own[2:, 2:] = np.diag(full * plan.weights) + part * plan.left
        own[0, 0] = level
        if not plan.pairs and not new_coffee:
            across[0] += var["taster x coffee"] / max(bench.taster_count, 1) * here
        return across, own

    def _untold(self, setup: int, new_coffee: bool) -> float:
        """Share of the taster x coffee variance that no column carries, in the mean over all tasters."""
        plan, tasters = self.plan, max(self.plan.bench.taster_count, 1)
        if new_coffee or not plan.pairs:
            return 1.0 / tasters
        coffee = int(plan.bench.coffee[setup])
        told = sum((coffee, taster) in plan.pairs for taster in range(tasters))
        return (tasters - told) / tasters**2
