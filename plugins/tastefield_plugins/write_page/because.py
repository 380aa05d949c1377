"""Why this recipe, and not simply the best real shot: a reason that the stored surface gives, or none."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from tastefield.figures.surroundings import read, told
from tastefield.records import Lattice, SetupResult, Taste
from tastefield.words.numbers import number
from tastefield.words.phrases import BESIDE, FEW_TASTED, UNTASTED, chance_in_words, dial, printable, recipe

TELLS = 0.05
"""Points of score on a scale from 1 to 9, or chance, by which two recipes must differ before it is called a reason."""
REPEATED = "Set the same again: nothing that was tasted speaks for a change."


def because(result: SetupResult) -> list[str]:
    """What the best real shot was, why the recipe differs from it, and what it rests on; at most three sentences."""
    entry = result.entry
    shot, aim = entry["best_shot"], entry["aim"]
    if shot is None:
        return [UNTASTED if aim else "Nothing was tasted here yet."]
    clock = aim["clock"] if aim else None
    what = ", ".join(part for part in (recipe({**shot, "clock": clock}), dial(shot)) if part)
    score = "" if shot["score"] is None else f" ({printable(entry['taste']['attribute'])} {number(shot['score'], 1)})"
    said = f"Your best was {what}{score}."
    change = _change(shot, aim) if aim else None
    if aim is None or change is None:
        return [said]
    if not change:
        return [said, REPEATED]
    return [said, f"{change} {_reason(entry, result.lattice)}", *([BESIDE] if aim["support"] == "bench" else [])]


def _change(shot: Mapping[str, Any], aim: Mapping[str, Any]) -> str | None:
    """What the recipe asks for instead, in whole grams and seconds; ``None`` where it cannot be told."""
    parts = []
    for name, unit in (("beverage_g", "g"), ("shot_time_s", "s")):
        if shot[name] is None or aim[name] is None:
            return None
        if number(shot[name]) != number(aim[name]):
            parts.append(f"{number(aim[name])} {unit}")
    return " in ".join(parts)


def _reason(entry: Mapping[str, Any], lattice: Lattice | None) -> str:
    """What tells both recipes apart once the luck of the one shot is taken out, or that nothing does."""
    here, there, chances = _both(entry, lattice)
    attribute, shot = printable(entry["taste"]["attribute"]), entry["best_shot"]
    least = TELLS * Taste(scale=tuple(entry["taste"]["scale"])).unit
    if here is None or there is None:
        return "because all that was tasted points there."
    if here - there >= least:
        digits = 1 if number(here, 1) != number(there, 1) else 2
        lucky = shot["score"] is not None and shot["score"] - there >= least
        luck = f"; some of its {number(shot['score'], 1)} was luck" if lucky else ""
        return (
            f"because shots there are expected to reach {attribute} {number(here, digits)} on average, "
            f"such shots as your best {number(there, digits)}{luck}."
        )
    if chances[0] - chances[1] >= TELLS and entry["tasted"] >= FEW_TASTED:
        first, second = (chance_in_words(chance, entry["tasted"]) for chance in chances)
        return f"because more of such shots should be good: {first}, against {second}."
    return f"should taste the same as far as can be told: {attribute} {number(here, 1)} is expected of both."


def _both(entry: Mapping[str, Any], lattice: Lattice | None) -> tuple[float | None, float | None, tuple[float, float]]:
    """Expected score at the recipe and at the best shot's, and the chances of both."""
    shot, aim, nothing = entry["best_shot"], entry["aim"], (0.0, 0.0)
    if lattice is None or shot["ratio"] is None or entry["expected_score"] is None:
        return None, None, nothing
    ratio, time_s = (np.array([aim[name], shot[name]]) for name in ("ratio", "shot_time_s"))
    scores, chances = (read(lattice, values, ratio, time_s) for values in (told(lattice)[0], lattice.chance))
    if not np.isfinite(scores).all():
        return None, None, nothing
    return float(scores[0]), float(scores[1]), (float(chances[0]), float(chances[1]))
