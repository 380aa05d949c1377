"""The pooled process against dense algebra, an independent library, and draws from itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtr
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF

from tastefield.stats import pooled
from tastefield.stats.pooled import basis, parts
from tastefield.stats.pooled.answer import Unit
from tastefield.stats.pooled.evidence import HUB, Message, evaluate, hub_message
from tastefield.stats.pooled.layout import batches, laid_out
from tastefield.stats.pooled.rows import gathered
from tastefield.stats.pooled.search import spread_of

THETA = parts.start() + 0.2 * np.sin(1.0 + np.arange(len(parts.NAMES) + 1))
SD = dict(zip(parts.NAMES, np.exp(THETA), strict=False))
EFFECT = 0.6
THETA[-1] = EFFECT
LENGTH = (1.1, 0.8)
POINTS = np.array([[0.0, 0.0], [0.5, -0.4], [-0.7, 0.3]])


def made(setups=8, machines=5, coffees=3, tasters=3, seed=1, shots=(2, 6)):
    """Setups with everything recorded: roasts, models, sessions, covariates, tasters who miss some shots."""
    rng = np.random.default_rng(seed)
    made_up = []
    for number in range(setups):
        count = int(rng.integers(*shots))
        shot = np.repeat(np.arange(count), tasters)
        points = 0.6 * rng.normal(size=(count, 2))
        score = 6.0 - (points**2).sum(axis=1)[shot] + rng.normal(size=len(shot))
        given = rng.random(len(shot)) < 0.8
        given[0] = True
        coffee = int(rng.integers(coffees))
        read = np.arange(0, count + 1, 2)  # the last one was read and not tasted
        at = np.vstack([points, [[0.1, 0.2]]])[read]
        readings = pooled.Readings(rng.normal(size=len(read)), at, read, 0.01 + 0.02 * rng.random(len(read)), 0.3)
        made_up.append(
            pooled.SetupRows(
                name=f"setup {number}",
                machine=f"machine {number % machines}",
                coffee=f"coffee {coffee}",
                roast=["light", "dark", ""][coffee % 3],
                kinds=("model a" if number % 2 else "", f"grinder {number % 3}"),
                score=score[given],
                points=points[shot][given],
                shot=shot[given],
                taster=tuple(np.tile([f"taster {i}" for i in range(tasters)], count)[given]),
                session=tuple(f"day {number}" if i % 2 else "" for i in np.flatnonzero(given)),
                covariates=0.5 * rng.normal(size=(len(shot), 3))[given],
                readings=readings if number % 3 else None,
            )
        )
    return made_up


def turned(points):
    """Along and across equal flow."""
    return points @ np.array([[1.0, 1.0], [1.0, -1.0]]) / np.sqrt(2.0)


def benched(setups):
    """A bench whose scores show more or less of the appeal, and whose coffees have their best in other places."""
    bench = gathered(setups)
    slope = np.where(bench.read, 1.0, np.linspace(0.5, 1.3, len(bench.value)))
    return replace(bench, slope=slope, shift=0.2 * np.column_stack([np.cos(bench.coffee), np.sin(bench.coffee)]))


def same(a, b):
    return (np.asarray(a)[:, None] == np.asarray(b)) & (np.asarray(a) >= 0)[:, None]


NOT_CODES = (
    "points",
    "moved",
    "covariates",
    "kinds",
    "unit",
    "read",
    "error_var",
    "departure_var",
    "slope",
    "taster_count",
)


def covariance(one, other, plan=None):
    """What any two scores share, part by part, written down anew. Rows are dicts of arrays.

    :param plan: where given, units share of surfaces that have columns only their leading directions.
    """
    phi = [basis.functions(rows["moved"]) for rows in (one, other)]
    smooth = (phi[0] * basis.weights(LENGTH)) @ phi[1].T
    shared = dict.fromkeys(("coffee", "machine", "setup", "roast"), smooth)
    if plan is not None:
        leading = np.where(
            one["unit"][:, None] == other["unit"], smooth, (phi[0] @ plan.directions) @ (phi[1] @ plan.directions).T
        )
        shared |= {plan.column_factor: leading, "roast": leading}
    alike = {name: same(one[name], other[name]) for name in one if name not in NOT_CODES}
    read, tasted = np.outer(one["read"], other["read"]), np.outer(~one["read"], ~other["read"])
    total = parts.CENTRE[1] ** 2 + parts.FALL[1] ** 2 * np.outer(basis.fall(one["moved"]), basis.fall(other["moved"]))
    total = total + SD["shared"] ** 2 * smooth
    for factor in ("coffee", "machine", "setup", "roast"):
        level = "kind level" if factor == "roast" else f"{factor} level"
        total = total + alike[factor] * (SD[factor] ** 2 * shared[factor] + SD[level] ** 2)
    for kind in range(2):
        total = total + SD["kind level"] ** 2 * same(one["kinds"][:, kind], other["kinds"][:, kind])
    felt = np.outer(one["slope"], other["slope"])
    count = max(one["taster_count"], 1)
    beyond = (one["slope"] - 1)[:, None], (other["slope"] - 1)[None]  # of what all tasters share, the appeal's part
    tasters = alike["taster"] + (beyond[0] + beyond[1] + beyond[0] * beyond[1]) / count
    total = felt * total + SD["taster"] ** 2 * tasters
    total = total + SD["taster x coffee"] ** 2 * alike["taster"] * alike["coffee"]
    total = total + SD["session"] ** 2 * alike["session"] + SD["shot"] ** 2 * alike["shot"] * felt
    slopes = np.array([parts.SLOPE_SD[name] for name in pooled.COVARIATES]) ** 2
    total = total + (one["covariates"] * slopes) @ other["covariates"].T
    x, sd = (one["points"], other["points"]), parts.EXTRACTION_SD
    extraction = parts.EXTRACTION_LINE_SD**2 * (1 + x[0] @ x[1].T)
    extraction = extraction + sd["unit"] ** 2 * (one["unit"][:, None] == other["unit"])
    extraction = extraction + alike["setup"] * (sd["setup"] ** 2 + sd["tilt"] ** 2 * (x[0] @ x[1].T))
    effects = np.where(one["read"], 1.0, EFFECT * one["slope"]), np.where(other["read"], 1.0, EFFECT * other["slope"])
    departure = np.outer(*effects) * alike["shot"] * one["departure_var"]
    return tasted * total + read * extraction + departure


def rows_of(plan):
    bench, setup = plan.bench, plan.bench.setup
    return {
        "unit": plan.unit[setup],
        "points": bench.points,
        "moved": bench.points - bench.shift[setup],
        "coffee": bench.coffee[setup],
        "machine": bench.machine[setup],
        "roast": bench.roast[setup],
        "kinds": bench.kinds[setup],
        "setup": setup,
        "taster": bench.taster,
        "session": bench.session,
        "shot": bench.shot,
        "covariates": bench.covariates,
        "read": bench.read,
        "error_var": bench.error_var,
        "departure_var": bench.departure_var,
        "slope": bench.slope,
        "taster_count": bench.taster_count,
    }


def asked(plan, setup, taster, new_coffee=False):
    """Rows that ask for one taster's expected score of a setup at POINTS: no shot, no session, nothing unusual."""
    n, bench = len(POINTS), plan.bench
    none = np.full(n, -1)
    return {
        "unit": np.full(n, -1 if new_coffee and plan.unit_factor == "coffee" else plan.unit[setup]),
        "points": POINTS,
        "moved": POINTS,
        "coffee": np.full(n, 99 if new_coffee else bench.coffee[setup]),
        "machine": np.full(n, bench.machine[setup]),
        "roast": np.full(n, 99 if new_coffee else bench.roast[setup]),
        "kinds": np.tile(bench.kinds[setup], (n, 1)),
        "setup": np.full(n, 99 if new_coffee else setup),
        "taster": np.full(n, taster),
        "session": none,
        "shot": none,
        "covariates": np.zeros((n, 3)),
        "read": np.zeros(n, dtype=bool),
        "departure_var": bench.departure_var,
        "slope": np.ones(n),
        "taster_count": bench.taster_count,
    }


def joined(plan, setup, new_coffee=False, exactly=False):
    """Covariance of all scores, of the typical taster's surface at POINTS with them, and of that surface."""
    rows, how = rows_of(plan), None if exactly else plan
    V = covariance(rows, rows, how) + np.diag(np.where(rows["read"], rows["error_var"], SD["noise"] ** 2))
    tasters = [asked(plan, setup, taster, new_coffee) for taster in range(plan.bench.taster_count)]
    across = np.mean([covariance(one, rows, how) for one in tasters], axis=0)
    return V, across, np.mean([[covariance(a, b, how) for a in tasters] for b in tasters], axis=(0, 1))


def before(points):
    """Appeal that is expected there before anything was tasted."""
    return parts.CENTRE[0] + parts.FALL[0] * basis.fall(points)


def expected(bench):
    """What is expected of every row before anything was tasted."""
    return np.where(bench.read, 0.0, bench.slope * before(bench.points - bench.shift[bench.setup]))


def by_hand(plan, setup, new_coffee=False, exactly=False):
    """Mean and covariance of the typical taster's surface at POINTS, by conditioning the whole joint normal."""
    V, across, own = joined(plan, setup, new_coffee, exactly)
    off = plan.bench.value - expected(plan.bench)
    mean = before(POINTS) + across @ np.linalg.solve(V, off)
    return mean, own - across @ np.linalg.solve(V, across.T), V, off


SHAPES = {"machines are units": {"machines": 5, "coffees": 3}, "coffees are units": {"machines": 2, "coffees": 7}}


@pytest.mark.parametrize("shape", SHAPES)
def test_the_likelihood_is_that_of_the_joint_normal_written_down_densely(shape):
    plan = laid_out(benched(made(**SHAPES[shape])), LENGTH)
    assert shape.startswith(plan.unit_factor)
    *_, V, off = by_hand(plan, 0)
    dense = -0.5 * (np.linalg.slogdet(V)[1] + off @ np.linalg.solve(V, off)) + parts.log_prior(THETA)[0]
    assert evaluate(plan, batches(plan), THETA).value == pytest.approx(dense, abs=1e-8)


def test_a_surface_told_without_its_columns_is_the_same_sum():
    rng = np.random.default_rng(11)
    points, coefficients = 1.5 * rng.normal(size=(200, 2)), rng.normal(size=basis.COUNT + 2)
    np.testing.assert_allclose(basis.at(points, coefficients), basis.expand(points) @ coefficients, atol=1e-12)


@pytest.mark.parametrize("new_coffee", [False, True])
@pytest.mark.parametrize("shape", SHAPES)
def test_a_setup_and_a_machine_with_a_new_coffee_are_answered_as_the_joint_normal_answers(shape, new_coffee):
    plan = laid_out(benched(made(**SHAPES[shape])), LENGTH)
    found = evaluate(plan, batches(plan), THETA, with_gradient=False)
    at = basis.expand(POINTS)
    for setup in range(len(plan.bench.names)):
        moments = Unit(plan, found, int(plan.unit[setup])).answer(setup, new_coffee)
        for exactly, tolerance in ((False, 1e-8), (True, 1e-4)):
            mean, cov, *_ = by_hand(plan, setup, new_coffee, exactly)
            np.testing.assert_allclose(at @ moments.mean, mean, atol=tolerance)
            np.testing.assert_allclose(at @ moments.cov @ at.T, cov, atol=tolerance)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("told", [False, True])
def test_the_gradient_is_that_of_finite_differences(shape, told):
    plan = laid_out(benched(made(**SHAPES[shape])), LENGTH)
    message = None
    if told:
        earlier = laid_out(gathered(made(seed=9)), LENGTH)
        message = hub_message(earlier, evaluate(earlier, batches(earlier), THETA), None)
    units = tuple(batches(plan))
    found = evaluate(plan, units, THETA, message)
    steps = 1e-5 * np.eye(len(THETA))
    ends = [[evaluate(plan, units, THETA + way * step, message).value for way in (1, -1)] for step in steps]
    slopes = [(up - down) / 2e-5 for up, down in ends]
    np.testing.assert_allclose(found.gradient, slopes, atol=1e-5)


def test_few_directions_lose_no_variance():
    """What a coffee's leading directions leave stays with its scores: the likelihood knows the whole variance."""
    bench = gathered(made(setups=1, coffees=1, machines=1))
    plan = laid_out(bench, LENGTH)
    coarse = replace(plan, directions=plan.directions[:, :0], left=np.diag(plan.weights))
    short = replace(coarse, size=coarse.starts["coffee"] + 2, **_cut(coarse))
    values = [evaluate(layout, batches(layout), THETA).value for layout in (plan, short)]
    assert values[0] == pytest.approx(values[1], abs=1e-8)


def _cut(plan):
    """Group, scale and mean of a layout whose blocks hold their level alone."""
    kept = plan.starts["coffee"] + np.arange(1)
    roast = plan.starts["roast"] + np.arange(1)
    index = np.concatenate([np.arange(plan.starts["coffee"]), kept, roast])
    starts = {**plan.starts, "roast": plan.starts["coffee"] + 1}
    return {"group": plan.group[index], "scale": plan.scale[index], "mean": plan.mean[index], "starts": starts}


def test_sines_stand_for_the_squared_exponential_where_they_are_asked():
    """Against scikit-learn's RBF kernel, over the ratios and times that espresso takes."""
    axis = np.linspace(-1.8, 1.8, 13)
    grid = np.column_stack([a.ravel() for a in np.meshgrid(axis, axis)])
    grid = grid[np.hypot(*grid.T) <= 1.8]
    phi = basis.functions(grid)[:, 2:]
    for length in basis.LENGTHS:
        sines = (phi * basis.weights(length)[2:]) @ phi.T
        assert np.abs(sines - RBF(length)(turned(grid))).max() <= (0.002 if length == (0.9, 0.9) else 0.04)


def test_with_one_part_the_answer_is_that_of_an_independent_gaussian_process(monkeypatch):
    """scikit-learn's GaussianProcessRegressor at the same length and variances: mean to 0.02, chances to 0.01."""
    monkeypatch.setattr(basis, "TILT", 1e-6)
    rng = np.random.default_rng(4)
    points = 0.7 * rng.normal(size=(25, 2))
    score = 6.3 - 3 * basis.fall(points) + 0.5 * np.sin(2 * points[:, 0]) + 0.5 * rng.normal(size=25)
    rows = pooled.SetupRows(
        *("s", "m", "c", "", ("", "")), score, points, np.arange(25), ("t",) * 25, ("",) * 25, np.zeros((25, 3))
    )
    theta = np.append(np.full(len(parts.NAMES), -12.0), 0.0)
    for name, sd in {"shared": 0.6, "noise": 0.5}.items():
        theta[parts.NAMES.index(name)] = np.log(sd)
    monkeypatch.setattr(parts, "CENTRE", (6.3, 1e-6))
    monkeypatch.setattr(parts, "FALL", (-3.0, 1e-6))
    plan = laid_out(gathered([rows]), LENGTH)
    moments = Unit(plan, evaluate(plan, batches(plan), theta, with_gradient=False), 0).answer(0)
    general = GaussianProcessRegressor(0.36 * RBF(LENGTH), alpha=0.25, optimizer=None)
    general.fit(turned(points), score - 6.3 + 3 * basis.fall(points))
    mean, sd = general.predict(turned(points), return_std=True)
    at = basis.expand(points)
    ours, own_sd = at @ moments.mean, np.sqrt(np.einsum("ij,jk,ik->i", at, moments.cov, at))
    np.testing.assert_allclose(ours, mean + 6.3 - 3 * basis.fall(points), atol=0.02)
    chances = [
        ndtr((m - 6.5) / np.sqrt(s**2 + 0.1)) for m, s in ((ours, own_sd), (mean + 6.3 - 3 * basis.fall(points), sd))
    ]
    np.testing.assert_allclose(*chances, atol=0.01)


def drawn(plan, rng):
    """Scores of the whole bench from the model itself, and the truth of setup 0 at POINTS for the typical taster."""
    V, across, own = joined(plan, 0)
    joint = np.block([[V, across.T], [across, own]])
    values = np.linalg.cholesky(joint + 1e-9 * np.eye(len(joint))) @ rng.normal(size=len(joint))
    values += np.concatenate([expected(plan.bench), before(POINTS)])
    return values[: len(V)], values[len(V) :]


def test_truths_drawn_from_the_model_fall_evenly_within_what_it_says_of_them():
    """Simulation-based calibration (Talts et al. 2018, from memory): ranks of truths among answers are uniform."""
    rng = np.random.default_rng(7)
    plan = laid_out(benched(made()), LENGTH)
    at = basis.expand(POINTS)
    ranks = []
    for _ in range(200):
        score, truth = drawn(plan, rng)
        again = replace(plan, bench=replace(plan.bench, value=score))
        found = evaluate(again, batches(again), THETA, with_gradient=False)
        moments = Unit(again, found, int(plan.unit[0])).answer(0)
        z = (truth - at @ moments.mean) / np.sqrt(np.diag(at @ moments.cov @ at.T))
        ranks.append(ndtr(z))
    for ranks_at_point in np.array(ranks).T:
        assert stats.kstest(ranks_at_point, "uniform").pvalue > 0.001


def test_the_scores_of_one_shot_are_no_repeats_of_it():
    """Twenty tastes of one shot leave its own luck in the answer; twenty shots do not."""

    def doubt(shot):
        n = len(shot)
        rows = pooled.SetupRows(
            *("s", "m", "c", "", ("", "")),
            *(np.full(n, 6.0), np.zeros((n, 2)), shot, tuple(f"t{i}" for i in range(n)), ("",) * n, np.zeros((n, 3))),
        )
        plan = laid_out(gathered([rows]), LENGTH)
        found = evaluate(plan, batches(plan), parts.start(), with_gradient=False)
        at = basis.expand(np.zeros((1, 2)))
        return float((at @ Unit(plan, found, 0).answer(0).cov @ at.T)[0, 0])

    one, many = doubt(np.zeros(20, dtype=np.int64)), doubt(np.arange(20))
    assert one - many == pytest.approx(0.35**2 * (1 - 1 / 20), rel=0.35)


def test_order_and_names_change_nothing():
    setups = made()
    before = pooled.learn(setups)
    renamed = [
        replace(
            rows,
            machine=rows.machine[::-1],
            coffee=f"no. {int(rows.coffee[-1]) * 7 % 5}",
            taster=tuple(name[::-1] for name in rows.taster),
            score=rows.score[::-1],
            points=rows.points[::-1],
            shot=rows.shot[::-1],
            session=rows.session[::-1],
            covariates=rows.covariates[::-1],
        )
        for rows in reversed(setups)
    ]
    renamed = [replace(rows, taster=rows.taster[::-1]) for rows in renamed]
    after = pooled.learn(renamed)
    at = basis.expand(POINTS)
    for name, known in before.setups.items():
        np.testing.assert_allclose(at @ known.mean, at @ after.setups[name].mean, atol=1e-6)
        sds = [np.sqrt(((at @ one.root) ** 2).sum(axis=1)) for one in (known, after.setups[name])]
        np.testing.assert_allclose(*sds, atol=1e-6)


def test_a_setup_that_nobody_tasted_is_answered_from_the_others_and_less_surely():
    setups = made()
    empty = replace(
        setups[0],
        name="new",
        score=np.empty(0),
        points=np.empty((0, 2)),
        shot=np.empty(0, dtype=np.int64),
        taster=(),
        session=(),
        covariates=np.empty((0, 3)),
        readings=None,
    )
    found = pooled.learn([*setups, empty])
    doubt = {name: float((known.root[0] ** 2).sum()) for name, known in found.setups.items()}
    assert doubt["new"] > doubt[setups[0].name]
    assert found.machines[setups[0].machine].root is not None


def test_points_that_stand_for_the_likely_ones_have_their_mean_and_covariance():
    spread = spread_of(gathered(made()))
    moved = [theta for _, theta in spread.points()]
    assert len(moved) == 16
    if len(spread.peaks) == 1:
        mean, cov = spread.summary()
        np.testing.assert_allclose(np.mean(moved, axis=0), mean, atol=0.05)
        np.testing.assert_allclose(np.cov(np.array(moved).T, bias=True), cov, atol=0.05)
    assert sum(spread.weights) == pytest.approx(1.0)


def test_part_of_a_bench_is_laid_out_as_if_nothing_else_had_been_recorded():
    bench = gathered(made(setups=12, machines=12, coffees=6))
    some = bench.only(np.array([0, 3, 5]))
    assert some.names == tuple(bench.names[i] for i in (0, 3, 5))
    assert set(some.machine) == set(range(3))
    assert laid_out(some, LENGTH).size < laid_out(bench, LENGTH).size
    np.testing.assert_array_equal(some.points, bench.points[np.isin(bench.setup, [0, 3, 5])])


def test_a_message_is_what_the_scores_told_of_the_hub_and_nothing_of_the_prior():
    bench = gathered(made())
    plan = laid_out(bench, LENGTH)
    found = evaluate(plan, batches(plan), THETA, with_gradient=False)
    message = hub_message(plan, found, None)
    prior = np.diag(plan.prior_sd(THETA)[:HUB] ** -2.0)
    root = np.sqrt(np.diag(prior))
    scaled = (message.precision + prior) / np.outer(root, root)
    np.testing.assert_allclose(scaled @ (root * found.u[:HUB]), message.told / root, atol=1e-8)
    nothing = evaluate(plan, batches(plan), THETA, Message.nothing(), with_gradient=False)
    assert nothing.value == pytest.approx(found.value, abs=1e-9)


def score_of_a_lucky_recipe(extraction, error_var):
    """What is expected at a recipe of which one shot was tasted, two points better than all others, and then read.

    Another setup of many readings tells what extraction is to be expected there: nothing unusual.
    """
    rng = np.random.default_rng(5)
    at = [np.vstack([np.zeros((6, 2)), [[0.5, 0.0]]]), 0.5 * rng.normal(size=(30, 2))]
    setups = []
    for number, points in enumerate(at):
        n = len(points)
        score, read, error = np.full(n, 6.0), np.zeros(n), np.full(n, 1e-4)
        if number == 0:
            score[-1], read[-1], error[-1] = 8.0, extraction, error_var
        setups.append(
            pooled.SetupRows(
                *(f"s{number}", f"m{number}", f"c{number}", "", ("", "")),
                *(score, points, np.arange(n), ("t",) * n, ("",) * n, np.zeros((n, 3))),
                pooled.Readings(read, points, np.arange(n), error, 1.0),
            )
        )
    theta = parts.start()
    theta[-1] = 1.0
    plan = laid_out(gathered(setups), LENGTH)
    found = evaluate(plan, batches(plan), theta, with_gradient=False)
    number = plan.bench.names.index("s0")
    answer = Unit(plan, found, int(plan.unit[number])).answer(number)
    return float((basis.expand(np.array([[0.5, 0.0]])) @ answer.mean)[0])


def test_a_shot_that_tasted_better_because_it_extracted_more_does_not_raise_the_recipe():
    assert score_of_a_lucky_recipe(2.0, 1e-4) < score_of_a_lucky_recipe(0.0, 1e-4) - 0.2


def test_a_reading_that_may_be_anything_is_worth_nothing_and_an_unsure_one_little():
    """A plug-in of the reading would believe it whole."""
    sure, unsure, nothing = (score_of_a_lucky_recipe(2.0, error_var) for error_var in (1e-4, 1.0, 1e9))
    assert sure < unsure - 0.05 < nothing - 0.1
    assert nothing == pytest.approx(score_of_a_lucky_recipe(-2.0, 1e9), abs=1e-4)


def test_readings_teach_the_effect_of_extraction():
    rng = np.random.default_rng(3)
    setups = []
    for number in range(10):
        departure, shot = rng.normal(size=12), np.repeat(np.arange(12), 3)
        score = 6.0 + departure[shot] + 0.3 * rng.normal(size=12)[shot] + 0.6 * rng.normal(size=36)
        points = 0.4 * rng.normal(size=(12, 2))
        error = np.full(12, 0.01)
        setups.append(
            pooled.SetupRows(
                *(f"s{number}", f"m{number}", f"c{number % 3}", "", ("", "")),
                *(score - 2 * (points**2).sum(axis=1)[shot], points[shot], shot, tuple("abc" * 12), ("",) * 36),
                *(np.zeros((36, 3)), pooled.Readings(departure, points, np.arange(12), error, 1.0)),
            )
        )
    assert spread_of(gathered(setups)).best.theta[-1] == pytest.approx(1.0, abs=0.15)


def renamed(setups, suffix):
    """The same kind of bench somewhere else: no machine, coffee, taster or kind is shared."""
    return [
        replace(
            rows,
            name=rows.name + suffix,
            machine=rows.machine + suffix,
            coffee=rows.coffee + suffix,
            roast="",
            kinds=tuple(kind + suffix if kind else "" for kind in rows.kinds),
            taster=tuple(name + suffix for name in rows.taster),
            covariates=np.zeros_like(rows.covariates),
            readings=None,
        )
        for rows in setups
    ]


def told_by(setups, before=None):
    plan = laid_out(gathered(setups), LENGTH)
    found = evaluate(plan, batches(plan), THETA, before, with_gradient=False)
    return hub_message(plan, found, before), found


def test_two_benches_at_once_tell_what_one_tells_after_the_other_and_what_their_messages_add_up_to(monkeypatch):
    """At the same standard deviations and with all directions of every surface, to 1e-6."""
    monkeypatch.setattr(basis, "leading", lambda points, length, most: np.diag(np.sqrt(basis.weights(length))))
    a, b = renamed(made(seed=3), " of A"), renamed(made(seed=4), " of B")
    both, at_once = told_by([*a, *b])
    first, _ = told_by(a)
    after, in_turn = told_by(b, first)
    second, _ = told_by(b)
    np.testing.assert_allclose(in_turn.u[:HUB], at_once.u[:HUB], atol=1e-6)
    np.testing.assert_allclose(in_turn.P[:HUB, :HUB], at_once.P[:HUB, :HUB], atol=1e-6)
    size = np.abs(both.precision).max()
    np.testing.assert_allclose(after.precision, both.precision, atol=1e-6 * size)
    np.testing.assert_allclose(first.precision + second.precision, both.precision, atol=1e-6 * size)
    np.testing.assert_allclose(first.told + second.told, both.told, atol=1e-6 * np.abs(both.told).max())


def test_standard_deviations_told_by_another_bench_take_the_place_of_the_stated_prior():
    mean, cov = THETA + 0.3, 0.01 * np.eye(len(THETA))
    prior = pooled.Prior.told(mean, cov)
    value, gradient = prior.log_density(mean)
    assert value == 0.0
    np.testing.assert_allclose(gradient, 0.0, atol=1e-12)
    assert prior.log_density(mean + 0.1)[0] == pytest.approx(-0.5 * len(THETA) * 0.01 / (0.01 + 0.15**2))


def test_the_stated_prior_as_a_normal_density_has_its_mode_and_curvature():
    """By differences of the gradient of the stated density; of the half-normal that of scipy, in the log."""
    mode, var = parts.log_prior_peak()
    assert np.abs(parts.log_prior(mode)[1]).max() < 1e-12
    for at in range(len(mode)):
        step = np.where(np.arange(len(mode)) == at, 1e-5, 0.0)
        bend = (parts.log_prior(mode + step)[1] - parts.log_prior(mode - step)[1]) / 2e-5
        assert bend[at] == pytest.approx(-1 / var[at], rel=1e-6)
    logs = mode[0] + np.array([-1e-3, 0.0, 1e-3])
    low, here, high = stats.halfnorm(scale=parts.HALF_NORMAL["shared"]).logpdf(np.exp(logs)) + logs
    assert (low - 2 * here + high) / 1e-6 == pytest.approx(-1 / var[0], rel=1e-4)


def bench_of(rng, prior, sds):
    """What one bench finds of normal unknowns: its posterior, the prior in it."""
    mean, var = prior
    precision = np.diag(1 / var)
    told = np.linalg.qr(rng.normal(size=(len(mean), len(mean))))[0]
    learned = told @ np.diag(sds**-2.0) @ told.T
    shift = precision @ mean + learned @ (mean + 0.1 * rng.normal(size=len(mean)))
    return np.linalg.solve(precision + learned, shift), np.linalg.inv(precision + learned), learned, shift


def test_the_common_prior_of_several_benches_is_counted_once():
    """Against the product of their normal likelihoods with one prior, written down."""
    rng = np.random.default_rng(3)
    mean, var = parts.log_prior_peak()
    benches = [bench_of(rng, (mean, var), rng.uniform(0.2, 2.0, len(mean))) for _ in range(3)]
    found, cov = parts.joined([one[0] for one in benches], [one[1] for one in benches], [1.0, 1.0, 1.0])
    precision = np.diag(1 / var) + sum(one[2] for one in benches)
    due = np.linalg.solve(precision, sum(one[3] for one in benches) - 2 * mean / var)
    limits = np.array([one[0] for one in benches])
    np.testing.assert_allclose(cov, np.linalg.inv(precision), rtol=1e-8)
    np.testing.assert_allclose(found, np.clip(due, limits.min(axis=0), limits.max(axis=0)), atol=1e-8)
    assert np.isclose(found, due).sum() > len(mean) / 2  # most are not held


def test_one_bench_alone_is_itself_and_one_that_learned_nothing_adds_nothing():
    rng = np.random.default_rng(4)
    prior = parts.log_prior_peak()
    mean, cov, *_ = bench_of(rng, prior, rng.uniform(0.2, 2.0, len(prior[0])))
    nothing = np.diag(prior[1])
    for means, covs in (([mean], [cov]), ([mean, *[prior[0]] * 20], [cov, *[nothing] * 20])):
        found, together = parts.joined(means, covs, [1.0] * len(means))
        np.testing.assert_allclose(found, mean, atol=1e-8)
        np.testing.assert_allclose(together, cov, rtol=1e-7, atol=1e-10)


def tasted_by_all(part, sd, seed=8):
    """Twelve setups of eight shots on a hill, each by four tasters; one part differs much, the others little."""
    rng = np.random.default_rng(seed)
    of_taster = rng.normal(size=4) * (sd if part == "taster" else 0.1)
    of_coffee = rng.normal(size=(5, 4)) * (sd if part == "taster x coffee" else 0.1)
    setups = []
    for number in range(12):
        points, coffee = 0.6 * rng.normal(size=(8, 2)), number % 5
        luck = rng.normal(size=8) * (sd if part == "shot" else 0.15)
        worth = 7.0 - (points**2).sum(axis=1) + luck
        score = worth[:, None] + of_taster + of_coffee[coffee] + 0.6 * rng.normal(size=(8, 4))
        setups.append(
            pooled.SetupRows(
                name=f"setup {number}",
                machine=f"machine {number}",
                coffee=f"coffee {coffee}",
                roast="",
                kinds=("", ""),
                score=score.ravel(),
                points=np.repeat(points, 4, axis=0),
                shot=np.repeat(np.arange(8), 4),
                taster=tuple("ABCD" * 8),
                session=("",) * 32,
                covariates=np.zeros((32, 3)),
            )
        )
    return setups


@pytest.mark.parametrize(("part", "sd"), [("taster", 1.0), ("taster x coffee", 0.9), ("shot", 0.9)])
def test_a_part_that_differs_much_is_found_and_the_others_are_not_taken_for_it(part, sd):
    learned = pooled.learn(tasted_by_all(part, sd))
    found = dict(zip(parts.NAMES, np.exp(learned.spread.summary()[0]), strict=False))
    assert 0.6 * sd < found[part] < 1.6 * sd
    assert found["noise"] == pytest.approx(0.6, rel=0.2)
    for other in {"taster x coffee", "shot"} - {part}:
        assert found[other] < 0.5 * sd


def best_of(known, seed=1):
    """Where the surface is highest on a grid, coded, and how far apart 200 draws put it."""
    axis = np.linspace(-1.2, 1.2, 25)
    grid = np.column_stack([side.ravel() for side in np.meshgrid(axis, axis)])
    columns = basis.expand(grid)
    normal = np.random.default_rng(seed).standard_normal((200, known.root.shape[1]))
    drawn = grid[np.argmax(columns @ known.mean + normal @ (columns @ known.root).T, axis=1)]
    return grid[np.argmax(columns @ known.mean)], np.sqrt(drawn.var(axis=0).sum())


def test_what_is_recommended_without_the_readings_differs_by_less_than_its_own_doubt():
    rng = np.random.default_rng(6)
    setups = []
    for rows in tasted_by_all("shot", 0.2):
        departure = rng.normal(size=8)
        told = 0.7 * departure[rows.shot]
        readings = pooled.Readings(
            departure[:6] + 0.1 * rng.normal(size=6), rows.points[::4][:6], np.arange(6), np.full(6, 0.01), 1.0
        )
        setups.append(replace(rows, score=rows.score + told, readings=readings))
    read, unread = pooled.learn(setups), pooled.learn([replace(rows, readings=None) for rows in setups])
    moves, doubts = [], []
    for name in read.setups:
        (here, doubt), (there, _) = best_of(read.setups[name]), best_of(unread.setups[name])
        moves.append(np.linalg.norm(here - there))
        doubts.append(doubt)
    assert 0 < np.mean(moves) < np.mean(doubts)


def test_what_coffees_change_and_the_rest_are_together_the_whole_doubt_of_a_new_coffee(monkeypatch):
    setups = tasted_by_all("shot", 0.2)
    setups = [replace(rows, score=rows.score + 0.4 * (int(rows.coffee[-1]) - 2)) for rows in setups]
    parted = pooled.learn(setups)
    monkeypatch.setattr(pooled, "FEWEST_COFFEES", 99)
    whole = pooled.learn(setups)
    at = basis.expand(POINTS)
    between = ((parted.coffees @ at.T) ** 2).mean(axis=0)
    for name, known in whole.machines.items():
        total = ((at @ known.root) ** 2).sum(axis=1)
        rest = ((at @ parted.machines[name].root) ** 2).sum(axis=1)
        assert (between > 0.3 * total).all()
        np.testing.assert_allclose(rest + between, total, rtol=0.1)
