import json
import shutil
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from tastefield import workflow
from tastefield.errors import NotEnough
from tastefield.records import Bench, Context, Scatter, Setup, Taste
from tastefield.stages.window import window
from tastefield_plugins.fit_quadratic import Quadratic, QuadraticOptions, choose_terms, code, scored, shape_prior

ROOT = Path(__file__).resolve().parent.parent.parent
CLASSICAL = QuadraticOptions(borrow=False)


def make_setup(points, scores, tasters=None) -> Setup:
    """A setup from (n, 2) ratio and time and rows (shot, taster, score)."""
    shots = pd.DataFrame(np.asarray(points, dtype=float), columns=["ratio", "shot_time_s"])
    shots.insert(0, "shot_id", [f"s{i}" for i in range(len(shots))])
    frame = pd.DataFrame([(f"s{i}", t, v) for i, t, v in scores], columns=["shot_id", "taster", "score"])
    bench = Bench(None, Scatter(np.diag([0.0016, 0.0049]), 0.0, "prior"), None)
    names = tuple(sorted(frame["taster"].unique())) if tasters is None else tasters
    return Setup({"machine": "A"}, shots, frame, pd.DataFrame(), bench, Taste(good=6.5), names)


def panel(seed=0, shots=18, tasters=4, each=3):
    rng = np.random.default_rng(seed)
    points = np.column_stack([2 * np.exp(0.2 * rng.normal(size=shots)), 27 * np.exp(0.25 * rng.normal(size=shots))])
    x = code(points)
    truth = 7 - 1.2 * (x[:, 0] - 0.2) ** 2 - 0.8 * (x[:, 1] + 0.1) ** 2
    own, shot = 0.6 * rng.normal(size=tasters), 0.35 * rng.normal(size=shots)
    rows = [
        (i, f"t{t}", truth[i] + own[t] + shot[i] + 0.7 * rng.normal())
        for i in range(shots)
        for t in rng.permutation(tasters)[:each]
    ]
    return points, rows


def fit(setup, options=CLASSICAL, population=None):
    return Quadratic().fit(setup, population or {}, Context(options))


def test_coded_units_are_logs_about_one_to_two_in_27_seconds():
    assert code(np.array([[2.0, 27.0], [3.0, 18.0]])) == pytest.approx(np.array([[0, 0], [1, -1]]))


def test_one_taster_and_no_repeats_is_ordinary_least_squares():
    """Second route: statsmodels OLS on the same six terms."""
    points, rows = panel(shots=14, tasters=1, each=1)
    surface = fit(make_setup(points, rows))
    x = code(points)
    frame = pd.DataFrame({"y": [row[2] for row in rows], "a": x[:, 0], "b": x[:, 1]})
    ols = smf.ols("y ~ a + b + a:b + I(a**2) + I(b**2)", frame).fit()
    assert surface.mean(points) == pytest.approx(ols.fittedvalues.to_numpy(), abs=1e-8)


def test_crossed_tasters_and_shots_agree_with_the_general_mixed_model():
    """Second route: statsmodels MixedLM with crossed intercepts at its own REML variances; ours are drawn towards the
    prior, so coefficients agree closely and not exactly."""
    points, rows = panel(seed=2, shots=24)
    setup = make_setup(points, rows)
    x = code(points)
    frame = pd.DataFrame(rows, columns=["shot", "taster", "y"])
    frame["a"], frame["b"] = x[frame["shot"], 0], x[frame["shot"], 1]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the general library warns on its way to the optimum
        reference = smf.mixedlm(
            "y ~ a + b + a:b + I(a**2) + I(b**2)",
            frame,
            groups=np.ones(len(frame)),
            vc_formula={"taster": "0 + C(taster)", "shot": "0 + C(shot)"},
        ).fit(method=["powell"])
    ours = fit(setup).tables.terms.set_index("term")["estimate"]
    theirs = reference.fe_params
    for mine, name in (("ratio", "a"), ("time", "b"), ("ratio:time", "a:b"), ("ratio^2", "I(a ** 2)")):
        assert ours[mine] == pytest.approx(theirs[name], abs=0.1)


def test_few_shots_carry_fewer_terms_and_keep_the_hierarchy():
    rng = np.random.default_rng(1)
    for shots, most in ((2, 1), (5, 3), (6, 3), (8, 5), (9, 6), (20, 6)):
        points = np.column_stack([2 * np.exp(0.3 * rng.normal(size=shots)), 27 * np.exp(0.3 * rng.normal(size=shots))])
        data = scored(make_setup(points, [(i, "me", 6.0) for i in range(shots)]))
        terms = choose_terms(data, 3)
        assert len(terms) <= most
        for term in terms:
            for factor in ("ratio", "time"):
                assert not (factor in term and term != factor) or factor in terms


def test_a_ratio_that_was_never_varied_gets_no_term():
    points = np.column_stack([np.full(12, 2.0), np.linspace(18, 40, 12)])
    data = scored(make_setup(points, [(i, "me", 6.0) for i in range(12)]))
    assert choose_terms(data, 3) == ("1", "time", "time^2")


def test_each_fallback_is_a_finding():
    points, rows = panel(shots=5, tasters=1, each=1)
    assert "shape_is_borrowed" in [note.code for note in fit(make_setup(points, rows), QuadraticOptions()).findings]
    assert "fewer_terms" in [note.code for note in fit(make_setup(points, rows)).findings]
    points, rows = panel(shots=3, tasters=1, each=1)
    assert "surface_is_a_mean" in [note.code for note in fit(make_setup(points, rows)).findings]
    points, rows = panel(shots=7, tasters=1, each=1)
    assert "fewer_terms" in [note.code for note in fit(make_setup(points, rows)).findings]


def test_at_least_four_in_five_setups_of_the_panel_demo_carry_the_full_surface(tmp_path):
    text = (ROOT / "configs" / "panel.toml").read_text("utf-8").replace('model = "pooled"', 'model = "quadratic"')
    shutil.copytree(ROOT / "configs", tmp_path / "configs")
    (tmp_path / "configs" / "panel.toml").write_text(text, "utf-8")
    run = workflow.analyse(tmp_path / "configs" / "panel.toml")
    carried = [result.entry["surface"]["fit"]["terms"] == 6 for result in run.setups if result.entry["surface"]]
    assert len(carried) >= 12
    assert np.mean(carried) >= 0.8
    for result, full in zip(run.setups, carried, strict=True):
        codes = {note["code"] for note in result.entry["findings"]}
        assert full != ("shape_is_borrowed" in codes)


def test_with_many_shots_the_prior_hardly_moves_the_surface():
    points, rows = panel(seed=3, shots=300, tasters=4, each=4)
    setup = make_setup(points, rows)
    at = np.array([[2.0, 27.0], [2.2, 24.0], [1.8, 32.0]])
    assert fit(setup, QuadraticOptions()).mean(at) == pytest.approx(fit(setup).mean(at), abs=0.06)


def test_nothing_tasted_is_told_with_what_to_do():
    with pytest.raises(NotEnough, match="taste a shot"):
        fit(make_setup([[2.0, 27.0]], []))


def test_a_shot_without_a_time_is_left_out_of_the_surface_only():
    points, rows = panel(shots=10, tasters=1, each=1)
    setup = make_setup(points, rows)
    shots = setup.shots.copy()
    shots.loc[0, "shot_time_s"] = np.nan
    surface = fit(replace(setup, shots=shots))
    assert len(surface.tables.observations) == 9


def test_tasters_who_did_not_taste_here_widen_the_level():
    points, rows = panel(shots=12, tasters=2, each=2)
    here = fit(make_setup(points, rows))
    wider = fit(make_setup(points, rows, tasters=("t0", "t1", "t2", "t3", "t4")))
    at = np.array([[2.0, 27.0]])
    assert wider.sd(at)[0] > here.sd(at)[0]


def test_draws_have_the_mean_and_covariance_that_the_surface_states():
    points, rows = panel(shots=20)
    surface = fit(make_setup(points, rows), QuadraticOptions())
    at = np.array([[2.0, 27.0], [2.4, 22.0]])
    draws = surface.draws(at, 40000, 1)
    widening = surface.draw_df / (surface.draw_df - 2)  # variance of a t against its scale
    assert draws.mean(axis=0) == pytest.approx(surface.mean(at), abs=0.02)
    assert draws.std(axis=0) == pytest.approx(surface.sd(at) * np.sqrt(widening), rel=0.03)


def test_what_the_bench_shows_moves_the_prior_of_the_shape():
    """Forty setups whose ratio curvature is -1.5, beside a stated -0.4 that counts as fifteen."""
    model, context = Quadratic(), Context(QuadraticOptions())
    rng = np.random.default_rng(7)
    setups = []
    for _ in range(40):
        points = np.column_stack([2 * np.exp(0.3 * rng.normal(size=16)), 27 * np.exp(0.3 * rng.normal(size=16))])
        x = code(points)
        score = 7 - 1.5 * x[:, 0] ** 2 - 0.5 * x[:, 1] ** 2 + 0.5 * rng.normal(size=16)
        setups.append(make_setup(points, [(i, "me", score[i]) for i in range(16)]))
    population = model.learn([model.gather(setups, context)], None, context)
    mean, _ = shape_prior(population, Taste())
    assert mean[4] == pytest.approx((40 * -1.5 + 15 * -0.4) / 55, abs=0.2)
    assert mean[0] == pytest.approx((40 * 7.0 + 4 * 6.5) / 44, abs=0.2)
    assert json.loads(json.dumps(population)) == population


def test_learning_in_chunks_is_learning_at_once():
    model, context = Quadratic(), Context(QuadraticOptions())
    setups = [make_setup(*panel(seed)) for seed in range(6)]
    whole = model.learn([model.gather(setups, context)], None, context)
    parts = model.learn([model.gather(setups[:2], context), model.gather(setups[2:], context)], None, context)
    assert parts.keys() == whole.keys()
    for name in ("mean", "sd", "scale"):
        assert parts[name] == pytest.approx(whole[name], rel=1e-9)
    for part, values in whole["variances"].items():
        assert parts["variances"][part] == pytest.approx(values, rel=1e-12)


def test_the_skill_of_leaving_out_is_near_nothing_where_there_is_nothing_to_learn():
    rng = np.random.default_rng(9)
    points = np.column_stack([2 * np.exp(0.2 * rng.normal(size=40)), 27 * np.exp(0.2 * rng.normal(size=40))])
    flat = fit(make_setup(points, [(i, "me", 6 + rng.normal()) for i in range(40)]), QuadraticOptions())
    steep = fit(
        make_setup(points, [(i, "me", 8 - 6 * code(points)[i, 0] ** 2 + 0.2 * rng.normal()) for i in range(40)]),
        QuadraticOptions(),
    )
    assert flat.tables.fit["skill"][0] < 0.25
    assert steep.tables.fit["skill"][0] > 0.6


WORDS = ("outcome", "stage", "basket_kind", "grind_setting", "grinder_zero")


def test_one_lucky_taste_promises_no_window():
    """One shot tasted at 8 of 9, good 6.5: a second taste of the same shot often differs by a point and more."""
    setup = make_setup([[2.0, 27.0]], [(0, "me", 8.0)])
    numbers = {"dose_g": 18.0, "basket_g": np.nan, "beverage_g": 36.0, "dial_position": np.nan}
    shots = setup.shots.assign(**numbers, **dict.fromkeys(WORDS))
    aim = window(replace(setup, shots=shots), fit(setup, QuadraticOptions()), 0.8)
    assert aim.window is None
    assert aim.status == "tentative"
    assert aim.expected[0] < 7.7


def test_the_doubt_about_the_variances_widens_the_surface_unless_they_are_fixed():
    points, rows = panel(shots=12)
    setup, at = make_setup(points, rows), np.array([[2.0, 27.0]])
    widened, fixed, refitted = (fit(setup, QuadraticOptions(variances=how)) for how in ("widened", "fixed", "refitted"))
    assert fixed.sd(at) == pytest.approx(widened.sd(at))
    assert fixed.draw_df > 1000 > widened.draw_df
    assert refitted.sd(at)[0] > fixed.sd(at)[0]
    assert refitted.mean(at) == pytest.approx(fixed.mean(at), abs=0.2)
    assert [surface.tables.fit["variances"][0] for surface in (widened, fixed, refitted)] == [
        "widened",
        "fixed",
        "refitted",
    ]


def test_refits_are_the_same_for_the_same_seed():
    points, rows = panel(shots=6)
    one, two = (fit(make_setup(points, rows), QuadraticOptions(variances="refitted")) for _ in range(2))
    assert one.estimates.tolist() == two.estimates.tolist()
