"""What the pooled surface does with setups, beyond the contract that every surface keeps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from tastefield.errors import NotEnough
from tastefield.hooks import NoOptions
from tastefield.records import Context, ExtractionLine, Taste
from tastefield.stages.plan import _landed
from tastefield.stages.window import reach, window
from tastefield.stats.pooled import appeal
from tastefield.testing.samples import sample_setups
from tastefield_plugins.fit_pooled import Pooled, rows_of

MODEL, CONTEXT = Pooled(), Context(NoOptions())
AT = np.array([[1.8, 24.0], [2.0, 27.0], [2.3, 31.0]])


def learned(setups):
    return MODEL.learn([MODEL.gather(setups, CONTEXT)], None, CONTEXT)


@pytest.fixture(scope="module")
def bench():
    return [*sample_setups(), *sample_setups(("D", "E", "F"))]


def test_a_setup_that_learning_did_not_see_is_answered_with_what_the_bench_taught(bench):
    """Few shots of a new machine are surer beside a bench than alone, and nearly as sure as had it been there."""
    new = sample_setups(("new", "few", "none"))[1]
    apart = MODEL.fit(new, learned(bench), CONTEXT)
    alone = MODEL.fit(new, learned([new]), CONTEXT)
    among = MODEL.fit(new, learned([*bench, new]), CONTEXT)
    assert (apart.sd(AT) < 0.95 * alone.sd(AT)).all()
    assert np.abs(apart.mean(AT) - among.mean(AT)).max() < 0.35
    assert (apart.sd(AT) < 1.4 * among.sd(AT)).all()


def test_a_setup_nobody_tasted_is_answered_and_one_without_shots_is_not(bench):
    untasted = bench[2]
    known = learned(bench)
    assert untasted.scores.empty
    assert (MODEL.fit(untasted, known, CONTEXT).sd(AT) > MODEL.fit(bench[0], known, CONTEXT).sd(AT)).all()
    with pytest.raises(NotEnough):
        MODEL.fit(replace(untasted, shots=untasted.shots.iloc[:0]), known, CONTEXT)
    with pytest.raises(NotEnough):
        MODEL.fit(untasted, learned([untasted]), CONTEXT)


def test_next_shots_are_weighed_by_the_scores_that_the_recipe_was_chosen_by(bench):
    """Two routes to what a shot aimed somewhere is expected to score, where the scale ends too."""
    known, places = learned(bench), np.vstack([AT, [[1.2, 12.0], [3.4, 50.0]]])
    for surface in (MODEL.fit(bench[0], known, CONTEXT), MODEL.untasted(bench[0], known, CONTEXT)):
        for scale in ((1.0, 9.0), (1.0, 6.0)):
            setup = replace(bench[0], taste=replace(bench[0].taste, scale=scale))
            expected = reach(surface, places, setup, (surface.shot_var,))[0]
            assert _landed(setup, surface, places, 1)[0] == pytest.approx(expected, abs=1e-9)


def test_a_new_coffee_on_a_known_machine_is_less_sure_than_the_coffees_tasted_there(bench):
    known = learned(bench)
    assert (MODEL.untasted(bench[0], known, CONTEXT).sd(AT) > MODEL.fit(bench[0], known, CONTEXT).sd(AT)).all()


def test_scores_on_another_scale_give_the_same_surface_on_that_scale(bench):
    def to_hundred(setup):
        scores = setup.scores.assign(score=(setup.scores["score"] - 1) * 100 / 8)
        return replace(setup, scores=scores, taste=Taste(scale=(0.0, 100.0), good=(setup.taste.good - 1) * 100 / 8))

    hundred = [to_hundred(setup) for setup in bench]
    nine, other = MODEL.fit(bench[0], learned(bench), CONTEXT), MODEL.fit(hundred[0], learned(hundred), CONTEXT)
    np.testing.assert_allclose(other.mean(AT), (nine.mean(AT) - 1) * 100 / 8, atol=1e-4)
    np.testing.assert_allclose(other.sd(AT), nine.sd(AT) * 100 / 8, atol=1e-4)
    assert other.shot_var == pytest.approx(nine.shot_var * (100 / 8) ** 2, rel=1e-4)


def test_rows_carry_what_departs_from_the_usual_and_nothing_where_it_is_unknown(bench):
    rows = rows_of(bench[0])
    assert rows.covariates.shape == (len(bench[0].scores), 3)
    assert np.abs(np.median(rows.covariates[:, 0])) < 0.5
    assert rows.score.min() >= 1.0
    assert rows.score.max() <= 9.0
    blank = replace(bench[0], shots=bench[0].shots.assign(dose_g=np.nan, coffee_age_days=np.nan))
    assert (rows_of(blank).covariates[:, [0, 2]] == 0).all()


def of_kinds(kinds=2, coffees=4):
    """Machines that each knew one coffee, of two kinds that taste best far apart in time."""
    setups = []
    for number in range(kinds * coffees):
        setup = sample_setups((f"m{number}", "few", "none"))[0]
        best = np.log([17.0, 36.0][number % kinds])
        times = np.exp(np.linspace(np.log(14.0), np.log(42.0), len(setup.shots)))
        shots = setup.shots.assign(shot_time_s=times, ratio=2.0, coffee=f"bean {number}")
        liked = dict(zip(shots["shot_id"], 8.0 - 20.0 * (np.log(times) - best) ** 2, strict=True))
        scores = setup.scores.assign(score=np.clip(setup.scores["shot_id"].map(liked).astype(float), 1.0, 9.0))
        setups.append(replace(setup, shots=shots, scores=scores))
    return setups


@pytest.fixture(scope="module")
def some_coffee():
    setups = of_kinds()
    return setups[0], MODEL.untasted(setups[0], learned(setups), CONTEXT)


def test_two_kinds_of_coffee_are_not_averaged_into_a_third_that_is_neither(some_coffee):
    """A new coffee is of one kind or the other: each one's best is liked about every second time, the middle seldom."""
    setup, surface = some_coffee
    aim = window(setup, surface, 0.8, tasted=40, surest=True)
    assert min(abs(np.log(aim.shot_time_s / best)) for best in (17.0, 36.0)) < 0.15
    _, (chance,) = surface.outlook(np.array([[2.0, 17.0], [2.0, 25.0], [2.0, 36.0]]), setup.taste.good, (0.1,))
    assert chance[1] < 0.8 * min(chance[0], chance[2])
    assert 0.2 < aim.assurance < 0.7


def test_what_is_said_of_some_coffee_is_what_its_draws_say(some_coffee):
    """Mean, doubt, chance and limits against 40,000 draws: two routes to one number."""
    setup, surface = some_coffee
    points = np.array([[2.0, 17.0], [2.0, 25.0], [2.0, 36.0]])
    draws = surface.draws(points, 40_000, 3)
    np.testing.assert_allclose(draws.mean(axis=0), surface.mean(points), atol=0.04)
    np.testing.assert_allclose(draws.std(axis=0), surface.sd(points), rtol=0.02)
    np.testing.assert_allclose(np.quantile(draws, [0.05, 0.95], axis=0), surface.interval(points, 0.9), atol=0.08)
    shots = draws + 0.4 * np.random.default_rng(4).standard_normal(draws.shape)
    _, (chance,) = surface.outlook(points, setup.taste.good, (0.16,))
    # the kinds known do not tell how the next one may be: Laplace's rule of succession
    known = len(surface.coffees)
    alike = (shots >= setup.taste.good).mean(axis=0)
    np.testing.assert_allclose((known * alike + 1) / (known + 2), chance, atol=0.01)


def test_a_recipe_is_told_for_the_coffee_as_old_as_it_was_at_the_last_shot(bench):
    """Coffees of one age and coffees of other ages differ as coffees do: their age is not made responsible."""
    shots = bench[0].shots.assign(coffee_age_days=np.arange(len(bench[0].shots), dtype=float) + 30.0)
    older = rows_of(replace(bench[0], shots=shots)).covariates[:, 2]
    younger = rows_of(replace(bench[0], shots=shots.assign(coffee_age_days=shots["coffee_age_days"] - 25))).covariates
    np.testing.assert_allclose(older, younger[:, 2])
    assert older.max() <= 0.0


def test_mean_and_chance_asked_together_are_those_of_many_draws(bench):
    """Appeals of drawn surfaces and luck added to them: their mean score, and how many are good."""
    surface = MODEL.fit(bench[0], learned(bench), CONTEXT)
    mean, chances = surface.outlook(AT, 6.5, (0.1, 0.4))
    drawn = surface.draws(AT, 40_000, 1)
    np.testing.assert_allclose(mean, drawn.mean(axis=0), atol=0.02)
    np.testing.assert_allclose(surface.mean(AT), mean)
    np.testing.assert_allclose(surface.sd(AT), drawn.std(axis=0), rtol=0.03)
    for chance, luck_var in zip(chances, (0.1, 0.4), strict=True):
        good = ndtr((appeal.appeal_of(drawn) - appeal.appeal_of(6.5)) / np.sqrt(luck_var)).mean(axis=0)
        np.testing.assert_allclose(chance, good, atol=0.01)
    np.testing.assert_allclose((surface.directions(AT, 1) ** 2).sum(axis=1), surface.sd(AT) ** 2)
    low, high = surface.interval(AT, 0.9)
    np.testing.assert_allclose([low, high], np.quantile(drawn, [0.05, 0.95], axis=0), atol=0.05)


def test_rows_tell_which_scores_are_of_one_shot_and_of_one_taster(bench):
    setup = bench[0]
    rows = rows_of(setup)
    joined = setup.scores.merge(setup.shots[["shot_id", "ratio", "shot_time_s"]].dropna(), on="shot_id")
    assert len(set(rows.shot.tolist())) == joined["shot_id"].nunique() < len(rows.score)
    assert sorted(rows.taster) == sorted(joined["taster"].astype(str))
    pairs = {(taster, shot) for taster, shot in zip(rows.taster, rows.shot.tolist(), strict=True)}
    assert len(pairs) == len(joined[["taster", "shot_id"]].drop_duplicates())


def test_a_reading_is_handed_on_with_its_error(bench):
    """Half a per cent in twenty is a fortieth, a quarter of the unit of a tenth; squared."""
    line = ExtractionLine(np.zeros(3), np.eye(3), 0.0004, 5.0, 8)
    shots = bench[0].shots.assign(extraction_pct=20.0, u_extraction_pct=0.5)
    read = rows_of(replace(bench[0], shots=shots, bench=replace(bench[0].bench, extraction=line))).readings
    np.testing.assert_allclose(read.error_var, 0.25**2)
    assert read.departure_var == pytest.approx(0.04)


@pytest.mark.parametrize("ask", [MODEL.fit, MODEL.untasted])
def test_what_directions_carry_is_the_doubt_of_the_score_not_of_the_appeal(bench, ask):
    surface = ask(bench[0], learned(bench), CONTEXT)
    directions = surface.directions(AT, 1)
    np.testing.assert_allclose((directions**2).sum(axis=1), surface.sd(AT) ** 2)
    np.testing.assert_allclose(directions @ directions.T, np.cov(surface.draws(AT, 40_000, 1).T), rtol=0.05, atol=0.01)


def test_what_times_are_off_is_handed_on_and_what_was_found_of_it_comes_back_and_leaves_less_sure(bench):
    setup = replace(bench[0], shots=bench[0].shots.assign(time_off=np.log(1.5) / 4))
    np.testing.assert_allclose(rows_of(setup).off, 0.25)  # coded: half as much again is 1
    known = learned(bench) | {"time_felt": [0.4, 0.05]}
    assert MODEL.fit(bench[0], known, CONTEXT).time_felt == 0.4
    assert MODEL.untasted(bench[0], known, CONTEXT).time_felt == 0.4
    few = MODEL.learn([MODEL.gather([sample_setups()[0]], CONTEXT)], known, CONTEXT)
    assert few["time_felt"] == [0.4, pytest.approx(np.hypot(0.05, 0.1))]  # benches differ; no shot here tells more


def without_scores_of(setup, shots):
    """The setup as if nobody had scored these shots."""
    unscored = setup.shots["shot_id"].isin(shots)
    return replace(
        setup,
        scores=setup.scores[~setup.scores["shot_id"].isin(shots)],
        shots=setup.shots.assign(scored=setup.shots["scored"] & ~unscored),
    )


def test_shots_that_ran_are_handed_on_served_or_not_and_each_with_its_turn(bench):
    ids = bench[0].shots["shot_id"].tolist()
    setup = without_scores_of(bench[0], ids[:2])
    pulled = rows_of(setup).pulled
    assert pulled.shot.tolist() == list(range(len(ids)))
    assert pulled.served.tolist() == [False, False, *[True] * (len(ids) - 2)]
    np.testing.assert_allclose(pulled.turn, np.linspace(-0.5, 0.5, len(ids)))
    seconds = bench[0].shots["shot_time_s"].to_numpy(dtype=float)
    np.testing.assert_allclose(27.0 * 1.5 ** pulled.points[:, 1], seconds)


def test_shots_that_ran_are_handed_on_with_their_dose_their_age_and_what_their_time_was_off(bench):
    ids = bench[0].shots["shot_id"].tolist()
    n = len(ids)
    shots = bench[0].shots.assign(
        dose_g=[*[18.0] * (n - 1), 19.8], coffee_age_days=np.arange(n, dtype=float), time_off=0.1 * np.arange(n)
    )
    pulled = rows_of(without_scores_of(replace(bench[0], shots=shots), ids[-1:])).pulled
    np.testing.assert_allclose(pulled.off, 0.1 * np.arange(n) / np.log(1.5))
    dose, order, age = pulled.covariates.T
    np.testing.assert_allclose(dose, [*[0.0] * (n - 1), np.log(1.1) / 0.1], atol=1e-12)
    assert order.tolist() == [0.0] * n
    np.testing.assert_allclose(age, (np.arange(n) - (n - 1)) / 10.0)


def test_shots_that_did_not_run_or_whose_scores_are_kept_from_teaching_say_nothing_by_being_unscored(bench):
    ids = bench[0].shots["shot_id"].tolist()
    choked = bench[0].shots.assign(outcome=["choked", "ok", "stopped", *["ok"] * (len(ids) - 3)])
    setup = without_scores_of(replace(bench[0], shots=choked), ids[:3])
    kept_back = replace(setup, scores=setup.scores[setup.scores["shot_id"] != ids[4]])  # it stands in another file
    unfinished = kept_back.shots["beverage_g"].where(kept_back.shots["shot_id"] != ids[1])
    kept_back = replace(kept_back, shots=kept_back.shots.assign(ratio=unfinished / kept_back.shots["dose_g"]))
    pulled = rows_of(kept_back).pulled
    assert pulled.shot.tolist() == [number for number in range(len(ids)) if number not in (0, 1, 4)]
    assert pulled.served.tolist() == [False, *[True] * (len(ids) - 4)]


def test_a_setup_nobody_tasted_says_nothing_by_it(bench):
    assert rows_of(bench[2]).pulled is None
    assert rows_of(without_scores_of(bench[0], set(bench[0].shots["shot_id"]))).pulled is None


def test_where_unscored_shots_count_as_poor_a_setup_says_how_many_it_has(bench):
    known = learned(bench)
    setup = without_scores_of(bench[0], bench[0].shots["shot_id"].tolist()[:2])

    def told(setup, poor):
        found = MODEL.fit(setup, known | {"unscored_are_poor": poor}, CONTEXT).findings
        return [note.message for note in found if "not scored" in note.message]

    assert not known["unscored_are_poor"]
    assert told(setup, False) == told(bench[0], True) == []
    assert ["not scored: 2." in message for message in told(setup, True)] == [True]


def test_a_halo_of_scores_is_told_in_points_of_the_scale_that_scores_are_on(bench):
    wide = replace(bench[0], taste=replace(bench[0].taste, scale=(0.0, 100.0), good=70.0))
    told = [
        [note.message for note in MODEL.fit(setup, known, CONTEXT).findings if "27 s" in note.message]
        for setup, known in (
            (bench[0], learned(bench) | {"halo": 0.1}),
            (bench[0], learned(bench) | {"halo": 0.6}),
            (wide, learned(bench) | {"halo": 0.6}),
        )
    ]
    assert told[0] == []
    assert ["0.6 points" in message for message in told[1]] == [True]
    assert ["7.5 points" in message for message in told[2]] == [True]


def test_of_a_long_log_the_last_shots_alone_are_asked_why_they_were_served(bench, monkeypatch):
    """One setup is one dense block: a row for each of ten thousand shots would not fit into memory."""
    ids = bench[0].shots["shot_id"].tolist()
    setup = without_scores_of(bench[0], ids[-3:-1])
    monkeypatch.setattr("tastefield_plugins.fit_pooled.MOST_PULLED", 4)
    pulled = rows_of(setup).pulled
    assert pulled.shot.tolist() == list(range(len(ids) - 4, len(ids)))
    assert pulled.served.tolist() == [True, False, False, True]
    assert len(rows_of(setup).score) == len(bench[0].scores[~bench[0].scores["shot_id"].isin(ids[-3:-1])])
