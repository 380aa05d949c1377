"""The surface model that DEVELOPERS.md shows is held to the contract here."""

# snippet: surface
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tastefield import hookimpl
from tastefield.errors import NotEnough
from tastefield.hooks import SurfaceModel
from tastefield.records import Surface, SurfaceTables
from tastefield.stats.hull import Support


@dataclass(frozen=True, eq=False, kw_only=True)
class Level(Surface):
    """The same expected score wherever shots were tasted."""

    model: str = "level"
    tables: SurfaceTables
    score: float
    error: float
    shot_var: float
    shot_var_range: tuple[float, float]
    draw_df: float
    support: Support

    def mean(self, points):
        return np.full(len(points), self.score)

    def sd(self, points):
        return np.full(len(points), self.error)

    def draws(self, points, n, seed):
        level = self.score + self.error * np.random.default_rng(seed).standard_t(self.draw_df, (n, 1))
        return np.repeat(level, len(points), axis=1)

    def speaks_for(self, points):
        return self.support.contains(np.log(points))


class LevelModel(SurfaceModel):
    name = "level"

    def fit(self, setup, population, ctx):
        tasted = setup.shots.dropna(subset=["ratio", "shot_time_s"])
        tasted = tasted.assign(score=tasted["shot_id"].map(setup.scores.groupby("shot_id")["score"].mean()))
        tasted = tasted.dropna(subset=["score"]).sort_values(["ratio", "shot_time_s", "score"])
        n = len(tasted)
        if n < 3:
            raise NotEnough("fewer than three tasted shots", "taste more shots")
        score, spread = float(tasted["score"].mean()), float(tasted["score"].std())
        error = spread / np.sqrt(n)
        kept = tasted[["shot_id", "ratio", "shot_time_s", "score"]].assign(taster="mean of all", fitted=score)
        return Level(
            tables=SurfaceTables(
                terms=pd.DataFrame([{"term": "1", "estimate": score, "std_error": error, "df": n - 1}]),
                fit=pd.DataFrame([{"model": "level", "shots": n, "terms": 1, "df": n - 1, "shot_var": spread**2}]),
                observations=kept.assign(residual=kept["score"] - score),
            ),
            score=score,
            error=error,
            shot_var=spread**2,
            shot_var_range=(0.0, spread**2),
            draw_df=n - 1.0,
            support=Support.around(np.log(tasted[["ratio", "shot_time_s"]].to_numpy()), 0.05),
        )


@hookimpl
def tastefield_surfaces():
    return [LevelModel()]


# end of snippet

from tastefield.testing import SurfaceContract  # noqa: E402


class TestLevel(SurfaceContract):
    plugin = LevelModel()
