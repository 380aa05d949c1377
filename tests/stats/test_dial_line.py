"""The dial line of a whole bench against plain integration over its own model, done another way and by brute force."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import linalg, stats

from tastefield.stats import dial_line
from tastefield.stats.dial_line import DialShots, fit


def bench(rows, step=(1.0,), sign=None, covariates=None, sd=0.3):
    """rows: (stream, grinder, sitting, position, log time, bound)."""
    stream, grinder, sitting, position, log_time, bound = (np.array(column) for column in zip(*rows, strict=True))
    z = np.zeros((len(rows), 0)) if covariates is None else np.asarray(covariates, dtype=float)
    return DialShots(
        log_time=log_time.astype(float),
        bound=bound.astype(int),
        position=position.astype(float),
        covariates=z,
        stream=stream.astype(int),
        sitting=sitting.astype(int),
        grinder=np.array([grinder[stream == s][0] for s in range(stream.max() + 1)]).astype(int),
        step=np.array(step, dtype=float),
        sign=np.zeros(len(step), dtype=int) if sign is None else np.array(sign),
        prior_mean=np.zeros(z.shape[1]),
        prior_sd=np.full(z.shape[1], sd),
    )


def pulled(rng, streams=8, grinders=2, slope=-0.1):
    rows, z = [], []
    for s in range(streams):
        level = np.log(27) + 0.2 * rng.normal()
        for i in range(int(rng.integers(2, 7))):
            x = int(rng.integers(-3, 4))
            z.append([0.1 * rng.normal()])
            level += 0.04 * rng.normal()
            y = level + slope * (1 + s % grinders) * x + 0.8 * z[-1][0] + 0.05 * rng.normal()
            rows.append((s, s % grinders, i // 3, 20 + x, y, 0))
    return bench(rows, step=(1.0,) * grinders, covariates=z)


def covariance(shots, rows, sds, usual, later):
    """Of the log times of one stream's rows and, last, of the level and the departure of the slope at the last row."""
    n = len(rows)
    dx = shots.position[rows] - shots.position[rows[0]]
    V = np.zeros((n + 2, n + 2))
    sitting = shots.sitting[rows]
    for i in range(n):
        for j in range(n):
            first = min(i, j)
            moves = int((np.diff(sitting[: first + 1]) != 0).sum())
            level = later**2 + sds["walk"] ** 2 * (first - moves) + sds["sitting"] ** 2 * moves
            V[i, j] = level + (sds["bend"] * usual) ** 2 * dx[i] * dx[j]
            if j == n - 1:
                V[i, n] = V[n, i] = level
                V[n, n] = level
        V[i, i] += sds["noise"] ** 2
        V[i, n + 1] = V[n + 1, i] = (sds["bend"] * usual) ** 2 * dx[i]
    V[n + 1, n + 1] = (sds["bend"] * usual) ** 2
    return V, dx


def integrated(shots, found, stream):
    """Mean and covariance of (level at position 0, slope) of a stream that is alone on its grinder, by a fine grid."""
    rows = np.flatnonzero(shots.stream == stream)
    m, tau = found.step_effect
    V, dx = covariance(shots, rows, found.sds, np.exp(m), dial_line.LEVEL_SD)
    n = len(rows)
    y = shots.log_time[rows] - dial_line.LEVEL
    Z = shots.covariates[rows]
    C, K = V[:n, :n] + Z @ np.diag(shots.prior_sd**2) @ Z.T, V[:n, n:]
    rest = V[n:, n:] - K.T @ np.linalg.solve(C, K)
    b = np.linspace(m - 7 * tau, m + 7 * tau, 20001)
    slopes = np.concatenate([np.exp(b), -np.exp(b)])
    left = y[:, None] - dx[:, None] * slopes
    log_p = -0.5 * np.sum(left * np.linalg.solve(C, left), axis=0) - 0.5 * (np.tile(b, 2) - m) ** 2 / tau**2
    p = np.exp(log_p - log_p.max())
    rising = p[slopes > 0].sum() / p.sum()
    p = np.where((slopes > 0) == (rising > 0.5), p, 0.0)
    p /= p.sum()
    given = K.T @ np.linalg.solve(C, left) + np.vstack([np.full(len(slopes), dial_line.LEVEL), slopes])
    mean = given @ p
    cov = (given - mean[:, None]) * p @ (given - mean[:, None]).T + rest
    move = np.array([[1.0, -shots.position[rows[0]]], [0.0, 1.0]])
    return move @ mean, move @ cov @ move.T, rising


@pytest.mark.parametrize("covariates", [None, [[0.0], [0.1], [0.3], [0.0]]], ids=["dial", "dial and ratio"])
def test_a_grinder_alone_gets_the_posterior_of_its_model(covariates):
    """Second route: a grid of 40,000 slopes, each with its normal posterior of level and slope."""
    times = np.log([36.0, 30.0, 24.0, 27.5])
    rows = [(0, 0, sitting, x, t, 0) for sitting, x, t in zip((0, 0, 1, 1), (7, 8, 9, 8), times, strict=True)]
    shots = bench(rows, covariates=covariates)
    found = fit(shots)
    mean, cov, rising = integrated(shots, found, 0)
    np.testing.assert_allclose(found.lines[0, :2], mean, rtol=1e-5)
    np.testing.assert_allclose(found.covs[0, :2, :2], cov, rtol=1e-4)
    assert found.rising[0] == pytest.approx(rising, rel=1e-3)


def stacked(shots, found, sds, grinder):
    """All rows of a grinder as one normal vector, slope included: log times, covariance, covariates."""
    m, tau = found.step_effect
    size = np.exp(m + tau**2 / 2)
    mean = (2 * found.rising[grinder] - 1) * size
    rows, x, C = [], [], np.zeros((0, 0))
    for stream in np.flatnonzero(shots.grinder == grinder):
        mine = np.flatnonzero(shots.stream == stream)
        V, dx = covariance(shots, mine, sds, np.exp(m), dial_line.LEVEL_SD)
        rows, x = [*rows, *mine], [*x, *dx]
        C = linalg.block_diag(C, V[: len(mine), : len(mine)])
    C = C + (np.exp(tau**2) * size**2 - mean**2) * np.outer(x, x)
    return shots.log_time[rows] - dial_line.LEVEL - mean * np.array(x), C, shots.covariates[rows]


def test_the_variances_are_the_restricted_maximum_with_their_prior(monkeypatch):
    """Second route: the log-likelihood of all rows as one normal vector, moved a little about the answer."""
    monkeypatch.setattr(dial_line, "SETTLED", 1e-9)
    shots = pulled(np.random.default_rng(3), streams=10)
    shots = replace(shots, covariates=np.zeros((len(shots.log_time), 0)), prior_mean=np.zeros(0), prior_sd=np.zeros(0))
    found = fit(shots)

    def objective(log_var):
        sds = dict(zip(dial_line.PARTS, np.exp(np.asarray(log_var) / 2), strict=True))
        total = 0.0
        for grinder in range(2):
            y, C, _ = stacked(shots, found, sds, grinder)
            total += stats.multivariate_normal.logpdf(y, cov=C)
        for value, name in zip(log_var, dial_line.PARTS, strict=True):
            centre, sd = dial_line.PRIOR[name]
            total += stats.norm.logpdf(value, 2 * np.log(centre), 2 * sd)
        return total

    best = np.array([2 * np.log(found.sds[name]) for name in dial_line.PARTS])
    for part in range(len(best)):
        step = np.zeros(len(best))
        step[part] = 1e-3
        slope = (objective(best + step) - objective(best - step)) / 2e-3
        assert slope == pytest.approx(0.0, abs=1e-4)


def test_what_changes_time_beside_the_dial_is_generalised_least_squares_with_its_prior(monkeypatch):
    """Second route: the same rows as one normal vector a grinder, solved at once; here dial and ratio move together."""
    monkeypatch.setattr(dial_line, "SETTLED", 1e-9)
    shots = pulled(np.random.default_rng(7), streams=6)
    shots = replace(shots, covariates=shots.covariates + 0.1 * (shots.position - 20)[:, None])
    found = fit(shots)
    information, told = np.diag(1 / shots.prior_sd**2), shots.prior_mean / shots.prior_sd**2
    for grinder in range(2):
        y, C, Z = stacked(shots, found, found.sds, grinder)
        information = information + Z.T @ np.linalg.solve(C, Z)
        told = told + Z.T @ np.linalg.solve(C, y)
    np.testing.assert_allclose(found.gamma, np.linalg.solve(information, told), rtol=1e-5)


@pytest.mark.parametrize(("bound", "at"), [(1, np.log(40.0)), (-1, np.log(15.0))])
def test_a_bound_moves_the_line_as_integrating_over_it_does(bound, at):
    """Second route: draws of the whole model given the read times, kept where the last shot obeys its bound."""
    rows = [(0, 0, 0, x, t, 0) for x, t in zip((8, 9, 8), np.log([28.0, 24.5, 27.0]), strict=True)]
    x_bound = 8 - bound * 3
    shots = bench([*rows, (0, 0, 0, x_bound, at, bound)], sign=(-1,))
    found = fit(shots)
    m, tau = found.step_effect
    V, dx = covariance(shots, np.arange(4), found.sds, np.exp(m), dial_line.LEVEL_SD)
    rng = np.random.default_rng(5)
    slopes = -np.exp(m + tau * rng.normal(size=40_000))
    C, K = V[:3, :3], V[:3, 3:]
    y = shots.log_time[:3] - dial_line.LEVEL
    left = y[:, None] - dx[:3, None] * slopes
    weight = np.exp(-0.5 * np.sum(left * np.linalg.solve(C, left), axis=0))
    given = (K.T @ np.linalg.solve(C, left)).T + np.column_stack([dx[3] * slopes, 0 * slopes, slopes])
    rest = V[3:, 3:] - K.T @ np.linalg.solve(C, K)
    draws = given + rng.multivariate_normal(np.zeros(3), rest, size=len(slopes))
    obeys = (draws[:, 0] + dial_line.LEVEL > at) == (bound > 0)
    weight = weight * obeys
    slope = np.average(draws[:, 2], weights=weight)
    level = np.average(draws[:, 1] + dial_line.LEVEL, weights=weight)
    assert found.lines[0, 1] == pytest.approx(slope, rel=0.04)
    assert found.lines[0, 0] + found.lines[0, 1] * 8 == pytest.approx(level, abs=0.015)
    without = fit(bench(rows, sign=(-1,)))
    assert abs(found.lines[0, 1]) > abs(without.lines[0, 1])


def test_a_dial_that_turns_the_other_way_gets_the_other_sign_and_the_same_size():
    rows = [(s, s, 0, x, np.log(27) - 0.1 * (x - 8), 0) for s in range(4) for x in (6, 8, 9, 7)]
    plain = fit(bench(rows, step=(1.0,) * 4))
    turned = fit(bench([(s, g, k, 16 - x if s == 3 else x, y, 0) for s, g, k, x, y, _ in rows], (1.0,) * 4))
    assert turned.rising[3] > 0.99
    assert turned.rising[:3].max() < 0.01
    assert turned.lines[3, 1] == pytest.approx(-plain.lines[3, 1], rel=1e-3)


def test_the_direction_of_a_dial_never_moved_is_as_sure_as_the_others_are_alike():
    others = [(s, s, 0, x, np.log(27) - 0.1 * (x - 8), 0) for s in range(9) for x in (5, 8, 11)]
    found = fit(bench([*others, (9, 9, 0, 8, np.log(27), 0)], step=(1.0,) * 10))
    assert found.rising[9] == pytest.approx(1 / 11, abs=0.005)  # Laplace's rule of succession
    alone = fit(bench([(0, 0, 0, 8, np.log(27), 0)]))
    assert alone.rising[0] == pytest.approx(0.5)


def test_a_configured_direction_gives_way_to_strong_evidence_only():
    weak = [(0, 0, 0, x, np.log(27) + 0.01 * (x - 8), 0) for x in (7, 8, 9)]
    assert fit(bench(weak, sign=(-1,))).rising[0] < 0.1
    strong = [(0, 0, 0, x, np.log(27) + 0.15 * (x - 8), 0) for x in (4, 6, 8, 10, 12)]
    assert fit(bench(strong, sign=(-1,))).rising[0] > 0.95


def test_slopes_lean_on_those_of_other_grinders_by_their_steps():
    """Half steps: the same effect a step means twice the slope a unit."""
    rng = np.random.default_rng(8)
    rows = [
        (s, s, 0, x * step, np.log(27) - 0.1 * x + 0.02 * rng.normal(), 0)
        for s, step in enumerate([1.0] * 6 + [0.5] * 6)
        for x in (-4, -2, 0, 2, 4)
    ]
    rows += [(12, 12, 0, 8, np.log(27), 0), (13, 13, 0, 8, np.log(27), 0)]
    found = fit(bench(rows, step=[1.0] * 6 + [0.5] * 6 + [1.0, 0.5], sign=(0,) * 12 + (-1, -1)))
    assert found.lines[13, 1] == pytest.approx(2 * found.lines[12, 1], rel=1e-3)
    assert found.lines[12, 1] == pytest.approx(-0.1, rel=0.25)


def test_one_slope_serves_all_streams_of_a_shared_grinder():
    rng = np.random.default_rng(9)
    rows = [
        (s, 0, 0, x, np.log(27) + 0.2 * rng.normal(), 0) for s in range(8) for x in (20,)
    ]  # one shot each tells no slope
    rows = [(s, g, k, x + dx, y - 0.1 * dx, 0) for s, g, k, x, y, _ in rows for dx in (-2, 0, 2)]
    rows.append((8, 0, 0, 30, np.log(33.0), 0))
    found = fit(bench(rows))
    assert found.lines[8, 1] == pytest.approx(-0.1, rel=0.1)
    assert found.lines[8, 0] + 30 * found.lines[8, 1] == pytest.approx(np.log(33.0), abs=0.02)


def test_settings_that_differ_between_coffees_tell_nothing_about_the_slope():
    """Every coffee runs 27 s where its grinder stands: between streams the line is flat, within them it is not."""
    rows = [(s, 0, 0, 10 + 3 * s + dx, np.log(27) - 0.1 * dx, 0) for s in range(10) for dx in (-1, 0, 1)]
    assert fit(bench(rows)).lines[0, 1] == pytest.approx(-0.1, rel=0.1)


@pytest.mark.parametrize("change", ["rows of streams mixed", "streams renamed", "dial moved", "dial in tens"])
def test_names_order_and_units_change_nothing(change):
    shots = pulled(np.random.default_rng(4))
    base = fit(shots)
    order, name = np.arange(len(shots.log_time)), np.arange(8)
    if change == "rows of streams mixed":  # shuffled, but within a stream as pulled
        order = np.argsort(np.random.default_rng(1).permutation(shots.stream), kind="stable").argsort(kind="stable")
        order = np.argsort(shots.stream, kind="stable")[order]
    if change == "streams renamed":
        name = np.random.default_rng(2).permutation(8)
    shift, unit = (100.0 if change == "dial moved" else 0.0), (10.0 if change == "dial in tens" else 1.0)
    grinder = np.empty(8, dtype=int)
    grinder[name] = shots.grinder
    moved = replace(
        shots,
        log_time=shots.log_time[order],
        bound=shots.bound[order],
        position=unit * shots.position[order] + shift,
        covariates=shots.covariates[order],
        stream=name[shots.stream[order]],
        sitting=shots.sitting[order],
        grinder=grinder,
        step=unit * shots.step,
    )
    found = fit(moved)
    np.testing.assert_allclose(unit * found.lines[name, 1], base.lines[:, 1], rtol=1e-6)
    level = found.lines[name, 0] + shift * found.lines[name, 1]
    np.testing.assert_allclose(level, base.lines[:, 0], rtol=1e-6)
    assert found.sds == pytest.approx(base.sds, rel=1e-6)


def test_residuals_estimate_the_noise_they_were_made_with():
    rng = np.random.default_rng(6)
    found = fit(pulled(rng, streams=150))
    assert np.sqrt((found.residual**2).sum() / found.shown.sum()) == pytest.approx(0.05, rel=0.2)
    assert found.sds["noise"] == pytest.approx(0.05, rel=0.2)
    assert found.sds["walk"] == pytest.approx(0.04, rel=0.4)
    assert found.lines[:, 2] == pytest.approx(0.8, abs=0.1)
