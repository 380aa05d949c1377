"""Crossed mixed models against reference fits, a dense evaluation of the likelihood and a general library."""

import itertools
import pickle
import warnings

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from tastefield.errors import FitError
from tastefield.stats import canonical, mixed, second_order
from tastefield.stats.mixed import search

TERMS = ("1", "x1", "x2", "x1^2", "x2^2", "x1:x2")  # the order of the fixed effects in the reference surfaces


def constant(c):
    return np.ones((len(c.rows), 1))


def surface(*columns):
    return lambda c: second_order.model_matrix(c.column(*columns), TERMS)


# name, response, fixed effects, factors; sources in tests/reference/<name>/SOURCE.md
CASES = [
    ("mixed_penicillin", "diameter", constant, ("plate", "sample")),
    ("mixed_sim_surface", "score", surface("x1", "x2"), ("shot", "taster")),
    ("mixed_carrots_surface", "preference", surface("sens1", "sens2"), ("consumer", "product")),
]


@pytest.fixture(params=CASES, ids=lambda row: row[0], scope="module")
def reference(request, load_case):
    name, response, X, factors = request.param
    c = load_case(name)
    codes = {f: c.codes(f) for f in factors}
    fits = {reml: mixed.fit_crossed(c.column(response), X(c), codes, reml=reml) for reml in (True, False)}
    return c, c.column(response), X(c), codes, fits


def dense_deviance(theta, y, X, Zs, reml):
    """-2 log-likelihood written down from the normal density, with no shortcut of ours."""
    V = theta[-1] * np.eye(len(y)) + sum(t * Z @ Z.T for t, Z in zip(theta, Zs, strict=False))
    inverse = np.linalg.inv(V)
    information = X.T @ inverse @ X
    r = y - X @ np.linalg.solve(information, X.T @ inverse @ y)
    value = np.linalg.slogdet(V)[1] + r @ inverse @ r + len(y) * np.log(2 * np.pi)
    return value + (np.linalg.slogdet(information)[1] - X.shape[1] * np.log(2 * np.pi) if reml else 0.0)


def made_up(seed, n=40, tasters=5, shots=10):
    rng = np.random.default_rng(seed)
    drawn = {"taster": rng.integers(0, tasters, n), "shot": rng.integers(0, shots, n)}
    codes = {f: np.unique(k, return_inverse=True)[1] for f, k in drawn.items()}  # every level has rows
    X = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    sds = rng.choice([0.0, 0.4, 1.0], 2)
    y = 6 + X[:, 1] + sum(s * rng.normal(size=50)[c] for s, c in zip(sds, codes.values(), strict=True))
    return y + rng.normal(0, 0.7, n), X, codes


def test_likelihood_fixed_effects_and_variances_are_those_of_the_reference(reference):
    c, _, _, codes, fits = reference
    for reml, key in ((True, "reml"), (False, "ml")):
        e, fit = c.expected[key], fits[reml]
        assert fit.loglik == c.near(e["loglik"], absolute="loglik_absolute")
        assert -2 * fit.loglik == c.near(e["minus2_loglik"], absolute="loglik_absolute")
        assert fit.fixed == c.near(e["fixed"], relative="fixed_relative")
        assert [fit.variances[f] for f in codes] == c.near(
            [e["variances"][f] for f in codes], relative="variances_relative"
        )
        assert fit.variances["noise"] == c.near(e["variances"]["residual"], relative="variances_relative")
        assert fit.converged
        assert fit.findings == ()
    e, fit = c.expected["reml"], fits[True]
    assert np.sqrt(np.diag(fit.fixed_cov)) == c.near(e["std_error"], relative="std_error_relative")
    errors = np.sqrt(np.diag(fit.fixed_cov))
    scaled = np.array(e["vcov_fixed"]) / np.outer(errors, errors)
    assert fit.fixed_cov / np.outer(errors, errors) == pytest.approx(scaled, abs=c.tolerance["std_error_relative"])
    parameters = fit.fixed.size + len(codes) + 1
    ml = fits[False]
    assert 2 * parameters - 2 * ml.loglik == c.near(c.expected["ml"]["aic"], absolute="loglik_absolute")
    bic = np.log(ml.n) * parameters - 2 * ml.loglik
    assert bic == c.near(c.expected["ml"]["bic"], absolute="loglik_absolute")


def test_effects_and_their_conditional_errors_are_those_of_the_reference(reference):
    c, _, _, codes, fits = reference
    for factor in codes:
        e = c.expected["blups"][factor]
        assert e["level"] == sorted(set(c.text(factor)))
        assert fits[True].effects[factor] == c.near(e["value"], absolute="blups_absolute")
        found = np.sqrt(fits[True].effect_variances[factor])
        assert found == c.near(e["conditional_sd"], absolute="blups_absolute")


def test_satterthwaite_degrees_of_freedom_are_those_of_the_reference(reference):
    c, _, _, _, fits = reference
    fit = fits[True]
    for contrast, row in zip(np.eye(fit.fixed.size), c.expected["satterthwaite"].values(), strict=True):
        df = fit.df(contrast)
        assert df == c.near(row["df"], relative="satterthwaite_df_relative")
        t = contrast @ fit.fixed / np.sqrt(contrast @ fit.fixed_cov @ contrast)
        assert t == c.near(row["t"], relative="std_error_relative")
    tests = list(c.expected.get("type3_F_satterthwaite", {}).values())
    for contrast, row in zip(np.eye(fit.fixed.size)[1:], tests, strict=True):
        assert fit.df(contrast) == c.near(row["den_df"], relative="satterthwaite_df_relative")
        F = (contrast @ fit.fixed) ** 2 / (contrast @ fit.fixed_cov @ contrast)
        assert pytest.approx(row["F"], rel=2 * c.tolerance["std_error_relative"]) == F


@pytest.mark.parametrize("reference", CASES[:2], ids=lambda row: row[0], indirect=True)
def test_profile_limits_are_those_of_the_reference(reference):
    c, _, _, codes, fits = reference
    e = dict(c.expected["profile_ci95_ml"])
    profile = fits[True].profile(0.95)
    for factor in codes:
        assert profile.sds[factor] == c.near(e.pop(f"sd_(Intercept)|{factor}"), absolute="profile_ci_absolute")
    assert profile.sds["noise"] == c.near(e.pop("sigma"), absolute="profile_ci_absolute")
    assert profile.fixed == c.near(list(e.values()), absolute="profile_ci_absolute")


def test_dropping_a_factor_costs_the_likelihood_of_the_reference(reference):
    c, y, X, codes, fits = reference
    for factor in codes:
        rest = {f: k for f, k in codes.items() if f != factor}
        fit = mixed.fit_crossed(y, X, rest)
        e = c.expected["random_effect_lrt_reml"][f"(1 | {factor})"]
        # a difference of two deviances, each good to twice the tolerance of a log-likelihood
        assert 2 * (fits[True].loglik - fit.loglik) == pytest.approx(e["chisq"], abs=4 * c.tolerance["loglik_absolute"])


@pytest.mark.parametrize("reference", CASES[1:], ids=lambda row: row[0], indirect=True)
def test_the_surface_taken_out_of_the_fit_is_that_of_the_reference(reference, first_order):
    c, y, X, codes, fits = reference
    e, fit = c.expected["surface"], fits[True]
    form = second_order.quadratic_form(TERMS, fit.fixed, fit.fixed_cov, ("x1", "x2"))
    shape = canonical.analyse(form.linear, form.quadratic)
    cov, _ = first_order(form.linear, form.quadratic, form.covariance[1:, 1:])
    near = {"relative": "fixed_relative", "absolute": "fixed_relative"}
    assert shape.point == c.near(e["stationary"], **near)
    assert shape.nature == e["nature"]
    assert shape.eigenvalues == c.near(e["eigenvalues"], **near)
    assert shape.eigenvectors == c.near(e["eigenvectors_columns"], **near)
    assert form.intercept + shape.value_shift == c.near(e["value_at_stationary"], **near)
    assert np.sqrt(np.diag(cov)) == c.near(e["stationary_se_delta"], relative="std_error_relative")
    assert cov == pytest.approx(np.array(e["stationary_cov_delta"]), rel=2 * c.tolerance["std_error_relative"])
    p = fit.predict(second_order.model_matrix(e["grid"], TERMS))
    assert p.mean == c.near(e["fit_population"], relative="fixed_relative")
    assert np.sqrt(np.diag(p.cov)) == c.near(e["se_fit_population"], relative="std_error_relative")
    F = canonical.stationary_statistic(form.linear, form.quadratic, form.covariance[1:, 1:], e["grid"])
    assert pytest.approx(np.array(e["box_hunter_F_normal"]), rel=2 * c.tolerance["std_error_relative"]) == F
    assert canonical.stationary_limit(2, np.inf) == pytest.approx(e["box_hunter_limit_chisq95_over_k"])
    if "second_order_lrt_ml" in c.expected:
        plane = mixed.fit_crossed(y, X[:, :3], codes, reml=False)
        chi2 = 2 * (fits[False].loglik - plane.loglik)
        expected = c.expected["second_order_lrt_ml"]
        assert chi2 == pytest.approx(expected["chisq"], abs=4 * c.tolerance["loglik_absolute"])
        assert stats.chi2.sf(chi2, expected["df"]) == pytest.approx(
            expected["p"], abs=c.tolerance["loglik_absolute"] * 4
        )


def test_one_factor_and_no_factor_agree_with_the_reference(load_case):
    c = load_case("mixed_sim_surface")
    y, X = c.column("score"), surface("x1", "x2")(c)
    fit, e = mixed.fit_crossed(y, X, {"taster": c.codes("taster")}), c.expected["without_shot_effect"]
    assert fit.loglik == c.near(e["reml_loglik"], absolute="loglik_absolute")
    assert fit.fixed == c.near(e["fixed"], relative="fixed_relative")
    assert np.sqrt(np.diag(fit.fixed_cov)) == c.near(e["std_error"], relative="std_error_relative")
    found = [fit.variances["taster"], fit.variances["noise"]]
    assert found == c.near([e["variances"]["taster"], e["variances"]["residual"]], relative="variances_relative")
    dummies = np.eye(6)[c.codes("taster")][:, 1:]
    fixed, e = mixed.fit_crossed(y, np.hstack([X[:, :1], dummies, X[:, 1:]]), {}), c.expected["tasters_as_fixed"]
    assert fixed.fixed == c.near(e["coefficients"], relative="fixed_relative")
    assert np.sqrt(fixed.variances["noise"]) == c.near(e["sigma"], relative="std_error_relative")
    assert fixed.df(np.eye(11)[0]) == pytest.approx(len(y) - 11)


def test_a_variance_whose_best_value_is_zero_is_exactly_zero_and_said_so(load_case):
    c = load_case("mixed_singular")
    e = c.expected["reml"]
    fit = mixed.fit_crossed(c.column("yield"), constant(c), {"batch": c.codes("batch")})
    assert fit.variances["batch"] == 0.0
    assert [f.code for f in fit.findings] == ["variance_at_zero"]
    assert fit.converged
    assert -2 * fit.loglik == c.near(e["minus2_loglik"], absolute="loglik_absolute")
    assert fit.variances["noise"] == c.near(e["variances"]["residual"], absolute="variance_absolute")
    assert fit.fixed == c.near(e["fixed"], absolute="variance_absolute")
    assert np.sqrt(np.diag(fit.fixed_cov)) == c.near(e["std_error"], absolute="variance_absolute")
    np.testing.assert_array_equal(fit.effects["batch"], 0.0)
    assert fit.df([1.0]) == pytest.approx(29.0)  # thirty values and nothing but their mean
    assert fit.profile().sds["batch"][0] == 0.0


@pytest.mark.parametrize(("covariance", "key"), [("full", "correlated"), ("diagonal", "uncorrelated")])
def test_random_slopes_are_those_of_the_reference(load_case, covariance, key):
    c = load_case("mixed_slopes_sleep")
    days = c.column("days")
    X = np.column_stack([np.ones(days.size), days])
    subject = {"subject": c.codes("subject")}
    fit = mixed.fit_crossed(c.column("reaction"), X, subject, {"subject": days[:, None]}, covariance)
    e = c.expected[key]
    G = fit.covariances["subject"]
    assert fit.loglik == c.near(e["reml_loglik"], absolute="loglik_absolute")
    assert fit.fixed == c.near(e["fixed"], relative="fixed_relative")
    assert np.sqrt(np.diag(fit.fixed_cov)) == c.near(e["std_error"], relative="std_error_relative")
    assert [G[0, 0], G[1, 1], G[0, 1], fit.variances["noise"]] == c.near(
        [e["var_intercept"], e["var_slope"], e["covariance"], e["residual"]], relative="variances_relative"
    )
    if key == "correlated":
        b = c.expected["blups_correlated"]
        expected = np.column_stack([b["intercept"], b["slope"]])
        assert fit.effects["subject"] == pytest.approx(expected, rel=c.tolerance["variances_relative"])
        with pytest.raises(FitError, match="no profile limits"):
            fit.profile()


def test_correlated_slopes_that_reach_the_edge_are_at_the_best_point_of_a_dense_search():
    rng = np.random.default_rng(4)
    n, codes = 48, np.repeat(np.arange(8), 6)
    t = np.tile(np.arange(6.0), 8) - 2.5
    a = rng.normal(size=8)
    y = 3 + a[codes] + 0.6 * a[codes] * t + rng.normal(0, 0.5, n)  # slope and intercept perfectly correlated
    X = np.column_stack([np.ones(n), t])
    fit = mixed.fit_crossed(y, X, {"who": codes}, {"who": t[:, None]})
    Z = np.eye(8)[codes]

    def deviance(q):
        L = np.array([[q[0], 0.0], [q[1], q[2]]])
        columns = np.hstack([Z, Z * t[:, None]]) @ np.kron(L, np.eye(8))
        return dense_deviance([1.0, q[3] ** 2], y, X, [columns], True)

    best = min(
        optimize.minimize(deviance, start, method="Nelder-Mead", options={"maxiter": 4000, "fatol": 1e-10}).fun
        for start in ([1, 0.5, 0.1, 0.5], [0.5, 0.0, 0.5, 1.0])
    )
    assert -2 * fit.loglik == pytest.approx(best, abs=1e-5)
    assert fit.converged


def test_a_search_that_ran_into_a_false_edge_of_the_covariance_is_freed():
    rng = np.random.default_rng(53)  # found among 400 made-up sets: the Cholesky factor hides a way down at zero
    k, n = int(rng.integers(3, 10)), int(rng.integers(15, 40))
    q = int(rng.integers(1, 3))
    codes, t = rng.integers(0, k, n), rng.normal(size=(n, q))
    A = rng.normal(size=(k, q + 1)) @ (rng.normal(size=(q + 1, q + 1)) * rng.choice([0, 0.3, 1.0], q + 1))
    y = 3 + A[codes, 0] + np.sum(A[codes, 1:] * t, axis=1) + rng.normal(size=n)
    X = np.column_stack([np.ones(n), t])
    fit = mixed.fit_crossed(y, X, {"who": codes}, {"who": t})
    covariates = [np.eye(k)[codes] * c[:, None] for c in X.T]
    lower = np.tril_indices(q + 1)

    def deviance(p):
        L = np.zeros((q + 1, q + 1))
        L[lower] = p[:-1]
        return dense_deviance([1.0, np.exp(p[-1])], y, X, [np.hstack(covariates) @ np.kron(L, np.eye(k))], True)

    starts = np.random.default_rng(0).normal(size=(6, len(lower[0]) + 1))
    best = min(optimize.minimize(deviance, start, method="BFGS").fun for start in starts)
    assert fit.converged
    assert -2 * fit.loglik == pytest.approx(best, abs=1e-4)


@pytest.mark.parametrize("seed", [207, 495])
def test_of_two_local_optima_the_likelier_is_found(seed):
    rng = np.random.default_rng(seed)  # found among 3000 made-up sets: a single start ends in the lesser optimum
    n = int(rng.integers(8, 40))
    levels = {f: int(rng.integers(low, high)) for f, low, high in (("a", 2, 6), ("b", 3, 12), ("c", 2, 5))}
    if rng.random() < 0.6:
        del levels["c"]
    codes = {f: np.unique(rng.integers(0, k, n), return_inverse=True)[1] for f, k in levels.items()}
    X = np.column_stack([np.ones(n), rng.normal(size=(n, int(rng.integers(0, 6))))])
    sds = rng.choice([0, 0.3, 1, 3], 3)
    y = 6 + sum(s * rng.normal(size=40)[c] for s, c in zip(sds, codes.values(), strict=False)) + rng.normal(size=n)
    fit = mixed.fit_crossed(y, X, codes)
    Zs = [np.eye(k.max() + 1)[k] for k in codes.values()]
    best = min(
        optimize.minimize(
            dense_deviance,
            [*start, 1.0],
            args=(y, X, Zs, True),
            method="L-BFGS-B",
            bounds=[(0, None)] * len(Zs) + [(1e-3, None)],
        ).fun
        for start in itertools.product((0.05, 1, 20), repeat=len(Zs))
    )
    assert -2 * fit.loglik == pytest.approx(best, abs=1e-4)


@pytest.mark.parametrize("reml", [True, False])
def test_no_dense_search_finds_a_likelier_fit_and_zeros_are_common(reml):
    zeros = 0
    for seed in range(12):
        y, X, codes = made_up(seed)
        fit = mixed.fit_crossed(y, X, codes, reml=reml)
        Zs = [np.eye(k.max() + 1)[k] for k in codes.values()]
        theta = np.array([fit.variances["taster"], fit.variances["shot"], fit.variances["noise"]])
        ours = dense_deviance(theta, y, X, Zs, reml)
        assert ours == pytest.approx(-2 * fit.loglik, abs=1e-8)
        for start in (0.02, 0.5):
            found = optimize.minimize(
                dense_deviance,
                [start, start, 1.0],
                args=(y, X, Zs, reml),
                method="L-BFGS-B",
                bounds=[(0, None), (0, None), (1e-4, None)],
            )
            assert ours <= found.fun + 1e-6, seed
        zeros += int((theta == 0).sum())
    assert 2 < zeros < 20


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_dense_search_finds_a_likelier_fit_of_five_crossed_factors(seed):
    y, X, codes = made_up(seed, n=60)
    rng = np.random.default_rng(seed)
    for name, sd in (("session", 0.7), ("coffee", 0.0), ("machine", 0.5)):
        codes[name] = rng.integers(0, 5, 60)
        y = y + sd * rng.normal(size=5)[codes[name]]
    fit = mixed.fit_crossed(y, X, codes)
    assert fit.converged
    Zs = [np.eye(k.max() + 1)[k] for k in codes.values()]
    theta = np.array([fit.variances[part] for part in (*codes, "noise")])
    assert dense_deviance(theta, y, X, Zs, True) == pytest.approx(-2 * fit.loglik, abs=1e-8)
    bounds = [(0, None)] * 5 + [(1e-3, None)]
    for start in ([0.5] * 6, theta + 0.05):
        found = optimize.minimize(dense_deviance, start, args=(y, X, Zs, True), method="L-BFGS-B", bounds=bounds)
        assert -2 * fit.loglik <= found.fun + 1e-6


def test_without_fixed_effects_nothing_is_taken_out_of_the_responses():
    y, _, codes = made_up(6)
    fit, many = (
        mixed.fit_crossed(y, np.empty((40, 0)), codes),
        mixed.fit_many(y, np.empty((40, 0)), codes, np.zeros(40, dtype=int)),
    )
    Zs = [np.eye(k.max() + 1)[k] for k in codes.values()]
    theta = [fit.variances[part] for part in (*codes, "noise")]
    assert dense_deviance(theta, y, np.empty((40, 0)), Zs, False) == pytest.approx(-2 * fit.loglik, abs=1e-8)
    assert many.loglik[0] == pytest.approx(fit.loglik, abs=1e-8)


def test_a_general_library_gives_the_same_random_intercepts():
    # second route: statsmodels MixedLM, one grouping factor
    rng = np.random.default_rng(3)
    codes = rng.integers(0, 9, 80)
    X = np.column_stack([np.ones(80), rng.normal(size=80)])
    y = X @ [5.0, 0.7] + rng.normal(size=9)[codes] + rng.normal(0, 0.6, 80)
    for reml in (True, False):
        fit = mixed.fit_crossed(y, X, {"g": codes}, reml=reml)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            other = sm.MixedLM(y, X, codes).fit(reml=reml, method="bfgs", gtol=1e-8)
        np.testing.assert_allclose(fit.fixed, other.fe_params, rtol=1e-6)
        np.testing.assert_allclose(fit.variances["g"], other.cov_re[0, 0], rtol=1e-4)
        np.testing.assert_allclose(fit.variances["noise"], other.scale, rtol=1e-5)
        np.testing.assert_allclose(np.sqrt(np.diag(fit.fixed_cov)), other.bse_fe, rtol=1e-4)
        np.testing.assert_allclose(fit.loglik, other.llf, atol=1e-6)
        effects = np.array([other.random_effects[i].iloc[0] for i in range(9)])
        np.testing.assert_allclose(fit.effects["g"], effects, atol=1e-5)


def gaussian_prediction(fit, y, X, Zs, names, x0, w0, noise_weights):
    """Best linear unbiased prediction with n x n matrices (universal kriging), errors of both parts included."""
    G = [fit.variances[name] for name in names]
    V = fit.variances["noise"] * np.diag(1 / noise_weights) + sum(g * Z @ Z.T for g, Z in zip(G, Zs, strict=True))
    inverse = np.linalg.inv(V)
    information = X.T @ inverse @ X
    beta = np.linalg.solve(information, X.T @ inverse @ y)
    C = sum(g * Z @ w.T for g, Z, w in zip(G, Zs, w0, strict=True))  # covariance of data with the targets
    prior = sum(g * w @ w.T for g, w in zip(G, w0, strict=True))
    D = x0.T - X.T @ inverse @ C
    mean = x0 @ beta + C.T @ inverse @ (y - X @ beta)
    return mean, prior - C.T @ inverse @ C + D.T @ np.linalg.solve(information, D)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), weighted=st.booleans())
def test_predictions_of_known_tasters_are_the_gaussian_conditional(seed, weighted):
    y, X, codes = made_up(seed)
    rng = np.random.default_rng(seed)
    weights = rng.uniform(0.5, 2, y.size) if weighted else np.ones(y.size)
    fit = mixed.fit_crossed(y, X, codes, weights=weights if weighted else None)
    Zs = [np.eye(k.max() + 1)[k] for k in codes.values()]
    x0, w0 = rng.normal(size=(4, 3)), [rng.normal(size=(4, Z.shape[1])) for Z in Zs]
    p = fit.predict(x0, dict(zip(codes, w0, strict=True)))
    mean, cov = gaussian_prediction(fit, y, X, Zs, list(codes), x0, w0, weights)
    np.testing.assert_allclose(p.mean, mean, atol=1e-8)
    np.testing.assert_allclose(p.cov, cov, atol=1e-8)
    assert np.linalg.eigvalsh(p.cov).min() > -1e-10


def test_a_known_taster_is_predicted_better_and_an_unheard_level_not_at_all():
    y, X, codes = made_up(11)
    codes["taster"] = codes["taster"] + (codes["taster"] > 2)  # level 3 has no rows
    fit = mixed.fit_crossed(y, X, codes)
    x0, level = np.array([[1.0, 0.0, 0.0]]), np.eye(fit.effects["taster"].size)
    known, unheard = (fit.predict(x0, {"taster": level[[i]]}) for i in (0, 3))
    alone = fit.predict(x0)
    assert fit.effects["taster"][3] == 0.0
    assert unheard.cov[0, 0] == pytest.approx(alone.cov[0, 0] + fit.variances["taster"])
    assert known.cov[0, 0] < unheard.cov[0, 0]


def test_predictions_with_random_slopes_are_the_gaussian_conditional(load_case):
    c = load_case("mixed_slopes_sleep")
    days, subject = c.column("days"), c.codes("subject")
    X = np.column_stack([np.ones(days.size), days])
    fit = mixed.fit_crossed(c.column("reaction"), X, {"subject": subject}, {"subject": days[:, None]})
    weights = np.zeros((2, 18, 2))
    weights[0, 4], weights[1, 7] = (1.0, 11.0), (1.0, 3.0)
    x0 = np.array([[1.0, 11.0], [1.0, 3.0]])
    p = fit.predict(x0, {"subject": weights})
    # the pair (intercept, slope) as one factor with covariance G: use its Cholesky factor as design
    L = np.linalg.cholesky(fit.covariances["subject"])
    Z = np.hstack([np.eye(18)[subject], np.eye(18)[subject] * days[:, None]]) @ np.kron(L, np.eye(18))
    w0 = np.swapaxes(weights, 1, 2).reshape(2, -1) @ np.kron(L, np.eye(18))

    class Unit:
        variances = {"unit": 1.0, "noise": fit.variances["noise"]}

    mean, cov = gaussian_prediction(Unit, c.column("reaction"), X, [Z], ["unit"], x0, [w0], np.ones(days.size))
    np.testing.assert_allclose(p.mean, mean, rtol=1e-8)
    np.testing.assert_allclose(p.cov, cov, rtol=1e-6)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), scale=st.floats(1e-3, 1e3), shift=st.floats(-1e3, 1e3))
def test_row_order_renamed_levels_and_changed_units_leave_the_fit_unchanged(seed, scale, shift):
    y, X, codes = made_up(seed)
    fit = mixed.fit_crossed(y, X, codes)
    rng = np.random.default_rng(seed)
    rows = rng.permutation(y.size)
    names = {f: rng.permutation(k.max() + 1) for f, k in codes.items()}
    other = mixed.fit_crossed(
        shift + scale * y[rows],
        X[rows] * [1.0, 7.0, 0.01],
        {f: names[f][codes[f][rows]] for f in reversed(codes)},
    )
    for part in ("taster", "shot", "noise"):
        assert other.variances[part] == pytest.approx(scale**2 * fit.variances[part], rel=1e-5, abs=1e-9 * scale**2)
    expected = scale * fit.fixed / [1.0, 7.0, 0.01] + [shift, 0.0, 0.0]
    np.testing.assert_allclose(other.fixed, expected, rtol=1e-6, atol=1e-6 * scale)
    for factor in codes:
        moved = other.effects[factor][names[factor]]
        np.testing.assert_allclose(moved, scale * fit.effects[factor], atol=1e-5 * scale)


def test_equal_weights_only_rescale_the_noise_and_unequal_ones_enter_the_likelihood():
    y, X, codes = made_up(9)
    plain = mixed.fit_crossed(y, X, codes)
    doubled = mixed.fit_crossed(y, X, codes, weights=np.full(y.size, 2.0))
    assert doubled.variances["noise"] == pytest.approx(2 * plain.variances["noise"], rel=1e-5)
    assert doubled.variances["shot"] == pytest.approx(plain.variances["shot"], rel=1e-5)
    assert doubled.loglik == pytest.approx(plain.loglik, abs=1e-7)
    w = np.random.default_rng(9).uniform(0.2, 3, y.size)
    fit = mixed.fit_crossed(y, X, codes, weights=w)
    # a diagonal V of the noise, as one more "factor" of the dense criterion with a vanishing rest
    Zs = [np.eye(k.max() + 1)[k] for k in codes.values()] + [np.diag(w**-0.5)]
    theta = [fit.variances["taster"], fit.variances["shot"], fit.variances["noise"], 0.0]
    assert dense_deviance(theta, y, X, Zs, True) == pytest.approx(-2 * fit.loglik, abs=1e-8)


@pytest.mark.parametrize("reml", [True, False])
def test_one_row_a_shot_counts_the_shots_spread_as_noise_and_says_so(reml):
    y, X, codes = made_up(2)
    rows = np.random.default_rng(0).permutation(y.size)
    fit = mixed.fit_crossed(y, X, {"taster": codes["taster"], "shot": rows}, reml=reml)
    found = [f for f in fit.findings if f.code == "variances_confounded"]
    assert [f.where for f in found] == [{"factor": "shot"}]
    assert "the spread of shot from that of noise" in found[0].message
    without = mixed.fit_crossed(y, X, {"taster": codes["taster"]}, reml=reml)
    assert fit.variances["shot"] == 0.0
    assert fit.loglik == pytest.approx(without.loglik, abs=1e-9)
    assert fit.variances["noise"] == pytest.approx(without.variances["noise"], rel=1e-9)
    assert fit.df([1.0, 0.0, 0.0]) == pytest.approx(without.df([1.0, 0.0, 0.0]))
    assert "shot" not in fit.profile().sds


def test_a_single_taster_cannot_be_told_from_the_average():
    y, X, codes = made_up(2)
    fit = mixed.fit_crossed(y, X, {"taster": np.zeros(y.size, dtype=int), "shot": codes["shot"]})
    confounded = [f for f in fit.findings if f.code == "variances_confounded"]
    assert len(confounded) == 1
    assert "the spread of taster from that of the fixed effects" in confounded[0].message
    without = mixed.fit_crossed(y, X, {"shot": codes["shot"]})
    assert fit.loglik == pytest.approx(without.loglik, abs=1e-9)


def test_two_names_for_the_same_grouping_are_counted_once_in_the_first():
    y, X, codes = made_up(3)
    renamed = (codes["shot"] + 1) % (codes["shot"].max() + 1)
    fit = mixed.fit_crossed(y, X, {"shot": codes["shot"], "taster": codes["taster"], "session": renamed})
    found = [f for f in fit.findings if f.code == "variances_confounded"]
    assert [f.where for f in found] == [{"factor": "session"}]
    assert "from that of shot;" in found[0].message
    assert fit.loglik == pytest.approx(mixed.fit_crossed(y, X, codes).loglik, abs=1e-9)


def test_a_single_repeat_is_enough_to_tell_shot_from_noise():
    y, X, codes = made_up(2, n=3_000)
    shot = np.arange(y.size)
    shot[-1] = shot[0]
    fit = mixed.fit_crossed(y, X, {"taster": codes["taster"], "shot": shot})
    assert "variances_confounded" not in [f.code for f in fit.findings]


def test_repeats_without_any_spread_end_with_a_finding_instead_of_a_crash():
    shot = np.repeat(np.arange(6), 2)
    y = np.array([5.0, 6.0, 7.0, 4.0, 6.5, 8.0])[shot]
    fit = mixed.fit_crossed(y, np.ones((12, 1)), {"shot": shot})
    assert not fit.converged
    assert [f.code for f in fit.findings] == ["fit_not_converged"]
    assert np.isfinite(fit.fixed).all()


def test_a_fit_travels_between_processes():
    y, X, codes = made_up(5)
    fit = mixed.fit_crossed(y, X, codes)
    again = pickle.loads(pickle.dumps(fit))
    np.testing.assert_array_equal(again.fixed, fit.fixed)
    x0 = np.ones((1, 3))
    np.testing.assert_array_equal(again.predict(x0).cov, fit.predict(x0).cov)


def test_profile_limits_lie_where_a_dense_search_says_the_deviance_has_risen():
    y, X, codes = made_up(8)
    fit = mixed.fit_crossed(y, X, codes, reml=False)
    Zs = [np.eye(k.max() + 1)[k] for k in codes.values()]
    rise = stats.chi2.ppf(0.9, 1)
    low, high = fit.profile(0.9).fixed[1]
    for limit in (low, high):
        moved = y - limit * X[:, 1]
        found = min(
            optimize.minimize(
                dense_deviance,
                start,
                args=(moved, X[:, [0, 2]], Zs, False),
                method="L-BFGS-B",
                bounds=[(0, None), (0, None), (1e-4, None)],
            ).fun
            for start in itertools.product((0.01, 0.5), (0.01, 0.5), (0.5,))
        )
        assert found + 2 * fit.loglik == pytest.approx(rise, abs=1e-4)


def test_profile_limits_of_a_slopes_spread_lie_where_a_dense_search_says_the_deviance_has_risen(load_case):
    c = load_case("mixed_slopes_sleep")
    y, days, subject = c.column("reaction") / 50, c.column("days"), c.codes("subject")
    X = np.column_stack([np.ones(days.size), days])
    fit = mixed.fit_crossed(y, X, {"subject": subject}, {"subject": days[:, None]}, "diagonal", reml=False)
    Z = [np.eye(18)[subject], np.eye(18)[subject] * days[:, None]]
    rise = stats.chi2.ppf(0.9, 1)
    for limit in fit.profile(0.9).sds["subject[1]"]:
        found = optimize.minimize(
            lambda theta, slope: dense_deviance([theta[0], slope, theta[1]], y, X, Z, False),
            [0.3, 0.3],
            args=(limit**2,),
            method="L-BFGS-B",
            bounds=[(0, None), (1e-3, None)],
        )
        assert found.fun + 2 * fit.loglik == pytest.approx(rise, abs=1e-4)


def test_the_search_never_steps_onto_a_barrier():
    # x - 0.1 log x, least at 0.1; the first Newton step from 10 points far below zero
    def slope_with_barrier(setups, x):
        bend = (0.1 / x**2)[:, None]
        return x[:, 0] - 0.1 * np.log(x[:, 0]), 1 - 0.1 / x, bend, bend

    nothing_held = np.zeros((2, 1), dtype=bool)
    start = np.array([[10.0], [0.02]])
    found = search.minimise(slope_with_barrier, start, np.array([True]), nothing_held, barrier=0)
    assert found.converged.all()
    assert found.x == pytest.approx(0.1, rel=1e-4)


def test_all_faults_of_the_input_are_told_at_once():
    with pytest.raises(FitError) as caught:
        mixed.fit_crossed(
            [1.0, np.nan, 3.0],
            np.ones((2, 1)),
            {"noise": [0, 1, 2], "shot": [0.0, 1.0, 2.0]},
            slopes={"who": np.ones((3, 1))},
            weights=[1.0, -1.0, 1.0],
        )
    assert len(caught.value.problems) == 6
    with pytest.raises(FitError, match="not a list"):
        mixed.fit_crossed(np.ones((2, 2)), np.ones((2, 1)), {})


def test_what_cannot_be_fitted_is_refused_with_its_reason():
    y, X, codes = made_up(1)
    with pytest.raises(FitError, match="columns 3 of X"):
        mixed.fit_crossed(y, np.column_stack([X, X[:, 0] * 0]), codes)
    with pytest.raises(FitError, match="cannot be told apart"):
        mixed.fit_crossed(y, np.column_stack([X, X[:, 1] + X[:, 2]]), codes)
    with pytest.raises(FitError, match="too few rows"):
        mixed.fit_crossed(y[:3], X[:3], {"shot": codes["shot"][:3]})
    with pytest.raises(FitError, match="nothing is left to explain"):
        mixed.fit_crossed(np.full(y.size, 7.0), X, codes)
    fit = mixed.fit_crossed(y, X, codes)
    with pytest.raises(FitError) as caught:
        fit.predict(np.ones((2, 5)), {"machine": np.ones((2, 3)), "shot": np.ones((2, 3))})
    assert len(caught.value.problems) == 3
    with pytest.raises(FitError, match="another length"):
        fit.df([1.0])


def test_variance_components_of_a_replicated_panel_are_those_of_its_mean_squares(load_case):
    # balanced data with all components positive: REML is the analysis of variance, in closed form
    c = load_case("panel_tvbo")
    assessor, product = c.codes("assessor"), c.codes("product")
    together = assessor * (product.max() + 1) + product
    positive = [attribute for attribute, all_are in c.expected["all_components_positive"].items() if all_are]
    assert len(positive) == 4
    for attribute in positive:
        y, X = c.column(attribute), np.eye(product.max() + 1)[product]
        fit = mixed.fit_crossed(y, X, {"assessor": assessor, "interaction": together})
        expected = c.expected[attribute]["variance_components_ems"]
        assert fit.converged
        found = [fit.variances[part] for part in ("assessor", "interaction", "noise")]
        assert found == c.near([expected[part] for part in ("assessor", "interaction", "error")])
        assert fit.fixed == c.near(c.expected[attribute]["product_means"])


@pytest.mark.parametrize("reference", CASES, ids=lambda row: row[0], indirect=True)
def test_kenward_and_rogers_errors_and_degrees_of_freedom_are_those_of_the_reference(reference):
    c, _, _, _, fits = reference
    fit = fits[True]
    assert np.sqrt(np.diag(fit.adjusted_cov)) == c.near(c.expected["kenward_roger_std_error"], "std_error_relative")
    found = [fit.df(contrast, "kenward-roger") for contrast in np.eye(fit.fixed.size)]
    assert found == c.near(c.expected["kenward_roger_df"], "satterthwaite_df_relative")
    with pytest.raises(FitError, match="it rests on REML"):
        fits[False].df(np.eye(fit.fixed.size)[0], "kenward-roger")


@pytest.mark.parametrize("covariance", ["full", "diagonal"])
def test_errors_of_the_variances_are_those_of_a_dense_likelihood(load_case, covariance):
    c = load_case("mixed_slopes_sleep")
    days, subject = c.column("days") / 3, c.codes("subject")
    y, X = c.column("reaction") / 50, np.column_stack([np.ones(days.size), days])
    fit = mixed.fit_crossed(y, X, {"subject": subject}, {"subject": days[:, None]}, covariance)
    Z = [np.eye(18)[subject], np.eye(18)[subject] * days[:, None]]
    cross = Z[0] @ Z[1].T
    shares = [Z[0] @ Z[0].T, cross + cross.T, Z[1] @ Z[1].T, np.eye(y.size)]
    names = ["subject", "subject:subject[1]", "subject[1]", "noise"]
    if covariance == "diagonal":
        del shares[1], names[1]
    assert list(fit.variance_names) == names
    G, noise = fit.covariances["subject"], fit.variances["noise"]
    at = np.array([G[0, 0], G[1, 0], G[1, 1], noise] if covariance == "full" else [G[0, 0], G[1, 1], noise])

    def deviance(theta):
        V = sum(t * share for t, share in zip(theta, shares, strict=True))
        return dense_deviance([1.0, 0.0], y, X, [np.linalg.cholesky(V)], True)

    assert deviance(at) == pytest.approx(-2 * fit.loglik, abs=1e-8)
    step = 1e-3 * np.abs(at).max()
    eye = step * np.eye(len(at))
    hessian = np.array(
        [
            [deviance(at + a + b) - deviance(at + a - b) - deviance(at - a + b) + deviance(at - a - b) for a in eye]
            for b in eye
        ]
    )
    expected = 2 * np.linalg.inv(hessian / (4 * step**2))
    np.testing.assert_allclose(fit.variance_cov, expected, rtol=2e-3, atol=1e-3 * np.abs(expected).max())


def test_adjusted_errors_of_random_slopes_are_those_of_dense_derivatives():
    # Kenward and Roger's covariance is fixed_cov less sum W_ij d2(fixed_cov)/d i d j, W from the expected information
    y, X, codes = made_up(4, n=80)
    slopes = {"shot": 60 * X[:, 1:2], "taster": X[:, 2:]}
    rng = np.random.default_rng(1)
    for f, c in (("shot", X[:, 1]), ("taster", X[:, 2])):
        y = y + rng.normal(size=40)[codes[f]] + rng.normal(size=40)[codes[f]] * c
    fit = mixed.fit_crossed(y, X, codes, slopes, "diagonal")
    Zs = [np.eye(k.max() + 1)[k] * c[:, None] for f, k in codes.items() for c in (np.ones(80), slopes[f][:, 0])]
    shares = [*(Z @ Z.T for Z in Zs), np.eye(80)]
    values = [fit.covariances[f][a, a] for f in codes for a in (0, 1)] + [fit.variances["noise"]]
    free = [i for i, value in enumerate(values) if value > 0]
    assert len(free) >= 4

    def fixed_cov(theta):
        return np.linalg.inv(X.T @ np.linalg.inv(sum(t * share for t, share in zip(theta, shares, strict=True))) @ X)

    Vi = np.linalg.inv(sum(t * share for t, share in zip(values, shares, strict=True)))
    P = Vi - Vi @ X @ fixed_cov(values) @ X.T @ Vi
    W = np.linalg.inv([[np.trace(P @ shares[i] @ P @ shares[j]) / 2 for j in free] for i in free])
    expected, steps = fixed_cov(values).copy(), [1e-3 * values[i] * np.eye(5)[i] for i in free]
    for i, a in enumerate(steps):
        for j, b in enumerate(steps):
            corners = [t * u * fixed_cov(values + t * a + u * b) for t in (1, -1) for u in (1, -1)]
            expected -= W[i, j] * sum(corners) / (4 * a.max() * b.max())
    np.testing.assert_allclose(fit.adjusted_cov, expected, rtol=1e-4, atol=1e-6)
    assert (np.diag(fit.adjusted_cov) > 1.01 * np.diag(fit.fixed_cov)).any()
