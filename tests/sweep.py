"""What no recommendation of a run may do: send somebody to a choke, over the basket, or to finer without a warning.

Common practice, no source: what choked once is never set again nor passed, a dose stays within 1 g of the basket's
rating, and whoever grinds finer is told how a choke shows.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd

from tastefield.config import GrinderConfig
from tastefield.tables.dial import since_zero
from tastefield.tables.notation import position

WARNS = re.compile(r"nothing drips|chok|only while it runs or")
"""What counts as the warning: how a choke shows, that something choked, or to turn only while the grinder runs."""
BLOCK = re.compile(r"<(li|td|th|dd|p|figcaption)\b[^>]*>(.*?)</\1>", re.DOTALL)


def breaches(out: Path, *grinders: GrinderConfig) -> list[str]:
    """All breaches of a run's folder, each as a sentence.

    :param grinders: how the settings of its grinders are written; plain numbers elsewhere.
    """
    found = json.loads((out / "results.json").read_text("utf-8"))
    shots = pd.read_parquet(out / "tables" / "shots.parquet")
    told = []
    for entry in found["setups"]:
        mine = shots[shots["setup"] == entry["slug"]]
        of_coffee = shots[(shots["grinder"] == mine["grinder"].iloc[0]) & (shots["coffee"] == mine["coffee"].iloc[0])]
        name = str(list(entry["key"].values()))
        told += [f"{name}: {one}" for one in _chokes(entry, mine, of_coffee, grinders)]
        told += [f"{name}: {one}" for one in _doses(entry, mine)]
        told += [f"{name}: {one}" for one in _unwarned_next(entry, grinders, str(mine["grinder"].iloc[-1]))]
    for entry in found["handover"]:
        mine = shots[(shots["machine"] == entry["machine"])]
        told += [f"{entry['machine']}: {one}" for one in _doses(entry, mine)]
        if entry["aim"] and entry["aim"]["grind_setting"] is not None:
            told.append(f"{entry['machine']}: a setting for an unknown coffee")
    return told + list(_unwarned((out / "page.html").read_text("utf-8")))


def _chokes(
    entry: dict[str, Any], mine: pd.DataFrame, of_coffee: pd.DataFrame, grinders: tuple[GrinderConfig, ...]
) -> Iterator[str]:
    """Settings at or finer than what choked with this coffee since the burr zero in force, wherever one is named."""
    name = str(mine["grinder"].iloc[-1])
    notation = next((one for one in grinders if one.name == name), GrinderConfig(name=name)).written_as
    here = since_zero(pd.concat([of_coffee[of_coffee["setup"] != entry["slug"]], mine]))
    choked = here.loc[here["outcome"].astype("object") == "choked", "grind_setting"].dropna().astype(str)
    at = [position(one, notation) for one in choked]
    named = {str((entry["aim"] or {}).get("grind_setting")): "the recipe"}
    named |= {str(shot["grind_setting"]): "a next shot" for shot in entry["next_shots"]}
    settings = entry["settings"] or {}
    for text, what in named.items():
        if text in set(choked) or any(position(text, notation) == one for one in at):
            yield f"{what} is set to {text}, which choked"
        for one in at:
            off = position(text, notation) - one
            if (settings.get("higher_is") == "finer" and off > 0) or (
                settings.get("higher_is") == "coarser" and off < 0
            ):
                yield f"{what} is set to {text}, finer than a choke"
    ladder = entry["ladder"]
    if ladder and ladder["moves"].get("finer") and settings.get("position") is not None and at:
        way = {"finer": 1, "coarser": -1}.get(settings["higher_is"], 0)
        to = settings["position"] + way * ladder["moves"]["finer"]["steps"] * (settings["step"] or 1)
        if way and any((to - one) * way >= 0 for one in at):
            yield f"what to turn goes to {to:g}, at or past a choke"
    if ladder and len(mine[mine["outcome"].astype("object") == "choked"].pipe(since_zero)) and len(choked):
        own = since_zero(mine)
        own = own.loc[own["outcome"].astype("object") == "choked", "grind_setting"].dropna()
        if len(own) and not ladder["choked"] and "finer" in ladder["moves"]:
            yield "what to turn does not name what choked"


def _doses(entry: dict[str, Any], mine: pd.DataFrame) -> Iterator[str]:
    """Doses more than 1 g over the rating last written of the basket."""
    ratings = mine["basket_g"].dropna()
    if ratings.empty:
        return
    for one in [entry["aim"] or {}, *entry["next_shots"]]:
        if one.get("dose_g") is not None and one["dose_g"] > ratings.max() + 1 + 1e-9:
            yield f"a dose of {one['dose_g']} g in a basket for {ratings.max()} g"


def _unwarned_next(entry: dict[str, Any], grinders: tuple[GrinderConfig, ...], grinder: str) -> Iterator[str]:
    """Next shots at a finer setting than the one before that do not say how a choke shows."""
    notation = next((one for one in grinders if one.name == grinder), GrinderConfig(name=grinder)).written_as
    way = {"finer": 1, "coarser": -1}.get((entry["settings"] or {}).get("higher_is"), 0)
    for before, shot in pairwise(entry["next_shots"]):
        at = [position(str(one["grind_setting"]), notation) for one in (before, shot)]
        if (at[1] - at[0]) * way > 0 and not WARNS.search(shot["why"]):
            yield f"a next shot goes finer to {shot['grind_setting']} without the warning"


def _unwarned(page: str) -> Iterator[str]:
    """Blocks of the page that say finer without the warning beside it."""
    for _, block in BLOCK.findall(page):
        text = re.sub(r"<[^>]+>", " ", block).replace("as the grind gets finer", "")  # of the timer: no advice
        if re.search(r"\bfiner\b", text, re.IGNORECASE) and not WARNS.search(text):
            yield f"no warning beside: {' '.join(text.split())}"
