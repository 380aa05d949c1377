"""The sucrose scale against the case in tests/reference/refractive_index_sucrose, whose source stands beside it."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tastefield.stats import sucrose

CASE = Path(__file__).parents[1] / "reference" / "refractive_index_sucrose"
EXPECTED = json.loads((CASE / "expected.json").read_text("utf-8"))
TOLERANCE = EXPECTED["tolerance"]


def test_the_tables_are_those_of_the_source():
    data = pd.read_csv(CASE / "data.csv")
    assert sucrose.PERCENT.tolist() == data["mass_percent"].tolist()
    assert pytest.approx(data["n_20C_589nm"].to_numpy(), abs=1e-12) == sucrose.INDEX
    correction = pd.read_csv(CASE / "temperature_correction.csv", index_col=0)
    assert correction.index.tolist() == sucrose.TEMPERATURE_C.tolist()
    assert [float(name.removeprefix("at_")) for name in correction] == sucrose.CORRECTED_AT.tolist()
    assert pytest.approx(correction.to_numpy(), abs=1e-12) == sucrose.CORRECTION


def test_index_and_percent_are_found_between_the_entries():
    at = EXPECTED["expected"]["index_at"]
    found = sucrose.index_of(at["mass_percent"])
    assert found == pytest.approx(at["linear_interpolation"], abs=TOLERANCE["index_absolute"])
    back = EXPECTED["expected"]["mass_percent_at"]
    found = sucrose.percent_of(back["index"])
    assert found == pytest.approx(back["linear_interpolation"], abs=TOLERANCE["mass_percent_absolute"])


def test_the_cubic_of_the_source_is_a_second_route_to_both():
    cubic = EXPECTED["expected"]["cubic_fit_up_to_30"]
    percent = np.linspace(0.5, 30, 60)
    index = np.polynomial.polynomial.polyval(percent, cubic["index_from_mass_percent"])
    assert sucrose.index_of(percent) == pytest.approx(index, abs=TOLERANCE["index_absolute"])
    inverse = np.polynomial.polynomial.polyval(index - 1.333, cubic["mass_percent_from_index_minus_1.333"])
    assert sucrose.percent_of(index) == pytest.approx(inverse, abs=TOLERANCE["mass_percent_absolute"])


@pytest.mark.parametrize("printed", EXPECTED["published"], ids=lambda one: one["quantity"][:36])
def test_the_international_table_of_1974_as_remembered_agrees(printed):
    percent = float(printed["quantity"].split(" at ")[1].split()[0])
    assert sucrose.index_of(percent) == pytest.approx(printed["printed"], abs=TOLERANCE["index_absolute"])


def test_the_correction_is_that_of_the_table_and_straight_between():
    assert sucrose.temperature_correction([10, 12.5, 20], [25, 30, 16]) == pytest.approx(
        [0.32, (0.67 + 0.70) / 2, (-0.31 - 0.20) / 2], abs=TOLERANCE["temperature_correction_absolute"] / 10
    )
    assert sucrose.temperature_correction(3.0, 25.0) == sucrose.temperature_correction(5.0, 25.0)


def test_outside_the_tables_nothing_is_made_up():
    assert np.isnan(sucrose.percent_of([1.3329, 1.43])).all()
    assert np.isnan(sucrose.index_of([-1, 51])).all()
    assert np.isnan(sucrose.temperature_correction(10.0, [14.9, 30.1, np.nan])).all()


def test_at_20_degrees_nothing_is_corrected():
    assert (sucrose.temperature_correction(np.linspace(0, 75, 40), 20.0) == 0).all()
