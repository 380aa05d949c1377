"""Runs to add, against exhaustive searches, standard designs and the continuous optimum, and against brute force."""

from itertools import combinations_with_replacement, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tastefield.errors import FitError
from tastefield.stats import exchange
from tastefield.stats.second_order import factor_names, factors_of, model_matrix, terms_for


def quadratic(points):
    points = np.asarray(points, dtype=float)
    return model_matrix(points, terms_for(2, points.shape[1]))


def grid(k, levels=(-1, 0, 1)):
    return np.array(list(product(levels, repeat=k)), dtype=float)


def cube_moments(k):
    """Exact mean of ff' over [-1, 1]^k: an even power a of a factor has the mean 1 / (a + 1), an odd one 0."""
    factors = [factors_of(term) for term in terms_for(2, k)]

    def mean(parts):
        powers = [parts.count(name) for name in factor_names(k)]
        return np.prod([(a + 1) % 2 / (a + 1) for a in powers])

    return np.array([[mean(a + b) for b in factors] for a in factors])


def sets_of(points):
    return sorted(map(tuple, np.round(points, 9) + 0.0))


@pytest.mark.parametrize("n", range(6, 13))
def test_six_to_twelve_runs_on_nine_points_are_as_good_as_the_exhaustive_search_found(case, n):
    c = case("doe_exact_small")
    e = c.expected[f"n{n}"]
    X, region = quadratic(c.column("x1", "x2")), cube_moments(2)
    best = exchange.add_runs(X, n, "D", region=region)
    assert np.exp(best.criteria.log_det) == c.near(e["D_best_det_XtX"])
    assert np.exp(best.criteria.log_det / 6) / n == c.near(e["D_value"])
    best = exchange.add_runs(X, n, "I", region=region)
    assert best.criteria.average_variance == c.near(e["I_best_average_variance"])
    assert best.reached > 10
    for counts, det, average in (
        (e["D_one_best_counts"], e["D_best_det_XtX"], e["D_average_variance_of_that"]),
        (e["I_one_best_counts"], e["I_det_of_that"], e["I_best_average_variance"]),
    ):
        found = exchange.criteria(np.repeat(X, counts, axis=0), region)
        assert [np.exp(found.log_det), found.average_variance] == c.near([det, average])


@pytest.fixture
def started(case):
    """Seven runs pulled and 49 candidates: the case, the model rows of both, the candidates' points."""
    c = case("doe_augment")
    points, have = c.column("x1", "x2"), np.array(c.text("role")) == "have"
    return c, quadratic(points[have]), quadratic(points[~have]), points[~have]


@pytest.mark.parametrize("runs", [1, 2, 3])
def test_one_to_three_runs_added_to_seven_are_those_of_the_exhaustive_search(started, runs):
    c, have, candidates, points = started
    e = c.expected[f"add{runs}"]
    best = exchange.add_runs(candidates, runs, "D", have, cube_moments(2))
    found = [best.criteria.log_det, best.criteria.average_variance]
    assert found == c.near([e["D_best_log_det"], e["D_average_variance_of_best"]])
    assert [sets_of(points[best.index])] == [sets_of(s) for s in e["D_best_sets"]]
    best = exchange.add_runs(candidates, runs, "I", have, cube_moments(2))
    found = [best.criteria.log_det, best.criteria.average_variance]
    assert found == c.near([e["I_log_det_of_best"], e["I_best_average_variance"]])
    assert [sets_of(points[best.index])] == [sets_of(s) for s in e["I_best_sets"]]


def test_the_start_is_judged_as_in_the_reference(started):
    c, have, candidates, _ = started
    e = c.expected["start"]
    found = exchange.criteria(have, cube_moments(2))
    assert [found.log_det, found.average_variance] == c.near([e["log_det"], e["average_variance"]])
    at = [exchange.criteria(have, exchange.region_moments(row[None])).average_variance for row in candidates]
    assert at == c.near(e["variance_at_candidates"])


def test_adding_one_run_four_times_follows_the_path_of_the_reference(started):
    c, have, candidates, points = started
    e = c.expected["greedy_D"]
    for point, variance in zip(e["x"], e["variance_before"], strict=True):
        before = exchange.criteria(have).log_det
        best = exchange.add_runs(candidates, 1, "D", have)
        assert points[best.index].tolist() == [point]
        assert np.expm1(best.criteria.log_det - before) == c.near(variance)
        have = np.vstack([have, candidates[best.index]])
    assert exchange.criteria(have).log_det == c.near(e["log_det_after_4"])


def test_standard_designs_are_judged_as_in_the_reference(case):
    c = case("doe_known_designs")
    label = np.array(c.text("design"))
    for name, e in c.expected["designs"].items():
        k = e["factors"]
        rows = [r for r, here in zip(c.rows, label == name, strict=True) if here]
        X = quadratic([[float(r[f"x{i + 1}"]) for i in range(k)] for r in rows])
        found = exchange.criteria(X, cube_moments(k))
        assert [found.log_det, found.average_variance] == c.near([e["log_det_XtX"], e["average_variance_cube"]])
        assert np.exp(found.log_det / e["p"]) / len(X) == c.near(e["D"])
        trace = exchange.criteria(X, np.eye(e["p"])).average_variance
        centre = exchange.criteria(X, exchange.region_moments(quadratic(np.zeros((1, k))))).average_variance
        assert [trace, centre] == c.near([e["A_trace_inverse"], e["variance_at_centre"]])


def test_the_best_six_runs_in_two_factors_are_found_among_candidates_that_hold_them(case):
    # Box and Draper (1971): with a = (4 - sqrt(13)) / 3 no six runs in the square are better
    c = case("doe_known_designs")
    a = (4 - np.sqrt(13)) / 3
    best = exchange.add_runs(quadratic(grid(2, (-1, -3 * a, -a, 0, a, 3 * a, 1))), 6, "D")
    assert best.criteria.log_det == c.near(c.expected["designs"]["box_draper_6"]["log_det_XtX"])


@pytest.mark.parametrize(("k", "n"), [(1, 12), (2, 48), (3, 48)])
def test_many_runs_come_close_to_the_continuous_optimum_and_never_pass_it(case, k, n):
    c = case("doe_known_designs")
    bound = c.expected["continuous_D_optimum_cube"][f"k{k}"]["D"]
    X = quadratic(grid(k))
    found = np.exp(exchange.add_runs(X, n, "D").criteria.log_det / X.shape[1]) / n
    assert 0.99 * bound < found <= bound * (1 + c.tolerance["continuous_relative"])
    if k == 1:  # a third of the runs at each of three points, and 12 can be divided by 3
        assert found == c.near(bound, "continuous_relative")


def random_problem(seed, m, n0):
    """Candidates, runs pulled (odd seeds: in a row, so of low rank), and few or many points of a region."""
    rng = np.random.default_rng(seed)
    candidates, have = rng.uniform(-1, 1, (m, 2)), rng.uniform(-1, 1, (n0, 2))
    if seed % 2:
        have[:, 1] = have[:, 0]
    region = rng.uniform(-1, 1, (4 if seed % 3 else 30, 2))
    return quadratic(candidates), quadratic(have), quadratic(region)


@pytest.mark.parametrize("n0", [0, 2, 4, 7])
@pytest.mark.parametrize("seed", range(6))
def test_no_set_of_candidates_is_better_than_the_one_found(seed, n0):
    # second route: every multiset, X'X summed and inverted, variances averaged point by point
    candidates, have, region = random_problem(seed, 9, n0)
    known = np.linalg.matrix_rank(have) if n0 else 0
    runs = max(6 - known, 2)
    sets = np.array(list(combinations_with_replacement(range(len(candidates)), runs)))
    added = candidates[sets]
    M = have.T @ have + np.einsum("sni,snj->sij", added, added)
    log_det = np.linalg.slogdet(M)[1]
    regular = log_det > -25  # below it is rounding: repeats have left a direction open
    average = np.full(len(sets), np.inf)
    average[regular] = np.einsum("qi,sij,qj->s", region, np.linalg.inv(M[regular]), region) / len(region)
    moments = exchange.region_moments(region)
    for criterion, best in (("D", np.argmax(log_det)), ("I", np.argmin(average))):
        found = exchange.add_runs(candidates, runs, criterion, have, moments)
        assert found.criteria.log_det == pytest.approx(log_det[best], abs=1e-7)
        assert found.criteria.average_variance == pytest.approx(average[best], rel=1e-7)
        assert sorted(found.index) == sets[best].tolist()


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(6, 12))
def test_the_gain_of_an_exchange_is_that_of_the_design_judged_anew(seed, n):
    candidates, X, region = random_problem(2 * seed, 8, n + 3)
    moments = exchange.region_moments(region)
    inverse, before = np.linalg.inv(X.T @ X), exchange.criteria(X, moments)
    by_det = exchange.gains(inverse, X, candidates)
    by_average = exchange.gains(inverse, X, candidates, moments)
    added = exchange.gains(inverse, np.zeros((1, 6)), candidates, moments)
    for j, row in enumerate(candidates):
        after = exchange.criteria(np.vstack([X, row]), moments)
        assert added[0, j] == pytest.approx(np.log(before.average_variance / after.average_variance), abs=1e-6)
        for i in range(len(X)):
            after = exchange.criteria(np.vstack([np.delete(X, i, axis=0), row]), moments)
            assert by_det[i, j] == pytest.approx(after.log_det - before.log_det, abs=1e-6)
            assert by_average[i, j] == pytest.approx(np.log(before.average_variance / after.average_variance), abs=1e-6)


def test_an_exchange_that_leaves_a_coefficient_open_is_never_made():
    line = np.array([[1.0, -1.0], [1.0, 1.0]])
    inverse = np.linalg.inv(line.T @ line)
    for moments in (None, np.eye(2)):
        gain = exchange.gains(inverse, line, line, moments)
        np.testing.assert_allclose(np.diag(gain), 0.0, atol=1e-12)
        assert gain[0, 1] == gain[1, 0] == -np.inf
    assert exchange.criteria(line[[0, 0]], np.eye(2)) == exchange.Criteria(-np.inf, np.inf)


def test_a_gain_greater_than_rounding_can_tell_is_great_and_not_missing():
    almost_one = np.linalg.inv([[1.0, 0.0], [1.0, 1e-9]])
    inverse = almost_one @ almost_one.T
    slopes = np.column_stack([np.ones(50), np.linspace(-1, 1, 50)])
    gain = exchange.gains(inverse, np.zeros((1, 2)), slopes, np.eye(2))
    assert np.isfinite(gain).all()
    assert gain.min() > 20


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), criterion=st.sampled_from("DI"))
def test_the_order_of_candidates_and_of_runs_pulled_changes_nothing_even_among_ties(seed, criterion):
    rng = np.random.default_rng(seed)
    candidates, region = quadratic(grid(2)), cube_moments(2)  # eight turns and mirrors of every set are as good
    have = candidates[rng.integers(9, size=4)]
    best = exchange.add_runs(candidates, 5, criterion, have, region, starts=3)
    order, twice = rng.permutation(9), rng.integers(9, size=3)
    shuffled = np.vstack([candidates[order], candidates[twice]])
    shuffled[(shuffled == 0) & (rng.random(shuffled.shape) < 0.5)] = -0.0
    other = exchange.add_runs(shuffled, 5, criterion, have[rng.permutation(4)], region, starts=3)
    np.testing.assert_array_equal(shuffled[other.index], candidates[best.index])
    assert other.criteria == best.criteria
    assert other.reached == best.reached
    assert max(other.index) < 9  # the first of equal rows stands for all


@pytest.mark.parametrize("seed", range(3))
def test_of_equally_good_designs_the_one_whose_rows_come_first_is_given(case, seed):
    X = quadratic(grid(2))
    e = case("doe_exact_small").expected["n7"]
    sets = np.array(list(combinations_with_replacement(range(9), 7)))
    det = np.linalg.det(np.einsum("sni,snj->sij", X[sets], X[sets]))
    tied = sets[det > e["D_best_det_XtX"] - 0.5]
    assert len(tied) == e["D_number_of_best"]
    order = np.lexsort(X.T[::-1])  # of the rows, not of the points
    first = min(tuple(sorted(np.argsort(order)[s])) for s in tied)
    assert exchange.add_runs(X, 7, "D", seed=seed).index.tolist() == order[list(first)].tolist()


def test_rounding_does_not_choose_between_ties():
    # factors above zero keep the order of the rows, and so every tie
    X, units = quadratic(grid(2)), np.array([0.3, 1.7, 0.9, 11.0, 1.3, 0.07])
    region = cube_moments(2)
    for criterion, n in product("DI", range(6, 13)):
        best = exchange.add_runs(X, n, criterion, region=region, starts=1)
        other = exchange.add_runs(X * units, n, criterion, region=region * np.outer(units, units), starts=1)
        assert other.index.tolist() == best.index.tolist()


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_units_of_the_columns_change_no_run(started, criterion):
    _, have, candidates, _ = started
    turn = np.triu(np.ones((6, 6))) * [1e-12, 1e4, 1.0, 50.0, 1e6, 1e-2]
    moments = cube_moments(2)
    best = exchange.add_runs(candidates, 3, criterion, have, moments)
    other = exchange.add_runs(candidates @ turn, 3, criterion, have @ turn, turn.T @ moments @ turn)
    assert sorted(other.index) == sorted(best.index)
    assert other.criteria.average_variance == pytest.approx(best.criteria.average_variance, rel=1e-8)


def test_the_same_seed_gives_the_same_and_more_starts_never_give_worse():
    X, region = quadratic(grid(3)), cube_moments(3)
    found = [exchange.add_runs(X, 13, "I", region=region, starts=n, seed=4) for n in (1, 5, 20, 20)]
    average = [f.criteria.average_variance for f in found]
    assert average[0] * (1 + 1e-9) >= average[1] >= average[2] * (1 - 1e-9)
    np.testing.assert_array_equal(found[2].index, found[3].index)
    assert found[2].reached == found[3].reached
    assert found[0].reached == 1 <= found[2].reached < 20


@pytest.mark.parametrize("missing", range(9))
def test_runs_already_pulled_count_and_are_neither_dropped_nor_pulled_again(missing):
    candidates = quadratic(grid(2))
    have = np.delete(candidates, missing, axis=0)
    given = have.copy()
    best = exchange.add_runs(candidates, 1, "D", have)
    assert best.index.tolist() == [missing]
    assert np.exp(best.criteria.log_det) == pytest.approx(5184)  # of the whole 3x3 grid
    np.testing.assert_array_equal(have, given)


@pytest.mark.parametrize("off", [1e-4, 1e-5, 2e-6, 1e-7, 1e-9, 0.0])
@pytest.mark.parametrize("criterion", ["D", "I"])
def test_runs_pulled_that_are_all_but_in_a_row_do_not_mislead(criterion, off):
    rng = np.random.default_rng(8)
    plane = model_matrix(rng.uniform(-1, 1, (12, 2)), terms_for(1, 2))
    have = model_matrix([[-1, off], [0.1, 0.0], [0.9, off], [1.0, 0.0]], terms_for(1, 2))
    region = exchange.region_moments(plane)
    designs = [exchange.criteria(np.vstack([have, row]), region) for row in plane]
    best = exchange.add_runs(plane, 1, criterion, have, region).index.tolist()
    if criterion == "D":
        assert best == [np.argmax([d.log_det for d in designs])]
    else:
        assert best == [np.argmin([d.average_variance for d in designs])]


def test_runs_pulled_outside_the_candidates_and_repeats_of_them_are_used_as_they_are():
    # the candidates alone, on one line, could not determine the plane
    plane = np.array([[1.0, -1.0, 0.0], [1.0, 1.0, 0.0], [1.0, 0.0, 0.0]])
    have = np.array([[1.0, 0.0, 1.0]] * 3)
    best = exchange.add_runs(plane, 2, "D", have)
    assert best.index.tolist() == [0, 1]
    assert best.criteria.log_det == pytest.approx(exchange.criteria(np.vstack([have, plane[:2]])).log_det)


def test_a_candidate_is_repeated_where_that_is_best():
    line = np.array([[1.0, -1.0], [1.0, 0.0], [1.0, 1.0]])
    assert exchange.add_runs(line, 6, "D").index.tolist() == [0, 0, 0, 2, 2, 2]
    middle = exchange.region_moments(line[1:2])  # only the middle matters, and both ends together tell it as well
    assert exchange.add_runs(line, 4, "I", region=middle).criteria.average_variance == pytest.approx(1 / 4)


def test_too_few_runs_are_refused_with_the_number_that_is_needed():
    X = quadratic(grid(2))
    with pytest.raises(FitError, match=r"too few runs\n.*determine 0 of 6 coefficients, and 5.*\n.*Add 6 or more"):
        exchange.add_runs(X, 5, "D")
    in_a_row = quadratic([[-1, -1], [0, 0], [1, 1], [0.5, 0.5]])
    with pytest.raises(FitError, match=r"determine 3 of 6 coefficients, and 2.*\n.*Add 3 or more"):
        exchange.add_runs(X, 2, "D", in_a_row)
    assert np.isfinite(exchange.add_runs(X, 3, "D", in_a_row).criteria.log_det)


def test_runs_that_differ_by_less_than_a_millionth_of_the_candidates_count_as_the_same():
    plane = model_matrix(grid(2), terms_for(1, 2))
    for step, enough in ((1e-4, True), (1e-9, False)):
        have = model_matrix([[0, 0], [0, step], [step, 0]], terms_for(1, 2))
        if enough:
            assert exchange.add_runs(plane, 1, "I", have, exchange.region_moments(plane)).criteria.log_det < 0
        else:
            with pytest.raises(FitError, match="determine 1 of 3 coefficients"):
                exchange.add_runs(plane, 1, "D", have)


def test_candidates_that_can_never_determine_the_model_are_refused():
    two_levels = quadratic(grid(2, (-1, 1)))
    with pytest.raises(FitError, match=r"cannot determine the model\n.*4 of 6 coefficients"):
        exchange.add_runs(two_levels, 20, "D")
    with pytest.raises(FitError, match="1 of 2 coefficients"):
        exchange.add_runs([[1.0, 0.0], [1.0, 0.0]], 2, "D")
    with pytest.raises(FitError, match="cannot determine the model"):
        exchange.add_runs(np.empty((0, 6)), 6, "D")


def test_all_faults_of_the_input_are_told_at_once():
    bad = np.array([[1.0, np.nan], [1.0, np.inf]])
    with pytest.raises(FitError) as caught:
        exchange.add_runs(bad, 0, "E", have=[1.0], region=np.eye(3), starts=0)
    assert [p.what for p in caught.value.problems] == [
        "candidates: missing or infinite",
        "runs pulled: not a table",
        "the moments are not those of this model",
        "unknown criterion 'E'",
        "no runs",
        "no starts",
    ]
    with pytest.raises(FitError, match="not a table"):
        exchange.add_runs(3.0, 1, "D")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"have": np.ones((2, 3))}, "different models"),
        ({"have": []}, "runs pulled: not a table"),
        ({"criterion": "I"}, "no region"),
        ({"region": [[1.0, 2.0], [0.0, 1.0]]}, "no region has these moments"),
        ({"region": [[1.0, 0.0], [0.0, -1.0]]}, "no region has these moments"),
        ({"region": np.zeros((2, 2))}, "no region has these moments"),
        ({"region": [[1.0, np.nan], [0.0, 1.0]]}, "missing or infinite moments"),
        ({"region": [1.0, 2.0]}, "not those of this model"),
    ],
)
def test_each_fault_is_told_in_words(change, told):
    line = [[1.0, -1.0], [1.0, 1.0]]
    with pytest.raises(FitError, match=told):
        exchange.add_runs(**{"candidates": line, "runs": 2, "criterion": "D", **change})


def test_a_region_or_a_design_of_the_wrong_shape_is_refused():
    for rows, told in ((np.empty((0, 2)), "empty"), ([1.0, 2.0], "not a table"), ([[np.nan]], "missing")):
        with pytest.raises(FitError, match=told):
            exchange.region_moments(rows)
    with pytest.raises(FitError, match="not a table"):
        exchange.criteria(1.0)
    with pytest.raises(FitError, match="not those of this model"):
        exchange.criteria([[1.0]], np.eye(2))
