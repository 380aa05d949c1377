"""Writer ``page``: one self-contained HTML file for people. It loads nothing, runs nothing and prints one card a page.

Each setup is rendered alone, in any process, into ``.page/``; the run's own pass joins the pieces, so memory does not
grow with the number of setups.
"""

from __future__ import annotations

import shutil
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tastefield import hookimpl
from tastefield.hooks import Writer
from tastefield.records import Context, RunResult, SetupResult
from tastefield.words.bench_line import bench_line
from tastefield.words.cautions import CAUTIONS
from tastefield.words.check_line import check_line
from tastefield.words.checks import NO_CERTIFICATE
from tastefield.words.handover_line import handover_line
from tastefield.words.method import TITLE, method
from tastefield.words.phrases import printable
from tastefield.words.run_lines import SEVERITY

if TYPE_CHECKING:
    from jinja2 import Environment

HERE = Path(__file__).parent
PIECES = ".page"
MOST_SET_ASIDE = 200
"""Rows set aside that the page lists; the rest are in ``set_aside.csv``."""


class PageWriter(Writer):
    """Bench table, a section and a printable card for every setup, data quality, method and cautions in one page."""

    name = "page"
    default = True

    def write_setup(self, result: SetupResult, folder: Path, ctx: Context) -> None:
        """Render the section of one setup with its figures into ``.page/<slug>.html``."""
        from tastefield_plugins.write_page.section import section

        pieces = folder / PIECES
        pieces.mkdir(parents=True, exist_ok=True)
        html = _environment().get_template("setup.html").render(s=section(result))
        (pieces / f"{result.slug}.html").write_text(html, encoding="utf-8")

    def write_run(self, run: RunResult, folder: Path, ctx: Context) -> None:
        """Join the sections into ``page.html`` between the bench table and what concerns the whole run."""
        pieces, page = folder / PIECES, _environment()
        with (folder / "page.html").open("w", encoding="utf-8", newline="\n") as out:
            for text in page.get_template("top.html").generate(
                run=run.summary,
                rows=[bench_line(result.entry, result.clock) for result in run.setups],
                css=(HERE / "style.css").read_text(encoding="utf-8"),
            ):
                out.write(text)
            if starts := [handover_line(entry, tasted(run)) for entry in run.summary["handover"]]:
                out.write(page.get_template("handover.html").render(starts=starts))
            for result in run.setups:
                piece = pieces / f"{result.slug}.html"
                if piece.exists():
                    with piece.open(encoding="utf-8") as text_in:
                        shutil.copyfileobj(text_in, out)
                else:
                    out.write(page.get_template("missing.html").render(row=bench_line(result.entry, result.clock)))
            out.writelines(page.get_template("bottom.html").generate(cautions=CAUTIONS, **_whole(run)))
        shutil.rmtree(pieces, ignore_errors=True)


def tasted(run: RunResult) -> int:
    """Tasted shots of the whole bench."""
    return sum(int(result.entry["tasted"]) for result in run.setups)


def _whole(run: RunResult) -> dict[str, Any]:
    """What the bottom of the page tells of the whole run."""
    aside = run.records.set_aside
    return {
        "run": run.summary,
        "failed": run.failed,
        "checks": [check_line(check) for check in run.summary.get("checks", ())],
        "no_certificate": NO_CERTIFICATE,
        "pooled": any((result.entry["surface"] or {}).get("model") == "pooled" for result in run.setups),
        "set_aside": aside.head(MOST_SET_ASIDE).to_dict("records"),
        "set_aside_total": len(aside),
    }


@lru_cache(maxsize=1)
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    from tastefield.words.numbers import number, span, together

    page = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    page.globals.update(method=method, method_title=TITLE, severity=SEVERITY)
    page.filters.update(name=_name, number=number, span=span, together=together)
    return page


def _name(value: object) -> str:
    """A name or a cell from a log: shown on one line, without characters that steer the page; empty where unknown."""
    import pandas as pd

    return "" if value is None or value is pd.NA or value != value else printable(value)


@hookimpl
def tastefield_writers() -> list[Writer]:
    """The writer of this folder."""
    return [PageWriter()]
