"""One small plugin of each kind that keeps the contract: what registry, configuration and kit are tested with."""

from __future__ import annotations

import json
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field

from tastefield import hookimpl
from tastefield.errors import NotEnough, ReadError
from tastefield.hooks import Chunk, Reader, Surface, SurfaceModel, Writer
from tastefield.records import SurfaceTables


class PipeReader(Reader):
    """Lines of words between bars; the first line holds the headings."""

    name = "pipe"
    suffixes = (".pipe",)

    class Options(BaseModel):
        model_config = ConfigDict(extra="forbid")
        separator: str = Field(default="|", min_length=1)

    def read(self, files, ctx):
        for file in files:
            try:
                lines = file.read_text(encoding="utf-8").splitlines()
            except (OSError, UnicodeDecodeError) as error:
                raise ReadError(file.name, str(error), "save it as UTF-8 text") from error
            if not lines:
                raise ReadError(file.name, "it is empty", "write a line of headings first")
            cells = [line.split(ctx.options.separator) for line in lines]
            width = len(cells[0])
            if any(len(row) != width for row in cells):
                raise ReadError(file.name, "lines differ in their number of cells", "write one cell a heading")
            rows = pd.DataFrame(cells[1:], columns=cells[0], index=range(2, len(cells) + 1), dtype=str)
            yield Chunk(rows, file.name)


@dataclass(frozen=True, eq=False)
class FlatSurface(Surface):
    """The same expected score everywhere, known as well as the mean of the shots is."""

    level: float
    error: float
    tables: SurfaceTables
    low: np.ndarray
    high: np.ndarray
    model: str = "flat"
    factors: tuple[str, ...] = ("ratio", "shot_time_s")
    findings: tuple = field(default=())

    def mean(self, points):
        return np.where(self.speaks_for(points), self.level, np.nan)

    def sd(self, points):
        return np.where(self.speaks_for(points), self.error, np.nan)

    def draws(self, points, n, seed):
        levels = self.level + self.error * np.random.default_rng(seed).standard_normal(n)
        return np.where(self.speaks_for(points)[None, :], levels[:, None], np.nan)

    def speaks_for(self, points):
        return ((points >= self.low) & (points <= self.high)).all(axis=1)


class FlatModel(SurfaceModel):
    """The mean of the shots' scores."""

    name = "flat"

    def fit(self, setup, population, ctx):
        shots = setup.shots[["shot_id", "ratio", "shot_time_s"]].dropna()
        rows = setup.scores.merge(shots, on="shot_id")
        by_shot = rows.groupby("shot_id")["score"].mean()
        if len(by_shot) < 2:
            raise NotEnough("fewer than two tasted shots", "taste two shots")
        level, error = float(by_shot.mean()), float(by_shot.std() / np.sqrt(len(by_shot)))
        observations = rows[["shot_id", "taster", "ratio", "shot_time_s", "score"]].assign(
            fitted=level, residual=rows["score"] - level
        )
        tables = SurfaceTables(
            terms=pd.DataFrame(
                {"term": ["level"], "estimate": [level], "std_error": [error], "df": [len(by_shot) - 1.0]}
            ).assign(lower=level - 2 * error, upper=level + 2 * error),
            fit=pd.DataFrame({"model": ["flat"], "shots": [len(by_shot)], "scores": [len(rows)], "terms": [1]}),
            observations=observations,
        )
        points = rows[["ratio", "shot_time_s"]].to_numpy()
        return FlatSurface(level, error, tables, points.min(axis=0), points.max(axis=0))


class ListWriter(Writer):
    """A file for each setup and one that lists them all."""

    name = "list"
    default = True

    def write_setup(self, result, folder, ctx):
        (folder / f"{result.slug}.json").write_text(json.dumps(dict(result.entry), sort_keys=True), encoding="utf-8")

    def write_run(self, run, folder, ctx):
        lines = [json.dumps(dict(setup.entry), sort_keys=True) for setup in run.setups]
        (folder / "all.txt").write_text("\n".join(sorted(lines)), encoding="utf-8")


@hookimpl
def tastefield_readers():
    return [PipeReader()]


@hookimpl
def tastefield_surfaces():
    return [FlatModel()]


@hookimpl
def tastefield_writers():
    return [ListWriter()]
