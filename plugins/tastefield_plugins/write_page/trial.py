"""What the page needs to try a recipe in the browser: the stored surface in whole numbers, and the marks of the dial.

Every array becomes whole numbers of two bytes between its lowest and its highest value, in base 64: a score is kept to
a ten-thousandth of the scale, and a setup stays small. ``page.js`` reads it as :mod:`tastefield.figures.surroundings`
does.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tastefield.figures.surroundings import told
from tastefield.records import Floats, SetupResult
from tastefield.words.clock import clock_words
from tastefield.words.ladder import STOP
from tastefield.words.numbers import together
from tastefield.words.phrases import chance_in_words, printable

MOST = 65535
RATIO_STEP, TIME_STEP = 0.02, 0.5
"""How far one press of an arrow key moves: about half a gram, and half a second."""
CHANCES = (0.0, *(tenth / 10 for tenth in range(1, 10)), 1.0)


def trial(result: SetupResult) -> dict[str, Any] | None:
    """The sliders with their limits, and ``data`` as JSON; ``None`` where there is no recipe or no surface."""
    lattice, aim = result.lattice, result.entry["aim"]
    if lattice is None or aim is None:
        return None
    expected, lower, upper = told(lattice)
    data = {
        "ratio": [round(float(value), 6) for value in lattice.ratio],
        "time": [round(float(value), 6) for value in lattice.shot_time_s],
        "expected": _packed(expected),
        "lower": _packed(lower),
        "upper": _packed(upper),
        "chance": _packed(lattice.chance),
        "supported": _bits(lattice.supported),
        "own": None if lattice.own is None else _bits(lattice.own),
        "recipe": _recipe(result),
        "extraction": None if lattice.extraction_pct is None else _packed(lattice.extraction_pct),
        "dose": aim["dose_g"],
        "clock": clock_words(result.clock),
        "good": result.entry["taste"]["good"],
        "chances": [chance_in_words(chance, result.entry["tasted"]) for chance in CHANCES],
        "dial": _dial(result),
    }
    return {
        "data": json.dumps(data, ensure_ascii=True, separators=(",", ":")),
        "ratio": _slider(aim["ratio"], lattice.ratio, RATIO_STEP),
        "time": _slider(aim["shot_time_s"], lattice.shot_time_s, TIME_STEP),
        "dial": data["dial"] is not None,
        "extraction": data["extraction"] is not None,
    }


def _recipe(result: SetupResult) -> dict[str, Any] | None:
    """What the section says at the recipe itself, which lies between points of the surface."""
    expected = result.entry["expected_score"]
    if expected is None:
        return None
    told = {"expected": expected["mean"], "lower": expected["lower"], "upper": expected["upper"]}
    return {**told, "chance": result.entry["assurance"]}


def _bits(where: NDArray[np.bool_]) -> str:
    return base64.b64encode(np.packbits(where.ravel()).tobytes()).decode()


def _packed(values: Floats) -> dict[str, Any]:
    low, high = float(np.min(values)), float(np.max(values))
    share = (np.asarray(values, dtype=float) - low) / ((high - low) or 1.0)
    whole = np.rint(share * MOST).astype("<u2")
    return {"low": low, "high": high, "at": base64.b64encode(whole.tobytes()).decode()}


def _slider(start: float, grid: Floats, step: float) -> dict[str, float]:
    """Limits that lie on the surface and from which whole steps lead to the recipe."""
    down, up = np.floor((start - grid[0]) / step), np.floor((grid[-1] - start) / step)
    return {
        "low": round(start - max(down, 0) * step, 6),
        "high": round(start + max(up, 0) * step, 6),
        "step": step,
        "start": round(start, 6),
    }


def _dial(result: SetupResult) -> Mapping[str, Any] | None:
    settings, aim = result.entry["settings"] or {}, result.entry["aim"]
    line = settings.get("line")
    if result.dial is None or line is None:
        return None
    return {
        "marks": [
            [together(printable(text)), round(float(np.log(time_s)), 6)]
            for text, time_s in zip(result.dial["grind_setting"], result.dial["shot_time_s"], strict=True)
        ],
        "ratio": aim["ratio"],
        "slope": line.get("per_log_ratio", 0.0),
        "stop": STOP,
    }
