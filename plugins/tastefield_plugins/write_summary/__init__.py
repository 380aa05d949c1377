"""Writer ``summary``: ``summary.md``, a run on one page: what can leave, what to pull next, the bench, what to mind."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import chain
from pathlib import Path
from typing import Any

from tastefield import hookimpl
from tastefield.hooks import Writer
from tastefield.records import Context, RunResult, SetupResult
from tastefield.words.bench_line import bench_line, pull
from tastefield.words.cautions import CAUTIONS
from tastefield.words.method import chance_means
from tastefield.words.numbers import together
from tastefield.words.phrases import READY, count, held, hold, recipe
from tastefield.words.run_lines import (
    SEVERITY,
    STATUS,
    another_coffee,
    good_line,
    read_line,
    ready_line,
    worth_reading,
)
from tastefield_plugins.write_summary.markdown import table, words

MOST_LINES = 60
"""Setups in the bench table, the readiest ones where there are more."""
MOST_NAMED = 12
"""Machines named as leaving, as held, and findings told."""
MOST_PULLED = 5
"""Setups whose next shots are told."""


class SummaryWriter(Writer):
    """One page of Markdown for whoever runs the bench and whoever reads its numbers."""

    name = "summary"
    default = True

    def write_run(self, run: RunResult, folder: Path, ctx: Context) -> None:
        """Write ``summary.md``."""
        with (folder / "summary.md").open("w", encoding="utf-8", newline="\n") as out:
            out.writelines(f"{line}\n" for line in _page(run))


def _page(run: RunResult) -> Iterator[str]:
    entries = [result.entry for result in run.setups]
    yield f"# {words(run.summary['title']) or 'Bench report'}"
    yield ""
    yield f"Made {run.summary['created_at'][:10]}. {words(read_line(run.summary['sources'], run.summary['findings']))}"
    yield words(good_line(run.summary["taste"]))
    yield f"{words(ready_line(entries)).rstrip('.')}."
    for lost in run.failed:
        yield f"**Not finished:** {words(lost)}."
    yield from _part("What can leave today", _leaving(run.setups))
    yield from _part("What to pull next", _pulling(run))
    yield from _part("The bench", _bench(run.setups))
    yield from _part("What to mind", _minding(run))
    yield from _part("How sure", [words(chance_means(run.summary["taste"]["good"]))])
    yield from _part("Cautions", [f"- **{words(one.topic)}.** {words(one.text)}" for one in CAUTIONS])


def _part(heading: str, lines: Sequence[str]) -> Iterator[str]:
    yield from ("", f"## {heading}", "", *lines)


def _who(line: Mapping[str, Any]) -> str:
    """A setup as a line of the bench table names it."""
    also = f" ({words(line['also'])})" if line["also"] else ""
    return f"**{words(line['machine'])}**{also}, {words(line['coffee'])}"


def _leaving(setups: Sequence[SetupResult]) -> list[str]:
    told, stay = [], []
    for result in setups:
        line = bench_line(result.entry, result.clock)
        if held(result.entry):
            why = next(one["message"] for one in result.entry["findings"] if one["code"] == hold(result.entry))
            stay.append(f"- {_who(line)}: {words(line['ready'])}. {words(why)}")
        elif result.entry["status"] in READY:
            told.append(f"- {_who(line)}: {words(_sent(result, line))}; {words(line['sure'])}. {words(line['ready'])}.")
    return [
        *(_some(told) or ["Nothing yet: no recipe is sure enough. The next shots below say what is missing."]),
        *(["", "Held here, however good the recipe:", "", *_some(stay)] if stay else []),
    ]


def _sent(result: SetupResult, line: Mapping[str, Any]) -> str:
    """What to set where the machine goes: the mark of a grinder that stays here would mean nothing there."""
    if (result.entry["settings"] or {}).get("leaves") is False:
        return f"{recipe(result.entry['aim'])}, on a grinder of theirs"
    return _set(line)


def _some(lines: Sequence[str]) -> list[str]:
    more = len(lines) - MOST_NAMED
    return [*lines[:MOST_NAMED], *([f"- and {more} more, in the table below"] if more > 0 else [])]


def _set(line: Mapping[str, Any]) -> str:
    """What to set, with what its seconds are counted from where nobody wrote that down."""
    return f"{line['set']}, seconds {line['clock']}" if line["set"] and line["clock"] else str(line["set"])


def _pulling(run: RunResult) -> list[str]:
    """The next shots of the setups that have most to gain, in the order in which each setup's are pulled."""
    wanted = [result for result in run.setups if result.entry["next_shots"]]
    wanted.sort(key=_gain, reverse=True)
    told = ["Most to gain first:", ""] if len(wanted) > 1 and _gain(wanted[0]) else []
    for result in wanted[:MOST_PULLED]:
        told.append(f"- {_who(bench_line(result.entry, result.clock))}")
        for number, shot in enumerate(result.entry["next_shots"], start=1):
            what = ". ".join(part for part in (pull(shot, result.entry), shot["why"]) if part)
            told.append(f"    {number}. {words(what)}")
    others = len(wanted) - MOST_PULLED
    lines = told or ["No further shot is worth its coffee."]
    lines += ["", f"{count(others, 'more setup has', 'more setups have')} shots to pull."] if others > 0 else []
    return [*lines, *(line for told in another_coffee(run.summary["handover"]) for line in ("", words(told)))]


def _gain(result: SetupResult) -> float:
    """What the next shots of a setup are expected to add, in points; nothing where they confirm."""
    return sum(shot["expected_gain"] or 0.0 for shot in result.entry["next_shots"])


def _bench(setups: Sequence[SetupResult]) -> list[str]:
    if not setups:
        return ["No setup could be made of these records."]
    shown = list(setups)
    if len(shown) > MOST_LINES:
        shown = sorted(shown, key=lambda result: list(STATUS).index(result.entry["status"]))[:MOST_LINES]
    lines = [bench_line(result.entry, result.clock) for result in shown]
    rows = [
        (
            ", ".join(part for part in (line["machine"], line["also"]) if part),
            line["coffee"],
            line["ready"],
            together(_set(line)),
            line["sure"],
            together(line["next"]),
        )
        for line in lines
    ]
    more = len(setups) - len(shown)
    return [
        "Seconds count from pressing the button where nothing else is said.",
        "",
        *table(("Machine", "Coffee", "Ready?", "Set this", "How sure", "Do next"), rows),
        *(["", f"The readiest; {more} more setups are not listed here."] if more else []),
    ]


def _minding(run: RunResult) -> list[str]:
    every = chain(run.summary["findings"], *(result.entry["findings"] for result in run.setups))
    told = worth_reading(every)
    lines = [
        f"- **{SEVERITY[one['severity']]}**{f' ({times} like this)' if times > 1 else ''}: "
        f"{words(one['message'])} {words(one['do'])}".rstrip()
        for one, times in told[:MOST_NAMED]
    ]
    more = len(told) - MOST_NAMED
    return [*lines, *([f"- and {more} more kinds"] if more > 0 else [])] or ["Nothing beyond what is good to know."]


@hookimpl
def tastefield_writers() -> list[Writer]:
    """The writer of this folder."""
    return [SummaryWriter()]
