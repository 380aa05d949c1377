"""Writer ``page``: what people read of a run, in HTML that loads nothing and works without network.

Up to ``one_file`` setups everything stands in ``page.html``; above, that is the index, and a setup has a page of its
own in ``setups/``. Each is rendered alone, in any process; the run's own pass only joins and links, so memory does not
grow with the number of setups. The one script, ``page.js``, is our own and allowed by its hash.
"""

from __future__ import annotations

import base64
import hashlib
import re
import shutil
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from pydantic import Field

from tastefield import hookimpl
from tastefield.hooks import NoOptions, Writer
from tastefield.records import Context, RunResult, SetupResult
from tastefield.words.bench_line import RANKS, bench_line, needs_attention, status
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
INDEX = "page.html"
PIECES = ".page"
PAGES = "setups"
MOST_SET_ASIDE = 200
"""Rows set aside that the page lists; the rest are in ``set_aside.csv``."""


class Options(NoOptions):
    """Keys of its ``[[report]]`` block."""

    one_file: int = Field(60, ge=0, description="Most setups for which all stands in page.html")
    every_setup: int = Field(
        300, ge=0, description="Most setups of which each gets a page; above, those in need of you"
    )


class PageWriter(Writer):
    """Bench table, a section and a printable card for every setup, data quality, method and cautions."""

    name = "page"
    default = True
    Options = Options

    def write_setup(self, result: SetupResult, folder: Path, ctx: Context) -> None:
        """Render one setup: into ``.page/<slug>.html`` where all goes into one file, else into ``setups/<slug>.html``.

        Of a very large bench only what needs attention; a setup that is asked for by itself always, and its line in the
        bench table then leads to it.
        """
        options = cast("Options", ctx.options)
        if ctx.setups is not None and ctx.setups > options.every_setup and not needs_attention(result.entry):
            return
        together = ctx.setups is not None and ctx.setups <= options.one_file
        target = folder / (PIECES if together else PAGES) / f"{result.slug}.html"
        target.parent.mkdir(parents=True, exist_ok=True)
        text = _article(result, "#bench") if together else _page(result)
        target.write_text(text, encoding="utf-8", newline="\n")
        if ctx.setups is None:
            _link(folder / INDEX, f"{PAGES}/{result.slug}.html")

    def write_run(self, run: RunResult, folder: Path, ctx: Context) -> None:
        """Write ``page.html``: bench table and sections, the readiest first, then what is of the whole run."""
        pieces, page = folder / PIECES, _environment()
        together = len(run.setups) <= cast("Options", ctx.options).one_file
        setups = sorted(run.setups, key=lambda result: RANKS.index(status(result.entry)))
        rows = [bench_line(result.entry, result.clock) for result in setups]
        for one in rows:
            own = f"{PAGES}/{one['slug']}.html"
            one["own"] = own
            one["href"] = f"#{one['slug']}" if together else own if (folder / own).exists() else ""
        with (folder / INDEX).open("w", encoding="utf-8", newline="\n") as out:
            head = {"title": run.summary["title"], "one_file": together, **_shared()}
            for text in page.get_template("top.html").generate(run=run.summary, rows=rows, **head):
                out.write(text)
            if starts := [handover_line(entry, tasted(run)) for entry in run.summary["handover"]]:
                out.write(page.get_template("handover.html").render(starts=starts))
            for result, line in zip(setups, rows if together else (), strict=together):
                piece = pieces / f"{result.slug}.html"
                if piece.exists():
                    with piece.open(encoding="utf-8") as text_in:
                        shutil.copyfileobj(text_in, out)
                else:
                    out.write(page.get_template("missing.html").render(row=line))
            out.writelines(page.get_template("bottom.html").generate(**_shared(), **_whole(run)))
        shutil.rmtree(pieces, ignore_errors=True)


def tasted(run: RunResult) -> int:
    """Tasted shots of the whole bench."""
    return sum(int(result.entry["tasted"]) for result in run.setups)


def _article(result: SetupResult, bench: str) -> str:
    """The section of one setup; ``bench``: where the bench table is."""
    from tastefield_plugins.write_page.section import section

    return _environment().get_template("setup.html").render(s=section(result), bench=bench)


def _link(index: Path, own: str) -> None:
    """Let the line of a setup in a bench table that is there lead to its page, which was written after it."""
    if not index.exists():
        return
    text = index.read_text(encoding="utf-8")
    linked = re.sub(rf'<b data-page="{re.escape(own)}">(.*?)</b>', rf'<a href="{own}">\1</a>', text)
    if linked != text:
        unfinished = index.with_name(f".{index.name}")
        unfinished.write_text(linked, encoding="utf-8", newline="\n")
        unfinished.replace(index)


def _page(result: SetupResult) -> str:
    """The section of one setup as a page of its own, with method and cautions."""
    from tastefield.words.phrases import setup_name

    return (
        _environment()
        .get_template("alone.html")
        .render(
            title=setup_name(result.entry["key"]),
            article=_article(result, f"../{INDEX}#bench"),
            pooled=(result.entry["surface"] or {}).get("model") == "pooled",
            good=result.entry["taste"]["good"],
            prior=None,
            one_file=False,
            **_shared(),
        )
    )


def _shared() -> dict[str, Any]:
    """Style, script and its hash, cautions: the same on every page."""
    script = (HERE / "page.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    css = (HERE / "style.css").read_text(encoding="utf-8")
    return {"css": css, "script": script, "script_hash": digest, "cautions": CAUTIONS}


def _whole(run: RunResult) -> dict[str, Any]:
    """What the bottom of the page tells of the whole run."""
    aside = run.records.set_aside
    return {
        "run": run.summary,
        "failed": run.failed,
        "checks": [check_line(check) for check in run.summary.get("checks", ())],
        "no_certificate": NO_CERTIFICATE,
        "pooled": any((result.entry["surface"] or {}).get("model") == "pooled" for result in run.setups),
        "good": run.summary["taste"]["good"],
        "prior": run.summary["prior"],
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
