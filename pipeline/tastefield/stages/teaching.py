"""Teaching: which tasted shots of a run teach, and which population files it starts from. Nothing counts twice, and
what denies a recipe that it was to confirm counts once it was pulled again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from tastefield.population import Counts, Prior, Teaching, salted
from tastefield.records import Setup
from tastefield.tables.confirming import denying
from tastefield.tables.numbers import plain
from tastefield.words.findings import Finding, finding

NAMES, NUMBERS = ("machine", "coffee"), ("dose_g", "beverage_g", "shot_time_recorded_s")
"""With the day, where it is written, what makes a shot the same shot, in whichever file it stands."""


def teaching(setups: Sequence[Setup], known: Prior | None, salt: str) -> Teaching:
    """Leave out what would be counted twice.

    Shots that stand in a file of the prior are left out of the run; where most of a file's shots stand here, the file
    is left out instead: these records say all of it, and setup by setup.
    """
    notes: list[Finding] = []
    today = max((day for setup in setups if pd.notna(day := setup.shots["pulled_at"].max())), default=None)
    setups = [_without_denials(setup, today) for setup in setups]
    marks = _marks(setups, salt)
    here = frozenset(marks.values())
    if known is not None:
        notes += known.left_out
        kept = {}
        for name, document in known.documents.items():
            shared = here & set(document.marks)
            if 2 * len(shared) > len(document.marks):
                total = len(document.marks)
                notes.append(finding("population_is_here", {"file": name}, file=name, count=len(shared), shots=total))
            else:
                kept[name] = document
        known = Prior(kept) if kept else None
    again: set[str] = set()
    if known is not None:
        again = {shot for shot, mark in marks.items() if mark in known.marks}
        if again:
            notes.append(finding("shots_in_population", count=len(again), tasted=len(marks)))
    left = tuple(_without(setup, again) for setup in setups)
    tasted = [setup for setup in left if len(setup.scores)]
    tasters = {str(taster) for setup in tasted for taster in setup.scores["taster"]}
    names = {
        "machines": frozenset(salted(salt, _folded(setup.machine)) for setup in tasted),
        "coffees": frozenset(salted(salt, _folded(str(setup.shots["coffee"].iloc[0]))) for setup in tasted),
        "tasters": frozenset(salted(salt, _folded(taster)) for taster in tasters),
    }
    teach = frozenset(mark for shot, mark in marks.items() if shot not in again)
    own = Counts(setups=len(tasted), shots=len(teach), **{kind: len(hashes) for kind, hashes in names.items()})
    if known is not None:
        notes.append(finding("population_used", setups=known.counts.setups, shots=known.counts.shots))
        if min(known.weights(names)) < 1:
            notes.append(finding("population_related"))
    return Teaching(left, known, own, teach, names, tuple(notes))


def _without_denials(setup: Setup, today: pd.Timestamp | None) -> Setup:
    taste = setup.taste
    of = setup.scores["shot_id"].isin(denying(setup.shots, setup.scores, taste.good, taste.unit, today))
    if not of.any():
        return setup
    scores = setup.scores
    return replace(setup, scores=scores[~of].reset_index(drop=True), denied=scores[of].reset_index(drop=True))


def _without(setup: Setup, shots: set[str]) -> Setup:
    of = setup.scores["shot_id"].isin(shots)
    return replace(setup, scores=setup.scores[~of].reset_index(drop=True)) if of.any() else setup


def _marks(setups: Sequence[Setup], salt: str) -> dict[str, str]:
    """Mark of every tasted shot by its name; of shots that cannot be told apart the n-th has its number in it."""
    seen: Counter[str] = Counter()
    marks = {}
    for setup in setups:
        tasted = setup.shots[setup.shots["shot_id"].isin(set(setup.scores["shot_id"]))]
        for shot in tasted[["shot_id", *NAMES, *NUMBERS, "pulled_at"]].to_dict("records"):
            day = "" if pd.isna(shot["pulled_at"]) else pd.Timestamp(shot["pulled_at"]).date().isoformat()
            numbers = ["" if pd.isna(shot[name]) else f"{shot[name]:.1f}" for name in NUMBERS]
            text = "\x1f".join([*(_folded(str(shot[name])) for name in NAMES), *numbers, day])
            seen[text] += 1
            marks[str(shot["shot_id"])] = salted(salt, f"{text}\x1f{seen[text]}")
    return marks


def _folded(name: str) -> str:
    """A name however it is written: small or capital, wide or narrow, with whatever spaces."""
    return plain(name).casefold()
