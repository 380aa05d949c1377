"""The gallery: which figures a setup has, those its data can carry, and their numbers out of frames.

The one list of figures: the page and whoever else shows them ask here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from tastefield.figures.style import Picture
from tastefield.figures.surroundings import read as read_at
from tastefield.figures.surroundings import speaks, told
from tastefield.records import Floats, SetupResult
from tastefield.tables.notation import positions
from tastefield.words.clock import clock_words
from tastefield.words.phrases import printable

NAMES = ("map", "extraction", "along_ratio", "along_time", "dial", "pours", "tasters", "strength")
"""Every figure there may be of a setup, in the order of the page."""
LABEL = 12
"""Letters of a setting that fit below the dial."""
CURVE = 61
"""Points of a curve."""
MOST_POURS = 30
"""Recorded shots that are drawn; the last ones."""


def pictures(result: SetupResult) -> dict[str, Picture]:
    """The figures of one setup by their names, in the order of :data:`NAMES`; a figure without data is absent."""
    from tastefield.figures import dial, extraction, strength, taste_map, tasters

    entry, shots = result.entry, result.shots
    aim, window, best, taste = entry["aim"], entry["window"], entry["best_shot"], entry["taste"]
    style: dict[str, Any] = {"scale": tuple(taste["scale"]), "good": taste["good"], "attribute": taste["attribute"]}
    clock = clock_words(result.clock)
    score = result.scores.groupby("shot_id")["score"].mean().reindex(shots["shot_id"]).to_numpy("float64")
    ratio, time_s = _numbers(shots, "ratio"), _numbers(shots, "shot_time_s")
    drawn: dict[str, Picture] = {}
    if result.lattice is not None:
        placed = np.isfinite(ratio) & np.isfinite(time_s)
        drawn["map"] = taste_map.draw(
            result.lattice,
            (ratio[placed], time_s[placed], score[placed]),
            clock=clock,
            dose_g=aim["dose_g"] if aim else None,
            aim=_point(aim),
            best=_point(best),
            window=(tuple(window["ratio"]), tuple(window["shot_time_s"])) if window else None,
            name=f"map-{result.slug}",
            **style,
        )
        drawn |= _curves(result, style, clock, (ratio, time_s, score))
    read = _numbers(shots, "extraction_pct")
    if (np.isfinite(read) & np.isfinite(score)).sum() >= 2:
        drawn["extraction"] = extraction.draw(
            result.lattice,
            read,
            score,
            aim_pct=aim["extraction_pct"] if aim else None,
            name=f"extraction-{result.slug}",
            **style,
        )
    position, settings = _numbers(shots, "dial_position"), entry["settings"] or {}
    outcome = shots["outcome"] if "outcome" in shots else pd.Series(index=shots.index, dtype="str")
    if (np.isfinite(position) & np.isfinite(time_s)).sum() >= 2:
        line, limits = settings.get("line"), settings.get("position_range")
        drawn["dial"] = dial.draw(
            position,
            time_s,
            clock=clock,
            line=(line["intercept"], line["slope"]) if line else None,
            choked=position[(outcome == "choked").to_numpy(dtype=bool, na_value=False)],
            aim_time_s=aim["shot_time_s"] if aim else None,
            aim_position=settings.get("position"),
            position_range=tuple(limits) if limits else None,
            higher_is=settings.get("higher_is"),
            written=_written(shots, position),
            name=f"dial-{result.slug}",
        )
    by_taster = {str(who): group["score"].to_numpy("float64") for who, group in result.scores.groupby("taster")}
    if len(by_taster) >= 2:
        drawn["tasters"] = tasters.draw(by_taster, name=f"tasters-{result.slug}", **style)
    drawn |= _pours(result, style, dict(zip(shots["shot_id"], score, strict=True)))
    tds = _numbers(shots, "tds_pct")
    if (np.isfinite(tds) & np.isfinite(read)).any():
        meant = None if aim is None or aim["tds_pct"] is None else (aim["tds_pct"], aim["extraction_pct"])
        drawn["strength"] = strength.draw(tds, read, score, aim=meant, name=f"strength-{result.slug}", **style)
    return drawn


def _curves(
    result: SetupResult, style: Mapping[str, Any], clock: str, shots: tuple[Floats, Floats, Floats]
) -> dict[str, Picture]:
    """Expected score along the ratio at the recipe's time, and along the time at the recipe's ratio."""
    from tastefield.figures import curves

    lattice, aim = result.lattice, result.entry["aim"]
    if lattice is None or aim is None:
        return {}
    dose = aim["dose_g"]
    drawn: dict[str, Picture] = {}
    tasted = np.isfinite(shots[2])
    ratio_said = f"with 1:{aim['ratio']:.1f}" if dose is None else f"with {aim['beverage_g']:.0f} g out"
    out_said = f"{'ratio' if dose is None else 'grams out'}, all in {aim['shot_time_s']:.0f} s {clock}"
    for name, grid, factor, shown, what, written in (
        ("along_ratio", lattice.ratio, "ratio", dose or 1.0, out_said, "1:{:.3g}" if dose is None else "{:.0f} g"),
        ("along_time", lattice.shot_time_s, "shot_time_s", 1.0, f"seconds {clock}, all {ratio_said}", "{:.0f}"),
    ):
        along = np.linspace(grid[0] * 1.0001, grid[-1] * 0.9999, CURVE)
        still = np.full(CURVE, aim["shot_time_s"] if factor == "ratio" else aim["ratio"])
        points = (along, still) if factor == "ratio" else (still, along)
        pulled = shots[0 if factor == "ratio" else 1][tasted]
        pulled = pulled[np.isfinite(pulled) & (pulled >= along[0]) & (pulled <= along[-1])]
        expected, lower, upper = (read_at(lattice, values, *points) for values in told(lattice))
        drawn[name] = curves.draw(
            along * shown,
            expected,
            lower,
            upper,
            speaks(lattice, *points),
            what=what,
            written=written.format,
            aim=aim[factor] * shown,
            pulled=pulled * shown,
            name=f"{name.replace('_', '-')}-{result.slug}",
            **style,
        )
    return drawn


def _pours(result: SetupResult, style: Mapping[str, Any], scores: Mapping[str, float]) -> dict[str, Picture]:
    """Recorded pours that count their seconds alike: those of the commonest clock."""
    from tastefield.figures import pours

    if result.traces is None:
        return {}
    traces, aim = result.traces.dropna(subset=["t_s", "mass_g"]), result.entry["aim"]
    firsts = traces["clock"].astype("object").fillna("unknown").groupby(traces["shot_id"]).first()
    if firsts.empty:
        return {}
    common = firsts.value_counts().sort_index().idxmax()
    lines = {
        str(shot): (rows["t_s"].to_numpy("float64"), rows["mass_g"].to_numpy("float64"))
        for shot, rows in traces.groupby("shot_id")
        if firsts[shot] == common and len(rows) > 1
    }
    latest = dict(list(lines.items())[-MOST_POURS:])
    if not latest:
        return {}
    counted = aim is not None and aim["clock"] == common and aim["beverage_g"] is not None
    return {
        "pours": pours.draw(
            latest,
            scores,
            clock=clock_words(str(common)),
            aim=(aim["shot_time_s"], aim["beverage_g"]) if counted else None,
            name=f"pours-{result.slug}",
            **style,
        )
    }


def _numbers(shots: pd.DataFrame, column: str) -> Floats:
    if column not in shots:
        return np.full(len(shots), np.nan)
    return shots[column].to_numpy("float64", na_value=np.nan)


def _written(shots: pd.DataFrame, position: Floats) -> dict[float, str]:
    """How each position on the dial was written; nothing where all are plain numbers."""
    texts = [printable(text) for text in shots["grind_setting"]]
    if np.isfinite(positions(pd.Series(texts)[np.isfinite(position)])).all():
        return {}
    short = [text if len(text) <= LABEL else f"{text[: LABEL - 1]}\u2026" for text in texts]
    return {at: text for at, text in zip(position.tolist(), short, strict=True) if np.isfinite(at)}


def _point(record: Any) -> tuple[float, float] | None:
    if record is None or record["ratio"] is None or record["shot_time_s"] is None:
        return None
    return record["ratio"], record["shot_time_s"]
