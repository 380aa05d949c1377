"""A machine handed over to somebody with another coffee: what stays known of it, and what must not be pretended."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from tastefield.config import GrinderConfig
from tastefield.records import DialLine, ExtractionLine
from tastefield.stages.handover import stations, unknown_coffee
from tastefield.stages.plan import plan
from tastefield.stages.report import handover
from tastefield.stages.settings import to_start
from tastefield.stages.window import window
from tastefield.tables.notation import Notation
from tastefield.words.findings import finding

SPREAD = [
    {"beverage_g": out, "shot_time_s": time, "grind_setting": grind, "grinder": "A"}
    for out in (25, 36, 50)
    for time, grind in ((18, "10"), (27, "8"), (40, "6"))
]
TASTED = [{"shot_id": f"s{i}", "score": 9.0} for i in range(9)]


@pytest.fixture
def latest(make_setup):
    """Nine tasted shots with a dial line through 27 s at 8 and readings, of the coffee "house"."""
    setup = make_setup(SPREAD, TASTED)
    x = np.array([6.0, 8.0, 10.0])
    cov = 0.03**2 * np.linalg.inv(np.array([[3.0, x.sum()], [x.sum(), (x**2).sum()]]))
    line = DialLine(np.log(27.0) + 1.6, -0.2, cov, 0.03**2, 6.0, x, np.log([40.0, 27.0, 18.0]), step=1.0)
    read = ExtractionLine(np.array([np.log(19.0), 0.1, 0.1]), np.eye(3) * 1e-4, 1e-4, 5.0, 9)
    return replace(setup, bench=replace(setup.bench, dial=line, extraction=read))


def of(make_setup, machine, grinder, coffee, shots, tasted=0, days=()):
    rows = [
        {"machine": machine, "grinder": grinder, "coffee": coffee, "beverage_g": 36, "shot_time_s": 27}
        | ({"pulled_at": f"2025-03-{days[i]:02d}"} if days else {})
        for i in range(shots)
    ]
    setup = make_setup(rows, [{"shot_id": f"s{i}", "score": 7.0} for i in range(tasted)])
    return replace(setup, key={"machine": machine, "grinder": grinder, "coffee": coffee})


def test_a_machine_leaves_once_with_each_grinder_and_all_its_shots_are_counted(make_setup):
    found = stations(
        [
            of(make_setup, "A", "flat", "guest", 3, 2),
            of(make_setup, "A", "flat", "house", 4, 1),
            of(make_setup, "A", "conical", "house", 2),
            of(make_setup, "B", "B", "house", 1),
        ]
    )
    told = [(one.machine, one.grinder, one.shots, one.tasted) for one in found]
    assert told == [("A", "flat", 7, 3), ("A", "conical", 2, 0), ("B", "B", 1, 0)]


def test_the_setup_last_pulled_stands_for_the_machine_whatever_its_place_in_the_log(make_setup):
    early = of(make_setup, "A", "A", "early", 3, days=(1, 2, 3))
    late = of(make_setup, "A", "A", "late", 1, days=(9,))
    undated = of(make_setup, "A", "A", "undated", 5)
    for order in ([early, late, undated], [undated, late, early]):
        assert stations(order)[0].setup is late


def test_without_dates_the_setup_with_most_shots_stands_for_the_machine(make_setup):
    few, many = of(make_setup, "A", "A", "few", 1), of(make_setup, "A", "A", "many", 4)
    assert stations([many, few])[0].setup is stations([few, many])[0].setup is many


def test_of_another_coffee_nothing_is_kept_but_the_machine(latest):
    setup = unknown_coffee(latest)
    assert setup.scores.empty
    assert setup.best_shot() is None
    assert setup.bench.dial is setup.bench.extraction is None
    assert setup.shots[["grind_setting", "dial_position"]].isna().all(axis=None)
    assert setup.usual_dose() == latest.usual_dose()
    assert setup.bench.scatter is latest.bench.scatter
    assert len(latest.scores) == 9
    assert latest.shots["grind_setting"].notna().all()


def test_another_coffee_is_ground_until_the_time_is_right_from_where_the_last_one_ran(latest, hill):
    aim = window(unknown_coffee(latest), hill(best=(2.0, 25.0)), 0.8, tasted=9)
    found = to_start(latest, aim, ())
    assert found.grind_setting is found.position is found.line is found.interval is None
    assert found.say == (
        f"Grind until 18.0 g gives {18 * aim.ratio:.0f} g in 25 s; start from 8, where house ran about 27 s. "
        "A step of 1 is about 5 s, higher numbers are coarser."
    )
    assert found.seconds_per_step[0] == pytest.approx(-5.0, rel=0.03)
    assert found.seconds_per_step[1] < -5 < found.seconds_per_step[2] < 0


def test_a_step_is_told_another_coffee_in_the_notation_of_the_grinder(latest, hill):
    aim = window(unknown_coffee(latest), hill(best=(2.0, 25.0)), 0.8, tasted=9)
    lettered = replace(latest, bench=replace(latest.bench, notation=Notation("letters")))
    assert to_start(lettered, aim, ()).say.endswith("A letter is about 5 s, later letters are coarser.")


def test_a_setting_that_choked_is_no_place_to_start_from(make_setup, hill):
    choked = {"outcome": "choked", "grind_setting": "8", "grinder": "A"}
    setup = make_setup([*SPREAD, choked], TASTED)
    aim = window(unknown_coffee(setup), hill(), 0.8)
    say = to_start(setup, aim, (GrinderConfig(name="A", higher_is="coarser"),)).say
    assert "start from 10, where house ran about 18 s" in say


def test_a_dial_that_runs_against_its_grinder_tells_no_seconds_a_step(latest, hill):
    aim = window(unknown_coffee(latest), hill(), 0.8)
    assert to_start(latest, aim, (GrinderConfig(name="A", higher_is="finer"),)).seconds_per_step is None


def test_without_settings_written_down_there_is_only_the_recipe_to_grind_to(make_setup, hill):
    setup = make_setup([{"beverage_g": 36, "shot_time_s": 27, "grinder": "A"}], TASTED[:1])
    aim = window(unknown_coffee(setup), hill(), 0.8)
    assert to_start(setup, aim, ()).say == "Grind until 18.0 g gives 36 g in 27 s."


def test_a_pressurised_basket_is_left_as_it_is_with_another_coffee_too(make_setup, hill):
    setup = make_setup([{**shot, "basket_kind": "pressurised"} for shot in SPREAD], TASTED)
    found = to_start(setup, window(unknown_coffee(setup), hill(), 0.8), ())
    assert "basket sets the time" in found.say
    assert [note.code for note in found.findings] == ["pressurised_basket"]


@pytest.mark.parametrize(
    ("tasted", "top", "status"), [(3, 8.0, "window"), (2, 8.0, "tentative"), (9, 6.0, "tentative")]
)
def test_another_coffee_gets_a_window_only_where_it_is_as_sure_as_asked_and_the_machine_was_tasted(
    latest, hill, tasted, top, status
):
    aim = window(unknown_coffee(latest), hill(top=top), 0.8, tasted=tasted)
    assert aim.status == status
    assert (aim.window is not None) == (status == "window")
    assert aim.support == "bench"
    assert ("few_tasted" in [note.code for note in aim.findings]) == (tasted < 3)


def entry_of(latest, surface, tasted=9, bench=9, **names):
    station = replace(stations([latest])[0], **names)
    setup = unknown_coffee(latest)
    aim = window(setup, surface, 0.8, tasted=tasted)
    dial = to_start(latest, aim, ())
    shots = plan(setup, surface, aim, dial, 0.05, 1)
    return handover(station, aim, dial, shots, [finding("coffee_not_known"), *aim.findings], bench)


def test_the_first_shot_to_pull_with_another_coffee_is_the_recipe_itself_and_never_a_repeat(latest, hill):
    for fall in (8.0, 0.0):  # a hill, and a plain on which one recipe is as good as another
        first = entry_of(latest, hill(fall=fall))["next_shots"][0]
        assert first["why"] == "Taste it: checks the best guess."
        assert first["grind_setting"] is None


def test_extraction_of_a_coffee_nobody_read_is_not_told(latest, hill):
    entry = entry_of(latest, hill(top=8.0))
    assert entry["aim"]["extraction_pct"] is entry["aim"]["tds_pct"] is entry["window"]["extraction_pct"] is None


@pytest.mark.parametrize(
    ("bench", "said"), [(40, "about 1 in 2 such shots should be good."), (2, "a guess from 2 tasted shots.")]
)
def test_how_sure_is_said_plainly_unless_the_whole_bench_tasted_too_little(latest, hill, bench, said):
    entry = entry_of(latest, hill(top=6.5 + 8 * (0.04**2 + 0.07**2)), bench=bench)
    assert entry["say"] == f"With a coffee not yet tasted here start from 18.0 g in, 36 g out, 27 s: {said}"


@pytest.mark.parametrize("letter", ["x", "Ж", "\u0001", '"'])
def test_an_entry_takes_at_most_four_kilobytes_whatever_its_names(latest, hill, letter):
    latest = replace(latest, shots=latest.shots.assign(coffee=letter * 3000))
    entry = entry_of(latest, hill(top=6.0), tasted=1, machine=letter * 3000, grinder=letter * 3000)
    assert len(json.dumps(entry, separators=(",", ":"), ensure_ascii=False).encode()) <= 4096


def test_after_a_choke_another_coffee_is_not_started_longer_than_any_shot_ran(make_setup, latest, hill):
    choked = make_setup([*SPREAD, {"outcome": "choked", "grinder": "A"}], TASTED)
    surface = hill(best=(2.0, 50.0), reaches=1.0)
    times = [window(unknown_coffee(one), surface, 0.8, 9, surest=True).shot_time_s for one in (latest, choked)]
    assert times[1] <= 40.0 < times[0]
