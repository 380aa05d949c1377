"""The simulated benches by which recommendations are judged, and the judging itself."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel
from tests.benchmarks import brewing, joint, rivals, rounds, truth, verdict, world
from tests.benchmarks.bench import COARSE, FINE, Bench, in_hull
from tests.benchmarks.brewing import Beans, Flow
from tests.benchmarks.searching import pull

FOLDER = Path(brewing.__file__).parent
WORLD = ("world", "bench", "brewing", "tasting", "searching", "kinds")


@cache
def bench(kind: str = "few", seed: int = 3) -> Bench:
    return world.make(kind, seed)


@pytest.mark.parametrize("name", WORLD)
def test_the_simulated_benches_import_nothing_of_what_they_judge(name):
    """Only the standard library, numpy, pandas and each other: the truth must not be the model's."""
    tree = ast.parse((FOLDER / f"{name}.py").read_text(encoding="utf-8"))
    imported = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            imported |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            imported |= set(names) if node.module == "tests.benchmarks" else {node.module}
    own = {f"tests.benchmarks.{other}" for other in WORLD}
    plain = {"__future__", "collections.abc", "dataclasses", "functools", "pathlib", "statistics", "numpy", "pandas"}
    assert imported <= own | plain


@pytest.mark.parametrize("kind", ["few", "two_kinds"])
def test_same_kind_and_seed_write_the_same_files(kind, tmp_path):
    one, two = (world.make(kind, 5).write(tmp_path / name).parent for name in ("a", "b"))
    assert [f.name for f in sorted(one.iterdir())] == ["bench.toml", "readings.csv", "scores.csv", "shots.csv"]
    for file in one.iterdir():
        assert file.read_bytes() == (two / file.name).read_bytes()
    assert (world.make(kind, 6).write(tmp_path / "c").parent / "shots.csv").read_bytes() != (
        one / "shots.csv"
    ).read_bytes()


def test_a_coffee_left_out_leaves_no_row(tmp_path):
    made = bench()
    coffee = made.shots["coffee"].iloc[0]
    folder = made.write(tmp_path, without=coffee).parent
    shots = pd.read_csv(folder / "shots.csv")
    assert coffee not in set(shots["coffee"])
    assert set(pd.read_csv(folder / "scores.csv")["shot_id"]) <= set(shots["shot_id"])
    assert len(shots) == (made.shots["coffee"] != coffee).sum()


# physics


def test_solids_in_the_cup_are_solids_out_of_the_coffee():
    """Mass balance of percolation: TDS x weight out = extraction x dose; no more comes out than is soluble."""
    beans, flow, ratio = Beans(), Flow(), np.linspace(1.0, 4.0, 7)
    cup = brewing.brew(beans, flow, ratio, 27.0, 300.0, 6.0, 0.02)
    np.testing.assert_allclose(cup.strength * ratio * 18.0, cup.extraction * 18.0)
    assert (cup.extraction < beans.soluble).all()


def test_finer_is_slower_more_out_takes_longer_and_extracts_more():
    """Common practice, no source."""
    beans, flow, size = Beans(), Flow(), np.array([220.0, 260.0, 300.0, 340.0])
    puck = brewing.resistance(beans, 18.0, size, 15.0)
    assert (np.diff(brewing.shot_time(flow, 18.0, 2.0, puck)) < 0).all()
    ratio = np.array([1.2, 1.8, 2.4, 3.0])
    time = brewing.shot_time(flow, 18.0, ratio, puck[2])
    assert (np.diff(time) > 0).all()
    cup = brewing.brew(beans, flow, ratio, time, size[2], puck[2], 0.0)
    assert (np.diff(cup.extraction) > 0).all()
    assert (np.diff(cup.strength) < 0).all()


def test_ratio_and_time_fix_the_grind():
    beans, flow, size = Beans(), Flow(ramp_s=4.0), np.array([200.0, 300.0, 450.0])
    time = brewing.shot_time(flow, 17.0, 2.2, brewing.resistance(beans, 17.0, size, 9.0))
    found = brewing.size_of(beans, 17.0, brewing.puck_for(flow, 17.0, 2.2, time), 9.0)
    np.testing.assert_allclose(found, size)


# truth


def test_nothing_tasted_is_better_than_the_best():
    made = bench()
    for key in made.setups:
        ratio, time, value = made.best(key)
        tasted = made.tasted(key)
        tasted = tasted[made.reachable(key, tasted["ratio"], tasted["shot_time_s"])]
        assert (made.value(key, tasted["ratio"], tasted["shot_time_s"]) <= value).all()
        assert made.value(key, ratio, time)[0] == pytest.approx(value)
        assert made.allows(key, np.array([ratio, time]))
        assert made.value(key, *made.own_support(key).T).max() <= value + 0.02


def test_chances_are_chances_and_grow_as_good_gets_easier():
    made = bench()
    points = made.grid[::40]
    for key in made.setups:
        chance = made.chance(key, *points.T)
        assert ((chance >= 0) & (chance <= 1)).all()
        share = np.mean(made.shots_at(key, *points.T, FINE) >= 5.0, axis=1)
        assert (share >= chance).all()


def test_a_shot_without_scatter_is_worth_what_is_liked_there():
    """The two ways to the truth agree where there is nothing between them."""
    made = bench()
    key = next(iter(made.setups))
    still = COARSE * [0.0, 0.0, 1.0, 1.0]
    at = np.array([1.6, 2.0, 2.5]), np.array([22.0, 27.0, 35.0])
    np.testing.assert_allclose(made.shots_at(key, *at, still).mean(axis=1), made.liking(key, *at), rtol=1e-9)


def test_the_scatter_told_is_that_of_the_shots_pulled():
    """Repeated without a turn of the dial, shots spread as the truth says: ratio about 4 %, time about 7 %."""
    made, logs = bench("plain", 3), []
    for key in made.setups:
        sd = np.sqrt(np.diag(made.scatter(key)))
        own = made.shots[(made.shots["machine"] == key[0]) & (made.shots["coffee"] == key[2])]
        meant = own["target_beverage_g"] / made.setups[key].dose_g
        logs.append(np.log(own["ratio"] / meant) / sd[0])
        assert 0.02 < sd[0] < 0.08
        assert 0.03 < sd[1] < 0.15
    assert np.concatenate(logs).std() == pytest.approx(1.0, abs=0.15)


def test_the_truth_draws_channels_as_shots_do():
    made, rng = bench(), np.random.default_rng(4)
    setup = next(iter(made.setups.values()))
    flow, mark = setup.machine.flow, setup.dial.nearest(300.0)
    shots = [pull(setup.coffee.beans, flow, setup.dial, mark, 18.0, 2.0, 15.0, rng) for _ in range(4000)]
    drawn = np.array([shot.channel for shot in shots]) / flow.channel
    quantiles = np.linspace(0.05, 0.95, 10)
    np.testing.assert_allclose(np.quantile(FINE[:, 3], quantiles), np.quantile(drawn, quantiles), rtol=0.06)
    rest = [shot.rest for shot in shots]
    np.testing.assert_allclose(np.quantile(FINE[:, 2], quantiles), np.quantile(rest, quantiles), atol=0.1)


def test_the_dial_bounds_what_can_be_aimed_at():
    made = bench()
    for key, setup in made.setups.items():
        ends = np.array([setup.dial.finest_um / 1.02, setup.dial.finest_um * 1.02, setup.dial.coarsest_um * 1.02])
        puck = brewing.resistance(setup.coffee.beans, setup.dose_g, ends, setup.age_days)
        time = brewing.shot_time(setup.machine.flow, setup.dose_g, 2.0, puck)
        assert made.reachable(key, np.full(3, 2.0), time).tolist() == [False, True, False]


def test_points_of_a_hull_are_told_from_those_outside():
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0], [0.5, 0.5]])
    asked = np.array([[0.5, 0.9], [1.1, 0.5], [0.0, 0.0], [-0.1, 0.5]])
    assert in_hull(asked, square).tolist() == [True, False, True, False]


# kinds


def test_what_is_unusual_about_a_kind_is_so():
    thin, alone, poured = bench("thin", 3), bench("one_taster_a_shot", 3), bench("poured_away", 3)
    counts = thin.shots.groupby(["machine", "coffee"]).size()
    assert len(counts) >= 30
    assert counts.between(3, 6).all()
    assert {len(thin.tasted(key)) for key in thin.setups} <= {1, 2, 3}
    assert (alone.scores.groupby("shot_id")["taster"].nunique() == 1).all()
    assert bench("no_readings", 3).readings.empty
    left = poured.shots[~poured.shots["shot_id"].isin(poured.scores["shot_id"])]
    served = poured.shots[poured.shots["shot_id"].isin(poured.scores["shot_id"])]

    def liked(shots: pd.DataFrame) -> float:
        keys = zip(shots["machine"], shots["grinder"], shots["coffee"], strict=True)
        each = zip(keys, shots["ratio"], shots["shot_time_s"], strict=True)
        return float(np.mean([poured.liking(key, ratio, time)[0] for key, ratio, time in each]))

    assert liked(served) > liked(left) + 1.0


@pytest.mark.parametrize("kind", ["flat", "sure"])
def test_flat_is_never_good_and_sure_is(kind):
    made = bench(kind, 3)
    chances = np.array([made.chance(key, *made.best(key)[:2])[0] for key in list(made.setups)[::3]])
    if kind == "flat":
        assert np.mean(chances > 0.5) <= 0.1
    else:
        assert np.mean(chances >= 0.9) >= 0.8
        assert made.shots.groupby(["machine", "coffee"]).size().min() >= 12


def test_two_kinds_have_two_good_regions_and_a_bad_middle():
    made = bench("two_kinds", 3)
    best = {key: made.best(key)[:2] for key in list(made.setups)[::2]}
    light = np.array([at for key, at in best.items() if made.setups[key].coffee.roast == "light"])
    dark = np.array([at for key, at in best.items() if made.setups[key].coffee.roast == "dark"])
    assert np.median(light[:, 1]) < 20 < 24 < np.median(dark[:, 1])
    middle = np.exp((np.log(np.median(light, axis=0)) + np.log(np.median(dark, axis=0))) / 2)
    lost = [made.best(key)[2] - made.value(key, *middle)[0] for key in best]
    assert np.mean(lost) > 0.5


# rivals


def test_the_joint_process_on_one_setup_is_the_process_of_a_general_library(monkeypatch):
    """One setup, one score a shot and a session: all parts add up to one smooth kernel, a constant and noise."""
    monkeypatch.setattr(joint, "FALL_SD", np.array([1.5, 0.0, 0.0]))
    rng = np.random.default_rng(1)
    points, asked = np.exp(rng.normal([0.7, 3.3], 0.2, (12, 2))), np.array([[2.0, 27.0], [1.7, 24.0]])
    rows = pd.DataFrame({"ratio": points[:, 0], "shot_time_s": points[:, 1], "score": rng.normal(6.5, 1.0, 12)})
    rows = rows.assign(coffee="c", machine="m", setup="m|c", taster="t", taster_coffee="t|c")
    rows = rows.assign(**dict.fromkeys(("taster_session", "shot", "noise"), np.arange(12)))
    sd = {name: 0.3 + 0.05 * number for number, name in enumerate(joint.NAMES)}
    process = joint.Likelihood(rows).at(np.log(list(sd.values())))
    smooth = ConstantKernel(sum(sd[name] ** 2 for name in joint.SMOOTH))
    constant = 1.5**2 + sum(sd[f"level {name}"] ** 2 for name in joint.LEVELS[:5])
    noise = sum(sd[f"level {name}"] ** 2 for name in joint.LEVELS[5:])
    bell = RBF([sd["length ratio"], sd["length time"]])
    kernel = smooth * bell + ConstantKernel(constant) + WhiteKernel(noise)
    usual = [joint._fall(joint.coded(at)) @ joint.FALL_MEAN for at in (points, asked)]
    library = GaussianProcessRegressor(kernel, optimizer=None).fit(joint.coded(points), rows["score"] - usual[0])
    mean, deviation = library.predict(joint.coded(asked), return_std=True)
    np.testing.assert_allclose(process.mean("m", "c", asked, scatter=np.zeros(2)), mean + usual[1], atol=1e-6)
    np.testing.assert_allclose(process.variance("m", "c", asked) + noise, deviation**2, rtol=1e-6)


def test_the_slope_of_the_joint_likelihood_is_that_of_finite_differences():
    likelihood = joint.Likelihood(joint.rows_of(bench()))
    at = np.log(np.linspace(0.3, 1.1, len(joint.NAMES)))
    slope = likelihood.loss(at)[1]
    for number in range(len(at)):
        step = np.eye(len(at))[number] * 1e-5
        numeric = (likelihood.loss(at + step)[0] - likelihood.loss(at - step)[0]) / 2e-5
        assert slope[number] == pytest.approx(numeric, rel=1e-4, abs=1e-4)


def test_the_quadratic_of_one_setup_finds_a_quadratic():
    rng = np.random.default_rng(2)
    points = np.exp(rng.normal([0.7, 3.3], 0.2, (12, 2)))

    def made(at):
        a, b = joint.coded(at).T
        return 7.0 - (a - 0.3) ** 2 - 0.5 * (b + 0.2) ** 2 + 0.2 * a * b

    asked = np.array([[2.2, 25.0], [1.5, 35.0]])
    np.testing.assert_allclose(rivals.quadratic(points, made(points), asked), made(asked))


# verdicts


def test_the_error_over_benches_is_that_of_their_means_where_benches_are_of_one_size():
    rng = np.random.default_rng(3)
    values, number = pd.Series(rng.normal(size=60)), pd.Series(np.repeat(np.arange(6), 10))
    mean, error = verdict.over_benches(values, number)
    means = values.groupby(number).mean()
    assert mean == pytest.approx(means.mean())
    assert error == pytest.approx(means.std(ddof=1) / np.sqrt(6))


def test_the_tables_show_a_claim_that_is_too_high():
    true = np.tile([0.1, 0.5, 0.7, 0.9], 25)
    rows = pd.DataFrame({"world": "w", "bench": np.arange(100) // 10, "true": true, "claimed": true})
    rows = rows.assign(lower=5.0, upper=7.0, liking=np.where(np.arange(100) < 90, 6.0, 8.0))
    fair = verdict.calibration(rows, "ours", "")
    assert "intervals cover 90.0" in fair
    assert "Brier 0.1600, best constant 0.2475 (35 % better), the truth itself 0.1600" in fair
    bold = verdict.calibration(rows.assign(claimed=np.minimum(true + 0.1, 1.0)), "ours", "")
    assert "Brier 0.1700" in bold
    last = next(line for line in bold.splitlines() if line.startswith("  all"))
    assert last.split()[1:5] == ["100", "0.650", "0.550", "0.100"]


def test_an_aim_outside_the_support_is_judged_at_its_nearest_point():
    made = bench()
    key = next(iter(made.setups))
    far, best = np.array([6.0, 150.0]), np.array(made.best(key)[:2])
    held = truth._inside(made, key, far)
    assert not made.allows(key, far)
    assert (made.support(key) == held).all(axis=1).any()
    assert (truth._inside(made, key, best) == best).all()


def test_the_command_is_run_on_a_bench_and_judged():
    rows = truth.judged("few", 2, "quadratic", handover=1)
    own = rows[~rows["handover"].astype(bool)]
    assert len(own) == len(bench("few", 2).setups)
    methods = [method for method in verdict.METHODS if f"loss {method}" in rows]
    assert methods == list(verdict.METHODS)
    losses = own[[f"loss {method}" for method in methods]].to_numpy(dtype=float)
    assert np.isfinite(losses).all()
    assert (losses >= -0.01).all()
    told = verdict.told(rows)
    assert "chances, ours" in told
    assert "% of" in told


def test_keys_of_the_model_reach_the_command():
    """``borrow`` is a key of the quadratic; one it does not know is refused, and what was said is told."""
    assert truth.run(bench("single", 2), "quadratic:borrow=false")["setups"]
    with pytest.raises(RuntimeError, match="brorow"):
        truth.run(bench("single", 2), "quadratic:brorow=false")


def test_a_bench_before_its_last_shots_goes_on_with_those_that_are_asked_for():
    whole = world.make("rounds", 3)
    before = rounds.without_last(whole, 3)
    key = next(iter(whole.setups))
    assert len(before.shots) == len(whole.shots) - 3 * len(whole.setups)
    assert set(before.scores["shot_id"]) <= set(before.shots["shot_id"])
    mark = float(before.shots["grind_setting"].iloc[0])
    after = world.more(before, {key: [(mark, 2.0), (mark, 2.4)]}, seed=1)
    fresh = after.shots.iloc[len(before.shots) :]
    assert fresh["machine"].tolist() == [key[0]] * 2
    assert fresh["ratio"].to_numpy() == pytest.approx([2.0, 2.4], rel=0.2)
    assert set(fresh["shot_id"]) <= set(after.scores["shot_id"])
    assert after.shots["shot_id"].is_unique
