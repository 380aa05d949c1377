"""Card: all that the card leaving with a machine says, for its next owner, who has no log and another coffee.

One place for every form of the card: page, PDF, picture and text lay out what stands here and add no advice of their
own. Order and texts are those of ``card.toml``; numbers are those of the results file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tastefield.words.dosing import dosing_lines
from tastefield.words.findings import CATALOGUE
from tastefield.words.ladder import STOP, turning
from tastefield.words.phrases import (
    FEW_TASTED,
    NOT_RECORDED,
    READY,
    SHOTS_TO_CONFIRM,
    denied,
    fraction,
    held,
    hold,
    more_often_poor,
    printable,
    unsafe,
    zeroed_since,
)
from tastefield.words.texts import CARD, limits, numeral, say

LONGEST_NAME, LONGEST_LIST = 60, 200
"""Characters of a name, and of several named together, that a card has room for."""
TITLES = (
    *(f"{section}.title" for section in ("warm", "pull", "dosing", "turn", "steps", "care", "hot", "call")),
    *("turn.tastes", "turn.practice", "head.date_blank"),
)
"""Texts that head a section or a column."""


@dataclass(frozen=True)
class Figure:
    """One of the four large figures.

    :param value: what stands large, a number or a mark; empty where ``more`` says it in words.
    :param more: what stands below: its range, the clock.
    """

    label: str
    value: str
    unit: str
    more: str


@dataclass(frozen=True)
class Card:
    """What one card says, every line filled in.

    :param hold: why it should not leave yet; empty where it may; ``ready`` says so.
    :param failed: whether a bench check holds it.
    :param figures: in, out, time, grind. :param tenths: the chance in tenths; ``None`` where it stays words.
    :param pull: what to pull first; ``pull_shots``: shots to try, where there are any, in order.
    :param dosing: what to know of a dose timer and a button that ends the shot.
    :param meanings: what finer and coarser mean on its dial. :param heads: columns of ``rows``: a complaint, and what
        to do about it. :param pressurised: whether the basket sets the time. :param leaves: whether the grinder goes.
    :param titles: heading of every section by its name.
    """

    machine: str
    coffee: str
    also: str
    date: str
    grinder: str
    warm_up: str
    hold: str
    failed: bool
    figures: tuple[Figure, Figure, Figure, Figure]
    dosing: tuple[str, ...]
    sure: str
    ready: str
    basis: str
    tenths: int | None
    pull: str
    pull_shots: tuple[str, ...]
    meanings: tuple[tuple[str, str], ...]
    heads: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]
    steps: tuple[str, ...]
    care: tuple[str, ...]
    hot: tuple[str, ...]
    call: str
    holds_for: str
    titles: Mapping[str, str]
    pressurised: bool
    leaves: bool


@dataclass(frozen=True)
class OnCard:
    """What the shots of a setup tell the card beside its object in the results file.

    :param pressurised: whether its basket is. :param roast: light, medium or dark, empty where not recorded.
    :param served: how its shots were tasted: black, milk.
    """

    pressurised: bool = False
    roast: str = ""
    served: tuple[str, ...] = ()


def card(entry: Mapping[str, Any], shots: OnCard, texts: Mapping[str, str] = CARD, warm_up_min: str = "") -> Card:
    """The card of a setup that has a recipe.

    :param entry: its object in the results file. :param texts: as :func:`tastefield.words.texts.own` gives them.
    :param warm_up_min: minutes its machine takes to get hot; empty where nobody says.
    """
    aim, window, settings = entry["aim"], entry["window"] or {}, entry["settings"] or {}
    leaves = settings.get("leaves") is not False
    told = turning(entry, shots.pressurised, leaves, texts)
    key = entry["key"]
    minutes = short(warm_up_min)
    return Card(
        machine=short(_named(key.get("machine"), texts)),
        coffee=", ".join(_coffee(key, shots.roast, texts)),
        also=_also(key, texts),
        date=say(texts, "head.date", date=entry["last_pulled"]) if entry["last_pulled"] else "",
        grinder=texts["head.grinder_goes" if leaves else "head.grinder_stays"],
        warm_up=say(texts, "warm.minutes", minutes=minutes) if minutes else texts["warm.usual"],
        hold=_hold(entry, texts),
        failed=held(entry),
        figures=_figures(aim, window, leaves, shots.pressurised, texts, zeroed_since(entry)),
        dosing=tuple(dosing_lines(_dosing(entry.get("dosing"), leaves), texts)),
        sure=_sure(entry, texts),
        ready=_ready(entry, texts),
        basis=_basis(entry, shots.served, texts),
        tenths=_tenths(entry),
        pull=_pull(entry, texts),
        pull_shots=tuple(_shot(shot, leaves, texts) for shot in _to_try(entry)),
        meanings=tuple(told["meanings"]),
        heads=tuple(told["heads"]),
        rows=tuple((what, tuple(cells)) for what, cells in told["rows"]),
        steps=tuple(told["steps"]),
        care=tuple(texts[f"care.{name}"] for name in ("milk", "cleaning")),
        hot=tuple(texts[f"hot.{name}"] for name in _hot(shots.pressurised)),
        call=texts["call.tell"],
        holds_for=texts["call.holds"],
        titles={name.replace(".title", "").split(".")[-1]: texts[name] for name in TITLES},
        pressurised=shots.pressurised,
        leaves=leaves,
    )


def short(text: object, most: int = LONGEST_NAME) -> str:
    """A name as it fits on a card: on one line, its beginning where it is too long.

    >>> short("bench flat"), short("x" * 300, 10)
    ('bench flat', 'xxxxxxxxx…')
    """
    shown = printable(text)
    return shown if len(shown) <= most else f"{shown[: most - 1].rstrip()}…"


def _named(name: Any, texts: Mapping[str, str]) -> str:
    return texts["general.not_recorded"] if name in (None, "", NOT_RECORDED) else str(name)


def _coffee(key: Mapping[str, Any], roast: str, texts: Mapping[str, str]) -> Sequence[str]:
    coffee = say(texts, "head.coffee", coffee=short(_named(key.get("coffee"), texts)))
    return [coffee, texts[f"head.{roast}"]] if f"head.{roast}" in texts and roast else [coffee]


def _also(key: Mapping[str, Any], texts: Mapping[str, str]) -> str:
    """Whatever makes the setup besides machine and coffee."""
    kept = {
        column: short(key[column])
        for column in ("grinder", "basket", "head")
        if key.get(column) and key[column] not in (key.get("machine"), NOT_RECORDED)
    }
    return ". ".join(say(texts, f"head.{column}", name=name) for column, name in kept.items())


def _hold(entry: Mapping[str, Any], texts: Mapping[str, str]) -> str:
    """Why this card should not leave yet; empty where it may."""
    if code := hold(entry):
        what, until = _HOLDS[code]
        message = next(one["message"] for one in entry["findings"] if one["code"] == code)
        before, _, after = CATALOGUE[code].message.partition("{checks}")
        checks = short(message.removeprefix(before).removesuffix(after), LONGEST_LIST)
        return f"{say(texts, what, checks=checks)} {texts[until]}"
    if entry["status"] in READY:
        return ""
    if not entry["tasted"]:
        return texts["hold.untasted"]
    if denied(entry):
        return texts["hold.denied"]
    return texts["hold.poor" if more_often_poor(entry) else "hold.guess"]


_HOLDS = {"check_failed": ("hold.failed", "hold.mend"), "check_not_understood": ("hold.unclear", "hold.say")}


def _figures(
    aim: Mapping[str, Any],
    window: Mapping[str, Any],
    leaves: bool,
    pressurised: bool,
    texts: Mapping[str, str],
    zeroed: bool,
) -> tuple[Figure, Figure, Figure, Figure]:
    clock = texts[f"figure.{aim['clock'] if aim['clock'] in ('pump', 'first_drip') else 'unknown'}"]
    out_range, time_range = (limits(texts, window.get(name), unit) for name, unit in _RANGES)
    fine = [say(texts, "figure.fine", range=one) if one else "" for one in (out_range, time_range)]
    dose, out, seconds = (
        numeral(texts, aim[name], digits) for name, digits in (("dose_g", 1), ("beverage_g", 0), ("shot_time_s", 0))
    )
    setting = aim["grind_setting"] if leaves and not pressurised and not zeroed else None
    grind = Figure(texts["figure.grind"], short(setting or ""), "", texts["figure.mark"])
    if pressurised:
        grind = Figure(texts["figure.grind"], "", "", texts["figure.basket"])
    elif setting is None:
        until = say(texts, "figure.until", dose=f"{dose} g", out=f"{out} g", seconds=seconds)
        grind = Figure(texts["figure.grind"], "", "", until)
    return (
        Figure(texts["figure.in"], dose, "g", ""),
        Figure(texts["figure.out"], out, "g", fine[0]),
        Figure(texts["figure.time"], seconds, "s", ", ".join(part for part in (fine[1], clock) if part)),
        grind,
    )


_RANGES = (("beverage_g", "g"), ("shot_time_s", "s"))


def _dosing(dosing: Mapping[str, Any] | None, leaves: bool) -> Mapping[str, Any]:
    """Without the timer of a grinder that stays behind; names as they fit."""
    timer, button = (dosing or {}).get("timer"), (dosing or {}).get("button")
    return {
        "timer": {**timer, "setting": short(timer["setting"])} if timer and leaves else None,
        "button": {**button, "coffee": short(button["coffee"])} if button else None,
    }


def _tenths(entry: Mapping[str, Any]) -> int | None:
    chance = entry["assurance"]
    if chance is None or entry["tasted"] < FEW_TASTED or denied(entry):
        return None
    return min(round(float(chance) * 10), 9)  # never a full row


def _part(chance: float, texts: Mapping[str, str]) -> str:
    """A chance as a fraction, in these words."""
    some, _, whole = (fraction(chance) or "").partition(" in ")
    if not some:
        return texts["sure.hardly_any" if chance < 0.5 else "sure.nearly_all"]
    return say(texts, "sure.part", some=some, all=whole)


def _sure(entry: Mapping[str, Any], texts: Mapping[str, str]) -> str:
    """How sure, in few words; a number only where enough shots were tasted."""
    chance, tasted = entry["assurance"], entry["tasted"]
    if denied(entry):
        return texts["sure.denied"]
    if tasted < FEW_TASTED:
        return say(texts, "sure.few", tasted=_tasted_shots(tasted, texts)) if tasted else texts["sure.untasted"]
    if fraction(chance) is None:
        return texts["sure.hardly_any_good" if chance < 0.5 else "sure.nearly_all_good"]
    return say(texts, "sure.shots_good", part=_part(chance, texts))


def _tasted_shots(tasted: int, texts: Mapping[str, str]) -> str:
    return texts["sure.one_tasted_shot"] if tasted == 1 else say(texts, "sure.tasted_shots", count=tasted)


def _basis(entry: Mapping[str, Any], served: Sequence[str], texts: Mapping[str, str]) -> str:
    """What the chance rests on."""
    shots, tasters = entry["shots"], entry["tasters"]
    parts = [
        texts["sure.one_shot"] if shots == 1 else say(texts, "sure.shots", count=shots),
        say(texts, "sure.tasted", count=entry["tasted"]),
        texts["sure.one_taster"] if tasters == 1 else say(texts, "sure.tasters", count=tasters),
        *(texts[f"sure.{word}"] for word in served if f"sure.{word}" in texts),
    ]
    basis = ", ".join(parts)
    if doubt := _doubt(entry, texts):
        basis = f"{basis}; {doubt}"
    return say(texts, "sure.rests_on", basis=basis)


def _ready(entry: Mapping[str, Any], texts: Mapping[str, str]) -> str:
    """That it may leave; empty where it may not."""
    if held(entry) or entry["status"] not in READY:
        return ""
    return texts["sure.confirmed" if entry["status"] == "confirmed" else "sure.ready"]


def _doubt(entry: Mapping[str, Any], texts: Mapping[str, str]) -> str:
    """How far the chance itself is in doubt; empty where its ends sound the same or a chance is not told."""
    if entry["assurance_range"] is None or entry["tasted"] < FEW_TASTED or denied(entry):
        return ""
    low, high = (_part(end, texts) for end in entry["assurance_range"])
    return "" if low == high else say(texts, "sure.doubt", low=low, high=high)


def _to_try(entry: Mapping[str, Any]) -> Sequence[Mapping[str, Any]]:
    """Next shots that are not the recipe again, where it is not ready to leave; none on a machine that failed a check.

    What may better a recipe that is ready is for the bench to find out, not for whoever gets the machine.
    """
    if unsafe(entry) or entry["status"] in READY:
        return []
    return [shot for shot in entry["next_shots"] if shot["stage"] != "confirm"]


def _pull(entry: Mapping[str, Any], texts: Mapping[str, str]) -> str:
    """What to pull first, once it is set."""
    if unsafe(entry):
        return texts["pull.mend"]
    if _to_try(entry):
        return texts["pull.try"]
    if entry["status"] == "confirmed":
        return texts["pull.nothing"]
    if entry["status"] == "tentative" and not entry["next_shots"]:
        return texts["pull.none"]
    again = [shot for shot in entry["next_shots"] if shot["stage"] == "confirm"]
    count = len(again) or SHOTS_TO_CONFIRM
    told = texts["pull.confirm_one"] if count == 1 else say(texts, "pull.confirm", count=count)
    stop = texts["choke.stop"]
    return f"{told} {stop[0].upper()}{stop[1:]}." if any(STOP in shot["why"] for shot in again) else told


def _shot(shot: Mapping[str, Any], leaves: bool, texts: Mapping[str, str]) -> str:
    """One shot to try; with the warning where it goes finer than what ran."""
    setting = shot["grind_setting"] if leaves else None
    name = "out_only" if shot["shot_time_s"] is None else "shot" if setting is None else "shot_at"
    dose = texts["figure.usual_dose"] if shot["dose_g"] is None else f"{numeral(texts, shot['dose_g'], 1)} g"
    filled = {
        "in": dose,
        "out": f"{numeral(texts, shot['beverage_g'])} g",
        "seconds": numeral(texts, shot["shot_time_s"]),
        "setting": short(setting or ""),
    }
    warned = f" ({texts['choke.stop']})" if STOP in shot["why"] else ""
    return say(texts, f"pull.{name}", **filled) + warned


def _hot(pressurised: bool) -> tuple[str, ...]:
    """Which cautions stand in the box."""
    if pressurised:
        return ("burn", "choke_basket", "open", "cup", "milk", "descaling")
    return ("burn", "choke", "grinder", "open", "cup", "milk", "descaling")
