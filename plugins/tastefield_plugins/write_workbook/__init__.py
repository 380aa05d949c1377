"""Writer ``workbook``: ``workbook.xlsx``, the bench table first, then every number behind it with unit and meaning."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from tastefield import hookimpl
from tastefield.hooks import Writer
from tastefield.records import Context, RunResult


class WorkbookWriter(Writer):
    """The bench table, recipes, windows, next shots, shots and all the rest as sheets of one workbook."""

    name = "workbook"
    default = True

    def write_run(self, run: RunResult, folder: Path, ctx: Context) -> None:
        """Write ``workbook.xlsx``."""
        from tastefield_plugins.write_workbook.book import write
        from tastefield_plugins.write_workbook.sheets import sheets

        made = datetime.fromisoformat(run.summary["created_at"][:10])
        write(folder / "workbook.xlsx", run.summary["title"], made, sheets(run))


@hookimpl
def tastefield_writers() -> list[Writer]:
    """The writer of this folder."""
    return [WorkbookWriter()]
