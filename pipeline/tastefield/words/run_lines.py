"""A whole run in lines: what was read, what good means, how ready the machines are, which doubts to read first."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from tastefield.words.phrases import count, held, printable

STATUS = {
    "confirmed": "confirmed",
    "window": "ready",
    "tentative": "best guess",
    "insufficient": "cannot say yet",
    "failed": "could not be worked out",
}
"""Every status in a few words, the readiest first."""
SEVERITY = {"note": "Good to know", "warn": "Mind this", "stop": "Not done"}
"""How grave a finding is, as people read it."""

TYPED_IN = re.compile(r"\.(?:csv|tsv|txt|xlsx)\b", re.IGNORECASE)
"""Files that people fill in by hand, in the name of a place."""
NAMED = 5
"""Places that are named before the rest are only counted."""

_NOUNS = {
    "shots": ("shot", ""),
    "readings": ("reading", ""),
    "scores": ("score", ""),
    "traces": ("line of traces", "lines of traces"),
    "checks": ("bench check", ""),
    "coffees": ("listed coffee", ""),
    "grinders": ("listed grinder", ""),
}


def nothing_yet(places: Iterable[str]) -> tuple[str, str]:
    """That no row was found, and what to do: people fill in a table, and write nothing into what a machine recorded."""
    every = [printable(place) for place in dict.fromkeys(places)]
    named = ", ".join(every[:NAMED]) + (f" and {len(every) - NAMED} more" if len(every) > NAMED else "")
    if all(TYPED_IN.search(place) for place in every):
        below = f" below the headings of {named}" if named else ""
        return f"No row is filled in yet{below}", "write a row for each shot, and save"
    return f"There is no record in {named}", "give files that hold shots"


def read_line(sources: Iterable[Mapping[str, Any]], findings: Iterable[Mapping[str, Any]] = ()) -> str:
    """``Read 187 shots; set aside 7 rows, 43 cells in all, each with its reason``: cells of such rows too.

    :param findings: as in the results file; they tell how many scores were kept and teach nothing.
    """
    read: dict[str, int] = {}
    rows = cells = 0
    for source in sources:
        read[source["table"]] = read.get(source["table"], 0) + source["read"]
        rows += source["set_aside"]
        cells += source.get("cells_set_aside", 0)
    nouns = [count(number, *_NOUNS[table]) for table, number in read.items() if number]
    aside = [count(rows, "row")] if rows else []
    aside += [f"{count(cells, 'cell')} in all" if rows else count(cells, "cell")] if cells else []
    kept = f"set aside {', '.join(aside)}, each with its reason" if aside else "kept all of it"
    unused = sum(one["where"]["unused"] for one in findings if one["code"] == "scores_unused")
    not_used = f"; {count(unused, 'score')} not used for want of a weight out or a time" if unused else ""
    return f"Read {', '.join(nouns) or 'nothing'}; {kept}{not_used}."


def good_line(taste: Mapping[str, Any]) -> str:
    """``Good means 6.5 or more on a scale from 1 to 9``."""
    low, high = taste["scale"]
    guess = " (worked out from your scores; say otherwise under [taste])" if taste.get("inferred") else ""
    return f"Good means {taste['good']:g} or more on a scale from {low:g} to {high:g}{guess}."


def ready_line(entries: Sequence[Mapping[str, Any]]) -> str:
    """``39 setups: 2 ready, 37 best guess``, and how many a bench check holds."""
    by_status = {status: sum(entry["status"] == status for entry in entries) for status in STATUS}
    told = [f"{number} {STATUS[status]}" for status, number in by_status.items() if number]
    if stay := sum(held(entry) for entry in entries):
        told.append(f"{stay} of them held by a bench check")
    return f"{count(len(entries), 'setup')}: {', '.join(told)}" if told else "No setup was found."


def another_coffee(handover: Sequence[Mapping[str, Any]]) -> list[str]:
    """Where to start with a coffee not yet tasted, where one machine has it; else where to read it."""
    told = [entry for entry in handover if entry["aim"] and not held(entry)]
    if len(told) == 1:
        why = [printable(shot["why"]) for shot in told[0]["next_shots"][:1]]
        return [" ".join([printable(told[0]["say"]), *why])]
    return [f"Where to start with another coffee, on each of {len(told)} machines: see the page."] if told else []


def worth_reading(findings: Iterable[Mapping[str, Any]]) -> list[tuple[Mapping[str, Any], int]]:
    """The first finding of each kind and how often it returns, what was not done first, then the most frequent.

    :param findings: as in the results file; mere notes are left out.
    """
    first: dict[str, Mapping[str, Any]] = {}
    times: dict[str, int] = {}
    for finding in findings:
        if finding["severity"] != "note":
            first.setdefault(finding["code"], finding)
            times[finding["code"]] = times.get(finding["code"], 0) + 1
    order = sorted(first, key=lambda code: (first[code]["severity"] != "stop", -times[code]))
    return [(first[code], times[code]) for code in order]
