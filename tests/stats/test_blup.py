import numpy as np
import pytest
from scipy import stats as distributions

from tastefield.stats import blup, mixed


@pytest.fixture
def panel():
    rng = np.random.default_rng(5)
    shot = np.repeat(np.arange(10), 3)
    taster = np.array([rng.permutation(4)[:3] for _ in range(10)]).ravel()
    x = rng.normal(size=10)[shot]
    X = np.column_stack([np.ones(30), x])
    y = 6 + x + rng.normal(size=10)[shot] + rng.normal(size=4)[taster] + 0.5 * rng.normal(size=30)
    return y, X, {"shot": shot, "taster": taster}


def test_at_the_reml_variances_it_agrees_with_the_mixed_model(panel):
    """Two routes: the mixed-model equations of stats.mixed and the covariance of y here."""
    y, X, factors = panel
    full = mixed.fit_crossed(y, X, factors)
    known = blup.fit(y, X, factors, full.variances)
    weights = {"taster": np.full((1, 4), 0.25), "shot": np.eye(10)[[3]]}
    mean, cov = known.predict(np.array([[1.0, 0.4]]), weights)
    expected = full.predict(np.array([[1.0, 0.4]]), weights)
    assert known.fixed == pytest.approx(full.fixed, rel=1e-8)
    assert known.loglik == pytest.approx(full.loglik, abs=1e-8)
    assert mean == pytest.approx(expected.mean, rel=1e-8)
    assert cov == pytest.approx(expected.cov, rel=1e-6)


def test_the_error_of_a_prediction_is_that_of_the_joint_normal(panel):
    """Second route: Gaussian conditioning with a nearly flat prior on the fixed effects (numpy only)."""
    y, X, factors = panel
    variances = {"shot": 0.7, "taster": 0.4, "noise": 0.3}
    Z = np.hstack([X, np.eye(10)[factors["shot"]], np.eye(4)[factors["taster"]]])
    precision = np.diag([1e-9, 1e-9, *[1 / 0.7] * 10, *[1 / 0.4] * 4]) + Z.T @ Z / 0.3
    posterior = np.linalg.inv(precision)
    contrast = np.array([[1.0, 0.4, *[0.0] * 10, *[0.25] * 4]])
    mean, cov = blup.fit(y, X, factors, variances).predict(contrast[:, :2], {"taster": contrast[:, 12:]})
    assert mean == pytest.approx(contrast @ posterior @ Z.T @ y / 0.3, rel=1e-6)
    assert cov == pytest.approx(contrast @ posterior @ contrast.T, rel=1e-6)


def test_leaving_out_a_shot_agrees_with_fitting_without_it(panel):
    y, X, factors = panel
    variances = {"shot": 0.7, "taster": 0.4, "noise": 0.3}
    left_out = blup.fit(y, X, factors, variances, groups=factors["shot"]).left_out
    out = factors["shot"] == 6
    kept = {"shot": np.unique(factors["shot"][~out], return_inverse=True)[1], "taster": factors["taster"][~out]}
    rest = blup.fit(y[~out], X[~out], kept, variances)
    mean, _ = rest.predict(X[out], {"taster": np.eye(4)[factors["taster"][out]]})
    assert left_out[out] == pytest.approx(y[out] - mean, rel=1e-8)


def test_a_variance_of_zero_predicts_no_effect(panel):
    y, X, factors = panel
    found = blup.fit(y, X, factors, {"shot": 0.0, "taster": 0.4, "noise": 0.3})
    assert found.effects["shot"] == pytest.approx(np.zeros(10))


def test_a_prior_on_coefficients_is_the_same_as_rows_that_observe_them(panel):
    """Two routes: a normal prior on the slope, and one more row that reads the slope with that error."""
    y, X, factors = panel
    variances = {"shot": 0.0, "taster": 0.0, "noise": 0.3}
    found = blup.fit(y, X, factors, variances, prior=([0.0, 0.5], [0.0, 1 / 0.3]))
    rows = np.vstack([X, [0.0, 1.0]])
    solution, *_ = np.linalg.lstsq(rows, np.append(y, 0.5), rcond=None)
    assert found.fixed == pytest.approx(solution)
    assert found.joint_cov[:2, :2] == pytest.approx(0.3 * np.linalg.inv(rows.T @ rows))


def test_the_likelihood_with_a_prior_is_that_of_the_joint_normal(panel):
    """Second route: scipy's multivariate normal, every coefficient with a prior."""
    y, X, factors = panel
    variances = {"shot": 0.7, "taster": 0.4, "noise": 0.3}
    found = blup.fit(y, X, factors, variances, prior=([6.0, 0.5], [0.25, 1.0]))
    cov = X @ np.diag([4.0, 1.0]) @ X.T + 0.3 * np.eye(30)
    for name in ("shot", "taster"):
        Z = np.eye(factors[name].max() + 1)[factors[name]]
        cov += variances[name] * Z @ Z.T
    expected = distributions.multivariate_normal(X @ [6.0, 0.5], cov).logpdf(y)
    assert found.loglik == pytest.approx(expected)


def test_leaving_out_a_shot_with_a_prior_agrees_with_fitting_without_it(panel):
    y, X, factors = panel
    variances, prior = {"shot": 0.7, "taster": 0.4, "noise": 0.3}, ([0.0, 0.5], [0.0, 2.0])
    left_out = blup.fit(y, X, factors, variances, factors["shot"], prior).left_out
    out = factors["shot"] == 2
    kept = {"shot": np.unique(factors["shot"][~out], return_inverse=True)[1], "taster": factors["taster"][~out]}
    rest = blup.fit(y[~out], X[~out], kept, variances, prior=prior)
    mean, _ = rest.predict(X[out], {"taster": np.eye(4)[factors["taster"][out]]})
    assert left_out[out] == pytest.approx(y[out] - mean, rel=1e-8)
