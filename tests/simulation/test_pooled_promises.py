"""On simulated benches whose truth is unlike the model, recipes are better than the best shot and promises are kept."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tests.benchmarks import rivals, world
from tests.sparing import without_handover

from tastefield.workflow import analyse


@pytest.fixture(scope="module")
def judged(tmp_path_factory):
    """Kind and seed of a bench -> one row a setup: what was recommended and claimed, and what is true."""

    def judge(kind, seed):
        bench = world.make(kind, seed)
        best_shot = rivals.aims(bench, cheap=True)[0]["best shot"]
        with without_handover():
            found = analyse(bench.write(tmp_path_factory.mktemp(kind)))
        rows = []
        for entry in (result.entry for result in found.setups):
            key, aim = tuple(entry["key"][name] for name in ("machine", "grinder", "coffee")), entry["aim"]
            best = bench.best(key)[2]
            row = {"best shot": best - float(bench.value(key, *best_shot[key])[0]), "status": entry["status"]}
            if aim is not None:
                at = (aim["ratio"], aim["shot_time_s"])
                told, liking = entry["expected_score"], float(bench.liking(key, *at)[0])
                row |= {
                    "loss": best - float(bench.value(key, *at)[0]),
                    "claimed": entry["assurance"],
                    "true": float(bench.chance(key, *at)[0]),
                    "covered": told["lower"] <= liking <= told["upper"],
                }
            rows.append(row)
        return pd.DataFrame(rows)

    return judge


@pytest.mark.slow
def test_recipes_lose_less_than_the_best_shot_and_chances_are_kept(judged):
    """Where tasters disagree by coffee. About twice what was measured over many benches is asked of one.

    Chances err low there (0.06 on average, up to 0.24 on one bench): promising too much is held to less.
    """
    told = judged("taster_by_coffee", 40)
    assert told["loss"].notna().mean() >= 0.9
    assert told["loss"].mean() <= 0.6 * told["best shot"].mean()
    assert -0.2 <= told["claimed"].mean() - told["true"].mean() <= 0.1
    assert told["covered"].mean() >= 0.8
    brier = (told["true"] * (1 - told["true"]) + (told["claimed"] - told["true"]) ** 2).mean()
    constant = told["true"].mean() * (1 - told["true"].mean())
    assert brier < 0.95 * constant


@pytest.mark.slow
def test_no_window_is_promised_where_nothing_is_good(judged):
    told = judged("flat", 42)
    assert told["status"].isin(["window", "confirmed"]).mean() <= 0.05
    assert np.mean(told["claimed"] - told["true"]) <= 0.15
