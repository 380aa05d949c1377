"""Writer ``figures``: every figure of every setup as a file of its own, ``figures/<setup>-<figure>.svg`` and ``.png``.

Not written unless asked for: the page holds them all. Text in the SVG files stays text, set in the reader's letters.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, cast

from pydantic import BaseModel, ConfigDict, Field, field_validator

from tastefield import hookimpl
from tastefield.figures.gallery import NAMES, pictures
from tastefield.hooks import Writer
from tastefield.records import Context, RunResult, SetupResult

FOLDER = "figures"


class FigureOptions(BaseModel):
    """Which figures, as which kinds of file, how fine.

    :param formats: ``svg``, ``png`` or both. :param dpi: pixels an inch of a PNG; the figures are 5.3 inches wide.
    :param which: names of figures; all unless said.
    """

    model_config = ConfigDict(extra="forbid")

    formats: Annotated[list[Literal["svg", "png"]], Field(min_length=1)] = ["svg", "png"]
    dpi: Annotated[int, Field(ge=50, le=600)] = 150
    which: Annotated[list[str], Field(min_length=1)] = list(NAMES)

    @field_validator("which")
    @classmethod
    def _known(cls, which: list[str]) -> list[str]:
        if unknown := [name for name in which if name not in NAMES]:
            raise ValueError(f"no figure is called {', '.join(unknown)}; there are: {', '.join(NAMES)}")
        return which


class FigureWriter(Writer):
    """The figures of every setup as SVG and PNG files."""

    name = "figures"
    Options = FigureOptions

    def write_setup(self, result: SetupResult, folder: Path, ctx: Context) -> None:
        """Write the figures of one setup that its data can carry."""
        options = cast(FigureOptions, ctx.options)
        (folder / FOLDER).mkdir(parents=True, exist_ok=True)
        for name, picture in pictures(result).items():
            if name not in options.which:
                continue
            file = folder / FOLDER / f"{result.slug}-{name}"
            if "svg" in options.formats:
                file.with_name(f"{file.name}.svg").write_bytes(picture.alone().encode("utf-8"))
            if "png" in options.formats:
                file.with_name(f"{file.name}.png").write_bytes(picture.png(options.dpi))

    def write_run(self, run: RunResult, folder: Path, ctx: Context) -> None:
        """Nothing more: a setup's figures are written with it."""


@hookimpl
def tastefield_writers() -> list[Writer]:
    """The writer of this file."""
    return [FigureWriter()]
