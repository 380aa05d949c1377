"""Bench words for the numbers of one setup: terminal, page and card say the same thing the same way.

Chances are fractions a person can weigh ("about 4 in 5"), never decimals, and stay words while fewer than
:data:`FEW_TASTED` shots were tasted, because a number would claim more than such a record can carry.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from typing import Any

from tastefield.words.checks import HOLDS, holding

NOT_RECORDED = "not recorded"
"""What stands in the key of a setup where its log left a column empty."""
READY = ("confirmed", "window")
"""Status of a setup whose card may leave, unless a bench check holds its machine."""
FEW_TASTED = 3
"""Below this many tasted shots a chance is told in words only."""

SHOTS_TO_CONFIRM = 2
"""Shots pulled at the recipe that turn "ready" into "confirmed"."""

DENIED = "in doubt: shots pulled to confirm disagreed"
"""How sure a recipe is that was not confirmed: the chance of before is not told any more."""

JARGON = ("surface", "pooled", "stationary", "assurance", "loss", "coded", "insufficient")
"""Words that stay off the terminal, the first screen of the page and the card."""

BESIDE = "It lies beside the shots you tasted here: what was tasted elsewhere on the bench points to it."
UNTASTED = "Nothing was tasted here: what was tasted of this coffee, on this machine and elsewhere points to it."
"""What a recipe rests on where the tasted shots of its setup do not lie about it."""

_TENTHS = (
    "1 in 10",
    "1 in 5",
    "3 in 10",
    "2 in 5",
    "1 in 2",
    "3 in 5",
    "7 in 10",
    "4 in 5",
    "9 in 10",
)


def printable(text: object) -> str:
    """A name from a log on one line: characters that steer a terminal or turn the reading direction become ``?``."""
    line = str(text)
    if not line.isprintable():
        line = "".join(" " if char in "\t\n\r" else _shown(char) for char in line)
    return line.strip()


def _shown(char: str) -> str:
    return "?" if unicodedata.category(char) in {"Cc", "Cf", "Cs", "Zl", "Zp"} else char


def is_plain(text: str) -> bool:
    """Whether a sentence keeps to bench words.

    >>> is_plain("The best lies at the edge."), is_plain("The surface is flat.")
    (True, False)
    """
    return not any(word in text.lower() for word in JARGON)


def setup_name(key: Mapping[str, Any]) -> str:
    """A setup as a person would name it: its values in order, those that say something.

    >>> setup_name({"machine": "A", "grinder": "A", "coffee": "Fazenda"})
    'A, Fazenda'
    """
    machine = key.get("machine")
    values = [
        value
        for column, value in key.items()
        if value and value != "not recorded" and not (column == "grinder" and value == machine)
    ]
    return ", ".join(printable(value) for value in values) or "unnamed setup"


def recipe(aim: Mapping[str, Any] | None) -> str:
    """What to put in, what to get out and how long it takes; also for a shot that was pulled. Unknown parts stay out.

    >>> recipe({"dose_g": 18.02, "beverage_g": 36.4, "shot_time_s": 27.6})
    '18.0 g in, 36 g out, 28 s'
    """
    if not aim:
        return ""
    parts = []
    if aim.get("dose_g") is not None:
        parts.append(f"{aim['dose_g']:.1f} g in")
    if aim.get("beverage_g") is not None:
        parts.append(f"{aim['beverage_g']:.0f} g out")
    if aim.get("shot_time_s") is not None:
        since = " from the first drip" if aim.get("clock") == "first_drip" else ""
        parts.append(f"{aim['shot_time_s']:.0f} s{since}")
    return ", ".join(parts)


def dial(aim: Mapping[str, Any] | None) -> str:
    """The dial setting in its owner's notation, ``dial 7``; empty where no setting can be named."""
    setting = aim.get("grind_setting") if aim else None
    return "" if setting is None or setting == "" else f"dial {printable(setting)}"


def count(number: int, noun: str, plural: str = "") -> str:
    """A number with its noun.

    >>> count(1, "shot"), count(3, "shot")
    ('1 shot', '3 shots')
    """
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


def chance_in_words(p: float | None, tasted: int) -> str:
    """How sure, in words: the nearest tenth as a fraction, or what the guess rests on while few shots were tasted.

    :param p: chance that a shot made at the recipe deserves good, 0 to 1; ``None`` where there is no recipe.
    :param tasted: tasted shots of the setup.

    >>> chance_in_words(0.81, 6), chance_in_words(0.81, 2), chance_in_words(None, 0)
    ('about 4 in 5', 'a guess from 2 tasted shots', 'cannot say')
    """
    if p is None:
        return "cannot say"
    if tasted == 0:
        return "a guess, nothing tasted here yet"
    if tasted < FEW_TASTED:
        return f"a guess from {count(tasted, 'tasted shot')}"
    part = fraction(p)
    if part is None:
        return "less than 1 in 20" if p < 0.5 else "more than 19 in 20"
    return f"about {part}"


OF_ZERO_BEFORE = "of the burr zero before"


def zeroed_since(entry: Mapping[str, Any]) -> bool:
    """Whether the burrs were zeroed after the setup was pulled, so that its marks mean another grind now."""
    return any(note["code"] == "burrs_zeroed_since" for note in entry.get("findings", ()))


def mark(shot: Mapping[str, Any] | None, entry: Mapping[str, Any]) -> str:
    """The dial setting of a shot of a setup, and where its burrs were zeroed since, of which zero it is."""
    setting = dial(shot)
    return f"{setting} {OF_ZERO_BEFORE}" if setting and zeroed_since(entry) else setting


def denied(entry: Mapping[str, Any]) -> bool:
    """Whether shots pulled to confirm the recipe disagreed, so that nobody knows how sure it is by now."""
    return entry["status"] == "tentative" and any(
        note["code"] == "confirm_shots_disagree" for note in entry.get("findings", ())
    )


def how_sure(entry: Mapping[str, Any]) -> str:
    """How sure a setup's recipe is, in words.

    >>> how_sure({"status": "tentative", "assurance": 0.81, "tasted": 6, "findings": ()})
    'about 4 in 5'
    """
    return DENIED if denied(entry) else chance_in_words(entry["assurance"], entry["tasted"])


def fraction(p: float) -> str | None:
    """A chance as the nearest tenth that a person can weigh; ``None`` below 1 in 20 and from 19 in 20 on.

    >>> fraction(0.81), fraction(0.96)
    ('4 in 5', None)
    """
    return _TENTHS[min(max(round(p * 10), 1), 9) - 1] if 0.05 <= p < 0.95 else None


def more_often_poor(entry: Mapping[str, Any]) -> bool:
    """Whether fewer than "about 1 in 2" shots at the recipe should be good, and tasted shots show it."""
    chance, best = entry.get("assurance"), entry.get("best_shot") or {}
    below = best.get("score") is not None and best["score"] < entry["taste"]["good"]
    return chance is not None and chance < 0.45 and (below or entry.get("tasted", 0) >= FEW_TASTED)


def hold(entry: Mapping[str, Any]) -> str:
    """The gravest finding of a bench check that keeps the machine here, however good its recipe is; empty for none."""
    return holding(note["code"] for note in entry.get("findings", ()))


def held(entry: Mapping[str, Any]) -> bool:
    """Whether a bench check keeps the machine from leaving: it failed, or nobody knows whether it did."""
    return bool(hold(entry))


def unsafe(entry: Mapping[str, Any]) -> bool:
    """Whether a bench check failed, so that nothing is to be pulled on the machine either."""
    return hold(entry) == "check_failed"


def readiness(entry: Mapping[str, Any]) -> str:
    """Whether the machine can leave, and what is missing, from a setup's object in the results file.

    >>> readiness({"status": "window"})
    'Ready, pull 2 to confirm'
    >>> readiness({"status": "window", "findings": [{"code": "check_failed"}]})
    'Held: a bench check failed'
    >>> readiness({"status": "window", "next_shots": [{"stage": "dial-in"}]})
    'Ready; 1 more may better it'
    >>> readiness({"status": "tentative", "assurance": 0.3, "tasted": 4, "next_shots": [{}, {}]})
    'Not good yet, pull 2 more'
    """
    status = entry["status"]
    if held(entry):
        return f"Held: {HOLDS[hold(entry)][0]}"
    if status == "confirmed":
        return "Confirmed"
    if status == "window":
        shots = entry.get("next_shots") or ()
        if any(shot["stage"] != "confirm" for shot in shots):
            return f"Ready; {len(shots)} more may better it"
        return f"Ready, pull {len(shots) or SHOTS_TO_CONFIRM} to confirm"
    if status == "tentative":
        more = len(entry.get("next_shots") or ())
        if denied(entry):
            return f"Not confirmed: check, pull {more} again"
        what = "Not good yet" if more_often_poor(entry) else "Best guess"
        return f"{what}, pull {more} more" if more else what
    if status == "failed":
        return "Could not be worked out"
    best = recipe(entry.get("best_shot"))
    return f"Cannot say yet: best shot was {best}" if best else "Cannot say yet: no shot was tasted"
