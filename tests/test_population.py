"""Starting from what other runs learned: no record and no name travels, and no shot is counted twice."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests.sparing import without_handover

import tastefield
from tastefield.errors import ConfigError
from tastefield.population import NAME

pytestmark = pytest.mark.slow
HEAD = """[[source]]
path = "log.csv"
holds = ["shots", "scores"]
[taste]
scale = [1, 9]
good = 6.5
[[report]]
writer = "data"
[surface]
"""


def made(machines: int, seed: int, name: str = "mill", shots: int = 4) -> pd.DataFrame:
    """Rows of a log: a hill about 1:2.2 in 30 s, machines and coffees a little apart."""
    rng = np.random.default_rng(seed)
    rows = []
    for machine in range(machines):
        middle = np.array([0.2, 0.25]) + 0.2 * rng.normal(size=2)
        level = rng.normal(0, 0.3)
        for shot in range(shots):
            x = middle + 0.6 * rng.normal(size=2)
            score = 7.2 + level - 1.2 * ((x - middle) ** 2).sum() + rng.normal(0, 0.6)
            ratio, time = 2.0 * 1.5 ** x[0], 27.0 * 1.5 ** x[1]
            rows.append(
                {
                    "shot_id": f"{name}-{machine}-{shot}",
                    "machine": f"{name} {machine}",
                    "coffee": f"{name} bean {machine % 3}",
                    "dose_g": 18.0,
                    "beverage_g": round(18 * ratio, 1),
                    "shot_time_s": round(time, 1),
                    "taster": f"{name} Ada",
                    "score": round(float(np.clip(score, 1, 9)), 1),
                }
            )
    return pd.DataFrame(rows)


def ran(folder: Path, rows: pd.DataFrame, surface: str = "", jobs: int = 1) -> Path:
    """The output folder of a run over these rows."""
    folder.mkdir()
    rows.to_csv(folder / "log.csv", index=False)
    (folder / "bench.toml").write_text(HEAD + surface)
    tastefield.run(folder / "bench.toml", out=folder / "out", jobs=jobs)
    return folder / "out"


def results(out: Path) -> dict:
    return json.loads((out / "results.json").read_text(encoding="utf-8"))


def codes(found: dict) -> set[str]:
    return {one["code"] for one in found["findings"]}


def recipes(found: dict) -> list:
    return [(entry["aim"], entry["assurance"], entry["expected_score"]) for entry in found["setups"]]


@pytest.fixture(scope="module", autouse=True)
def _nothing_is_handed_over():
    with without_handover():
        yield


@pytest.fixture(scope="module")
def there(tmp_path_factory) -> Path:
    """The output of another workshop: eight machines."""
    return ran(tmp_path_factory.mktemp("runs") / "there", made(8, seed=1))


@pytest.fixture(scope="module")
def elsewhere(tmp_path_factory) -> Path:
    """And of a third one: six machines."""
    return ran(tmp_path_factory.mktemp("runs") / "elsewhere", made(6, seed=2, name="press"))


@pytest.fixture(scope="module")
def new() -> pd.DataFrame:
    """A new bench: one machine, four shots."""
    return made(1, seed=3, name="fresh")


def test_what_is_saved_names_nobody_and_holds_no_record(there):
    text = (there / NAME).read_text(encoding="utf-8")
    saved = json.loads(text)
    assert saved["schema"] == "tastefield/population/1"
    assert saved["counts"] == {"setups": 8, "machines": 8, "coffees": 3, "tasters": 1, "shots": 32}
    assert len(saved["marks"]) == 32
    for word in ("mill", "Ada", "bean", "log.csv"):
        assert word not in text
    shots = made(8, seed=1)[["beverage_g", "shot_time_s"]].to_numpy() / [36.0, 27.0]
    corners = np.array(saved["learned"]["corners"])
    assert np.abs(corners[:, None] - np.log(shots) / np.log(1.5)).max(axis=2).min() > 1e-3
    numbers = {f"{value:.4f}" for value in (np.log(shots) / np.log(1.5)).ravel()}
    assert not numbers & {f"{value:.4f}" for value in corners.ravel() if value}


def test_the_file_is_the_same_for_any_number_of_jobs(there, tmp_path):
    again = ran(tmp_path / "again", made(8, seed=1), jobs=2)
    assert (again / NAME).read_bytes() == (there / NAME).read_bytes()


def test_a_new_bench_that_starts_from_another_is_surer_and_says_what_it_started_from(there, new, tmp_path):
    alone = results(ran(tmp_path / "alone", new))
    known = results(ran(tmp_path / "known", new, f'population = "{there / NAME}"'))
    (a,), (b,) = alone["setups"], known["setups"]
    width = [entry["expected_score"]["upper"] - entry["expected_score"]["lower"] for entry in (a, b)]
    assert width[1] < 0.9 * width[0]
    assert alone["prior"] is None
    assert known["prior"] == {
        "files": [os.path.relpath(there / NAME, tmp_path / "known")],
        "setups": 8,
        "machines": 8,
        "coffees": 3,
        "tasters": 1,
        "shots": 32,
    }
    assert "population_used" in codes(known)


def test_what_two_benches_learned_one_after_the_other_is_what_they_teach_together(there, elsewhere, new, tmp_path):
    """Two routes to one answer, that differ by what is taken of standard deviations; each file alone is farther off."""
    chained = ran(tmp_path / "chain", made(6, seed=2, name="press"), f'population = "{there / NAME}"')
    found = {}
    for name, files in {"one": [chained], "both": [there, elsewhere], "first": [there], "second": [elsewhere]}.items():
        named = ", ".join(f'"{file / NAME}"' for file in files)
        found[name] = results(ran(tmp_path / name, new, f"population = [{named}]"))
    assert found["one"]["prior"] | {"files": []} == found["both"]["prior"] | {"files": []}
    mean = {name: one["setups"][0]["expected_score"]["mean"] for name, one in found.items()}
    apart = min(abs(mean["both"] - mean["first"]), abs(mean["both"] - mean["second"]))
    assert abs(mean["one"] - mean["both"]) < min(0.8 * apart, 0.06)


def hub(out: Path) -> np.ndarray:
    return np.array(json.loads((out / NAME).read_text())["learned"]["hub"]["precision"])


def test_files_of_the_same_machines_and_coffees_do_not_count_as_strangers(there, new, tmp_path):
    """A year later on the same machines: what a machine adds is not drawn again, so two files are not twice as sure."""
    later = made(8, seed=9)
    second = ran(tmp_path / "second", later)
    both = f'population = ["{there / NAME}", "{second / NAME}"]'
    found = results(ran(tmp_path / "both", new, both))
    assert "population_related" in codes(found)
    assert (found["prior"]["machines"], found["prior"]["coffees"], found["prior"]["tasters"]) == (8, 3, 1)
    strangers = ran(
        tmp_path / "strangers",
        later.assign(**{name: later[name].str.replace("mill", "other") for name in ("machine", "coffee", "taster")}),
    )
    apart = results(ran(tmp_path / "apart", new, f'population = ["{there / NAME}", "{strangers / NAME}"]'))
    assert "population_related" not in codes(apart)

    def width(run):
        return run["setups"][0]["expected_score"]["upper"] - run["setups"][0]["expected_score"]["lower"]

    assert width(apart) < width(found)


def test_a_bench_of_few_setups_leaves_nothing_from_which_they_could_be_told(there, new, tmp_path):
    """Alone, and beside what it started from: the difference would be what they told."""
    for name, surface in (("alone", ""), ("beside", f'population = "{there / NAME}"')):
        saved = json.loads((ran(tmp_path / name, new, surface) / NAME).read_text())
        assert saved["counts"]["setups"] == 1
        assert (saved["marks"], saved["learned"]) == ([], {})
        assert saved["names"] == {"machines": [], "coffees": [], "tasters": []}


def test_a_run_over_the_shots_of_its_own_population_counts_them_once(there, tmp_path):
    again = results(ran(tmp_path / "again", made(8, seed=1), f'population = "{there / NAME}"'))
    assert recipes(again) == recipes(results(there))
    assert "population_is_here" in codes(again)
    assert again["prior"] is None


def test_a_file_whose_shots_are_read_here_is_left_out_and_the_others_are_not(there, elsewhere, tmp_path):
    both = f'population = ["{there / NAME}", "{elsewhere / NAME}"]'
    found = results(ran(tmp_path / "both", made(8, seed=1), both))
    alone = results(ran(tmp_path / "alone", made(8, seed=1), f'population = "{elsewhere / NAME}"'))
    assert found["prior"] == alone["prior"]
    assert recipes(found) == recipes(alone)


def test_a_shot_is_recognised_though_it_was_written_otherwise(there, tmp_path):
    """Names in capitals and with a space more, weights in other decimals, another grind notation, another score."""
    rows = made(8, seed=1).query("machine == 'mill 2'")
    other = rows.assign(
        machine=rows["machine"].str.upper() + " ",
        dose_g=18.04,
        beverage_g=rows["beverage_g"] + 0.01,
        shot_time_s=rows["shot_time_s"] + 0.001,
        grind_setting="7.0",
        score=rows["score"] - 0.5,
    )
    found = results(ran(tmp_path / "other", other, f'population = "{there / NAME}"'))
    (note,) = [one for one in found["findings"] if one["code"] == "shots_in_population"]
    assert note["message"].startswith("Of 4 tasted shots 4 ")


def test_shots_that_stand_in_the_population_teach_nothing_again(there, new, tmp_path):
    """As if they had not been tasted: they are told, their machine's numbers stay."""
    known = made(8, seed=1).query("machine == 'mill 2'")
    assert len(known) == 4
    with_known = pd.concat([new, known], ignore_index=True)
    untasted = pd.concat([new, known.assign(score=np.nan)], ignore_index=True)
    surface = f'population = "{there / NAME}"'
    a, b = (results(ran(tmp_path / name, rows, surface)) for name, rows in (("a", with_known), ("b", untasted)))
    assert recipes(a) == recipes(b)
    assert codes(a) - codes(b) == {"shots_in_population"}


@pytest.mark.parametrize(("shots", "between"), [(3, False), (4, True), (32, False)])
def test_a_log_that_was_doubled_is_no_surer(tmp_path, shots, between):
    """Pasted below, or each row once more below itself."""
    rows = made(8, seed=1) if shots == 32 else made(1, seed=3, shots=shots)
    rows = rows.assign(grind_setting=(20 - rows["shot_time_s"] / 3).round(), target_time_s=27.0)
    twice = pd.concat([rows, rows.assign(shot_id=rows["shot_id"] + " copy")], ignore_index=not between)
    doubled = results(ran(tmp_path / "doubled", twice.sort_index(kind="stable")))
    assert recipes(doubled) == recipes(results(ran(tmp_path / "once", rows)))
    assert "log_doubled" in codes(doubled)


def test_half_a_log_that_was_pasted_again_is_no_surer(there, tmp_path):
    rows = made(8, seed=1)
    more = pd.concat([rows, rows.iloc[8:24].assign(shot_id=lambda r: r["shot_id"] + " copy")], ignore_index=True)
    assert recipes(results(ran(tmp_path / "more", more))) == recipes(results(there))


def coarse(shots: int, seed: int) -> pd.DataFrame:
    """One machine as people write it: whole grams, seconds and points, no dates, one row a taster."""
    rng = np.random.default_rng(seed)
    rows = pd.DataFrame(
        {
            "machine": "A",
            "coffee": "house",
            "dose_g": 18,
            "beverage_g": rng.choice([36, 38], shots),
            "shot_time_s": rng.integers(25, 31, shots),
        }
    )
    given = [rows.assign(taster=name, score=rng.integers(5, 9, shots)) for name in ("Ada", "Bo")]
    return pd.concat(given).sort_index(kind="stable").reset_index(drop=True)


def test_shots_repeated_on_purpose_are_shots_of_their_own(tmp_path):
    """A few alike, as rounding makes them; of 60 nearly all; all alike, but pulled at other times."""
    rows = made(6, seed=4)
    some = pd.concat([rows, rows.iloc[:5:2].assign(shot_id=lambda r: r["shot_id"] + " b")], ignore_index=True)
    later = rows.assign(shot_id=rows["shot_id"] + " b", pulled_at="2026-03-02 10:00")
    timed = pd.concat([rows.assign(pulled_at="2026-03-01 10:00"), later], ignore_index=True)
    for name, log in (("some", some), ("timed", timed), ("coarse", coarse(60, seed=5))):
        found = results(ran(tmp_path / name, log))
        assert "log_doubled" not in codes(found)
        assert sum(entry["tasted"] for entry in found["setups"]) == len(log)


def test_of_two_files_with_a_shot_in_common_the_smaller_is_left_out(there, elsewhere, new, tmp_path):
    in_common = made(1, seed=2, name="press")  # the first of the six machines elsewhere
    larger = ran(tmp_path / "larger", pd.concat([made(8, seed=1), in_common], ignore_index=True))
    named = f'population = ["{elsewhere / NAME}", "{larger / NAME}"]'
    found = results(ran(tmp_path / "new", new, named))
    assert found["prior"]["files"] == ["../larger/out/population.json"]
    assert "population_overlaps" in codes(found)


def test_a_bench_that_tasted_nothing_starts_from_what_others_know(there, new, tmp_path):
    found = results(ran(tmp_path / "new", new.assign(score=np.nan), f'population = "{there / NAME}"'))
    (entry,) = found["setups"]
    assert entry["aim"] is not None
    assert entry["status"] == "tentative"


def refused(folder: Path, surface: str) -> list[str]:
    folder.mkdir(exist_ok=True)
    made(1, seed=3).to_csv(folder / "log.csv", index=False)
    (folder / "bench.toml").write_text(HEAD + surface)
    with pytest.raises(ConfigError) as error:
        tastefield.run(folder / "bench.toml", out=folder / "out")
    assert not (folder / "out").exists()
    return [str(problem) for problem in error.value.problems]


def test_fewer_than_five_setups_are_not_shared(tmp_path):
    few = ran(tmp_path / "few", made(4, seed=1))
    (problem,) = refused(tmp_path / "new", f'population = "{few / NAME}"')
    assert "4 setups" in problem


def test_a_model_that_cannot_start_from_a_population_says_so(there, tmp_path):
    (problem,) = refused(tmp_path / "new", f'model = "quadratic"\npopulation = "{there / NAME}"')
    assert "quadratic" in problem
    assert not (ran(tmp_path / "classical", made(2, seed=1), 'model = "quadratic"') / NAME).exists()


def test_another_salt_another_attribute_and_a_missing_file_are_told_at_once(there, tmp_path):
    (tmp_path / "new").mkdir()
    other = json.loads((there / NAME).read_text()) | {"attribute": "sweetness"}
    (tmp_path / "new" / "other.json").write_text(json.dumps(other))
    surface = f'salt = "a secret of our own benches"\npopulation = ["{there / NAME}", "other.json", "gone.json"]'
    problems = refused(tmp_path / "new", surface)
    assert sum("another salt" in problem for problem in problems) == 2
    assert sum('"sweetness"' in problem for problem in problems) == 1
    assert sum('no file matches "gone.json"' in problem for problem in problems) == 1


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda saved: saved.update(schema="tastefield/population/9"), "no population of this version"),
        (lambda saved: saved.update(model="other"), "another model"),
        (lambda saved: saved.update(name="Ada"), "name cannot be used"),
        (lambda saved: saved["counts"].update(shots=99), "counts its shots wrongly"),
        (lambda saved: saved["marks"].__setitem__(0, "Ada"), "marks.0"),
        (lambda saved: saved["names"]["coffees"].pop(), "counts its coffees wrongly"),
        (lambda saved: saved["learned"].pop("hub"), "learned.hub"),
        (lambda saved: saved["learned"].update(setups={}), "learned.setups"),
        (lambda saved: saved["learned"].update(length=0.7), "learned.length"),
        (lambda saved: saved["learned"]["theta"].pop(), "learned.theta"),
        (lambda saved: saved["learned"]["theta"].__setitem__(0, 9.0), "learned.theta"),
        (lambda saved: saved["learned"].update(theta=[-4.0] * 14 + [0.0]), "no bench has"),
        (lambda saved: saved["learned"]["theta_cov"][0].__setitem__(0, -1.0), "learned.theta_cov"),
        (lambda saved: saved["learned"]["hub"]["precision"][0].__setitem__(1, 5e5), "learned.hub.precision"),
        (lambda saved: saved["learned"]["hub"]["precision"][0].__setitem__(0, -5e5), "learned.hub.precision"),
        (lambda saved: saved["learned"]["hub"]["told"].__setitem__(0, float("nan")), "learned.hub.told"),
        (lambda saved: saved["learned"]["hub"].update(told=[1.0]), "learned.hub.told"),
        (lambda saved: saved["learned"]["coding"].update(effect=9), "effect"),
        (lambda saved: saved["learned"].update(corners=[[99.0, 0.0]]), "learned.corners"),
        (lambda saved: saved["learned"]["hub"].update(told=[1e4] * 68), "no scale holds"),
        (lambda saved: saved["learned"]["hub"].update(told=[1e308] * 68), "no scale holds"),
        (lambda saved: saved["learned"]["hub"].update(precision=(1e9 * np.eye(68)).tolist()), "surer than"),
        (lambda saved: saved["learned"].update(apart=[0.3, 9.0]), "learned.apart"),
        (lambda saved: saved["learned"].update(time_felt=[1.2, 0.1]), "learned.time_felt"),
        (lambda saved: saved["learned"].update(time_felt=[0.6, 0.0]), "learned.time_felt"),
        (lambda saved: saved["learned"].update(length="0.9"), "learned.length"),
        (lambda saved: saved["learned"].update(theta=[str(x) for x in saved["learned"]["theta"]]), "learned.theta"),
        (lambda saved: saved["counts"].update(setups=10**40), "counts.setups"),
        (lambda saved: saved.update(marks=[], counts={**saved["counts"], "shots": 0}), "counts its shots wrongly"),
    ],
)
def test_a_file_that_was_changed_is_refused_naming_what_is_wrong(there, tmp_path, change, says):
    saved = json.loads((there / NAME).read_text())
    change(saved)
    (tmp_path / "new").mkdir()
    (tmp_path / "new" / "changed.json").write_text(json.dumps(saved))
    problems = refused(tmp_path / "new", 'population = "changed.json"')
    assert any(says in problem for problem in problems)


@pytest.mark.parametrize("text", ["", "[]", "{", '{"schema": 1}', "\x00", "[" * 100_000])
def test_what_is_no_population_at_all_is_refused(tmp_path, text):
    (tmp_path / "new").mkdir()
    (tmp_path / "new" / "odd.json").write_text(text)
    assert refused(tmp_path / "new", 'population = "odd.json"')


def test_all_faults_of_a_file_are_told_at_once(there, tmp_path):
    saved = json.loads((there / NAME).read_text())
    saved["learned"]["theta"] = []
    saved["learned"]["length"] = 3
    saved["counts"]["setups"] = -1
    (tmp_path / "new").mkdir()
    (tmp_path / "new" / "changed.json").write_text(json.dumps(saved))
    assert len(refused(tmp_path / "new", 'population = "changed.json"')) == 3
