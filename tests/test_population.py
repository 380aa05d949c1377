"""Starting from what other runs learned: no record and no name travels, and no shot is counted twice."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import tastefield
from tastefield.errors import ConfigError
from tastefield.population import NAME

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
        "files": [str(there / NAME)],
        "setups": 8,
        "machines": 8,
        "coffees": 3,
        "tasters": 1,
        "shots": 32,
    }
    assert "population_used" in codes(known)


def test_what_two_benches_learned_one_after_the_other_is_what_they_teach_together(there, elsewhere, new, tmp_path):
    """Two routes to one answer; they differ by what is taken of standard deviations, not of the surface."""
    chained = ran(tmp_path / "chain", made(6, seed=2, name="press"), f'population = "{there / NAME}"')
    one = results(ran(tmp_path / "one", new, f'population = "{chained / NAME}"'))
    both = results(ran(tmp_path / "both", new, f'population = ["{there / NAME}", "{elsewhere / NAME}"]'))
    assert one["prior"] | {"files": []} == both["prior"] | {"files": []}
    (a,), (b,) = one["setups"], both["setups"]
    assert a["expected_score"]["mean"] == pytest.approx(b["expected_score"]["mean"], abs=0.15)
    assert a["assurance"] == pytest.approx(b["assurance"], abs=0.1)


def test_a_run_over_the_shots_of_its_own_population_counts_them_once(there, tmp_path):
    again = results(ran(tmp_path / "again", made(8, seed=1), f'population = "{there / NAME}"'))
    assert recipes(again) == recipes(results(there))
    assert "population_is_here" in codes(again)
    assert again["prior"] is None


def test_shots_that_stand_in_the_population_teach_nothing_again(there, new, tmp_path):
    """As if they had not been tasted: they are told, their machine's numbers stay."""
    known = made(8, seed=1).query("machine == 'mill 2'")
    with_known = pd.concat([new, known], ignore_index=True)
    untasted = pd.concat([new, known.assign(score=np.nan)], ignore_index=True)
    surface = f'population = "{there / NAME}"'
    a, b = (results(ran(tmp_path / name, rows, surface)) for name, rows in (("a", with_known), ("b", untasted)))
    assert recipes(a) == recipes(b)
    assert codes(a) - codes(b) == {"shots_in_population"}


def test_a_log_that_was_doubled_is_no_surer(there, tmp_path):
    rows = made(8, seed=1)
    twice = pd.concat([rows, rows.assign(shot_id=rows["shot_id"] + " copy")], ignore_index=True)
    doubled = results(ran(tmp_path / "doubled", twice))
    assert recipes(doubled) == recipes(results(there))
    assert "log_doubled" in codes(doubled)


def test_shots_repeated_on_purpose_are_shots_of_their_own(tmp_path):
    """A few alike, as rounding makes them, or all alike but pulled at other times: nothing was doubled."""
    rows = made(6, seed=4)
    some = pd.concat([rows, rows.iloc[:5].assign(shot_id=lambda r: r["shot_id"] + " b")], ignore_index=True)
    later = rows.assign(shot_id=rows["shot_id"] + " b", pulled_at="2026-03-02 10:00")
    timed = pd.concat([rows.assign(pulled_at="2026-03-01 10:00"), later], ignore_index=True)
    for name, log in (("some", some), ("timed", timed)):
        out = ran(tmp_path / name, log)
        assert "log_doubled" not in codes(results(out))
        assert len(json.loads((out / NAME).read_text())["marks"]) == len(log)


def test_of_two_files_with_a_shot_in_common_the_smaller_is_left_out(there, elsewhere, new, tmp_path):
    larger = ran(tmp_path / "larger", pd.concat([made(8, seed=1), made(6, seed=2, name="press")], ignore_index=True))
    named = f'population = ["{elsewhere / NAME}", "{larger / NAME}"]'
    found = results(ran(tmp_path / "new", new, named))
    assert found["prior"]["files"] == [str(larger / NAME)]
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
    surface = f'salt = "ours"\npopulation = ["{there / NAME}", "other.json", "gone.json"]'
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
        (lambda saved: saved["learned"].pop("hub"), "learned.hub"),
        (lambda saved: saved["learned"].update(setups={}), "learned.setups"),
        (lambda saved: saved["learned"].update(length=0.7), "learned.length"),
        (lambda saved: saved["learned"]["theta"].pop(), "learned.theta"),
        (lambda saved: saved["learned"]["theta"].__setitem__(0, 9.0), "learned.theta"),
        (lambda saved: saved["learned"]["theta_cov"][0].__setitem__(0, -1.0), "learned.theta_cov"),
        (lambda saved: saved["learned"]["hub"]["precision"][0].__setitem__(1, 5e5), "learned.hub.precision"),
        (lambda saved: saved["learned"]["hub"]["precision"][0].__setitem__(0, -5e5), "learned.hub.precision"),
        (lambda saved: saved["learned"]["hub"]["told"].__setitem__(0, float("nan")), "learned.hub.told"),
        (lambda saved: saved["learned"]["hub"].update(told=[1.0]), "learned.hub.told"),
        (lambda saved: saved["learned"]["coding"].update(effect=9), "effect"),
        (lambda saved: saved["learned"].update(support=[[99.0, 0.0]]), "learned.support"),
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
