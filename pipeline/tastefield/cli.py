"""The command line. Each command loads what it needs when it runs, so that ``--help`` answers at once."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from tastefield import __version__
from tastefield.errors import TastefieldError
from tastefield.words.phrases import printable
from tastefield.words.tastes import TASTES

DONE, FAILED, WRONG, PARTLY = 0, 1, 2, 3
"""Exit codes: done; failed, nothing written; command line or configuration wrong; written, but something failed."""

TOO_MUCH = 10_000.0
"""No shot takes so many grams or seconds."""

SOURCE = click.argument("source", type=click.Path(path_type=Path))
JOBS = click.option("--jobs", type=click.IntRange(min=1), default=1, show_default=True, help="Worker processes.")


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="tastefield")
def main() -> None:
    """From a few test shots to an espresso recipe that tastes good, and how sure that is.

    SOURCE is a log of shots (.csv, .tsv, .xlsx, .jsonl, .parquet, packed or not) or a configuration (.toml).

    Exit codes: 0 done; 1 failed, nothing written; 2 command line or configuration wrong; 3 written, but some setups or
    writers failed.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


@main.command()
@SOURCE
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write; the run before it is kept as OUT.last.")
@JOBS
@click.option("--cluster", metavar="ADDRESS", help="Scheduler of a cluster to work on instead: tcp://host:8786.")
@click.option("--strict", is_flag=True, help="Write nothing if anything is warned of or set aside (exit code 1).")
@click.option("--fail-fast", is_flag=True, help="Stop at the first setup or writer that fails.")
def run(source: Path, out: Path | None, jobs: int, cluster: str | None, strict: bool, fail_fast: bool) -> None:
    """Read, compute and write the report of SOURCE."""
    with told():
        from tastefield import workflow
        from tastefield.summary import summary_lines

        with progress() as show:
            result = workflow.run(
                source, out=out, jobs=jobs, strict=strict, fail_fast=fail_fast, progress=show, cluster=cluster
            )
        say(summary_lines(result))
        if result.failed:
            sys.exit(PARTLY)


@main.command()
@SOURCE
def check(source: Path) -> None:
    """Read and check SOURCE only: what would be kept, what set aside, and what to do about it."""
    with told():
        from tastefield import workflow
        from tastefield.summary import check_lines

        say(check_lines(workflow.check(source)))


@main.command("next")
@SOURCE
@JOBS
def next_shots(source: Path, jobs: int) -> None:
    """Name the shots worth pulling next on each machine, and why. Writes nothing."""
    with told():
        from tastefield import workflow
        from tastefield.summary import next_lines

        with progress() as show:
            result = workflow.analyse(source, jobs=jobs, progress=show)
        say(next_lines(result))


def amount(unit: str) -> Callable[[str], float]:
    """How grams or seconds are read: above 0, with a decimal point or comma, the unit if you like."""

    def read(text: str) -> float:
        from tastefield.tables.numbers import read_number, split_unit

        try:
            number, written = split_unit(text) or ("", "")
            value = read_number(number, ".")
        except ValueError:
            value, written = 0.0, ""
        if not (0 < value < TOO_MUCH and written in ("", unit)):
            raise click.BadParameter(
                f"{printable(text)!r} is no number of {unit} above 0; write for example 18 or 18.5"
            )
        return value

    return read


@main.command()
@SOURCE
@click.argument("machine")
@click.option("--dose", type=amount("g"), metavar="G", help="Grams in, as they tell it.")
@click.option("--out", type=amount("g"), metavar="G", help="Grams out.")
@click.option("--time", type=amount("s"), metavar="S", help="Seconds.")
@click.option("--grind", help="Grind setting, as their dial shows it.")
@click.option("--coffee", help="Name of their coffee, as in the log where it is the same.")
@click.option("--taste", type=click.Choice(list(TASTES), case_sensitive=False), help="How it tastes.")
def compare(
    source: Path,
    machine: str,
    dose: float | None,
    out: float | None,
    time: float | None,
    grind: str | None,
    coffee: str | None,
    taste: str | None,
) -> None:
    """Put what was handed over with MACHINE beside what its new owner pulls, and say where the difference points.

    MACHINE is its name, or a beginning or part of it. Theirs are the last shots of stage return in the log and what you
    give here. Writes nothing.
    """
    with told():
        from tastefield import workflow
        from tastefield.records import Pulled
        from tastefield.summary import compare_lines

        theirs = Pulled(
            dose_g=dose,
            beverage_g=out,
            shot_time_s=time,
            grind_setting=grind or None,
            coffee=coffee or None,
            taste=taste,
        )
        with progress() as show:
            found = workflow.compare(source, machine, theirs, progress=show)
        say(compare_lines(found))


@main.command()
@click.argument("folder", metavar="RUN_DIR", type=click.Path(path_type=Path))
@click.argument("setup")
def page(folder: Path, setup: str) -> None:
    """Write the page of SETUP, one machine with one coffee, of the run that was written to RUN_DIR.

    SETUP is the name of its page in the bench table, or part of its names: machine, coffee. For benches so large that
    only setups that need attention got a page.
    """
    with told():
        from tastefield import workflow

        say([f"Page: {workflow.page(folder, setup)}"])


@main.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
def start(folder: Path) -> None:
    """Write a blank workbook and a configuration to fill in into DIR. Nothing there is overwritten."""
    with told():
        from tastefield.workbook import start as write_start

        say(f"wrote {file}" for file in write_start(folder))
        say([f"Fill in the log, then: tastefield run {folder / 'tastefield.toml'}"])


@main.command()
@click.option("--test", "file", type=click.Path(path_type=Path), help="Run the conformance checks on a plugin file.")
def plugins(file: Path | None) -> None:
    """List the plugins that are installed, or check one file of your own against the contract."""
    with told():
        if file is None:
            from tastefield.registry import build
            from tastefield.summary import plugin_lines

            say(plugin_lines(build()))
            return
        from tastefield.testing import report

        lines, kept = report(file)
        say(lines)
        if not kept:
            sys.exit(FAILED)


@main.group()
def new() -> None:
    """Write the beginning of something of your own."""


@new.command()
@click.argument("name")
def reader(name: str) -> None:
    """Write read_NAME.py, a reader that works, and test_read_NAME.py, its test, into this folder."""
    with told():
        from tastefield.scaffold import new_reader

        files = new_reader(name, Path())
        say(f"wrote {file}" for file in files)
        say([f"Change them to suit, then: tastefield plugins --test {files[0]}"])


def say(lines: Iterable[str]) -> None:
    """Print lines, wrapped where a terminal shows them; what could steer it was taken out where the lines were made."""
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else 0
    for line in lines:
        indent = line[: len(line) - len(line.lstrip())]
        wrapped = textwrap.wrap(line, max(width, 20), subsequent_indent=f"{indent}    ") if width else [line]
        for part in wrapped:
            click.echo(part)


@contextmanager
def told() -> Iterator[None]:
    """Tell what went wrong on stderr, all problems at once, and leave with the code that says how bad it is."""
    try:
        yield
    except TastefieldError as error:
        for line in str(error).splitlines():
            indent = line[: len(line) - len(line.lstrip())]
            click.echo(f"{indent}{printable(line)}", err=True)
        sys.exit(error.exit_code)


class Progress:
    """One line on a terminal that says how far the work is; it wipes itself out."""

    def __init__(self) -> None:
        self.width = 0

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Show this in place of what was shown."""
        line = f"{stage}: {done} of {total}"
        click.echo(f"\r{line.ljust(self.width)}", nl=False, err=True)
        self.width = len(line)

    def clear(self) -> None:
        """Leave the line as it was found."""
        if self.width:
            click.echo(f"\r{' ' * self.width}\r", nl=False, err=True)


@contextmanager
def progress() -> Iterator[Progress | None]:
    """Progress where somebody can see it, ``None`` where stderr is no terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    shown = Progress()
    try:
        yield shown
    finally:
        shown.clear()
