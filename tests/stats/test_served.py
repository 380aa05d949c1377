"""What it tells of a shot that nobody scored it: told from habit, and believed by how much it is likelier."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import integrate, special, stats

from tastefield.stats import pooled
from tastefield.stats.pooled import basis, parts, search, served
from tastefield.stats.pooled.answer import Unit
from tastefield.stats.pooled.evidence import evaluate
from tastefield.stats.pooled.layout import batches, laid_out, local_masks, local_parts, unit_of
from tastefield.stats.pooled.rows import NOTHING_TOLD, gathered
from tastefield.stats.pooled.served import Before, Served

LENGTH = basis.LENGTHS[0]


def bench_of(served_if, seed, setups=24, coffees=8, shots=12):
    """Roofs, unlike any sum of sines; coffees and setups differ in level. ``served_if(liked, points, turn, luck)``."""
    rng = np.random.default_rng(seed)
    tops, levels = 0.35 * rng.normal(size=(coffees, 2)), 0.7 * rng.normal(size=coffees)
    made, liked_of = [], {}
    for number in range(setups):
        coffee = number % coffees
        points = np.column_stack([0.5 * rng.normal(size=shots), 0.6 * rng.normal(size=shots)])
        liked = 7.2 + levels[coffee] + 0.4 * rng.normal() - 1.5 * np.abs(points - tops[coffee]).sum(axis=1)
        shot = np.clip(liked + 0.3 * rng.normal(size=shots), 1.0, 9.0)
        turn = np.linspace(-0.5, 0.5, shots)
        is_served = served_if(shot, points, turn, rng.random(shots))
        scores = np.clip(shot + 0.6 * rng.normal(size=(2, shots)), 1.0, 9.0)[:, is_served]
        n = scores.size
        name = f"s{number}"
        liked_of[name] = (points, np.clip(liked, 1.0, 9.0))
        made.append(
            pooled.SetupRows(
                *(name, f"m{number // 2}", f"c{coffee}", "", ("", "")),
                score=scores.ravel(),
                points=np.tile(points[is_served], (2, 1)),
                shot=np.tile(np.flatnonzero(is_served), 2),
                taster=("ana",) * (n // 2) + ("ben",) * (n // 2),
                session=("",) * n,
                covariates=np.zeros((n, 3)),
                off=np.zeros(n),
                pulled=pooled.Pulled(points, np.arange(shots), is_served, turn, np.zeros(shots), np.zeros((shots, 3)))
                if is_served.any()
                else None,
            )
        )
    return made, liked_of


def poor_poured_away(liked, points, turn, luck):
    return luck < special.expit(2.5 * (liked - 5.5))


def late_ones(liked, points, turn, luck):
    return luck < special.expit(6.0 * turn)


def usual_times(liked, points, turn, luck):
    return luck < np.exp(-np.abs(points[:, 1]) / 0.5)


def whatever(liked, points, turn, luck):
    return luck < 0.5


def error(learned, truth):
    """What is expected less what is liked, over all shots that ran."""
    found = []
    for name, (points, liked) in truth.items():
        known = learned.setups[name]
        expected = pooled.appeal.score_of(basis.expand(basis.inside(points - known.shift)) @ known.mean)
        found.append(expected - liked)
    return np.concatenate(found)


@pytest.mark.parametrize("seed", [1, 2])
def test_poor_shots_poured_away_are_found_and_what_is_expected_comes_nearer_the_truth(seed):
    rows, truth = bench_of(poor_poured_away, seed)
    learned = pooled.learn(rows)
    assert learned.served.tells
    assert learned.served.per_point == pytest.approx(2.5, abs=1.2)
    even = parts.CENTRE[0] - np.median(learned.served.habit) / learned.served.per_point
    assert even == pytest.approx(5.5, abs=0.5)
    believed = error(learned, truth)
    at_their_word = error(pooled.learn([replace(one, pulled=None) for one in rows]), truth)
    assert at_their_word.mean() > 0.2  # else nothing is shown
    assert abs(believed.mean()) < 0.5 * at_their_word.mean()
    assert (believed**2).mean() < 0.8 * (at_their_word**2).mean()


@pytest.mark.parametrize("habit", [late_ones, usual_times, whatever])
def test_habit_is_not_taken_for_taste_and_then_nothing_changes(habit):
    rows, _ = bench_of(habit, 3)
    learned = pooled.learn(rows)
    assert not learned.served.tells
    without = pooled.learn([replace(one, pulled=None) for one in rows])
    assert all((learned.setups[name].mean == without.setups[name].mean).all() for name in without.setups)


def test_where_every_shot_was_scored_nothing_is_asked(monkeypatch):
    rows, _ = bench_of(lambda liked, *_: liked > 0, 5, setups=4)
    monkeypatch.setattr(served, "asked", None)
    assert not pooled.learn(rows).served.tells


def asked_at(rows, errors=NOTHING_TOLD, values=6.0):
    """A bench whose rows of being served have these values and errors, and what is expected of their shots before."""
    bench = gathered(rows)
    rows_served = bench.served != 0
    value, error_var = bench.value.copy(), bench.error_var.copy()
    value[rows_served], error_var[rows_served] = values, errors
    bench = replace(bench, value=value, error_var=error_var)
    return bench, served.before(bench, bench, parts.start(), None, LENGTH)


def test_what_is_expected_before_does_not_hang_on_the_row_itself_but_on_all_others():
    rows, _ = bench_of(poor_poured_away, 6, setups=4)
    k = sum(len(one.pulled.shot) for one in rows if one.pulled)
    errors, values = np.full(k, 0.7), np.full(k, 5.0)
    _, first = asked_at(rows, errors, values)
    errors[7], values[7] = 0.05, 2.0
    _, second = asked_at(rows, errors, values)
    assert second.mean[7] == pytest.approx(first.mean[7], abs=1e-8)
    assert second.var[7] == pytest.approx(first.var[7], abs=1e-8)
    assert (np.delete(second.mean, 7) < np.delete(first.mean, 7)).any()
    assert (np.delete(second.var, 7) <= np.delete(first.var, 7) + 1e-12).all()


def test_with_nothing_made_of_the_rows_it_is_what_the_answer_says_there_and_the_luck_of_a_shot():
    """Two routes: leaving a row out, and asking the fit without any such row."""
    rows, _ = bench_of(poor_poured_away, 6, setups=4, coffees=1)
    bench, known = asked_at(rows)
    alone = bench.without_served()
    plan = laid_out(alone, LENGTH)
    found = evaluate(plan, batches(plan), parts.start(), with_gradient=False)
    assert plan.pairs
    of_shots = np.flatnonzero(bench.served < 0)
    at = np.searchsorted(np.flatnonzero(bench.served != 0), of_shots)
    shot_var = np.exp(2 * parts.start()[parts.NAMES.index("shot")])
    pairs_var = np.exp(2 * parts.start()[parts.NAMES.index("taster x coffee")])
    for row, number in zip(of_shots.tolist(), at.tolist(), strict=True):
        setup = int(bench.setup[row])
        answer = Unit(plan, found, int(plan.unit[setup])).answer(setup)
        column = basis.expand(bench.moved[[row]])[0]
        assert known.mean[number] == pytest.approx(float(column @ answer.mean), abs=2e-3 + 0.5 * np.sqrt(pairs_var / 2))
        low = float(column @ answer.cov @ column) + shot_var - pairs_var
        assert low <= known.var[number] <= float(column @ answer.cov @ column) + shot_var + pairs_var


def test_a_row_is_the_normal_density_nearest_to_the_chance_of_what_was_done():
    rows, _ = bench_of(poor_poured_away, 7, setups=2)
    bench, _ = asked_at(rows)
    k = int((bench.served != 0).sum())
    rng = np.random.default_rng(1)
    known = Before(5.5 + rng.normal(size=k), 0.2 + rng.random(k))
    hung_on = Served(rng.normal(size=k), 2.0, 9.0)
    laid, told = served.taken(bench, bench, hung_on, known)
    at = np.flatnonzero(bench.served != 0)
    np.testing.assert_array_equal(laid.value, told.value)
    np.testing.assert_array_equal(np.delete(laid.value, at), np.delete(bench.value, at))
    for number, row in enumerate(at.tolist()):
        habit = float(hung_on.habit[number])
        density = stats.norm(known.mean[number], np.sqrt(known.var[number]))

        def weight(score, row=row, habit=habit, density=density):
            odds = habit + 2.0 * (score - parts.CENTRE[0])
            return density.pdf(score) * special.expit(bench.served[row] * odds)

        total, mean, square = (
            integrate.quad(lambda score, power=power: score**power * weight(score), -2, 14)[0] for power in range(3)
        )
        by_row = 1.0 / laid.error_var[row]
        precision = 1.0 / known.var[number] + by_row
        assert (known.mean[number] / known.var[number] + by_row * laid.value[row]) / precision == pytest.approx(
            mean / total, abs=2e-3
        )
        assert 1.0 / precision == pytest.approx(square / total - (mean / total) ** 2, rel=1e-2)


def test_with_scores_known_for_sure_it_is_a_logistic_regression():
    """statsmodels fits the same without a prior; so many shots leave none."""
    rng = np.random.default_rng(2)
    k = 4000
    points, turn, score = 0.5 * rng.normal(size=(k, 2)), rng.random(k) - 0.5, 6.0 + rng.normal(size=k)
    features = np.column_stack([np.ones(k), points, points**2, np.abs(points[:, 1]), turn, score - parts.CENTRE[0]])
    is_served = rng.random(k) < special.expit(features @ [0.5, 0.4, -0.6, 0.3, -0.5, -0.7, 0.8, 1.3])
    rows = pooled.SetupRows(
        *("s", "m", "c", "", ("", "")),
        *(np.empty(0), np.empty((0, 2)), np.empty(0, dtype=np.int64), (), (), np.empty((0, 3)), np.empty(0)),
        pulled=pooled.Pulled(points, np.arange(k), is_served, turn, np.zeros(k), np.zeros((k, 3))),
    )
    bench = gathered([rows])
    order = np.argsort(bench.turn)[np.argsort(np.argsort(turn))]  # where each shot's row stands
    sorted_score = np.empty(k)
    sorted_score[order] = score
    found = served.seen(bench, Before(sorted_score, np.full(k, 1e-8)))
    fitted = sm.Logit(is_served.astype(float), features).fit(disp=0)
    assert found.per_point == pytest.approx(fitted.params[-1], abs=0.03)
    np.testing.assert_allclose(found.habit[order], features[:, :-1] @ fitted.params[:-1], atol=0.1)
    without = sm.Logit(is_served.astype(float), features[:, :-1]).fit(disp=0)
    assert found.gain == pytest.approx(fitted.llf - without.llf, rel=0.01)


def of_setups(per_point, seed, setups=12, shots=15):
    """Setups that differ in level and, for no such reason, in how much of them is scored; their scores are known."""
    rng = np.random.default_rng(seed)
    levels, habit = rng.normal(size=setups), 2.0 * rng.normal(size=setups)
    made, scores, was_served = [], [], []
    for number in range(setups):
        score = 6.3 + levels[number] + 0.3 * rng.normal(size=shots)
        is_served = rng.random(shots) < special.expit(habit[number] + per_point * (score - 6.3))
        turn = np.linspace(-0.5, 0.5, shots)
        made.append(
            pooled.SetupRows(
                *(f"s{number}", "m", f"c{number}", "", ("", "")),
                *(np.empty(0), np.empty((0, 2)), np.empty(0, dtype=np.int64), (), (), np.empty((0, 3)), np.empty(0)),
                pulled=pooled.Pulled(
                    *(np.zeros((shots, 2)), np.arange(shots), is_served, turn, score, np.zeros((shots, 3)))
                ),
            )
        )
        scores.append(score)
        was_served.append(is_served)
    bench = gathered(made)
    known = Before(bench.off.copy(), np.full(len(bench.off), 1e-8))  # the score travels as the time that is off
    return served.seen(bench, known), np.concatenate(scores), np.concatenate(was_served)


def test_how_much_of_a_setup_is_scored_is_not_taken_for_what_all_its_shots_taste_of():
    """A logistic regression that takes every shot for a witness of its own is fooled (statsmodels)."""
    fooled = []
    for seed in range(8):
        found, score, is_served = of_setups(0.0, seed, setups=5, shots=40)
        alone = sm.Logit(is_served.astype(float), sm.add_constant(score)).fit(disp=0)
        fooled.append(max(alone.llf - alone.llnull, 0.0) if alone.params[1] > 0 else 0.0)
        assert not found.tells
    assert max(fooled) > 10.0


def test_what_shots_of_one_setup_differ_by_tells_all_the_same():
    found, _, _ = of_setups(4.0, 1, setups=30)
    assert found.tells
    assert found.per_point == pytest.approx(4.0, abs=1.2)


def sure_of(scores, is_served):
    """What being served hung on where all shots stand at the usual recipe and their scores are known."""
    k = len(scores)
    rows = pooled.SetupRows(
        *("s", "m", "c", "", ("", "")),
        *(np.empty(0), np.empty((0, 2)), np.empty(0, dtype=np.int64), (), (), np.empty((0, 3)), np.empty(0)),
        pulled=pooled.Pulled(
            np.zeros((k, 2)), np.arange(k), np.array(is_served), np.zeros(k), np.zeros(k), np.zeros((k, 3))
        ),
    )
    bench = gathered([rows])
    assert bench.served.tolist() == [1 if one else -1 for one in is_served]
    return served.seen(bench, Before(np.array(scores), np.full(k, 1e-10)))


def test_few_shots_move_what_it_hung_on_only_as_far_as_the_stated_prior_lets_them():
    """Where the slope of the log likelihood is that of the prior: of one shot by habit, of two by their scores."""
    alone = sure_of([parts.CENTRE[0]], [True])
    assert alone.habit[0] / parts.SERVED_SD["habit"] ** 2 == pytest.approx(special.expit(-alone.habit[0]), abs=1e-4)
    two = sure_of([parts.CENTRE[0] - 1.0, parts.CENTRE[0] + 1.0], [False, True])
    assert two.habit[0] == pytest.approx(0.0, abs=1e-3)
    assert two.per_point / parts.SERVED_SD["per point"] ** 2 == pytest.approx(
        2.0 * special.expit(-two.per_point), abs=1e-3
    )


def test_on_tangents_too_it_is_asked_of_scores_and_told_in_scores():
    """A tangent moves the value of a row: what is expected of the score is without that, what is laid there with it."""
    rows, _ = bench_of(poor_poured_away, 7, setups=2)
    told, known = asked_at(rows)
    at = told.served != 0
    by = np.where(at, np.random.default_rng(3).normal(size=len(at)), 0.0)
    on_tangents = replace(told, value=told.value + by)
    again = served.before(on_tangents, told, parts.start(), None, LENGTH)
    np.testing.assert_allclose(again.mean, known.mean - by[at], atol=1e-4)
    hung_on = Served(np.zeros(int(at.sum())), 2.0, 9.0)
    plainly, _ = served.taken(told, told, hung_on, known)
    laid, in_scores = served.taken(on_tangents, told, hung_on, known)
    np.testing.assert_allclose(in_scores.value, plainly.value, atol=1e-12)
    np.testing.assert_allclose(laid.value, plainly.value + by, atol=1e-12)


def test_each_row_of_being_served_keeps_what_is_known_of_its_shot():
    rng = np.random.default_rng(4)
    points, off, turn = rng.normal(size=(6, 2)), rng.normal(size=6), rng.permutation(np.linspace(-0.5, 0.5, 6))
    covariates, is_served = rng.normal(size=(6, 3)), np.array([True, False, True, True, False, True])
    of_scores = np.flatnonzero(is_served)[::-1]
    rows = pooled.SetupRows(
        *("s", "m", "c", "", ("", "")),
        score=rng.random(4) + 5.0,
        points=points[of_scores],
        shot=of_scores,
        taster=("ana",) * 4,
        session=("",) * 4,
        covariates=covariates[of_scores],
        off=off[of_scores],
        pulled=pooled.Pulled(points, np.arange(6), is_served, turn, off, covariates),
    )
    bench = gathered([rows])
    at = np.flatnonzero(bench.served != 0)
    which = [int(np.argmin(np.abs(basis.inside(points) - bench.points[row]).sum(axis=1))) for row in at]
    assert sorted(which) == list(range(6))
    assert (bench.served[at] > 0).tolist() == is_served[which].tolist()
    for found, given in ((bench.turn, turn), (bench.off, off), (bench.covariates, covariates)):
        np.testing.assert_array_equal(found[at], given[which])
    for row, number in zip(at.tolist(), which, strict=True):
        scores = np.flatnonzero(bench.tasted & (bench.points == basis.inside(points[[number]])).all(axis=1))
        assert bench.shot[scores].tolist() == [bench.shot[row]] * int(is_served[number])


def test_being_served_hangs_on_all_tasters_of_the_bench_alike():
    """As the mean of a score by each of them does, what they think of this coffee alone left out."""
    rows, _ = bench_of(poor_poured_away, 7, setups=4, coffees=1)
    bench = gathered(rows)
    bench = replace(bench, slope=np.random.default_rng(5).random(int(bench.shot.max()) + 1)[bench.shot])
    plan = laid_out(bench, LENGTH)
    assert {taster for _, taster in plan.pairs} == {0, 1}
    compared = 0
    for number in range(int(plan.unit.max()) + 1):
        unit = unit_of(plan, np.flatnonzero(plan.unit[bench.setup] == number))
        common = ~np.isin(unit.columns, list(plan.pairs.values()))
        parts_of = dict(zip(local_parts(plan), local_masks(plan, unit.rows), strict=True))
        assert not parts_of["noise"][bench.served[unit.rows] != 0].any()  # nobody tasted anything there
        for at in np.flatnonzero(bench.served[unit.rows] > 0):
            scores = (bench.shot[unit.rows] == bench.shot[unit.rows[at]]) & bench.tasted[unit.rows]
            np.testing.assert_allclose(unit.D[at, common], unit.D[scores][:, common].mean(axis=0), atol=1e-12)
            assert not unit.D[at, ~common].any()
            compared += 1
    assert compared == int((bench.served > 0).sum()) > 10


def test_that_good_shots_go_unscored_is_no_reason_to_believe_it():
    rows, _ = bench_of(lambda liked, points, turn, luck: luck < special.expit(-2.5 * (liked - 5.5)), 8)
    learned = pooled.learn(rows)
    assert learned.served.per_point == 0.0
    assert not learned.served.tells


def test_neither_names_nor_the_order_of_shots_change_what_is_learned():
    rows, _ = bench_of(poor_poured_away, 1, setups=8)
    one = pooled.learn(rows)
    rng = np.random.default_rng(0)

    def turned(setup):
        order = rng.permutation(len(setup.pulled.shot))
        pulled = {name: getattr(setup.pulled, name)[order] for name in vars(setup.pulled)}
        return replace(setup, machine="z" + setup.machine, pulled=pooled.Pulled(**pulled))

    other = pooled.learn([turned(setup) for setup in reversed(rows)])
    for name, known in one.setups.items():
        np.testing.assert_array_equal(known.mean, other.setups[name].mean)


def test_a_bench_is_searched_whole_or_not_by_its_scores_alone(monkeypatch):
    """Rows of being served would else make a small bench a large one, whose standard deviations are taken as known."""
    rows, _ = bench_of(poor_poured_away, 7, setups=6)
    bench = gathered(rows)
    monkeypatch.setattr(search, "MOST_SEARCHED", int(bench.tasted.sum()))
    assert search.searched(bench) is bench
    monkeypatch.setattr(search, "MOST_SEARCHED", int(bench.tasted.sum()) - 1)
    assert len(search.searched(bench).names) < len(bench.names)


def test_the_likelihood_is_the_integral_over_what_setups_differ_by_and_its_gradient_that_of_differences():
    rng = np.random.default_rng(9)
    k = 14
    shots = served._Shots(
        sign=rng.choice([-1.0, 1.0], k),
        features=rng.normal(size=(k, 7)),
        score=rng.normal(size=k),
        var=rng.random(k),
        of=np.repeat([0, 1], [9, 5]),
    )
    weights = np.array([*(0.5 * rng.normal(size=7)), 1.3, 0.8])
    total, gradient, of_setup = shots.log_likelihood(weights)
    odds = shots.features @ weights[:7] + 1.3 * shots.score
    by = shots.sign / np.sqrt(1 + np.pi / 8 * 1.3**2 * shots.var)
    log_each, means = [], []
    for setup in (0, 1):
        mine = shots.of == setup

        def weight(z, mine=mine):
            return stats.norm.pdf(z) * np.prod(special.expit(by[mine] * (odds[mine] + 0.8 * z)))

        likelihood = integrate.quad(weight, -4, 4)[0]
        log_each.append(np.log(likelihood))
        means.append(0.8 * integrate.quad(lambda z, weight=weight: z * weight(z), -4, 4)[0] / likelihood)
    assert total == pytest.approx(sum(log_each), abs=1e-3)
    np.testing.assert_allclose(of_setup, means, atol=1e-3)
    differences = [
        (shots.log_likelihood(weights + step)[0] - shots.log_likelihood(weights - step)[0]) / 2e-5
        for step in 1e-5 * np.eye(9)
    ]
    np.testing.assert_allclose(gradient, differences, atol=1e-7)


def test_of_a_large_bench_whole_setups_tell_what_it_hung_on(monkeypatch):
    rows, _ = bench_of(poor_poured_away, 7, setups=6)
    bench, known = asked_at(rows)
    every = served._Shots.told(bench, known)
    monkeypatch.setattr(served, "MOST_ASKED", 30)
    some = every.some()
    assert 0 < len(some.of) <= 48
    assert np.bincount(some.of).tolist() == np.bincount(every.of)[:: -(-len(every.of) // 30)].tolist()
    assert len(served.seen(bench, known).habit) == len(every.of)
