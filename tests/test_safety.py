"""The rules of care hold in every recommendation, on made-up setups that do their worst; the demos are swept too."""

from __future__ import annotations

import json
import math

import pandas as pd
import pytest
from tests.sweep import breaches

import tastefield
from tastefield.config import GrinderConfig
from tastefield.words.ladder import STOP

pytestmark = pytest.mark.usefixtures("undrawn")
BASE = {"machine": "A", "coffee": "house", "dose_g": 18.0, "beverage_g": 36.0, "basket_g": 18, "score": 7}


def ran(*positions: float, slope: float = -0.1, at_27: float = 8.0, **same) -> list[dict]:
    """Shots of a dial that gives 27 s at 8."""
    times = {at: round(27 * math.exp(slope * (at - at_27)), 1) for at in positions}
    return [{**BASE, "grind": f"{at:g}", "time": times[at], "score": 8 - abs(at - 7), **same} for at in positions]


def choked(*settings: object, **same) -> list[dict]:
    return [
        {**BASE, "grind": f"{at}", "outcome": "choked", "beverage_g": None, "score": None, **same} for at in settings
    ]


def two_part(rows: list[dict]) -> list[dict]:
    return [{**row, "grinder": "shop", "grind": f"{int(row['grind']) // 5}+{int(row['grind']) % 5}"} for row in rows]


CASES: dict[str, list[dict]] = {
    "the best setting choked": [*ran(6, 7, 8, 9, 10), *choked(7)],
    "every setting but the coarsest choked": [*ran(6, 7, 8, 9), *choked(6, 7, 8)],
    "every setting choked": [*ran(6, 7, 8), *choked(6, 7, 8, 9, 10)],
    "a dial that is finer upwards": [*ran(6, 7, 8, 9, 10, slope=0.1), *choked(9)],
    "a choke beside the only setting": [*ran(8, 8, 8), *choked(7)],
    "a choke beside the only setting, other side": [*ran(8, 8, 8), *choked(9)],
    "a choke at a setting that is no number": [*ran(6, 7, 8, 9), *choked("fine")],
    "a choke that is written otherwise": [*ran(6, 7, 8, 9), *choked("7.0")],
    "a choke on another machine of the same grinder": [
        *ran(6, 7, 8, 9, grinder="shop"),
        *choked(7, grinder="shop", machine="B"),
        *ran(8, 9, 10, grinder="shop", machine="B"),
    ],
    "a choke before and after a burr zero": [
        *ran(6, 7, 8, grinder_zero="old"),
        *choked(12, grinder_zero="old"),
        *ran(16, 17, 18, at_27=18, grinder_zero="new"),
        *choked(16, grinder_zero="new"),
    ],
    "doses far over the basket": ran(6, 7, 8, 9, dose_g=22.0, beverage_g=44.0),
    "the basket was changed for a smaller one": [*ran(6, 7, 8, basket_g=22), *ran(7, 8, basket_g=14)],
    "pressurised, and choked": [*ran(6, 7, 8, basket_kind="pressurised"), *choked(5, basket_kind="pressurised")],
    "one shot and a choke": [*ran(8), *choked(8)],
    "choke only": choked(8),
    "nothing on the dial": [{**row, "grind": None} for row in ran(6, 7, 8)],
    "no setting written, the slower the better, and one choked": [
        *({**BASE, "time": time, "score": score} for time, score in ((24, 5), (26, 6), (27, 6.5), (28, 7), (30, 8))),
        *({**row, "grind": None} for row in choked(0)),
        *(
            {**BASE, "machine": "B", "time": time, "score": score}
            for time, score in ((30, 7), (34, 8), (38, 9), (42, 9))
        ),
    ],
    "two parts": two_part([*ran(6, 7, 8, 9, 10), *choked(7)]),
    "fast shots all": [*ran(14, 15, 16, 17, 18), *choked(13)],
}


@pytest.mark.parametrize("case", CASES)
def test_no_recommendation_chokes_overfills_or_says_finer_without_the_warning(tmp_path, case):
    pd.DataFrame(CASES[case]).to_csv(tmp_path / "log.csv", index=False)
    (tmp_path / "log.toml").write_text(
        '[[source]]\npath = "log.csv"\nholds = ["shots", "scores"]\n[taste]\nscale = [1, 9]\ngood = 6.5\n'
        + ('[[grinder]]\nname = "shop"\nnotation = "two_part"\nper = 5\n' if case == "two parts" else "")
    )
    run = tastefield.run(tmp_path / "log.toml", out=tmp_path / "out")
    assert not run.failed
    grinders = [GrinderConfig(name="shop", notation="two_part", per=5)] if case == "two parts" else []
    assert breaches(tmp_path / "out", *grinders) == []


def test_the_sweep_sees_each_kind_of_breach(tmp_path):
    """A folder in which everything is wrong: the test above could not pass by looking away."""
    rows = [*ran(7, 8, 9), *choked(7)]
    pd.DataFrame(rows).to_csv(tmp_path / "log.csv", index=False)
    tastefield.run(tmp_path / "log.csv", out=tmp_path / "out")
    results = tmp_path / "out" / "results.json"
    text = results.read_text("utf-8")
    (setup,) = [line for line in text.splitlines() if line.startswith('{"key"')]
    entry = json.loads(setup)
    entry["aim"] |= {"grind_setting": "6", "dose_g": 25.0}
    shot = {**entry["next_shots"][0], "why": "Taste it."}
    entry["next_shots"] = [{**shot, "grind_setting": at} for at in ("9", "7")]
    entry["next_shots"] += [{**shot, "grind_setting": None, "shot_time_s": at} for at in (20.0, 45.0)]
    entry["findings"].append({"code": "check_failed", "severity": "warn", "where": {}, "message": "", "do": ""})
    entry["settings"] |= {"higher_is": "coarser", "position": 8.0, "step": 1.0}
    entry["ladder"]["moves"]["finer"] = {"steps": 1, "shot_time_s": None, "score": None}
    entry["ladder"]["choked"] = None
    results.write_text(text.replace(setup, json.dumps(entry)), "utf-8")
    page = tmp_path / "out" / "page.html"
    lines = ("Grind finer.", "Finer, it never choked.", "Never go finer: it choked.", f"Finer; {STOP}.")
    page.write_text(page.read_text("utf-8") + "".join(f"<p>{line}</p>" for line in lines), "utf-8")
    told = " ".join(breaches(tmp_path / "out"))
    for kind in (
        "the recipe is set to 6, finer than",
        "a next shot is set to 7, which choked",
        "a next shot goes finer to 7 without",
        "a next shot asks for 45.0 s, longer than any",
        "a next shot is ground finer, for 45 s, without",
        "goes to 7",
        "does not name",
        "a dose of 25.0 g",
        "no warning beside: Grind finer.",
        "no warning beside: Finer, it never choked.",
        "held by a failed check",
    ):
        assert kind in told, kind
    assert "beside: Never go finer" not in told
    assert "beside: Finer; stop" not in told
