"""Report: one setup's findings as its object in the results file; it rounds nothing and decides nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from tastefield.records import (
    Aim,
    Checked,
    Dosing,
    Ladder,
    Move,
    NextShot,
    Settings,
    Setup,
    SetupResult,
    Station,
    Surface,
)
from tastefield.slug import shortened, slug
from tastefield.tables.notation import Notation
from tastefield.words.checks import HOLDS, holding
from tastefield.words.findings import Finding
from tastefield.words.phrases import BESIDE, UNTASTED, chance_in_words, recipe


def report(
    setup: Setup,
    surface: Surface | None,
    aim: Aim | None,
    settings: Settings | None,
    next_shots: Sequence[NextShot],
    findings: Sequence[Finding],
    status: str,
    ladder: Ladder | None = None,
    dosing: Dosing | None = None,
) -> SetupResult:
    """Gather what the stages found about one setup into its result.

    :param status: status where there is no aim: ``insufficient`` or ``failed``.
    """
    all_findings = [*setup.findings, *setup.bench.findings, *findings]
    name = slug(setup.key.values())
    entry: dict[str, Any] = {
        "key": dict(setup.key),
        "slug": name,
        "taste": {"attribute": setup.taste.attribute, "scale": list(setup.taste.scale), "good": setup.taste.good},
        "shots": len(setup.shots),
        "tasted": int(setup.shots["shot_id"].isin(set(setup.scores["shot_id"])).sum()),
        "readings": len(setup.readings),
        "tasters": int(setup.scores["taster"].nunique()),
        "sessions": int(setup.shots["session"].nunique()),
        "last_pulled": _day(setup.shots["pulled_at"].max()),
        "status": aim.status if aim else status,
        "aim": _aim(setup, aim, settings),
        "assurance": aim.assurance if aim else None,
        "assurance_range": list(aim.assurance_range) if aim else None,
        "expected_score": _expected(aim),
        "window": _window(setup, aim),
        "best_shot": _best_shot(setup),
        "why": _why(setup, aim),
        "surface": _surface(surface),
        "scatter": _scatter(setup),
        "settings": _settings(settings, setup.bench.notation),
        "next_shots": [_next_shot(shot) for shot in next_shots],
        "ladder": _ladder(ladder),
        "dosing": _dosing(dosing),
        "findings": [finding.as_dict() for finding in all_findings],
    }
    return SetupResult(
        entry=entry,
        slug=name,
        shots=setup.shots,
        scores=setup.scores,
        readings=setup.readings,
        lattice=aim.lattice if aim else None,
        tables=surface.tables if surface else None,
        dial=_dial(settings),
        traces=setup.traces,
    )


def handover(
    station: Station,
    aim: Aim | None,
    settings: Settings | None,
    next_shots: Sequence[NextShot],
    findings: Sequence[Finding],
    tasted: int,
) -> dict[str, Any]:
    """What is found for a coffee not yet tasted on a machine, as its object in the results file.

    :param aim: ``None`` where it could not be worked out. :param tasted: tasted shots of the whole bench.
    """
    told = _aim(station.setup, aim, settings)
    if told is not None:
        told = {**told, "extraction_pct": None, "tds_pct": None}  # nobody read this coffee
    window = _window(station.setup, aim)
    chance = chance_in_words(aim.assurance, tasted) if aim else ""
    say = f"With a coffee not yet tasted here start from {recipe(told)}: {_so_many(chance)}." if aim else ""
    if code := holding(note.code for note in station.setup.findings):
        why, until = HOLDS[code]
        say = f"Held, {why}. {until} {say}".rstrip()
    return {
        "machine": shortened(station.machine),
        "grinder": shortened(station.grinder),
        "shots": station.shots,
        "tasted": station.tasted,
        "status": aim.status if aim else "failed",
        "say": say,
        "aim": told,
        "assurance": aim.assurance if aim else None,
        "expected_score": _expected(aim),
        "window": None if window is None else {**window, "extraction_pct": None},
        "settings": _settings(settings, station.setup.bench.notation),
        "next_shots": [_next_shot(shot) for shot in next_shots],
        "findings": [finding.as_dict() for finding in findings],
    }


def _so_many(chance: str) -> str:
    return f"{chance} such shots should be good" if " in " in chance else chance


def number(value: Any) -> float | None:
    """A float for the results file; unknown is null."""
    return float(value) if value is not None and pd.notna(value) and np.isfinite(value) else None


def text(value: Any) -> str | None:
    """A string for the results file; unknown is null."""
    return None if value is None or pd.isna(value) else str(value)


def _day(when: Any) -> str | None:
    return None if pd.isna(when) else pd.Timestamp(when).date().isoformat()


def _clock(setup: Setup) -> str:
    clocks = setup.shots.loc[setup.shots["shot_time_s"].notna(), "clock"].dropna().unique()
    return str(clocks[0]) if len(clocks) == 1 else "unknown"


def _aim(setup: Setup, aim: Aim | None, settings: Settings | None) -> dict[str, Any] | None:
    if aim is None:
        return None
    extraction = _at_aim(setup, aim)
    return {
        "ratio": aim.ratio,
        "shot_time_s": aim.shot_time_s,
        "clock": _clock(setup),
        "dose_g": aim.dose_g,
        "beverage_g": None if aim.dose_g is None else aim.dose_g * aim.ratio,
        "extraction_pct": extraction,
        "tds_pct": None if extraction is None else extraction / aim.ratio,
        "grind_setting": settings.grind_setting if settings else None,
        "grind_kind": settings.kind if settings else None,
        "grind_interval": list(settings.interval) if settings and settings.interval else None,
        "support": aim.support,
        "at_edge": aim.at_edge,
    }


def _at_aim(setup: Setup, aim: Aim) -> float | None:
    line = setup.bench.extraction
    if line is None:
        return None
    return float(np.exp(line.coefficients @ [1.0, np.log(aim.ratio / 2.0), np.log(aim.shot_time_s / 27.0)]))


def _expected(aim: Aim | None) -> dict[str, Any] | None:
    if aim is None:
        return None
    mean, lower, upper = aim.expected
    return {"mean": mean, "lower": lower, "upper": upper, "level": aim.level}


def _window(setup: Setup, aim: Aim | None) -> dict[str, Any] | None:
    """Limits of the window; extraction over its four corners, where something was read."""
    if aim is None or aim.window is None:
        return None
    (low, high), (fast, slow) = aim.window
    line = setup.bench.extraction
    extraction = None
    if line is not None:
        corners = [
            float(np.exp(line.coefficients @ [1.0, np.log(ratio / 2.0), np.log(time / 27.0)]))
            for ratio in (low, high)
            for time in (fast, slow)
        ]
        extraction = [min(corners), max(corners)]
    return {
        "ratio": [low, high],
        "shot_time_s": [fast, slow],
        "beverage_g": None if aim.dose_g is None else [aim.dose_g * low, aim.dose_g * high],
        "extraction_pct": extraction,
    }


def _best_shot(setup: Setup) -> dict[str, Any] | None:
    shot = setup.best_shot()
    if shot is None:
        return None
    names = ("ratio", "shot_time_s", "dose_g", "beverage_g")
    return {
        "shot_id": shortened(str(shot["shot_id"])),
        **{name: number(shot[name]) for name in names},
        "grind_setting": text(shot["grind_setting"]),
        "score": number(shot["score"]),
    }


def _why(setup: Setup, aim: Aim | None) -> list[str]:
    """Why this recipe, beside the best real shot, in plain sentences."""
    shot = setup.best_shot()
    if aim is None:
        return []
    if shot is None:
        return [UNTASTED]
    if aim.flat:
        return ["The tasted shots do not show which way is better, so this repeats the best one."]
    sentences = []
    if aim.support == "bench":
        sentences.append(BESIDE)
    if pd.notna(shot["beverage_g"]) and aim.dose_g is not None:
        best, out = float(shot["beverage_g"]), aim.dose_g * aim.ratio
        more = "more" if out > best else "less"
        if abs(out - best) >= 1:
            sentences.append(f"Your best shot was {best:.0f} g; all that is known points to {more}: {out:.0f} g.")
        else:
            sentences.append(f"All that is known agrees with the {best:.0f} g of your best shot.")
    if pd.notna(shot["shot_time_s"]) and abs(aim.shot_time_s - float(shot["shot_time_s"])) >= 1:
        longer = "longer" if aim.shot_time_s > float(shot["shot_time_s"]) else "shorter"
        sentences.append(f"It ran {float(shot['shot_time_s']):.0f} s; {longer} is expected to taste better.")
    _, lower, upper = aim.expected
    sentences.append(
        f"A shot there is expected to score {aim.expected[0]:.1f} (between {lower:.1f} and {upper:.1f}, "
        f"{aim.level:.0%} sure); that best shot scored {float(shot['score']):.1f}, some of it luck."
    )
    return sentences


def _surface(surface: Surface | None) -> dict[str, Any] | None:
    if surface is None:
        return None
    fit = surface.tables.fit.iloc[0].to_dict()
    plain = {str(name): text(value) if isinstance(value, str) else number(value) for name, value in fit.items()}
    return {
        "model": surface.model,
        "terms": [
            {"term": str(row["term"]), "estimate": number(row["estimate"]), "std_error": number(row["std_error"])}
            for row in surface.tables.terms.to_dict("records")
        ],
        "fit": {name: value for name, value in plain.items() if name != "skill" and not name.endswith("_var")},
        "stationary": dict(surface.stationary) if surface.stationary else None,
        "variances": {
            "shot": number(surface.shot_var),
            "shot_range": [number(value) for value in surface.shot_var_range],
            **{
                name.removesuffix("_var"): value
                for name, value in plain.items()
                if name.endswith("_var") and name != "shot_var"
            },
        },
        "skill": plain.get("skill"),
    }


def _scatter(setup: Setup) -> dict[str, Any]:
    cov = setup.bench.scatter.cov
    ratio_sd, time_sd = np.sqrt(np.diag(cov))
    return {
        "ratio_sd_pct": 100 * float(ratio_sd),
        "time_sd_pct": 100 * float(time_sd),
        "correlation": float(cov[0, 1] / (ratio_sd * time_sd)),
        "source": setup.bench.scatter.source,
        "df": setup.bench.scatter.df,
    }


def _settings(settings: Settings | None, notation: Notation) -> dict[str, Any] | None:
    if settings is None:
        return None
    per_step = settings.seconds_per_step
    return {
        "grinder": settings.grinder,
        "grind_setting": settings.grind_setting,
        "position": settings.position,
        "position_range": list(settings.interval) if settings.interval else None,
        "seconds_per_step": (
            None if per_step is None else {"estimate": per_step[0], "lower": per_step[1], "upper": per_step[2]}
        ),
        "notation": notation.kind,
        "step": settings.step,
        "higher_is": settings.higher_is,
        "line": (
            None
            if settings.line is None
            else {
                "intercept": settings.line[0],
                "slope": settings.line[1],
                "per_log_ratio": settings.per_log_ratio or 0.0,
            }
        ),
        "time_chance": settings.time_chance,
        "leaves": settings.leaves,
        "say": settings.say,
    }


def _dial(settings: Settings | None) -> pd.DataFrame | None:
    if settings is None or not settings.marks:
        return None
    return pd.DataFrame(list(settings.marks), columns=["position", "grind_setting", "shot_time_s"]).astype(
        {"grind_setting": "str"}
    )


def _dosing(dosing: Dosing | None) -> dict[str, Any] | None:
    if dosing is None or (dosing.timer is None and dosing.button is None):
        return None
    timer, button = dosing.timer, dosing.button
    return {
        "timer": None
        if timer is None
        else {"setting": timer.setting, "dose_g": list(timer.dose_g), "shots": timer.shots},
        "button": None
        if button is None
        else {
            "beverage_g": list(button.beverage_g),
            "dose_g": button.dose_g,
            "coffee": shortened(button.coffee),
            "shots": button.shots,
        },
    }


def _ladder(ladder: Ladder | None) -> dict[str, Any] | None:
    if ladder is None:
        return None
    return {
        "time_s": list(ladder.time_s),
        "moves": {what: _move(move) for what, move in ladder.moves.items()},
        "table": ladder.table,
        "choked": ladder.choked,
    }


def _move(move: Move) -> dict[str, Any]:
    """A move in three digits: more would say more than its limits do, and a setup has little room."""
    told = {"shot_time_s": move.seconds, "score": move.points}
    return {
        "steps": move.steps,
        **{
            name: None if change is None else [float(f"{value:.3g}") for value in change]
            for name, change in told.items()
        },
    }


def _next_shot(shot: NextShot) -> dict[str, Any]:
    return {
        "grind_setting": shot.grind_setting,
        "dose_g": shot.dose_g,
        "beverage_g": shot.beverage_g,
        "ratio": shot.ratio,
        "shot_time_s": shot.shot_time_s,
        "expected_gain": shot.expected_gain,
        "why": shot.why,
        "stage": shot.stage,
    }


def summary(
    head: Mapping[str, Any],
    counts: Sequence[Any],
    findings: Sequence[Finding],
    handover: Sequence[Mapping[str, Any]] = (),
    checked: Sequence[Checked] = (),
) -> dict[str, Any]:
    """The results file without its setups.

    :param head: title, created_at, versions, seed, taste, prior and tasters.
    :param counts: the account for every place and table. :param handover: what :func:`handover` gives, by machine.
    :param checked: bench checks, by machine.
    """
    return {
        "schema": "tastefield/results/1",
        **{name: head[name] for name in ("title", "created_at", "versions", "seed", "taste", "prior")},
        "sources": [
            {
                "place": count.place,
                "table": count.table,
                "read": count.read,
                "kept": count.kept,
                "set_aside": count.set_aside,
                "cells_read": count.cells_read,
                "cells_kept": count.cells_kept,
                "cells_set_aside": count.cells_set_aside,
            }
            for count in counts
        ],
        "findings": [finding.as_dict() for finding in findings],
        "handover": list(handover),
        "checks": [{**asdict(one), "machine": shortened(one.machine)} for one in checked],
        "tasters": head["tasters"],
    }
