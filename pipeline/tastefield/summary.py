"""What the terminal says: a run in ten lines, the shots to pull next, what a check of the sources found.

Bench words only, names made harmless, lines short enough for a narrow window.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tastefield.records import ColumnCount, Comparison, Pulled, Records, RunResult
from tastefield.registry import Registry
from tastefield.slug import shortened
from tastefield.tables.headings import is_ours
from tastefield.words.calls import PRACTICE
from tastefield.words.cautions import CAUTIONS
from tastefield.words.checks import NOTHING_TO_PULL
from tastefield.words.columns import TABLES, Column, column, names
from tastefield.words.phrases import (
    count,
    dial,
    how_sure,
    is_plain,
    mark,
    printable,
    readiness,
    recipe,
    setup_name,
    unsafe,
)
from tastefield.words.run_lines import (
    STATUS,
    another_coffee,
    good_line,
    nothing_yet,
    read_line,
    ready_line,
    worth_reading,
)

RECIPES = 4
"""Setups shown with their recipe."""
FINDINGS = 2
CELLS = 8
"""Set-aside cells shown by a check; the run writes them all."""
NAME = 60
"""Longest name of a setup on a line."""

CELL = 30
"""Longest name in a table."""

_GRAVITY = {"note": "Note", "warn": "Warning", "stop": "Not done"}
_PULLING = ("Pressure behind a choked shot", "Caffeine for those who taste")
"""Cautions for whoever is about to pull shots."""


def summary_lines(run: RunResult) -> list[str]:
    """A run in about ten lines: what was read, how ready the machines are, what to set, where to read more.

    :param run: a finished run; ``run.summary`` and each ``setup.entry`` as in the results file.
    """
    entries = [setup.entry for setup in run.setups]
    read = read_line(run.summary["sources"], run.summary["findings"])
    lines = [printable(run.summary["title"]), read, good_line(run.summary["taste"]), ready_line(entries)]
    lines += _changed(entries)
    readiest_first = sorted(entries, key=lambda entry: list(STATUS).index(entry["status"]))
    shown = [entry for entry in readiest_first if entry["aim"]][:RECIPES] or entries[:RECIPES]
    lines += [f"  {setup_line(entry)}" for entry in shown]
    if len(entries) > len(shown):
        lines.append(f"  ... and {len(entries) - len(shown)} more on the page")
    lines += [*another_coffee(run.summary["handover"]), *_worth_reading(run)]
    if run.failed:
        more = f" and {len(run.failed) - 1} more" if len(run.failed) > 1 else ""
        lines.append(f"Failed: {printable(run.failed[0])}{more}")
    if run.out:
        pages = sorted(run.out.glob("*.html"))
        lines.append(f"Page: {printable(pages[0] if pages else run.out)}")
    return lines


def _changed(entries: list[Mapping[str, Any]]) -> list[str]:
    """How many cards that were fit to leave say something else now, and the first of them."""
    told = [(entry, note) for entry in entries for note in entry["findings"] if note["code"] == "card_changed"]
    if not told:
        return []
    entry, note = told[0]
    return [
        f"{count(len(told), 'card')} changed since the last run. {_short(setup_name(entry['key']))}: {note['message']}"
    ]


def setup_line(entry: Mapping[str, Any]) -> str:
    """One setup on one line: what to set, how sure, whether it is ready."""
    name = _short(setup_name(entry["key"]))
    if not entry["aim"]:
        return f"{name}: {readiness(entry)}"
    what = ", ".join(part for part in (recipe(entry["aim"]), mark(entry["aim"], entry)) if part)
    return f"{name}: {what}; {how_sure(entry)}. {readiness(entry)}"


def next_lines(run: RunResult) -> list[str]:
    """The shots worth pulling next on each setup, each with its reason."""
    lines = []
    for setup in run.setups:
        shots = setup.entry["next_shots"]
        lines.append(f"{_short(setup_name(setup.entry['key']))}: {readiness(setup.entry)}")
        for number, shot in enumerate(shots, start=1):
            what = ", ".join(part for part in (dial(shot), recipe(shot)) if part)
            lines.append(f"  {number}. {what}. {printable(shot['why'])}")
        if unsafe(setup.entry):
            lines.append(f"  {NOTHING_TO_PULL}.")
        elif not shots:
            lines.append("  No further shot is worth its coffee.")
    return [*lines, *(f"{caution.topic}: {caution.text}" for caution in CAUTIONS if caution.topic in _PULLING)]


def compare_lines(found: Comparison) -> list[str]:
    """What was handed over beside what the owner pulls, and what that points to, the first thing first."""
    of = f"{count(found.confirmed, 'shot')} pulled to confirm" if found.confirmed else "the recipe"
    theirs = f", theirs {count(found.returned, 'shot')} as it came back" if found.returned else ""
    lines = [f"{_short(printable(found.machine))}: handed over {of}{theirs}"]
    since = " from the first drip" if found.clock == "first_drip" else ""
    both = [_cells(side) for side in (found.handed_over, found.theirs)]
    if found.handed_over.score is not None and not found.confirmed:
        both[0]["taste"] += " expected"
    width = max(len("handed over"), *(len(cell) for cell in both[0].values()))
    lines.append(f"  {'':8}{'handed over'.ljust(width)}  theirs")
    lines += [f"  {name:8}{ours.ljust(width)}  {both[1][name]}".rstrip() for name, ours in both[0].items()]
    low, high = found.usual_time_s
    lines.append(f"From {low:.0f} to {high:.0f} s{since} is as handed over: shots of this machine scatter so far.")
    lines.append("In this order:")
    for number, step in enumerate(found.advice, start=1):
        lines += [f"  {number}. {printable(step.message)}", f"     {printable(step.do)}"]
    return [*lines, PRACTICE]


def _cells(side: Pulled) -> dict[str, str]:
    """One side of a comparison as text, by what it is."""
    numbers = {
        "in": (side.dose_g, "{:.1f} g"),
        "out": (side.beverage_g, "{:.0f} g"),
        "ratio": (side.ratio, "1:{:.1f}"),
        "time": (side.shot_time_s, "{:.0f} s"),
    }
    told = {name: "-" if value is None else form.format(value) for name, (value, form) in numbers.items()}
    words = {"grind": side.grind_setting, "coffee": side.coffee}
    told |= {name: printable(shortened(word))[:CELL] if word else "-" for name, word in words.items()}
    score = "-" if side.score is None else f"score {side.score:.1f}"
    return told | {"taste": "choked" if side.choked else side.taste or score}


def check_lines(records: Records) -> list[str]:
    """What a check found: the account of every place and table, doubts, the first things set aside and their remedy."""
    lines = []
    for account in records.counts:
        cells = f"; {count(account.cells_set_aside, 'cell')} set aside in all" if account.cells_set_aside else ""
        lines.append(
            f"{printable(account.place)}, {account.table}: {count(account.read, 'row')} read, {account.kept} kept, "
            f"{account.set_aside} set aside{cells}"
        )
        lines += _columns_table(
            [one for one in records.columns if (one.place, one.table) == (account.place, account.table)]
        )
    for finding in records.findings:
        lines.append(f"{_GRAVITY[finding.severity]}: {printable(finding.message)} {printable(finding.do)}".rstrip())
    lines += _columns_block(records)
    for row in records.set_aside.head(CELLS).to_dict("records"):
        where = f", {printable(row['column'])}" if row["column"] else ""
        value = f" (found {_short(printable(row['value']))})" if row["column"] else ""
        lines.append(f"{printable(row['place'])}, row {row['row']}{where}: {printable(row['reason'])}{value}")
        lines.append(f"    do: {printable(row['do'])}")
    if len(records.set_aside) > CELLS:
        lines.append(f"... and {len(records.set_aside) - CELLS} more; a run writes them all to set_aside.csv")
    if not any(account.read for account in records.counts):
        lines.append("{}: {}.".format(*nothing_yet(account.place for account in records.counts)))
    elif records.set_aside.empty:
        lines.append("Nothing was set aside.")
    return lines


def _columns_table(columns: list[ColumnCount]) -> list[str]:
    """The cells of one table of a place, column by column."""
    if not columns:
        return []
    rows = [("column", "heading", "cells", "kept", "set aside")]
    for one in columns:
        heading = _short(printable(one.heading), CELL) or "(filled in)"
        rows.append((one.column, heading, str(one.read), str(one.read - one.set_aside), str(one.set_aside)))
    widths = [max(len(row[at]) for row in rows) for at in range(5)]
    return [
        "  " + "  ".join(cell.ljust(widths[at]) if at < 2 else cell.rjust(widths[at]) for at, cell in enumerate(row))
        for row in rows
    ]


def _columns_block(records: Records) -> list[str]:
    """How headings were understood, as blocks to paste into a configuration; what only looks like one is commented."""
    blocks: dict[tuple[str, ...], list[str]] = {}
    for one in records.headings:
        if not one.suggested and all(is_ours(theirs, _column(name)) for name, theirs in one.columns.items()):
            continue  # a reader that gives our own names leaves nothing to say
        lines = [f"{name} = {toml_text(theirs)}" for name, theirs in one.columns.items()]
        lines += [
            f"# {name} = {toml_text(theirs)}  # not read; it only looks like it"
            for name, theirs in one.suggested.items()
        ]
        if lines:
            blocks.setdefault(tuple(lines), []).append(printable(one.place))
    out = []
    for block, places in blocks.items():
        more = f" and {len(places) - 1} more" if len(places) > 1 else ""
        out += [f"To say so for certain, paste below the [[source]] of {places[0]}{more}:"]
        out += [f"  {line}" for line in ("[source.columns]", *block)]
    return out


def _column(name: str) -> Column:
    """A column of whichever table has it."""
    return next(column(table, name) for table in TABLES if name in names(table))


def toml_text(words: str) -> str:
    """A text as TOML writes it, whatever stands in it."""
    escaped = {'"': '\\"', "\\": "\\\\"}
    signs = (escaped.get(sign) or (sign if sign.isprintable() else f"\\U{ord(sign):08X}") for sign in words)
    return f'"{"".join(signs)}"'


def plugin_lines(registry: Registry) -> list[str]:
    """Every plugin by kind: name, what it does, who offers it."""
    lines = []
    kinds: dict[str, Mapping[str, Any]] = {
        "reader": registry.readers,
        "surface": registry.surfaces,
        "writer": registry.writers,
    }
    for kind, plugins in kinds.items():
        for name, plugin in sorted(plugins.items()):
            about = (type(plugin).__doc__ or "").strip().split("\n")[0]
            lines.append(f"{kind} {name}: {printable(about)} ({printable(registry.origins[f'{kind} {name}'])})")
    return lines


def _short(name: str, most: int = NAME) -> str:
    return name if len(name) <= most else f"{name[: most - 3]}..."


def _worth_reading(run: RunResult) -> list[str]:
    """The gravest findings, those that return on several setups once with their number."""
    found = [*run.summary["findings"], *(one for setup in run.setups for one in setup.entry["findings"])]
    return [
        f"{_GRAVITY[one['severity']]}: {printable(one['message'])}{f' ({times} like this)' if times > 1 else ''}"
        for one, times in worth_reading(one for one in found if is_plain(one["message"]))[:FINDINGS]
    ]
