"""Pasted: shots that stand in the records a second time, because a log or a block of it was pasted in again."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

from tastefield.records import Derived
from tastefield.words.findings import finding

LEAST_BLOCK, LEAST_WHOLE = 4, 3
"""So many different tasted shots in a row that repeat others in a row, every cell and score alike, were pasted; fewer
where all are twice there. Shots alike one by one are ordinary: people repeat, and round."""
SAME = (
    *("setup", "dose_g", "beverage_g", "shot_time_recorded_s", "grind_setting", "target_beverage_g"),
    *("target_time_s", "pulled_at", "outcome", "tds_pct"),
)


def without_pasted(derived: Derived) -> Derived:
    """The records with what was pasted in again left out: it would be counted twice. The tables keep every row."""
    again = pasted(derived)
    if not again:
        return derived
    tasted = int(derived.shots["shot_id"].isin(set(derived.scores["shot_id"])).sum())
    note = finding("log_doubled", count=len(again), tasted=tasted)
    frames = {
        name: (frame := getattr(derived, name))[~frame["shot_id"].isin(again)].reset_index(drop=True)
        for name in ("shots", "scores", "readings")
    }
    return replace(derived, **frames, findings=(*derived.findings, note))


def pasted(derived: Derived) -> set[str]:
    """Names of the second copies."""
    told: dict[str, list[tuple[str, float]]] = {}
    scores = derived.scores[["shot_id", "taster", "score"]]
    for shot, taster, score in sorted(scores.itertuples(index=False, name=None)):
        told.setdefault(str(shot), []).append((str(taster), float(score)))
    tasted = derived.shots[derived.shots["shot_id"].isin(told)].sort_values(["place", "row"], kind="stable")
    names = tasted["shot_id"].astype(str).tolist()
    contents = tasted[list(SAME)].astype("object").fillna("").itertuples(index=False, name=None)
    numbered: dict[tuple[Any, ...], int] = {}
    codes = [numbered.setdefault((*row, *told[name]), len(numbered)) for name, row in zip(names, contents, strict=True)]
    count = Counter(codes)
    if len(count) >= LEAST_WHOLE and all(times % 2 == 0 for times in count.values()):
        nth: Counter[int] = Counter()
        second = set()
        for name, code in zip(names, codes, strict=True):
            nth[code] += 1
            if nth[code] > count[code] // 2:
                second.add(name)
        return second
    blocks: set[tuple[int, ...]] = set()
    found: set[str] = set()
    for start in range(len(codes) - LEAST_BLOCK + 1):
        block = tuple(codes[start : start + LEAST_BLOCK])
        if len(set(block)) < LEAST_BLOCK:
            continue
        if block in blocks:
            found |= set(names[start : start + LEAST_BLOCK])
        blocks.add(block)
    return found
