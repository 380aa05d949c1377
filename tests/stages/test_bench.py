import numpy as np
import pandas as pd
import pytest

from tastefield.config import SetupsConfig
from tastefield.records import Records, Taste
from tastefield.stages.bench import bench
from tastefield.stages.derive import derive


@pytest.fixture
def benched(make_table):
    def build(shots, readings=()):
        base = {"machine": "A", "coffee": "house", "clock": "pump", "dose_g": 18.0}
        rows = [{"shot_id": f"s{i}", **base, **shot} for i, shot in enumerate(shots)]
        tables = {
            "shots": make_table("shots", rows),
            "readings": make_table("readings", list(readings)),
            "scores": make_table("scores", []),
        }
        records = Records(tables, pd.DataFrame(), (), Taste())
        return bench(derive(records, SetupsConfig()), Taste())

    return build


def on_line(positions, slope=-0.1, noise=0.0, seed=0):
    rng = np.random.default_rng(seed)
    times = np.exp(np.log(27.0) + slope * (np.asarray(positions) - 8) + noise * rng.normal(size=len(positions)))
    return [
        {"grind_setting": str(x), "shot_time_s": t, "beverage_g": 36} for x, t in zip(positions, times, strict=True)
    ]


def test_log_time_on_the_dial_is_the_least_squares_line(benched):
    """Second route: numpy's polyfit."""
    shots = on_line([6, 7, 8, 9, 10, 8], noise=0.05)
    line = benched(shots)[0].bench.dial
    slope, intercept = np.polyfit([6, 7, 8, 9, 10, 8], np.log([shot["shot_time_s"] for shot in shots]), 1)
    assert line.slope == pytest.approx(slope)
    assert line.intercept == pytest.approx(intercept)


def test_two_settings_give_a_line_whose_doubt_is_borrowed(benched):
    line = benched(on_line([7, 9]))[0].bench.dial
    assert line.slope == pytest.approx(-0.1)
    assert line.residual_var == pytest.approx(0.08**2)
    assert line.df > 0


def test_one_setting_gives_no_line(benched):
    assert benched(on_line([8, 8, 8]))[0].bench.dial is None


def test_letters_give_no_line(benched):
    shots = [{**shot, "grind_setting": letter} for shot, letter in zip(on_line([7, 9]), "EF", strict=True)]
    assert benched(shots)[0].bench.dial is None


def test_a_choke_is_a_bound_and_not_a_point_of_the_line(benched):
    shots = [*on_line([7, 9]), {"grind_setting": "5", "outcome": "choked", "shot_time_s": 90, "beverage_g": 4}]
    setup = benched(shots)[0]
    assert setup.bench.dial.slope == pytest.approx(-0.1)
    assert [finding.code for finding in setup.bench.findings] == ["choked_shots"]


def test_scatter_is_read_from_repeats_of_one_setting(benched):
    """With many repeats the prior hardly counts: the sample covariance of log ratio and log time (numpy)."""
    rng = np.random.default_rng(2)
    logs = rng.multivariate_normal([0, 0], [[0.0009, 0.0005], [0.0005, 0.0036]], size=200)
    shots = [
        {"grind_setting": "8", "beverage_g": 36 * np.exp(a), "shot_time_s": 27 * np.exp(b)}
        for a, b in np.clip(logs, -0.1, 0.2)
    ]
    found = benched(shots)[0].bench.scatter
    assert found.source == "repeats"
    assert found.cov == pytest.approx(np.cov(np.clip(logs, -0.1, 0.2).T), rel=0.15, abs=1e-5)


def test_shots_of_one_setting_meant_to_differ_are_no_scatter(benched):
    shots = [{"grind_setting": "8", "beverage_g": out, "shot_time_s": 27} for out in (30, 30.1, 45, 45.1)]
    found = benched(shots)[0].bench.scatter
    assert found.df == 2
    assert np.sqrt(found.cov[0, 0]) < 0.04


def test_without_repeats_scatter_is_read_about_written_targets(benched):
    shots = [
        {"beverage_g": out, "shot_time_s": t, "target_beverage_g": 36, "target_time_s": 27}
        for out, t in ((36, 29), (37, 25), (35, 27), (38, 28))
    ]
    found = benched(shots)[0].bench.scatter
    assert (found.source, found.df) == ("targets", 4)


def test_without_repeats_or_targets_scatter_is_the_stated_prior(benched):
    found = benched([{"beverage_g": 36, "shot_time_s": 27}])[0].bench.scatter
    assert found.source == "prior"
    assert np.sqrt(np.diag(found.cov)) == pytest.approx([0.04, 0.07])


def test_extraction_given_ratio_and_time_recovers_the_slopes_it_was_made_with(benched):
    rng = np.random.default_rng(4)
    shots, readings = [], []
    for i in range(60):
        ratio, time = rng.uniform(1.5, 2.6), rng.uniform(18, 40)
        level = (0.0, 0.05, -0.05)[i % 3]
        extraction = 19 * np.exp(level + 0.3 * np.log(ratio / 2) + 0.2 * np.log(time / 27) + 0.01 * rng.normal())
        shots.append({"beverage_g": 18 * ratio, "shot_time_s": time, "coffee": "abc"[i % 3]})
        readings.append({"shot_id": f"s{i}", "reading_no": 1, "tds_pct": extraction / ratio})
    lines = [setup.bench.extraction for setup in benched(shots, readings)]
    for line, level in zip(lines, (0.0, 0.05, -0.05), strict=True):
        assert line.coefficients == pytest.approx([np.log(19) + level, 0.3, 0.2], abs=0.03)
        assert line.readings == 20


def test_a_handful_of_readings_gives_no_extraction(benched):
    shots = [{"beverage_g": 36 + i, "shot_time_s": 27 + i} for i in range(5)]
    readings = [{"shot_id": f"s{i}", "reading_no": 1, "tds_pct": 9.5} for i in range(5)]
    assert benched(shots, readings)[0].bench.extraction is None
