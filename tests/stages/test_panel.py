import numpy as np
import pandas as pd
import pytest

from tastefield.stages.panel import panel


def scores(rows):
    return pd.DataFrame(rows, columns=["shot_id", "taster", "score"])


def test_level_is_the_mean_difference_from_the_others_on_shared_shots():
    table = scores([("1", "a", 7), ("1", "b", 5), ("2", "a", 8), ("2", "b", 6), ("3", "a", 1)])
    by_name = {entry["taster"]: entry for entry in panel(table)}
    assert by_name["a"]["level"] == pytest.approx(2.0)
    assert by_name["b"]["level"] == pytest.approx(-2.0)
    assert by_name["a"]["shots"] == 3


def test_agreement_is_the_correlation_that_numpy_finds():
    rng = np.random.default_rng(3)
    true = rng.normal(size=12)
    table = scores([(str(i), name, true[i] + 0.3 * rng.normal()) for i in range(12) for name in ("a", "b", "c")])
    wide = table.pivot(index="shot_id", columns="taster", values="score")
    expected = np.corrcoef(wide["a"], wide[["b", "c"]].mean(axis=1))[0, 1]
    assert panel(table)[0]["agreement"] == pytest.approx(expected)


def test_repeatability_is_the_pooled_spread_of_scores_of_one_shot():
    table = scores([("1", "a", 5), ("1", "a", 7), ("2", "a", 4), ("2", "a", 4)])
    assert panel(table)[0]["repeatability"] == pytest.approx(1.0)


def test_a_lone_taster_has_no_level_and_no_agreement():
    entry = panel(scores([("1", "a", 5), ("2", "a", 7)]))[0]
    assert entry["level"] is None
    assert entry["agreement"] is None
    assert entry["repeatability"] is None


def test_nobody_tasted_gives_no_entries():
    assert panel(scores([])) == []
