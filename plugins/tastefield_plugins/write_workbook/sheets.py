"""The sheets of the workbook: which columns each has, what they mean, and their rows out of the results."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from itertools import chain
from typing import Any

import pandas as pd

from tastefield.records import RunResult, SetupResult
from tastefield.words import columns, statistics
from tastefield.words.bench_line import bench_line
from tastefield.words.cautions import CAUTIONS
from tastefield.words.check_line import check_line
from tastefield.words.checks import NO_CERTIFICATE
from tastefield.words.clock import clock_words
from tastefield.words.handover_line import handover_line
from tastefield.words.method import TITLE, method
from tastefield.words.phrases import how_sure, setup_name
from tastefield.words.run_lines import SEVERITY, STATUS, good_line, read_line, ready_line
from tastefield_plugins.write_workbook.book import DAY, MOMENT, TEXT, WHOLE, Field, Sheet

SETUP = Field("Setup", "File-safe name of the setup: the same in results.json, tables and file names")
FEW = "; with fewer than three tasted shots it rests mostly on other setups"

Told = tuple[Field, str]
"""A column and where its value stands in the results file: ``aim.dose_g``, ``window.ratio.0``."""
Lines = Callable[[Mapping[str, Any]], list[tuple[Sequence[Any], Mapping[str, Any]]]]
"""The lines of a setup: a few values, and the object in which the rest is looked up."""

RECIPE: tuple[Told, ...] = (
    (Field("In (g)", "Dose of the recipe", "0.0"), "aim.dose_g"),
    (Field("Out (g)", "Weight out of the recipe", "0.0"), "aim.beverage_g"),
    (Field("Ratio (g/g)", "Weight out over dose", "0.00"), "aim.ratio"),
    (Field("Time (s)", "Shot time of the recipe", "0.0"), "aim.shot_time_s"),
    (Field("Time counted", "What the seconds are counted from"), "counted"),
    (Field("Dial", "Grind setting for that time, as its owner writes it"), "aim.grind_setting"),
    (Field("Dial from (position)", "Lowest position that fits that time, 90 % sure", "0.0#"), "aim.grind_interval.0"),
    (Field("Dial to (position)", "Highest position that fits that time, 90 % sure", "0.0#"), "aim.grind_interval.1"),
    (Field("A step up (s)", "Seconds that one step up the dial adds", "0.0"), "settings.seconds_per_step.estimate"),
    (Field("A step up, least (s)", "The same, lower end, 90 % sure", "0.0"), "settings.seconds_per_step.lower"),
    (Field("A step up, most (s)", "The same, upper end, 90 % sure", "0.0"), "settings.seconds_per_step.upper"),
    (Field("Higher is", "Whether higher numbers grind finer or coarser"), "settings.higher_is"),
    (Field("Grinder leaves", "Whether the grinder goes with the machine; one that stays has no mark on the card"),
     "settings.leaves"),
    (Field("Chance (0 to 1)", f"Chance that a shot made to the recipe is good{FEW}", "0.00"), "assurance"),
    (Field("Chance at worst (0 to 1)", "The same where luck of the shot is as large as the scores allow", "0.00"),
     "assurance_range.0"),
    (Field("Chance at best (0 to 1)", "The same where it is as small as they allow", "0.00"), "assurance_range.1"),
    (Field("Expected score (points)", "Mean score of shots made to the recipe", "0.0"), "expected_score.mean"),
    (Field("Expected, least (points)", "Lower end of its interval, 90 % sure", "0.0"), "expected_score.lower"),
    (Field("Expected, most (points)", "Upper end of its interval, 90 % sure", "0.0"), "expected_score.upper"),
    (Field("Extraction (%)", "Expected extraction of the recipe", "0.0"), "aim.extraction_pct"),
    (Field("TDS (%)", "Expected dissolved solids of the recipe", "0.00"), "aim.tds_pct"),
    (Field("Told by", "Whose tasted shots lie about the recipe: the setup's own, or others of the bench"),
     "aim.support"),
    (Field("At the edge", "Whether better may lie beyond what was tried"), "aim.at_edge"),
    (Field("Best shot", "The best real shot: its name"), "best_shot.shot_id"),
    (Field("Best in (g)", "The best real shot: dose", "0.0"), "best_shot.dose_g"),
    (Field("Best out (g)", "The best real shot: weight out", "0.0"), "best_shot.beverage_g"),
    (Field("Best time (s)", "The best real shot: shot time", "0.0"), "best_shot.shot_time_s"),
    (Field("Best dial", "The best real shot: grind setting"), "best_shot.grind_setting"),
    (Field("Best score (points)", "The best real shot: mean of its scores, some of it luck", "0.0"),
     "best_shot.score"),
    (Field("Shots", "Shots of the setup", WHOLE), "shots"),
    (Field("Tasted", "Shots of it that were tasted", WHOLE), "tasted"),
    (Field("Tasters", "People who tasted them", WHOLE), "tasters"),
    (Field("Readings", "Readings of its shots", WHOLE), "readings"),
    (Field("Out, spread (%)", "How far the weight out of a shot lands from what was meant: standard deviation", "0.0"),
     "scatter.ratio_sd_pct"),
    (Field("Time, spread (%)", "How far the time of a shot lands from what was meant: standard deviation", "0.0"),
     "scatter.time_sd_pct"),
    (Field("Last pulled", "Day of its last shot", DAY), "last_day"),
)  # fmt: skip
WINDOW: tuple[Told, ...] = (
    (Field("Out from (g)", "Least weight out that keeps the asked chance", "0.0"), "window.beverage_g.0"),
    (Field("Out to (g)", "Greatest weight out that keeps it", "0.0"), "window.beverage_g.1"),
    (Field("Ratio from (g/g)", "Smallest ratio that keeps it", "0.00"), "window.ratio.0"),
    (Field("Ratio to (g/g)", "Greatest ratio that keeps it", "0.00"), "window.ratio.1"),
    (Field("Time from (s)", "Shortest time that keeps it", "0.0"), "window.shot_time_s.0"),
    (Field("Time to (s)", "Longest time that keeps it", "0.0"), "window.shot_time_s.1"),
    (Field("Time counted", "What the seconds are counted from"), "counted"),
    (Field("Extraction from (%)", "Extraction at its low end", "0.0"), "window.extraction_pct.0"),
    (Field("Extraction to (%)", "Extraction at its high end", "0.0"), "window.extraction_pct.1"),
    (Field("In time (0 to 1)", "Chance that a shot at the dial setting runs within these times", "0.00"),
     "settings.time_chance"),
)  # fmt: skip
SHOT: tuple[Told, ...] = (
    (Field("In (g)", "Dose", "0.0"), "dose_g"),
    (Field("Out (g)", "Weight out", "0.0"), "beverage_g"),
    (Field("Ratio (g/g)", "Weight out over dose", "0.00"), "ratio"),
    (Field("Time (s)", "Shot time expected of it", "0.0"), "shot_time_s"),
    (Field("Dial", "Grind setting, as its owner writes it"), "grind_setting"),
    (Field("Expected gain (points)", "Points it is expected to add to the score at the recipe", "0.000"),
     "expected_gain"),
    (Field("Stage", "What to write down as its stage"), "stage"),
    (Field("Why", "What it is good for, and what to mind"), "why"),
)  # fmt: skip
START: tuple[Told, ...] = (
    (Field("Machine", "The machine that goes to somebody with another coffee"), "machine"),
    (Field("Grinder", "The grinder with it"), "grinder"),
    (Field("Start from", "Recipe to start from"), "words.set"),
    (Field("Grind", "How to find the grind for it"), "words.grind"),
    (Field("How sure", "Chance of a good shot, in words"), "words.sure"),
    (Field("Pull first", "Shots to pull, the recipe itself first"), "pull"),
    (Field("In (g)", "Dose of that recipe", "0.0"), "aim.dose_g"),
    (Field("Out (g)", "Weight out of it", "0.0"), "aim.beverage_g"),
    (Field("Ratio (g/g)", "Weight out over dose", "0.00"), "aim.ratio"),
    (Field("Time (s)", "Shot time of it", "0.0"), "aim.shot_time_s"),
    (Field("Time counted", "What the seconds are counted from"), "counted"),
    (Field("Chance (0 to 1)", "Chance that a shot made to it is good, whichever coffee comes", "0.00"), "assurance"),
    (Field("Expected score (points)", "Mean score of such shots", "0.0"), "expected_score.mean"),
    (Field("Expected, least (points)", "Lower end of its interval, 90 % sure", "0.0"), "expected_score.lower"),
    (Field("Expected, most (points)", "Upper end of its interval, 90 % sure", "0.0"), "expected_score.upper"),
)  # fmt: skip
BENCH = (
    Field("Machine", "Machine the shots were pulled on"),
    Field("With", "Grinder, basket and whatever else makes the setup"),
    Field("Coffee", "Coffee that was ground"),
    Field("Ready?", "Whether the machine can leave, and what is missing"),
    Field("Set this", "The recipe: in, out, time, dial"),
    Field("How sure", "Chance of a good shot, in words"),
    Field("Do next", "The first thing to do"),
    SETUP,
)
READ = (
    Field("Place", "File and sheet it was read from"),
    Field("Table", "What its rows hold"),
    Field("Rows read", "All of them, however bad", WHOLE),
    Field("Kept", "Rows that were used", WHOLE),
    Field("Set aside", "Rows that were not", WHOLE),
    Field("Cells set aside", "Filled cells that were not used, those of such rows too", WHOLE),
)
ASIDE = (
    Field("Place", "File and sheet it was read from"),
    Field("Table", "What its rows hold"),
    Field("Row", "As its owner counts", WHOLE),
    Field("Column", "Empty where the whole row is set aside"),
    Field("Value", "What stands there; whole in set_aside.csv where it is longer than a cell may be"),
    Field("Why", "The reason it was not used"),
    Field("What to do", "So that it is used the next time"),
)
CHECKED = (
    Field("Machine", "Machine that was checked"),
    Field("Checked", "What was checked"),
    Field("Before", "What was found the first time"),
    Field("After", "What was found the last time"),
    Field("By", "Who checked"),
    Field("How", "By which method"),
    Field("Verdict", "By the words found and by limits of your own"),
    Field("Why", "What the verdict rests on"),
)
SAID = (Field("About", "What the line is about"), Field("In words", "What there is to say"))
CARE = (*SAID, Field("Source", "Where its numbers come from"))


def sheets(run: RunResult) -> Iterator[Sheet]:
    """Every sheet in order, the bench table first and what all columns mean last."""
    told = []
    for sheet in _content(run):
        told.append(sheet)
        yield sheet
    meanings = (Field("Sheet", "Which sheet"), Field("Column", "Its heading"), Field("Meaning", "What stands in it"))
    rows = [(sheet.name, field.heading, field.meaning) for sheet in told for field in sheet.fields]
    yield Sheet("Columns", meanings, rows)


def _content(run: RunResult) -> Iterator[Sheet]:
    setups = run.setups
    yield Sheet("Bench", BENCH, (_bench(result) for result in setups))
    status = Field("Status", "How far it is"), Field("How sure", "Chance of a good shot, in words")
    yield _of_setups("Recipes", setups, status, RECIPE, lambda entry: [(_status(entry), entry)])
    yield _of_setups("Windows", setups, (), WINDOW, lambda entry: [((), entry)] if entry["window"] else [])
    number = (Field("No.", "In which order to pull them", WHOLE),)
    yield _of_setups("Next shots", setups, number, SHOT, _following)
    yield _starts(run)
    yield _shots(run)
    yield _findings(run)
    sources = [[one.get(key) for key in _READ_KEYS] for one in run.summary["sources"]]
    yield Sheet("What was read", READ, sources)
    aside = run.records.set_aside.reindex(columns=list(columns.SET_ASIDE))
    yield Sheet("Set aside", ASIDE, aside.itertuples(index=False, name=None))
    tasters = [Field(_heading(column), column.meaning, _form(column)) for column in statistics.TASTERS]
    people = [[one.get(column.name) for column in statistics.TASTERS] for one in run.summary["tasters"]]
    yield Sheet("Tasters", tasters, people)
    yield Sheet("Bench checks", CHECKED, (_check(one) for one in run.summary.get("checks", ())))
    yield Sheet("Method", SAID, _method(run))
    yield Sheet("Cautions", CARE, [(one.topic, one.text, one.source) for one in CAUTIONS])


_READ_KEYS = ("place", "table", "read", "kept", "set_aside", "cells_set_aside")
_CHECK_KEYS = ("machine", "check", "before", "after", "by", "method", "verdict", "why")


def _bench(result: SetupResult) -> Sequence[Any]:
    line = bench_line(result.entry, result.clock)
    what = f"{line['set']}; seconds {line['clock']}" if line["set"] and line["clock"] else line["set"]
    return (line["machine"], line["also"], line["coffee"], line["ready"], what, line["sure"], line["next"], result.slug)


def _status(entry: Mapping[str, Any]) -> tuple[str, str]:
    return STATUS[entry["status"]], how_sure(entry)


def _following(entry: Mapping[str, Any]) -> list[tuple[Sequence[Any], Mapping[str, Any]]]:
    return [((number,), shot) for number, shot in enumerate(entry["next_shots"], start=1)]


def _of_setups(name: str, setups: Sequence[SetupResult], more: Sequence[Field], told: Sequence[Told], of: Any) -> Sheet:
    """A sheet of lines about setups: what names the setup, more, what is told; columns nobody fills of extraction out.

    :param of: the lines of an entry; its values are those of ``more``, ``told`` is looked up in its object.
    """
    keys = list(dict.fromkeys(key for result in setups for key in result.entry["key"])) or ["machine", "coffee"]
    named = [Field(key.replace("_", " ").capitalize(), columns.column("shots", key).meaning) for key in keys]
    shown = [one for one in told if not one[1].startswith(_READ_ONLY) or _any(setups, one[1])]

    def rows() -> Iterator[Sequence[Any]]:
        for result in setups:
            day = result.entry.get("last_pulled")
            more_words = {"counted": clock_words(result.clock), "last_day": date.fromisoformat(day) if day else None}
            entry = {**result.entry, **more_words}
            who = [entry["key"].get(key) for key in keys]
            for extra, where in of(entry):
                yield (*who, *extra, *(_at(where, path) for _, path in shown), result.slug)

    return Sheet(name, [*named, *more, *(field for field, _ in shown), SETUP], rows())


_READ_ONLY = ("aim.extraction_pct", "aim.tds_pct", "window.extraction_pct")
"""Told only where readings inform them; a column of nothing would look like a fault."""


def _any(setups: Sequence[SetupResult], path: str) -> bool:
    return any(_at(result.entry, path) is not None for result in setups)


def _at(record: Any, path: str) -> Any:
    """What stands at ``aim.dose_g`` of a record; ``None`` where a part of the way is missing."""
    for step in path.split("."):
        if record is None:
            return None
        record = record[int(step)] if step.isdigit() else record.get(step)
    return record


def _starts(run: RunResult) -> Sheet:
    tasted = sum(int(result.entry["tasted"]) for result in run.setups)

    def rows() -> Iterator[Sequence[Any]]:
        for entry in run.summary["handover"]:
            words = handover_line(entry, tasted)
            told = {
                **entry,
                "words": words,
                "pull": "; ".join(words["pull"]),
                "counted": clock_words(entry["aim"]["clock"]) if entry["aim"] else None,
            }
            yield [_at(told, path) for _, path in START]

    return Sheet("Another coffee", [field for field, _ in START], rows())


def _shots(run: RunResult) -> Sheet:
    """Every shot that was kept, setup by setup, with derived columns; columns nobody filled stay out."""
    frames = [result.shots for result in run.setups]
    kept = run.records.tables.get("shots", pd.DataFrame(columns=["shot_id"]))
    ours = {shot for frame in frames for shot in frame["shot_id"]}
    rest = kept[~kept["shot_id"].isin(ours)]
    known = {column.name: column for column in (*columns.SHOTS, *columns.DERIVED)}
    filled: set[str] = set()
    for frame in (*frames, rest):
        filled.update(name for name in known if name not in filled and name in frame and frame[name].notna().any())
    shown = [known[name] for name in known if name in filled or known[name].required or name == "shot_id"]
    fields = [SETUP, *(Field(_heading(one), one.meaning, _form(one)) for one in shown)]
    fields += [
        Field("Score (points)", "Mean of the scores of what is modelled", "0.00"),
        Field("Place", "File and sheet it was read from"),
        Field("Row", "As its owner counts", WHOLE),
    ]

    def rows() -> Iterator[Sequence[Any]]:
        for slug, frame, scores in [*((one.slug, one.shots, one.scores) for one in run.setups), ("", rest, None)]:
            mean = {} if scores is None else scores.groupby("shot_id")["score"].mean().to_dict()
            names = [*(one.name for one in shown), *columns.PROVENANCE]
            cells = [frame[name].tolist() if name in frame else [None] * len(frame) for name in names]
            for values in zip(*cells, strict=True):
                *told, place, row = values
                yield (slug, *told, mean.get(told[0]), place, row)

    return Sheet("Shots", fields, rows())


def _heading(column: columns.Column) -> str:
    """``dose_g`` as people read it: ``Dose (g)``."""
    name = column.name
    for ending in ("_g_per_s2", "_g_per_s", "_pct", "_g", "_s", "_c", "_bar", "_days"):
        name = name.removesuffix(ending) if column.unit else name
    name = name.replace("_", " ")
    name = f"{name.removeprefix('u ')}, standard uncertainty" if name.startswith("u ") else name
    name = name.replace("tds", "TDS")
    return f"{name[:1].upper()}{name[1:]}{f' ({column.unit})' if column.unit else ''}"


def _form(column: columns.Column) -> str:
    forms = {"number": "0.0##", "duration": "0.0#", "integer": WHOLE, "date": DAY, "datetime": MOMENT}
    return forms.get(column.kind, TEXT)


def _findings(run: RunResult) -> Sheet:
    named = (
        Field("Whose", "The setup it is about"),
        Field("How grave", "In words"),
        Field("Message", "What was found"),
        Field("What to do", "About it"),
        Field("About", "Place, table, column or names it is about; empty where the setup is all there is to say"),
        Field("Code", "Name of the kind of finding"),
        SETUP,
    )

    def rows() -> Iterator[Sequence[Any]]:
        whole = [("the whole run", "", run.summary["findings"])]
        own = ((setup_name(one.entry["key"]), one.slug, one.entry["findings"]) for one in run.setups)
        for whose, slug, findings in chain(whole, own):
            for one in findings:
                about = ", ".join(str(value) for value in one["where"].values())
                yield whose, SEVERITY[one["severity"]], one["message"], one["do"], about, one["code"], slug

    return Sheet("Findings", named, rows())


def _check(check: Mapping[str, Any]) -> Sequence[Any]:
    line = check_line(check)
    return [line[key] for key in _CHECK_KEYS]


def _method(run: RunResult) -> Iterator[Sequence[Any]]:
    """What the run is, how recipes are worked out, and what made it."""
    summary = run.summary
    yield "Title", summary["title"]
    yield "Made", summary["created_at"][:10]
    yield "What was read", read_line(summary["sources"], summary["findings"])
    yield "What counts as good", good_line(summary["taste"])
    yield "How ready", ready_line([result.entry for result in run.setups])
    for lost in run.failed:
        yield "Not finished", lost
    pooled = any((result.entry["surface"] or {}).get("model") == "pooled" for result in run.setups)
    for part in method(pooled, summary["prior"], summary["taste"]["good"]):
        for lead, text in part.paragraphs:
            yield lead.rstrip(".") or part.heading or TITLE, text
    if summary.get("checks"):
        yield "Bench checks", NO_CERTIFICATE
    versions = ", ".join(f"{program} {version}" for program, version in summary["versions"].items())
    yield "Made by", f"Seed {summary['seed']}; {versions}."
