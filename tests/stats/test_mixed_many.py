"""Many setups fitted together: the same as one by one, whatever their shapes; and intervals that keep their promise."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tastefield.errors import FitError
from tastefield.stats import mixed
from tastefield.stats.mixed import many

TERMS = 3


def setup_of(rng, shape):
    """Rows of one made-up setup: some shots by some tasters, combinations missing, some variances zero."""
    shots, tasters, missing = shape
    shot, taster = (grid.ravel() for grid in np.meshgrid(np.arange(shots), np.arange(tasters), indexing="ij"))
    x = rng.normal(size=(shots, TERMS - 1))[shot]
    sds = rng.choice([0.0, 0.3, 1.0], 2)
    y = 6 + x[:, 0] + sds[0] * rng.normal(size=shots)[shot] + sds[1] * rng.normal(size=tasters)[taster]
    kept = rng.random(shot.size) >= missing
    kept[: TERMS + 2] = True
    y = y + rng.normal(0, 0.7, shot.size)
    return y[kept], np.column_stack([np.ones(shot.size), x])[kept], {"shot": shot[kept], "taster": taster[kept]}


def stacked(setups):
    y, X = np.concatenate([s[0] for s in setups]), np.vstack([s[1] for s in setups])
    codes = {name: np.concatenate([s[2][name] for s in setups]) for name in setups[0][2]}
    return y, X, codes, np.repeat(np.arange(len(setups)), [len(s[0]) for s in setups])


SHAPES = st.tuples(st.integers(5, 12), st.integers(1, 4), st.sampled_from([0.0, 0.2, 0.5]))


@settings(max_examples=25, deadline=None)
@given(shapes=st.lists(SHAPES, min_size=1, max_size=6), seed=st.integers(0, 10_000), reml=st.booleans())
def test_setups_fitted_together_are_as_if_fitted_one_by_one(shapes, seed, reml):
    rng = np.random.default_rng(seed)
    setups = [setup_of(rng, shape) for shape in shapes]
    together = mixed.fit_many(*stacked(setups), reml=reml, effects=True)
    for i, (y, X, codes) in enumerate(setups):
        alone = mixed.fit_crossed(y, X, codes, reml=reml)
        assert together.converged[i] == alone.converged
        assert together.findings.get(i, ()) == alone.findings
        if not alone.converged:
            continue  # the likelihood has no greatest value: where a search gives up is arbitrary
        assert -2 * together.loglik[i] == pytest.approx(-2 * alone.loglik, abs=1e-6)
        np.testing.assert_allclose(together.fixed[i], alone.fixed, rtol=1e-5, atol=1e-5)
        np.testing.assert_allclose(together.fixed_cov[i], alone.fixed_cov, rtol=1e-4, atol=1e-7)
        np.testing.assert_allclose(together.variance_cov[i], alone.variance_cov, rtol=1e-3, atol=1e-5)
        for part, variance in alone.variances.items():
            assert together.variances[part][i] == pytest.approx(variance, rel=1e-4, abs=1e-9)
        contrast = np.eye(TERMS)[1]
        assert together.df(contrast)[i] == pytest.approx(alone.df(contrast), rel=1e-3)
        for name, effects in alone.effects.items():
            table = together.effects[name]
            here = table.setup == i
            present = np.unique(codes[name])
            assert table.level[here].tolist() == present.tolist()
            np.testing.assert_allclose(table.value[here], effects[present], rtol=1e-4, atol=1e-5)
            np.testing.assert_allclose(
                table.variance[here], alone.effect_variances[name][present], rtol=1e-3, atol=1e-6
            )


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10_000), scale=st.floats(1e-2, 1e2), shift=st.floats(-100, 100))
def test_row_order_renamed_tasters_and_changed_units_leave_the_fits_unchanged(seed, scale, shift):
    rng = np.random.default_rng(seed)
    y, X, codes, setup = stacked([setup_of(rng, (9, 3, 0.2)) for _ in range(5)])
    fits = mixed.fit_many(y, X, codes, setup, effects=True)
    rows, units = rng.permutation(y.size), np.array([1.0, 7.0, 0.01])
    names = rng.permutation(50) * 1000
    moved = {"taster": names[codes["taster"]][rows], "shot": (codes["shot"] + 100 * setup)[rows]}
    other = mixed.fit_many(shift + scale * y[rows], X[rows] * units, moved, setup[rows], effects=True)
    for part, variance in fits.variances.items():
        np.testing.assert_allclose(other.variances[part], scale**2 * variance, rtol=1e-4, atol=1e-8 * scale**2)
    was, now = fits.effects["taster"], other.effects["taster"]
    order = np.lexsort((names[was.level], was.setup))
    assert now.level.tolist() == names[was.level][order].tolist()
    np.testing.assert_allclose(now.value, scale * was.value[order], atol=1e-4 * scale)
    expected = scale * fits.fixed / units + [shift, 0.0, 0.0]
    np.testing.assert_allclose(other.fixed, expected, rtol=1e-5, atol=1e-4 * scale)
    assert other.converged.tolist() == fits.converged.tolist()


def test_small_chunks_change_nothing(monkeypatch):
    rng = np.random.default_rng(2)
    data = stacked([setup_of(rng, (int(rng.integers(5, 12)), 3, 0.3)) for _ in range(12)])
    whole = mixed.fit_many(*data)
    for name, size in (("CHUNK_SETUPS", 5), ("CHUNK_NUMBERS", 200)):
        monkeypatch.setattr(many, name, size)
        parts = mixed.fit_many(*data)
        np.testing.assert_allclose(parts.loglik, whole.loglik, atol=1e-8)
        np.testing.assert_allclose(parts.fixed, whole.fixed, atol=1e-6)


def test_a_setup_that_cannot_be_fitted_says_why_and_spoils_no_other():
    rng = np.random.default_rng(3)
    good = setup_of(rng, (8, 3, 0.0))
    dependent = (good[0], np.column_stack([good[1][:, :2], good[1][:, 1]]), good[2])
    exact = (np.full(good[0].size, 7.0), good[1], good[2])
    few = (good[0][:3], good[1][:3], {name: codes[:3] for name, codes in good[2].items()})
    y, X, codes, setup = stacked([good, dependent, exact, few, good])
    setup = setup + (setup == 4)  # nobody has number 4
    fits = mixed.fit_many(y, X, codes, setup)
    told = {i: [f.code for f in found] for i, found in fits.findings.items()}
    assert [i for i, found in told.items() if "not_fitted" in found] == [1, 2, 3, 4]
    reasons = [fits.findings[i][0].message for i in (1, 2, 3, 4)]
    assert "tell the fixed effects apart" in reasons[0]
    assert "reproduce every value" in reasons[1]
    assert "no more rows than the 3" in reasons[2]
    assert "no more rows than the 3" in reasons[3]
    alone = mixed.fit_crossed(*good)
    np.testing.assert_allclose(fits.loglik[[0, 5]], alone.loglik, atol=1e-8)
    for values in (fits.fixed, fits.fixed_cov, fits.loglik, *fits.variances.values(), fits.variance_cov):
        assert np.isnan(values[1:5]).all()
        assert np.isfinite(values[[0, 5]]).all()
    assert fits.converged.tolist() == [True, False, False, False, False, True]


def test_all_setups_that_cannot_be_fitted_still_make_an_answer():
    fits = mixed.fit_many([1.0, 2.0], np.ones((2, 1)), {"shot": [0, 0]}, [0, 1])
    assert np.isnan(fits.loglik).all()
    assert fits.variance_names == ("shot", "noise")
    assert sorted(fits.findings) == [0, 1]


@pytest.mark.parametrize("covariance", ["full", "diagonal"])
def test_random_slopes_and_weights_are_fitted_together_as_alone(covariance):
    rng = np.random.default_rng(11)
    setups = [setup_of(rng, (12, 6, 0.1)) for _ in range(6)]
    y, X, codes, setup = stacked(setups)
    y = y + rng.normal(size=(6, 6))[setup, codes["taster"]] * X[:, 1]
    weights = rng.uniform(0.5, 2, y.size)
    fits = mixed.fit_many(y, X, codes, setup, {"taster": X[:, 1:2]}, covariance, weights, effects=True)
    for i in range(6):
        r = setup == i
        alone = mixed.fit_crossed(
            y[r], X[r], {f: k[r] for f, k in codes.items()}, {"taster": X[r, 1:2]}, covariance, weights[r]
        )
        assert fits.converged[i]
        assert fits.loglik[i] == pytest.approx(alone.loglik, abs=1e-7)
        np.testing.assert_allclose(fits.covariances["taster"][i], alone.covariances["taster"], rtol=1e-3, atol=1e-5)
        table = fits.effects["taster"]
        np.testing.assert_allclose(table.value[table.setup == i], alone.effects["taster"], rtol=1e-3, atol=1e-4)
    assert fits.variance_names == (
        ("shot", "taster", "taster:taster[1]", "taster[1]", "noise")
        if covariance == "full"
        else ("shot", "taster", "taster[1]", "noise")
    )


def test_faults_of_the_input_are_told():
    y, X, codes, setup = stacked([setup_of(np.random.default_rng(0), (6, 2, 0.0))])
    with pytest.raises(FitError, match="missing or infinite"):
        mixed.fit_many(np.where(y == y[0], np.nan, y), X, codes, setup)
    with pytest.raises(FitError, match="levels are not codes"):
        mixed.fit_many(y, X, codes, setup - 1)
    fits = mixed.fit_many(y, X, codes, setup)
    with pytest.raises(FitError, match="another length"):
        fits.df([1.0])


def test_refits_to_made_up_responses_scatter_as_the_fit_says():
    rng = np.random.default_rng(5)
    y, X, codes = setup_of(rng, (40, 8, 0.1))
    weights = rng.uniform(0.5, 2, y.size)
    fit = mixed.fit_crossed(y, X, codes, {"taster": X[:, 1:2]}, weights=weights)
    refits = mixed.bootstrap(fit, 400, seed=1)
    assert refits.fixed.shape == (400, TERMS)
    error = np.sqrt(np.diag(fit.fixed_cov))
    # 400 refits know a mean to 1/20 of the spread and a spread to 1/28; four times that
    np.testing.assert_array_less(np.abs(refits.fixed.mean(axis=0) - fit.fixed) / error, 4 / 20)
    np.testing.assert_allclose(refits.fixed.std(axis=0) / error, 1.0, atol=4 / 28)
    noise = refits.variances["noise"]
    assert noise.mean() == pytest.approx(fit.variances["noise"], rel=0.05)
    known = np.sqrt(fit.variance_cov[-1, -1])
    assert noise.std() == pytest.approx(known, rel=4 / 28)
    again = mixed.bootstrap(fit, 400, seed=1)
    np.testing.assert_array_equal(again.fixed, refits.fixed)
    with pytest.raises(FitError, match="0 refits"):
        mixed.bootstrap(fit, 0, seed=1)


# --- intervals --------------------------------------------------------------------------------------------------------


def surface_terms(points):
    a, b = points[..., 0], points[..., 1]
    return np.stack([np.ones_like(a), a, b, a**2, b**2, a * b], axis=-1)


TRUTH = np.array([6.5, 0.3, -0.2, -0.6, -0.5, 0.2])
BEST = np.linalg.solve([[1.2, -0.2], [-0.2, 1.0]], [0.3, -0.2])  # where the true surface is flat


def fleet(shots, tasters, sd_shot, sd_taster, setups, seed):
    """Setups simulated from the model, noise sd 0.8 on a 1-9 scale."""
    rng = np.random.default_rng(seed)
    terms = surface_terms(0.8 * rng.normal(size=(setups, shots, 2)))
    of_shot = terms @ TRUTH + sd_shot * rng.normal(size=(setups, shots))
    of_taster = sd_taster * rng.normal(size=(setups, tasters))
    y = of_shot[:, :, None] + of_taster[:, None] + 0.8 * rng.normal(size=(setups, shots, tasters))
    setup, shot, taster = (grid.ravel() for grid in np.indices(y.shape))
    return y.ravel(), np.repeat(terms, tasters, axis=1).reshape(-1, 6), {"shot": shot, "taster": taster}, setup


def covered(fits, points, df):
    """Share of setups whose 90 % interval holds the true surface at their point."""
    x = np.broadcast_to(surface_terms(points), fits.fixed.shape)
    miss = np.abs(np.sum(x * (fits.fixed - TRUTH), axis=1))
    error = np.sqrt(np.einsum("sp,spq,sq->s", x, fits.fixed_cov, x))
    return float(np.mean(miss <= stats.t.ppf(0.95, df(x)) * error))


@pytest.mark.slow
@pytest.mark.parametrize(("shots", "tasters"), [(8, 2), (30, 5)])
@pytest.mark.parametrize(("sd_shot", "sd_taster"), [(0.35, 0.6), (0.0, 0.6), (0.35, 0.0)])
def test_ninety_percent_intervals_of_the_surface_at_its_best_point_cover(shots, tasters, sd_shot, sd_taster):
    fits = mixed.fit_many(*fleet(shots, tasters, sd_shot, sd_taster, 2000, seed=shots))
    assert fits.converged.mean() > 0.99
    assert (fits.variances["shot"] == 0).mean() > (0.01 if sd_shot else 0.3)

    def at_least_one(x):
        return np.maximum(fits.df(x), mixed.LEAST_DF)

    # 2000 setups know a coverage of 0.9 to 0.0067; where a variance is truly zero intervals are a little wide
    assert 0.86 <= covered(fits, BEST, at_least_one) <= (0.94 if sd_shot and sd_taster else 0.955)
    # taking the variances as known covers less, which is why df are there
    assert covered(fits, BEST, lambda x: np.full(len(x), np.inf)) < covered(fits, BEST, at_least_one)
