"""The gallery: which figures a setup has, those its data can carry, and their numbers out of frames.

The one list of figures: the page and whoever else shows them ask here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from tastefield.figures.style import Picture
from tastefield.records import Floats, SetupResult
from tastefield.tables.notation import positions
from tastefield.words.clock import clock_words
from tastefield.words.phrases import printable

NAMES = ("map", "extraction", "dial", "tasters")
"""Every figure there may be of a setup."""
LABEL = 12
"""Letters of a setting that fit below the dial."""


def pictures(result: SetupResult) -> dict[str, Picture]:
    """The figures of one setup by their names, of :data:`NAMES`; a figure without data is absent."""
    from tastefield.figures import dial, extraction, taste_map, tasters

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
    return drawn


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
