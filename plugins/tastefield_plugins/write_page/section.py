"""All that the section of one setup says, in words and figures, ready for its template."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from tastefield.figures.gallery import pictures
from tastefield.records import Lattice, SetupResult, Taste
from tastefield.words.bench_line import following, names
from tastefield.words.clock import clock_words
from tastefield.words.dosing import dosing_lines
from tastefield.words.ladder import turning
from tastefield.words.numbers import number, span
from tastefield.words.phrases import (
    FEW_TASTED,
    NOT_RECORDED,
    OF_ZERO_BEFORE,
    chance_in_words,
    count,
    denied,
    dial,
    held,
    how_sure,
    printable,
    readiness,
    recipe,
    zeroed_since,
)
from tastefield.words.run_lines import SEVERITY
from tastefield_plugins.write_page.because import because
from tastefield_plugins.write_page.behind import behind
from tastefield_plugins.write_page.card import card
from tastefield_plugins.write_page.trial import trial

FLAT = 0.05
"""Points of score, on a scale from 1 to 9, within which a map is one colour."""
CARRIED = {
    "widened": "That they are not known exactly widens every interval and chance (Student's t).",
    "fixed": "They are taken as known: intervals and chances do not carry the doubt about them.",
    "refitted": "The doubt about them is carried by fitting again and again to made-up scores.",
}
"""How the doubt about the variances is carried, by the word of the fit table."""
TOGETHER = (
    "All setups of the bench were worked out together: this one is told by its own tasted shots and, the fewer they "
    "are the more, by those of other coffees and machines. Term 1 is the expected score at 1:2 in 27 s."
)
SHOT_COLUMNS = (
    "pulled_at",
    "stage",
    "grind_setting",
    "dose_g",
    "beverage_g",
    "shot_time_s",
    "outcome",
    "extraction_pct",
)


def section(result: SetupResult) -> dict[str, Any]:
    """Everything ``setup.html`` needs of one setup."""
    entry = result.entry
    machine, also = names(entry["key"])
    coffee = printable(entry["key"].get("coffee") or NOT_RECORDED)
    drawn = {name: picture.inline() for name, picture in pictures(result).items()}
    words: dict[str, Any] = {
        "slug": result.slug,
        "status": "held" if held(entry) else entry["status"],
        "machine": machine,
        "also": also,
        "coffee": coffee,
        "ready": readiness(entry) if entry["status"] != "insufficient" else "Cannot say yet",
        "aim": entry["aim"],
        "clock": clock_words(result.clock),
        "next_clock": f"(seconds {clock_words(result.clock).strip('()')})" if entry["next_shots"] else "",
        "window": entry["window"] or dict.fromkeys(("beverage_g", "shot_time_s")),
        "sure": sure(entry),
        "doubt": doubt(entry),
        "basis": basis(entry, result.shots),
        "best": best(entry),
        "because": because(result),
        "next": following(entry),
        "of_zero": OF_ZERO_BEFORE if zeroed_since(entry) else "",
        "next_table": next_table(entry),
        "quality": quality(entry),
        "figures": drawn,
        "behind": behind(result, drawn),
        "trial": trial(result),
        "entry": entry,
        "in_time": in_time(entry),
        "dosing": [printable(line) for line in dosing_lines(entry.get("dosing"))],
        "taste": entry["taste"],
        "speak": who_speaks(result.lattice),
        "flat": result.lattice is not None and float(np.ptp(result.lattice.mean)) < FLAT * unit(entry),
        "variances": variances(entry["surface"]),
        "together": TOGETHER if (entry["surface"] or {}).get("model") == "pooled" else "",
        "carried": CARRIED.get(((entry["surface"] or {}).get("fit") or {}).get("variances", ""), ""),
        "shots": _shots(result),
        "terms": [] if result.tables is None else result.tables.terms.to_dict("records"),
    }
    words["card"] = card(result) if entry["aim"] else None
    words["turning"] = turning(entry, words["card"].pressurised, True) if entry["aim"] else None
    return words


def unit(entry: Mapping[str, Any]) -> float:
    """One point of a scale from 1 to 9 on the scale of these scores."""
    return Taste(scale=tuple(entry["taste"]["scale"])).unit


def who_speaks(lattice: Lattice | None) -> str:
    """Whose tasted shots colour the map: ``own`` alone, those of the ``bench`` alone, or ``both``."""
    if lattice is None or lattice.own is None or not (lattice.supported & ~lattice.own).any():
        return "own"
    return "both" if lattice.own.any() else "bench"


def sure(entry: Mapping[str, Any]) -> str:
    """How sure, as a sentence."""
    words = how_sure(entry)
    if entry["assurance"] is None:
        return "Cannot say yet"
    if denied(entry) or "in" not in words.split():
        return words[0].upper() + words[1:]
    return f"{words[0].upper()}{words[1:]} shots should be good"


def basis(entry: Mapping[str, Any], shots: pd.DataFrame) -> str:
    """What that rests on."""
    served = sorted({str(word) for word in shots.get("served_as", pd.Series(dtype="str")).dropna()})
    parts = [count(entry["shots"], "shot"), f"{entry['tasted']} tasted", count(entry["tasters"], "taster"), *served]
    return ", ".join(parts)


def in_time(entry: Mapping[str, Any]) -> str:
    """How often a shot at the setting runs within the times of the window; empty where that is not known."""
    chance = (entry["settings"] or {}).get("time_chance")
    if chance is None or not entry["window"]:
        return ""
    words = chance_in_words(chance, FEW_TASTED)  # it rests on times, not on tasted shots
    return f"{words[0].upper()}{words[1:]} shots at it run {span(entry['window']['shot_time_s'], 's')}."


def doubt(entry: Mapping[str, Any]) -> str:
    """How far the chance itself is in doubt; empty where its ends sound the same or a chance is not told."""
    if entry["assurance_range"] is None or entry["tasted"] < FEW_TASTED or denied(entry):
        return ""
    low, high = (chance_in_words(end, entry["tasted"]).removeprefix("about ") for end in entry["assurance_range"])
    return "" if low == high else f"at worst {low}, at best {high}"


def best(entry: Mapping[str, Any]) -> str:
    """The best real shot, as a sentence; empty where nothing was tasted."""
    shot = entry["best_shot"]
    if shot is None:
        return ""
    clock = entry["aim"]["clock"] if entry["aim"] else None
    parts = [recipe({**shot, "clock": clock}), dial(shot)]
    score = "" if shot["score"] is None else f": {printable(entry['taste']['attribute'])} {number(shot['score'], 1)}"
    return ", ".join(part for part in parts if part) + score


def next_table(entry: Mapping[str, Any]) -> list[dict[str, str]]:
    """The next shots in order: what to pull, why, what it is expected to gain, and what to write down as its stage."""
    clock = entry["aim"]["clock"] if entry["aim"] else None
    return [
        {
            "pull": ", ".join(part for part in (recipe({**shot, "clock": clock}), dial(shot)) if part) or "one shot",
            "why": printable(shot["why"]),
            "gain": "" if shot["expected_gain"] is None else f"{number(shot['expected_gain'], 2)} points",
            "stage": printable(shot["stage"]),
        }
        for shot in entry["next_shots"]
    ]


def quality(entry: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Doubts and measures of the data, each with its kind, in plain words."""
    told = [
        (SEVERITY[finding["severity"]], f"{printable(finding['message'])} {printable(finding['do'])}".strip())
        for finding in entry["findings"]
    ]
    scatter = entry["scatter"]
    if scatter and scatter["ratio_sd_pct"] is not None and scatter["time_sd_pct"] is not None:
        told.append(
            (
                "Repeatability",
                f"Two shots in three land within {number(scatter['ratio_sd_pct'])} % of the weight out and "
                f"{number(scatter['time_sd_pct'])} % of the time that was meant (from {printable(scatter['source'])}).",
            )
        )
    return told


def variances(surface: Mapping[str, Any] | None) -> str:
    """Variances of the model in one line: ``shot 0.20, shot range 0.05–0.60``; unknown ones stay out."""
    named = (surface or {}).get("variances") or {}
    told = {name: span(value, "", 2) if isinstance(value, list) else number(value, 2) for name, value in named.items()}
    return ", ".join(f"{printable(name).replace('_', ' ')} {value}" for name, value in told.items() if value.strip("–"))


def _shots(result: SetupResult) -> dict[str, Any]:
    """The numbers behind the figures: filled columns only, one row a shot, with its mean score."""
    frame = result.shots.set_index("shot_id")
    shown = frame[[name for name in SHOT_COLUMNS if name in frame and frame[name].notna().any()]].copy()
    shown["score"] = result.scores.groupby("shot_id")["score"].mean().round(2)
    for name in shown.select_dtypes("number"):
        shown[name] = [("" if pd.isna(value) else f"{value:.4g}") for value in shown[name]]
    if "pulled_at" in shown:
        shown["pulled_at"] = [("" if pd.isna(at) else f"{at:%Y-%m-%d %H:%M}") for at in shown["pulled_at"]]
    rows = [[_cell(value) for value in row] for row in shown.itertuples(index=False, name=None)]
    return {"columns": [str(name).replace("_", " ") for name in shown], "rows": rows}


def _cell(value: Any) -> str:
    return "" if pd.isna(value) else printable(value)
