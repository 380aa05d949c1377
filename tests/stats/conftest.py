"""Reads the reference cases; tolerances come from the case, never from the test."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tastefield.stats import canonical, second_order, uncertainty

REFERENCE = Path(__file__).parents[1] / "reference"


class Case:
    """One folder of tests/reference: its columns, its expected numbers and how closely to ask for them."""

    def __init__(self, name: str) -> None:
        folder = REFERENCE / name
        record = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
        self.expected: dict[str, Any] = record["expected"]
        self.tolerance: dict[str, Any] = record["tolerance"]
        with (folder / "data.csv").open(encoding="utf-8", newline="") as file:
            self.rows = list(csv.DictReader(file))

    def text(self, column: str) -> list[str]:
        return [row[column] for row in self.rows]

    def column(self, *names: str) -> np.ndarray:
        table = np.array([[float(row[name]) for name in names] for row in self.rows])
        return table[:, 0] if len(names) == 1 else table

    def codes(self, column: str) -> np.ndarray:
        """Levels in alphabetical order, as 0, 1, ..."""
        return np.unique(self.text(column), return_inverse=True)[1]

    @staticmethod
    def name(column: str) -> str:
        """The case's name of a model column in our words: I(x1^2) is x1^2, blockB2 is block[B2]."""
        if column == "(Intercept)":
            return "1"
        if column.startswith("block"):
            return f"block[{column[5:]}]"
        return column.removeprefix("I(").removesuffix(")") if column.startswith("I(") else column

    def near(self, expected: Any, relative: str = "relative", absolute: str = "absolute") -> Any:
        """The expected numbers, to be compared with ``==`` at the tolerances of the case named here."""
        values = list(expected.values()) if isinstance(expected, dict) else expected
        rel, abs_ = self.tolerance.get(relative), self.tolerance.get(absolute)
        assert rel is not None or abs_ is not None, "the case states no such tolerance"
        return pytest.approx(np.asarray(values, dtype=float), rel=rel or 0.0, abs=abs_ or 0.0)


@pytest.fixture
def case() -> type[Case]:
    return Case


@pytest.fixture(scope="session")
def load_case() -> type[Case]:
    """The same for fixtures that live longer than one test."""
    return Case


# name, response, factors, block column; sources in tests/reference/<name>/SOURCE.md
DESIGNS = [
    ("rsm_chemreact", "yield", ("x1", "x2"), "block"),
    ("rsm_heli", "ave", ("x1", "x2", "x3", "x4"), "block"),
    ("rsm_mbt_saddle", "mbt", ("x1", "x2"), None),
    ("rsm_co_ridge", "y", ("x1", "x2"), None),
]


@pytest.fixture(params=DESIGNS, ids=lambda d: d[0])
def fitted(request: pytest.FixtureRequest) -> tuple[Case, second_order.SecondOrderFit]:
    """Each worked design with our full second-order fit of it."""
    name, response, factors, block = request.param
    c = Case(name)
    blocks = c.text(block) if block else None
    return c, second_order.fit(c.column(response), c.column(*factors), blocks=blocks, names=factors)


def printed(text: str) -> Any:
    """A number as printed, to be compared with ``==`` to half a unit of its last digit."""
    digits = len(text.partition(".")[2])
    return pytest.approx(float(text), rel=0.0, abs=0.5 * 10.0**-digits * (1 + 1e-9))


@pytest.fixture
def handbook() -> dict[str, Any]:
    """Worked examples of two handbooks; the source stands beside each."""
    return json.loads((REFERENCE / "handbook_rsm.json").read_text(encoding="utf-8"))


@pytest.fixture
def as_printed() -> Any:
    return printed


@pytest.fixture
def first_order():
    """Covariance of the stationary point and errors of the curvatures, by first-order propagation (JCGM 102, 6.2)."""

    def propagated(linear, quadratic, cov):
        k = len(linear)
        i, j = np.triu_indices(k, 1)

        def analysed(coefficients):
            B = np.diag(coefficients[k + len(i) :])
            B[i, j] = B[j, i] = coefficients[k : k + len(i)] / 2
            return canonical.analyse(coefficients[:k], B)

        coefficients = np.concatenate([linear, 2 * quadratic[i, j], np.diag(quadratic)])
        point = uncertainty.propagate(lambda c: analysed(c).point, coefficients, cov)
        curvatures = uncertainty.propagate(lambda c: analysed(c).eigenvalues, coefficients, cov)
        return point.covariance, curvatures.u

    return propagated
