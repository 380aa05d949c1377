"""A run made by hand: every status, readings or none, one taster or many, and names that try to do harm.

The world behind it is invented: a dome of liking over log ratio and log time, read with noise. Nothing here is fitted,
so the writers are tested without the rest of the pipeline.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pandas as pd

from tastefield.records import Context, Lattice, Records, RunResult, SetupResult, SourceCount, SurfaceTables, Taste
from tastefield.slug import slug
from tastefield.words.columns import SET_ASIDE, SHOTS
from tastefield.words.ladder import without_numbers
from tastefield_plugins.write_page import PageWriter

GOOD = 6.5
TASTE = {"attribute": "liking", "scale": [1.0, 9.0], "good": GOOD}
HOSTILE = ("=cmd|' /C calc'!A0", "../../x", "<script>alert(1)</script>", "CON", "A/B", "\u202egnp.exe", "x" * 300)
"""Names that try a formula, a path, markup, a device name, a separator, a turned reading order, sheer length."""

DOSING = {
    "timer": {"setting": "4.6 s", "dose_g": [18.0, 17.4, 18.6], "shots": 6},
    "button": {"beverage_g": [37.0, 35.5, 38.4], "dose_g": 18.0, "coffee": HOSTILE[2], "shots": 3},
}

STATUSES = ("window", "tentative", "insufficient", "confirmed", "failed")


@dataclass(frozen=True)
class Case:
    """What distinguishes one made-up setup from the next."""

    machine: str
    coffee: str
    status: str = "window"
    shots: int = 6
    tasters: tuple[str, ...] = ("me",)
    readings: bool = False
    dial: bool = True
    clock: str = "pump"
    best: tuple[float, float] = (2.1, 28.0)
    assurance: float = 0.82
    pressurised: bool = False
    key: dict[str, str] = field(default_factory=dict)


CASES: tuple[Case, ...] = (
    Case("Bench 01", "Morning blend"),
    Case("Bench 02", "Morning blend", "tentative", shots=4, dial=False, assurance=0.55, best=(2.3, 26.0)),
    Case("Bench 03", "Dark roast", "insufficient", shots=2, assurance=0.3),
    Case(
        "Panel A", "Washed single", "confirmed", 18, ("ana", "ben", "chi", "dov"), True, best=(2.4, 31.0), assurance=0.9
    ),
    Case("Bench 04", "Morning blend", "failed", shots=3),
    Case("Bench 05", "Light roast", "tentative", 3, clock="first_drip", best=(2.5, 22.0), assurance=0.62),
    Case("Bench 06", "Supermarket blend", "window", 5, dial=False, pressurised=True, best=(1.9, 24.0)),
)

HOSTILE_CASES: tuple[Case, ...] = tuple(
    Case(name, HOSTILE[(number + 1) % len(HOSTILE)], tasters=(name, "me"), status=("window", "tentative")[number % 2])
    for number, name in enumerate(HOSTILE)
)


def liking(ratio: Any, time_s: Any, best: tuple[float, float]) -> Any:
    """Expected score: a dome in log ratio and log time."""
    across = np.log(np.asarray(ratio) / best[0]) / 0.32
    along = np.log(np.asarray(time_s) / best[1]) / 0.38
    return np.maximum(1.0, 7.6 - 1.5 * across**2 - 1.2 * along**2 - 0.4 * across * along)


def setup(case: Case, seed: int = 0) -> SetupResult:
    """One made-up setup with shots, scores, lattice, tables and the object of the results file."""
    rng = np.random.default_rng(seed)
    name = slug([case.machine, case.coffee])
    shots = _shots(case, name, rng)
    scores = _scores(case, shots, rng)
    readings = _readings(case, shots)
    blank = case.status in ("insufficient", "failed")
    lattice = None if blank else _lattice(case)
    tables = None if blank else _tables(scores, shots, case)
    entry = _entry(case, name, shots, scores, readings)
    dial = _dial(case) if case.dial and not blank else None
    return SetupResult(entry, name, shots, scores, readings, lattice, tables, dial, _traces(case, shots))


def run(cases: tuple[Case, ...] = CASES + HOSTILE_CASES, title: str = "Bench log, March") -> RunResult:
    """A whole made-up run: its setups, what was set aside and the results file without its setups."""
    setups = [setup(case, seed) for seed, case in enumerate(cases)]
    tables = {
        "shots": pd.concat([s.shots.drop(columns=["ratio", "dial_position"]) for s in setups], ignore_index=True),
        "scores": pd.concat([s.scores for s in setups], ignore_index=True),
        "readings": pd.concat([s.readings for s in setups], ignore_index=True),
    }
    aside = pd.DataFrame(
        [
            ("log.csv", "shots", 7, "", "dose_g = -18", "the dose is not above 0 g", "weigh the dose again"),
            ("log.csv", "scores", 12, "score", "=1+1", "not a score from 1 to 9", "write a number or a known word"),
        ],
        columns=list(SET_ASIDE),
    )
    counts = (SourceCount("log.csv", "shots", 61, 60, 1), SourceCount("log.csv", "scores", 90, 89, 1))
    return RunResult(_summary(title, counts), setups, Records(tables, aside, counts, Taste(good=GOOD)))


@lru_cache(maxsize=1)
def page() -> tuple[RunResult, str]:
    """The whole made-up run and its page, written once for all tests that read it."""
    made, writer = run(), PageWriter()
    context = Context(PageWriter.Options(), setups=len(made.setups))
    with TemporaryDirectory() as folder:
        for result in made.setups:
            writer.write_setup(result, Path(folder), context)
        writer.write_run(made, Path(folder), context)
        assert [path.name for path in Path(folder).iterdir()] == ["page.html"], "pieces are swept up"
        return made, (Path(folder) / "page.html").read_text("utf-8")


def _shots(case: Case, name: str, rng: np.random.Generator) -> pd.DataFrame:
    n = case.shots
    ratio = case.best[0] * np.exp(rng.normal(0, 0.16, n))
    time_s = case.best[1] * np.exp(rng.normal(0, 0.18, n))
    position = np.round((np.log(case.best[1]) + 0.9 - np.log(time_s)) / 0.12 * 2) / 2
    frame = pd.DataFrame({column.name: pd.Series([pd.NA] * n, dtype=object) for column in SHOTS})
    frame["shot_id"] = [f"{name[:12]}-{number + 1}" for number in range(n)]
    frame["machine"], frame["coffee"], frame["grinder"] = case.machine, case.coffee, case.machine
    frame["dose_g"] = np.round(18 + rng.normal(0, 0.1, n), 1)
    frame["beverage_g"] = np.round(frame["dose_g"].astype(float) * ratio, 1)
    frame["shot_time_s"], frame["clock"], frame["outcome"] = np.round(time_s, 1), case.clock, "ok"
    frame["grind_setting"] = [f"{p:g}" for p in position] if case.dial else pd.NA
    frame["basket_kind"] = "pressurised" if case.pressurised else "plain"
    frame["served_as"] = "black"
    frame["pulled_at"] = pd.Timestamp("2025-03-04 10:00") + pd.to_timedelta(np.arange(n) * 6, unit="min")
    frame["place"], frame["row"] = "log.csv", np.arange(n) + 2
    frame["ratio"] = frame["beverage_g"].astype(float) / frame["dose_g"].astype(float)
    frame["dial_position"] = position if case.dial else np.nan
    for column in SHOTS:
        if column.kind in ("number", "duration"):
            frame[column.name] = pd.to_numeric(frame[column.name]).astype("float64")
        elif column.kind in ("text", "category"):
            frame[column.name] = frame[column.name].astype("str")
    if case.readings:
        time_part = 1.2 * np.log(time_s / 28)
        frame["extraction_pct"] = 19.5 + 3.0 * np.log(ratio / 2) + time_part + rng.normal(0, 0.4, n)
        frame["tds_pct"] = frame["extraction_pct"] / frame["ratio"]
    return frame


def _scores(case: Case, shots: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    rows = []
    if case.status != "insufficient":
        for number, taster in enumerate(case.tasters):
            truth = liking(shots["ratio"], shots["shot_time_s"], case.best) + 0.4 * (number - 1)
            score = np.clip(np.round(truth + rng.normal(0, 0.5, len(shots)), 1), 1, 9)
            rows += [
                {"shot_id": i, "taster": taster, "score": s, "attribute": "liking", "session": "1", "place": "log.csv"}
                for i, s in zip(shots["shot_id"], score, strict=True)
            ]
    columns = ["shot_id", "taster", "score", "attribute", "session", "place"]
    return pd.DataFrame(rows, columns=columns).astype({"score": "float64", "taster": "str"})


def _readings(case: Case, shots: pd.DataFrame) -> pd.DataFrame:
    if not case.readings:
        return pd.DataFrame({"shot_id": pd.Series(dtype="str"), "tds_pct": pd.Series(dtype="float64")})
    return shots[["shot_id", "tds_pct"]].assign(reading_no=1)


def _lattice(case: Case) -> Lattice:
    ratio = np.linspace(1.2, 3.6, 33)
    time_s = np.exp(np.linspace(np.log(14), np.log(52), 33))
    across, along = np.meshgrid(ratio, time_s, indexing="ij")
    mean = liking(across, along, case.best)
    far = np.hypot(np.log(across / case.best[0]) / 0.34, np.log(along / case.best[1]) / 0.36)
    chance = 1 / (1 + np.exp(-(mean - GOOD) * 2.2)) * case.assurance / 0.9
    extraction = 19.5 + 3.0 * np.log(across / 2) + 1.2 * np.log(along / 28) if case.readings else None
    sd = 0.3 + 0.4 * far
    told = {
        "expected": mean - 0.1,
        "lower": np.maximum(mean - 1.7 * sd, 1.0),
        "upper": np.minimum(mean + 1.5 * sd, 9.0),
    }
    return Lattice(ratio, time_s, mean, sd, np.minimum(chance, 1.0), far < 1.0, extraction, **told)


def _dial(case: Case) -> pd.DataFrame:
    """Marks half a step apart, slower the lower they are."""
    position = np.arange(6.0, 10.01, 0.5)
    time_s = case.best[1] * np.exp(-0.12 * (position - 7.5))
    return pd.DataFrame({"position": position, "grind_setting": [f"{p:g}" for p in position], "shot_time_s": time_s})


def _traces(case: Case, shots: pd.DataFrame) -> pd.DataFrame | None:
    """Recordings of a case that was read with everything: a steady pour after eight seconds."""
    if not case.readings:
        return None
    rows = []
    for shot, out, time_s in zip(shots["shot_id"], shots["beverage_g"], shots["shot_time_s"], strict=True):
        seconds = np.arange(0.0, time_s, 0.5)
        grams = out * np.clip((seconds - 8.0) / (time_s - 8.5), 0.0, 1.0)
        rows.append(pd.DataFrame({"shot_id": shot, "t_s": seconds, "mass_g": grams, "clock": case.clock}))
    return pd.concat(rows, ignore_index=True)


def _terms() -> pd.DataFrame:
    names = ["constant", "ratio", "time", "ratio:time", "ratio^2", "time^2"]
    terms = pd.DataFrame({"term": names, "estimate": [7.6, 0.1, -0.1, -0.4, -1.5, -1.2], "std_error": 0.3})
    return terms.assign(df=8.0, lower=terms["estimate"] - 0.56, upper=terms["estimate"] + 0.56)


def _tables(scores: pd.DataFrame, shots: pd.DataFrame, case: Case) -> SurfaceTables:
    terms = _terms()
    fit = pd.DataFrame(
        [{"model": "quadratic", "shots": case.shots, "scores": len(scores), "terms": 6, "shot_var": 0.1}]
    )
    seen = scores.merge(shots[["shot_id", "ratio", "shot_time_s"]], on="shot_id")
    seen["fitted"] = liking(seen["ratio"], seen["shot_time_s"], case.best)
    seen["residual"] = seen["score"] - seen["fitted"]
    columns = ["shot_id", "taster", "ratio", "shot_time_s", "score", "fitted", "residual"]
    return SurfaceTables(terms, fit, seen[columns])


def _entry(case: Case, name: str, shots: pd.DataFrame, scores: pd.DataFrame, readings: pd.DataFrame) -> dict[str, Any]:
    blank = case.status in ("insufficient", "failed")
    ready = case.status in ("window", "confirmed")
    ratio, time_s = case.best
    grind = f"{0.9 / 0.12:.1f}" if case.dial else None
    aim = {
        "ratio": ratio,
        "shot_time_s": time_s,
        "clock": case.clock,
        "dose_g": 18.0,
        "beverage_g": 18 * ratio,
        "extraction_pct": 19.7 if case.readings else None,
        "tds_pct": 19.7 / ratio if case.readings else None,
        "grind_setting": grind,
        "grind_kind": "interval" if case.dial else None,
        "grind_interval": [7.1, 8.0] if case.dial else None,
        "support": "setup",
        "at_edge": False,
    }
    span = {
        "ratio": [ratio * 0.93, ratio * 1.07],
        "shot_time_s": [time_s * 0.88, time_s * 1.12],
        "beverage_g": [18 * ratio * 0.93, 18 * ratio * 1.07],
        "extraction_pct": None,
    }
    line = {
        "grinder": case.machine,
        "grind_setting": grind,
        "position": 7.5,
        "position_range": [7.1, 8.0],
        "seconds_per_step": {"estimate": -3.4, "lower": -4.6, "upper": -2.2},
        "step": 0.5,
        "higher_is": "coarser",
        "line": {"intercept": float(np.log(time_s) + 0.9), "slope": -0.12, "per_log_ratio": 0.5},
        "time_chance": 0.78 if ready else None,
        "leaves": True,
        "say": "One mark coarser makes the shot about 3 s faster.",
    }
    following = [
        {
            "grind_setting": grind,
            "dose_g": 18.0,
            "beverage_g": round(18 * ratio) + step,
            "ratio": ratio + step / 18,
            "shot_time_s": time_s,
            "expected_gain": 0.2 - 0.05 * step,
            "why": "settles how much to let out",
            "stage": "confirm" if case.status == "window" else "dial-in",
        }
        for step in (2, -2, 4)[: {"confirmed": 0, "window": 2}.get(case.status, 3)]
    ]
    ladder = without_numbers(span["shot_time_s"], case.pressurised)
    if case.dial:
        ladder["choked"] = "6.5"
        ladder["moves"]["finer"] |= {"shot_time_s": [3.4, 2.2, 4.6], "score": [0.3, -0.1, 0.6]}
    best = None
    if len(scores):
        by_shot = scores.groupby("shot_id")["score"].mean()
        shot = shots.set_index("shot_id").loc[by_shot.idxmax()]
        best = {
            "shot_id": by_shot.idxmax(),
            "ratio": shot["ratio"],
            "shot_time_s": shot["shot_time_s"],
            "dose_g": shot["dose_g"],
            "beverage_g": shot["beverage_g"],
            "grind_setting": shot["grind_setting"] if case.dial else None,
            "score": by_shot.max(),
        }
    return {
        "key": case.key or {"machine": case.machine, "grinder": case.machine, "coffee": case.coffee},
        "slug": name,
        "taste": TASTE,
        "last_pulled": "2025-03-04",
        "shots": len(shots),
        "tasted": int(scores["shot_id"].nunique()),
        "readings": len(readings),
        "tasters": int(scores["taster"].nunique()),
        "sessions": 1,
        "status": case.status,
        "aim": None if blank else aim,
        "assurance": None if blank else case.assurance,
        "assurance_range": None if blank else [case.assurance - 0.2, min(0.97, case.assurance + 0.1)],
        "expected_score": None if blank else {"mean": 7.4, "lower": 6.6, "upper": 8.1, "level": 0.9},
        "window": span if ready else None,
        "best_shot": best,
        "surface": None
        if blank
        else {
            "model": "quadratic",
            "terms": _terms().to_dict("records"),
            "fit": {"model": "quadratic", "df": 8.0, "r2": None},
            "stationary": {"ratio": ratio, "shot_time_s": time_s, "nature": "maximum"},
            "variances": {"shot": 0.1, "shot_range": [0.02, 0.5], "noise": 0.4, "taster": None},
            "skill": None,
        },
        "scatter": {"ratio_sd_pct": 3.0, "time_sd_pct": 6.0, "correlation": 0.4, "source": "repeats", "df": 4.0},
        "settings": line if case.dial and not blank else None,
        "next_shots": following,
        "ladder": None if blank else ladder,
        "dosing": DOSING if case.dial and ready else None,
        "why": []
        if blank
        else ["Shots with a little more out scored better, up to about 1:2.2.", "Longer than 32 s tasted no better."],
        "findings": [_finding("few_terms", "note", "Too few shots to tell every bend of the surface.", "Pull more.")]
        if case.shots < 6
        else [],
    }


def _finding(code: str, severity: str, message: str, do: str) -> dict[str, Any]:
    return {"code": code, "severity": severity, "where": {}, "message": message, "do": do}


def _handover(machine: str, number: int) -> dict[str, Any]:
    """Where to start with another coffee: a guess, and one that could not be worked out."""
    aim = {
        "ratio": 2.05,
        "shot_time_s": 27.4,
        "clock": "pump",
        "dose_g": 18.0,
        "beverage_g": 36.9,
        **dict.fromkeys(("extraction_pct", "tds_pct", "grind_setting", "grind_kind", "grind_interval")),
        "support": "bench",
        "at_edge": False,
    }
    shot = {"grind_setting": None, "dose_g": 18.0, "shot_time_s": 27.4, "expected_gain": None, "stage": "dial-in"}
    settings = {
        "grinder": "bench flat",
        **dict.fromkeys(("grind_setting", "position", "position_range", "line")),
        "seconds_per_step": {"estimate": -2.0, "lower": -3.0, "upper": -1.0},
        "step": 1.0,
        "higher_is": "coarser",
        "time_chance": None,
        "leaves": True,
        "say": f"Grind until 18.0 g gives 37 g in 27 s; start from 8, where {HOSTILE[2]} ran about 25 s.",
    }
    lost = number > 0
    return {
        "machine": machine,
        "grinder": "bench flat" if number == 0 else machine,
        "shots": 12,
        "tasted": 9,
        "status": "failed" if lost else "tentative",
        "say": "" if lost else "With a coffee not yet tasted here start from 18.0 g in, 37 g out, 27 s: about 1 in 2.",
        "aim": None if lost else aim,
        "assurance": None if lost else 0.52,
        "expected_score": None if lost else {"mean": 6.5, "lower": 5.0, "upper": 8.0, "level": 0.9},
        "window": None,
        "settings": None if lost else settings,
        "next_shots": []
        if lost
        else [
            {**shot, "beverage_g": 36.9, "ratio": 2.05, "why": "Taste it: checks the best guess."},
            {**shot, "beverage_g": 46.8, "ratio": 2.6, "why": "Worth a taste: more out; may move the recipe."},
        ],
        "findings": [_finding("coffee_not_known", "note", "Which coffee comes next is not known.", "Taste it.")],
    }


def _found(value: str) -> dict[str, Any]:
    return {"value": value, "unit": None, "when": "2025-03-04", "by": HOSTILE[2], "method": None}


def _check(machine: str, check: str, before: Any, after: Any, verdict: str) -> dict[str, Any]:
    return {"machine": machine, "check": check, "before": before, "after": after, "verdict": verdict, "why": ""}


def _summary(title: str, counts: tuple[SourceCount, ...]) -> dict[str, Any]:
    tasters = [
        {"taster": taster, "shots": 18, "level": 0.2 * number, "spread": 1.1, "repeatability": None, "agreement": 0.6}
        for number, taster in enumerate(("ana", "ben", HOSTILE[2]))
    ]
    return {
        "schema": "tastefield/results/1",
        "title": title,
        "created_at": "2025-03-31T09:00:00+00:00",
        "versions": {"tastefield": "0.1.0", "python": "3.11"},
        "seed": 1,
        "taste": TASTE,
        "prior": None,
        "sources": [{key: getattr(c, key) for key in ("place", "table", "read", "kept", "set_aside")} for c in counts],
        "findings": [
            _finding("scale_inferred", "note", "The scale 1 to 9 is a guess from the scores.", "Configure it.")
        ],
        "checks": [
            _check("Bench 01", "leaks", _found("drips"), _found("none"), "recorded"),
            _check(HOSTILE[2], HOSTILE[0], None, _found(HOSTILE[5]), "fails"),
        ],
        "handover": [_handover(machine, number) for number, machine in enumerate(("workshop A", HOSTILE[2]))],
        "tasters": tasters,
    }
