import json

import pandas as pd
import pytest

import tastefield
from tastefield import workflow
from tastefield.errors import TastefieldError
from tastefield.summary import setup_line
from tastefield.testing.samples import sample_setups

pytestmark = pytest.mark.usefixtures("undrawn")

ROWS = """machine,coffee,dose_g,beverage_g,shot_time_s,score
A,house,18,36,27,7
A,house,18,40,31,6
B,house,18,33,24,
"""


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(ROWS)
    return path


BROKEN_SURFACE = """
import tastefield
from tastefield.hooks import SurfaceModel
class Broken(SurfaceModel):
    name = "broken"
    def fit(self, setup, population, ctx):
        raise RuntimeError("no such luck")
@tastefield.hookimpl
def tastefield_surfaces():
    return [Broken()]
"""

BROKEN_WRITER = """
import tastefield
from tastefield.hooks import Writer
class Broken(Writer):
    name = "broken"
    default = True
    def write_run(self, run, folder, ctx):
        raise RuntimeError("no ink")
@tastefield.hookimpl
def tastefield_writers():
    return [Broken()]
"""


def with_plugin(log, text, extra=""):
    (log.parent / "mine.py").write_text(text)
    path = log.parent / "bench.toml"
    path.write_text(f'plugins = ["mine.py"]\n[[source]]\npath = "log.csv"\nholds = ["shots", "scores"]\n{extra}')
    return path


def test_a_setup_that_cannot_be_worked_out_fails_alone_and_is_told(log, tmp_path):
    run = tastefield.run(with_plugin(log, BROKEN_SURFACE, '[surface]\nmodel = "broken"'), out=tmp_path / "out")
    assert [setup.entry["status"] for setup in run.setups] == ["failed", "failed"]
    assert len(run.failed) == 2
    assert "no such luck" in json.dumps(run.setups[0].entry["findings"])
    assert (tmp_path / "out" / "results.json").exists()


def test_a_writer_that_fails_leaves_the_others_their_output(log, tmp_path):
    run = tastefield.run(with_plugin(log, BROKEN_WRITER), out=tmp_path / "out")
    assert run.failed == ("writer broken: RuntimeError: no ink",)
    assert (tmp_path / "out" / "page.html").exists()


def test_fail_fast_stops_and_keeps_the_last_good_output(log, tmp_path):
    tastefield.run(log, out=tmp_path / "out")
    before = (tmp_path / "out" / "results.json").read_bytes()
    with pytest.raises(TastefieldError, match="no ink"):
        workflow.run(with_plugin(log, BROKEN_WRITER), out=tmp_path / "out", fail_fast=True)
    assert (tmp_path / "out" / "results.json").read_bytes() == before


@pytest.mark.parametrize(
    ("broken", "who"),
    [
        ("fit", "surface model broken, on A, A, house"),
        ("gather", "surface model broken, on A, A, house, B, B, house"),
        ("learn", "surface model broken, on learning from all setups"),
        ("write_setup", "writer broken, on A, A, house"),
        ("write_run", "writer broken, on the whole run"),
    ],
)
def test_what_ends_a_run_is_told_with_who_failed_on_what_and_where(log, tmp_path, broken, who):
    plugin = f"""
import tastefield
from tastefield.errors import NotEnough
from tastefield.hooks import SurfaceModel, Writer
def no_luck(name):
    if name == "{broken}":
        raise RuntimeError("no such luck")
class Model(SurfaceModel):
    name = "broken"
    def gather(self, setups, ctx): no_luck("gather")
    def learn(self, gathered, prior, ctx): no_luck("learn"); return {{}}
    def fit(self, setup, population, ctx): no_luck("fit"); raise NotEnough("it is empty", "fill it")
class Ink(Writer):
    name = "broken"
    def write_setup(self, result, folder, ctx): no_luck("write_setup")
    def write_run(self, run, folder, ctx): no_luck("write_run")
@tastefield.hookimpl
def tastefield_surfaces(): return [Model()]
@tastefield.hookimpl
def tastefield_writers(): return [Ink()]
"""
    config = with_plugin(log, plugin, '[surface]\nmodel = "broken"\n[[report]]\nwriter = "broken"\n')
    with pytest.raises(TastefieldError) as caught:
        workflow.run(config, out=tmp_path / "out", fail_fast=True)
    (problem,) = caught.value.problems
    assert problem.where == who
    assert problem.why == "RuntimeError: no such luck (mine.py, line 7)"
    assert list(tmp_path.glob("out*")) == []


def test_strict_refuses_to_write_where_something_was_set_aside(log, tmp_path):
    log.write_text(ROWS + "A,house,0,36,27,7\n")
    with pytest.raises(TastefieldError, match="dose"):
        workflow.run(log, out=tmp_path / "out", strict=True)
    assert not (tmp_path / "out").exists()


def test_a_setup_that_nobody_tasted_gets_its_recipe_from_the_bench_and_no_window(log, tmp_path):
    run = tastefield.run(log, out=tmp_path / "out")
    tasted, untasted = (setup.entry for setup in run.setups)
    assert untasted["status"] == "tentative"
    assert untasted["best_shot"] is None
    assert (tasted["aim"]["support"], untasted["aim"]["support"]) == ("setup", "bench")
    assert 0 < untasted["assurance"] < 1
    assert untasted["expected_score"]["upper"] - untasted["expected_score"]["lower"] > (
        tasted["expected_score"]["upper"] - tasted["expected_score"]["lower"]
    )
    assert untasted["window"] is None
    care = "Finer than the last shot; stop if nothing drips."
    assert untasted["next_shots"][0]["why"] == f"Taste it: checks the best guess. {care}"
    assert "Nothing was tasted here" in untasted["why"][0]
    assert "nothing tasted here yet" in setup_line(untasted)


@pytest.mark.parametrize("model", ["pooled", "quadratic"])
def test_a_bench_on_which_nothing_was_tasted_says_so_and_what_to_pull(log, tmp_path, model):
    log.write_text(
        "\n".join(line.rsplit(",", 1)[0] + "," for line in ROWS.strip().splitlines()).replace("time_s,", "time_s,score")
    )
    path = log.parent / "bench.toml"
    path.write_text(f'[[source]]\npath = "log.csv"\nholds = ["shots", "scores"]\n[surface]\nmodel = "{model}"\n')
    run = tastefield.run(path, out=tmp_path / "out")
    for setup in run.setups:
        assert setup.entry["status"] == "insufficient"
        assert setup.entry["aim"] is None
        assert setup.entry["assurance"] is None
        assert setup.entry["next_shots"]
    assert run.summary["handover"] == []


def test_a_model_that_answers_for_setups_alone_makes_no_handover(log, tmp_path):
    path = log.parent / "bench.toml"
    path.write_text('[[source]]\npath = "log.csv"\nholds = ["shots", "scores"]\n[surface]\nmodel = "quadratic"\n')
    assert tastefield.run(path, out=tmp_path / "out").summary["handover"] == []


def test_each_machine_and_grinder_is_handed_over_once(log):
    log.write_text(
        "machine,grinder,coffee,dose_g,beverage_g,shot_time_s,score\n"
        "A,flat,house,18,36,27,7\nA,flat,guest,18,40,31,6\nA,conical,house,18,36,28,7\nB,,house,18,33,24,\n"
    )
    told = workflow.analyse(log).summary["handover"]
    assert [(one["machine"], one["grinder"], one["shots"], one["tasted"]) for one in told] == [
        ("A", "conical", 1, 1),
        ("A", "flat", 2, 2),
        ("B", "B", 1, 0),
    ]
    for one in told:
        assert one["status"] in ("tentative", "insufficient")
        assert one["window"] is None
        assert one["aim"]["support"] == "bench"
        assert one["aim"]["grind_setting"] is one["settings"]["grind_setting"] is None
        assert one["findings"][0]["code"] == "coffee_not_known"
        assert one["next_shots"][0]["ratio"] == one["aim"]["ratio"]
        assert len(one["next_shots"]) <= 3
        assert one["say"].startswith("With a coffee not yet tasted here start from 18.0 g in, ")
        assert one["say"].endswith(" such shots should be good.")


def test_a_coffee_not_yet_tasted_is_less_sure_than_one_that_tasted_good(tmp_path):
    """Twelve shots of one coffee, all good; of the next one nobody knows."""
    rows = [f"A,house,18,{36 + i % 3 - 1},{26 + i % 4},8" for i in range(12)]
    (tmp_path / "log.csv").write_text("\n".join(["machine,coffee,dose_g,beverage_g,shot_time_s,score", *rows]))
    run = workflow.analyse(tmp_path / "log.csv")
    (known,), (unknown,) = run.setups, run.summary["handover"]
    assert unknown["assurance"] < known.entry["assurance"] - 0.05
    width = [told["expected_score"]["upper"] - told["expected_score"]["lower"] for told in (known.entry, unknown)]
    assert width[1] > 1.3 * width[0]


ALWAYS_GOOD = """
from dataclasses import replace
import numpy as np
import tastefield
from tastefield.hooks import SurfaceModel
from tastefield_plugins.fit_pooled import Pooled
class AlwaysGood(Pooled):
    name = "always_good"
    def untasted(self, setup, population, ctx):
        known = super().untasted(setup, population, ctx)
        sure = replace(known, coefficients=np.eye(1, len(known.coefficients))[0] * 8, root=known.root * 0.01)
        return replace(sure, shot_var=0.01, shot_var_range=(0.01, 0.01))
@tastefield.hookimpl
def tastefield_surfaces():
    return [AlwaysGood()]
"""


@pytest.mark.parametrize(("tasted", "status"), [(3, "window"), (2, "tentative")])
def test_a_window_for_another_coffee_asks_for_three_tasted_shots_on_that_machine_and_still_for_a_taste(
    log, tasted, status
):
    rows = [f"A,house,18,{34 + i},{26 + i},{7 if i < tasted else ''}" for i in range(3)]
    elsewhere = [f"B,house,18,{30 + 3 * i},{22 + 3 * i},7" for i in range(5)]
    log.write_text("\n".join(["machine,coffee,dose_g,beverage_g,shot_time_s,score", *rows, *elsewhere]))
    told = workflow.analyse(with_plugin(log, ALWAYS_GOOD, '[surface]\nmodel = "always_good"')).summary["handover"][0]
    assert told["assurance"] > 0.8
    assert told["status"] == status
    assert (told["window"] is not None) == (status == "window")
    assert told["next_shots"][0]["why"] == "Taste it: checks the best guess."


TWO_PEAKS = """
from dataclasses import dataclass, replace
import numpy as np
import tastefield
from tastefield.hooks import SurfaceModel
from tastefield_plugins.fit_pooled import OfSomeCoffee, Pooled
@dataclass(frozen=True, eq=False, kw_only=True)
class TwoPeaks(OfSomeCoffee):
    def outlook(self, points, good, shot_vars):
        late = np.log(points[:, 1] / 29.0)
        return 6.0 + late, [0.5 - late for _ in shot_vars]
class Doubtful(Pooled):
    name = "doubtful"
    def untasted(self, setup, population, ctx):
        return TwoPeaks(**vars(super().untasted(setup, population, ctx)))
@tastefield.hookimpl
def tastefield_surfaces():
    return [Doubtful()]
"""


def test_another_coffee_starts_where_the_chance_is_highest_not_the_expected_score(log):
    """Expected score grows with time here, the chance falls: the earliest time that is spoken for is told."""
    rows = [f"A,house,18,{30 + 3 * i},{22 + 3 * i},7" for i in range(5)]
    log.write_text("\n".join(["machine,coffee,dose_g,beverage_g,shot_time_s,score", *rows]))
    (told,) = workflow.analyse(with_plugin(log, TWO_PEAKS, '[surface]\nmodel = "doubtful"')).summary["handover"]
    assert told["aim"]["shot_time_s"] < 24


UNTASTED_FAILS = """
import tastefield
from tastefield_plugins.fit_quadratic import Quadratic
class Half(Quadratic):
    name = "half"
    def untasted(self, setup, population, ctx):
        raise RuntimeError("no such luck")
@tastefield.hookimpl
def tastefield_surfaces():
    return [Half()]
"""


def test_a_handover_that_fails_is_told_and_costs_its_setup_nothing(log, tmp_path):
    config = with_plugin(log, UNTASTED_FAILS, '[surface]\nmodel = "half"')
    run = tastefield.run(config, out=tmp_path / "out")
    assert [one["status"] for one in run.summary["handover"]] == ["failed", "failed"]
    assert "no such luck" in json.dumps(run.summary["handover"][0]["findings"])
    assert run.failed == ("handover of A, A", "handover of B, B")
    assert run.setups[0].entry["aim"] is not None
    assert "could not be worked out" in (tmp_path / "out" / "page.html").read_text("utf-8")
    with pytest.raises(TastefieldError, match="handover of A, A"):
        workflow.run(config, out=tmp_path / "out", fail_fast=True)


def test_a_log_with_no_shot_to_keep_stops_with_what_to_do(log, tmp_path):
    log.write_text("machine,coffee,dose_g,beverage_g,shot_time_s\nA,house,0,36,27\n")
    with pytest.raises(TastefieldError, match="no shot could be kept"):
        tastefield.run(log, out=tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("holds", "rows", "told"),
    [
        ('["shots"]', "", ("no shot is written down yet", "below the headings of log.csv", "a row for each shot")),
        (
            '["shots"]',
            ",,,,\n",
            ("no shot is written down yet", "below the headings of log.csv", "a row for each shot"),
        ),
        ('["shots"]', "A,h,0,1,2\n", ("no shot could be kept", "set aside: 1, that is all; the first, row 2", "check")),
        ('["checks"]', "A,h,0,1,2\n", ("no source holds shots", "log.csv holds checks", "add a [[source]]")),
    ],
)
def test_a_log_without_a_shot_says_what_is_missing_where_and_what_to_do(tmp_path, holds, rows, told):
    checks = holds == '["checks"]'
    headings = "machine,check,value,by,when" if checks else "machine,coffee,dose_g,beverage_g,shot_time_s"
    (tmp_path / "log.csv").write_text(f"{headings}\n{rows}")
    (tmp_path / "bench.toml").write_text(f'[[source]]\npath = "log.csv"\nholds = {holds}\n')
    with pytest.raises(TastefieldError) as caught:
        workflow.analyse(tmp_path / "bench.toml")
    (problem,) = caught.value.problems
    assert problem.where.endswith("bench.toml")
    for said, part in zip((problem.what, problem.why, problem.do), told, strict=True):
        assert part in said


@pytest.mark.parametrize(("read", "told"), [(0, False), (5, True), (6, False)])
def test_readings_too_few_to_tell_extraction_from_are_told(tmp_path, read, told):
    rows = [f"A,house,18,{34 + n},{25 + n * n % 7},{6 + n % 3},{9 + n / 10 if n < read else ''}" for n in range(7)]
    (tmp_path / "log.csv").write_text("\n".join(["machine,coffee,dose_g,beverage_g,shot_time_s,score,tds_pct", *rows]))
    run = workflow.analyse(tmp_path / "log.csv")
    assert ("too_few_readings" in {finding["code"] for finding in run.summary["findings"]}) == told
    assert (run.setups[0].entry["aim"]["extraction_pct"] is not None) == (read == 6)


def test_the_manifest_names_versions_and_hashes_of_what_was_read(log, tmp_path):
    import hashlib

    tastefield.run(log, out=tmp_path / "out")
    manifest = json.loads((tmp_path / "out" / "manifest.json").read_text())
    assert manifest["inputs"] == {"log.csv": hashlib.sha256(log.read_bytes()).hexdigest()}
    assert manifest["versions"]["tastefield"] == tastefield.__version__


def test_every_stage_leaves_its_time_in_the_run_log(log, tmp_path):
    tastefield.run(log, out=tmp_path / "out")
    stages = [json.loads(line) for line in (tmp_path / "out" / "run.log").read_text().splitlines()]
    assert {"read", "derive", "bench", "setups"} <= {entry.get("stage") for entry in stages}


def test_unlike_shots_of_one_setup_are_told_on_it_and_stay_in_every_table(tmp_path):
    import pandas as pd

    pump = [("A", "house", 18, 34 + i, 25 + i, "pump", "black", 6 + i % 3) for i in range(5)]
    odd = [("A", "house", 18, 36, 21, "first_drip", "black", 5), ("A", "house", 18, 36, 27, "pump", "milk", 9)]
    columns = ["machine", "coffee", "dose_g", "beverage_g", "shot_time_s", "clock", "served_as", "score"]
    pd.DataFrame(pump + odd, columns=columns).to_csv(tmp_path / "log.csv", index=False)
    run = tastefield.run(tmp_path / "log.csv", out=tmp_path / "out")
    (setup,) = run.setups
    codes = [finding["code"] for finding in setup.entry["findings"]]
    assert {"two_clocks", "milk_beside_black"} <= set(codes)
    assert setup.entry["aim"]["clock"] == "pump"
    assert set(setup.tables.observations["score"]) <= {6, 7, 8}
    shots, scores = (pd.read_csv(tmp_path / "out" / "tables" / f"{name}.csv") for name in ("shots", "scores"))
    assert shots["shot_time_recorded_s"].tolist() == [25, 26, 27, 28, 29, 21, 27]
    assert scores["score"].tolist() == [6, 7, 8, 6, 7, 5, 9]


def test_a_chunk_of_setups_is_sent_what_was_learned_of_its_own_setups_and_machines_alone():
    first, second, _ = sample_setups()
    known = {setup.name: setup.name for setup in (first, second)}
    machines = {setup.machine: setup.machine for setup in (first, second)}
    own = workflow._own({"shared": 1, "setups": known, "machines": machines}, [first])
    assert own == {"shared": 1, "setups": {first.name: first.name}, "machines": {first.machine: first.machine}}
    assert workflow._own({"scale": 1.0}, [first]) == {"scale": 1.0}


@pytest.mark.usefixtures("without_handover")
def test_scores_moved_to_another_scale_give_the_same_recipes_and_next_shots(tmp_path):
    """8 points of a scale from 1 to 9 are 100 of one from 0 to 100, and 4 of one from 1 to 5."""
    rows = [
        {
            "machine": name,
            "coffee": "house",
            "dose_g": 18,
            "beverage_g": 36 + move,
            "time": 27 + 3 * move,
            "grind": 8 - move,
        }
        | {"score": 7.5 - 0.4 * (move - best) ** 2}
        for name, best in (("A", 0.0), ("B", 1.0))
        for move in (-2, -1, 0, 1, 2, 0)
    ]
    told = []
    for low, unit, high in ((1.0, 1.0, 9), (0.0, 12.5, 100), (1.0, 0.5, 5)):
        table = pd.DataFrame(rows)
        table["score"] = low + unit * (table["score"] - 1.0)
        table.to_csv(tmp_path / "log.csv", index=False)
        (tmp_path / "log.toml").write_text(
            '[[source]]\npath = "log.csv"\nholds = ["shots", "scores"]\nclock = "pump"\n'
            f"[taste]\nscale = [{low}, {high}]\ngood = {low + unit * 5.5}\n"
        )
        entries = [one.entry for one in workflow.analyse(tmp_path / "log.toml").setups]
        told.append(
            [
                (one["status"], one["aim"]["grind_setting"], round(one["aim"]["beverage_g"], 3), shots)
                for one in entries
                for shots in [[(shot["stage"], shot["grind_setting"], shot["why"]) for shot in one["next_shots"]]]
            ]
        )
    assert told[0] == told[1] == told[2]
