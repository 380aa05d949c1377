"""Makes ``reports/example`` anew from the bench demo: ``python -m tests.example``. A test compares its numbers.

The summary, the page of one setup and, where cards are written, its card; ``setup.png`` is a picture taken in a browser
and stays.
"""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path
from tempfile import TemporaryDirectory

import tastefield
from tastefield.records import Context, RunResult, SetupResult
from tastefield_plugins.write_page import PageWriter

ROOT = Path(__file__).resolve().parent.parent
EXAMPLE = ROOT / "reports" / "example"
BENCH = ROOT / "configs" / "bench.toml"


def chosen(run: RunResult) -> SetupResult:
    """The setup that is shown: the surest of those with a few tasted shots of their own."""
    known = [result for result in run.setups if result.entry["tasted"] >= 3]
    return max(known, key=lambda result: (result.entry["assurance"], result.slug))


def make(target: Path = EXAMPLE) -> None:
    """Run the demo and take over what is shown of it."""
    target.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory() as scratch:
        out = Path(scratch) / "bench"
        run = tastefield.run(BENCH, out=out)
        one = chosen(run)
        shutil.copy(out / "summary.md", target / "summary.md")
        shutil.copy(page(run, one, Path(scratch) / "page"), target / "page.html")
        for card in sorted(out.glob(f"cards/{one.slug}.*")):
            shutil.copy(card, target / f"card{card.suffix}")


def page(run: RunResult, one: SetupResult, folder: Path) -> Path:
    """The page of one setup, as if the bench had no other."""
    folder.mkdir()
    handover = [entry for entry in run.summary["handover"] if entry["machine"] == one.entry["key"]["machine"]]
    alone = dataclasses.replace(run, setups=[one], summary={**run.summary, "handover": handover})
    writer, context = PageWriter(), Context(PageWriter.Options(), setups=1)
    writer.write_setup(one, folder, context)
    writer.write_run(alone, folder, context)
    return folder / "page.html"


if __name__ == "__main__":
    make()
