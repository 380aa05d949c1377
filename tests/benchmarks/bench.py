"""A simulated bench: its records as a bench would keep them, and its truth, which nobody there knows.

The truth is the expected score at any ratio and shot time, and the chance of a good shot. A setup is machine, grinder
and coffee. Its truth holds at its usual dose and the age of its coffee at the last shot: ratio and shot time then fix
the grind, and what else differs from shot to shot (channels, the puck) is chance.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pandas as pd
from tests.benchmarks import brewing, tasting
from tests.benchmarks.brewing import Beans, Flow
from tests.benchmarks.searching import Dial
from tests.benchmarks.tasting import Likes, Taster

GOOD = 6.5
REST = 0.15
"""Standard deviation of what else differs from shot to shot, in appeal."""
GRID = 37

Key = tuple[str, str, str]


def _sample(count: int) -> np.ndarray:
    """Fixed points (count, 4) of puck, stop and rest (normal) and channel (exponential): a Kronecker sequence."""
    golden = 1.0
    for _ in range(60):
        golden = (1.0 + golden) ** (1.0 / 5.0)
    uniform = (0.5 + np.outer(np.arange(1, count + 1), golden ** -np.arange(1.0, 5.0))) % 1.0
    points = np.array([[NormalDist().inv_cdf(u) for u in row] for row in uniform])
    points[:, 3] = 0.4 - 0.6 * np.log1p(-uniform[:, 3])  # as searching.pull draws it
    return points


FINE, COARSE = _sample(512), _sample(96)


@dataclass(frozen=True)
class Coffee:
    name: str
    roast: str
    roasted: pd.Timestamp
    beans: Beans
    likes: Likes


@dataclass(frozen=True)
class Machine:
    name: str
    model: str
    flow: Flow
    grinder: str
    top: float  # what it does to the appeal
    usual_dose_g: float


@dataclass(frozen=True)
class Setup:
    """A machine, its grinder and a coffee, with what is theirs alone."""

    machine: Machine
    dial: Dial
    coffee: Coffee
    age_days: float
    shift: float  # of the appeal
    likes: Likes

    @property
    def key(self) -> Key:
        return (self.machine.name, self.machine.grinder, self.coffee.name)

    @property
    def dose_g(self) -> float:
        return self.machine.usual_dose_g


@dataclass(eq=False)
class Bench:
    """A bench: its truth and its records.

    :param shots: with ``ratio`` beside the columns that are written. :param tasted: shot_id of the shots with a score.
    """

    kind: str
    seed: int
    setups: dict[Key, Setup]
    tasters: list[Taster]
    dials: dict[str, Dial]
    shots: pd.DataFrame
    scores: pd.DataFrame
    readings: pd.DataFrame
    good: float = GOOD
    _best: dict = field(default_factory=dict)

    # the truth

    def _scores(self, setup: Setup, ratio, time_s, size_um, puck, channel, rest) -> np.ndarray:
        cup = brewing.brew(setup.coffee.beans, setup.machine.flow, ratio, time_s, size_um, puck, channel)
        shift = setup.shift + REST * rest
        each = [tasting.score(setup.likes, t, setup.coffee.name, cup, channel, shift) for t in self.tasters]
        return np.mean(each, axis=0)

    def liking(self, key: Key, ratio, time_s) -> np.ndarray:
        """Expected score, mean over the tasters, of shots that ran at just this ratio and time: (m,) from (m,)."""
        setup, (ratio, time_s) = self.setups[key], _columns(ratio, time_s)
        flow = setup.machine.flow
        puck = brewing.puck_for(flow, setup.dose_g, ratio, time_s)
        size = brewing.size_of(setup.coffee.beans, setup.dose_g, puck, setup.age_days)
        channel = flow.channel * COARSE[:, 3]
        return self._scores(setup, ratio, time_s, size, puck, channel, COARSE[:, 2]).mean(axis=1)

    def shots_at(self, key: Key, ratio, time_s, sample=COARSE) -> np.ndarray:
        """Expected scores (m, n) of the n shots of a fixed sample, made with this ratio and time in mind."""
        setup, (ratio, time_s) = self.setups[key], _columns(ratio, time_s)
        flow, beans = setup.machine.flow, setup.coffee.beans
        meant = brewing.puck_for(flow, setup.dose_g, ratio, time_s)
        size = brewing.size_of(beans, setup.dose_g, meant, setup.age_days)
        puck = meant * np.exp(flow.puck_sd * sample[:, 0])
        ratio = ratio * np.exp(flow.stop_sd * sample[:, 1])
        time_s = brewing.shot_time(flow, setup.dose_g, ratio, puck)
        return self._scores(setup, ratio, time_s, size, puck, flow.channel * sample[:, 3], sample[:, 2])

    def value(self, key: Key, ratio, time_s) -> np.ndarray:
        """Expected score of a shot made with this ratio and time in mind: averaged over the scatter. (m,) from (m,)."""
        return self.shots_at(key, ratio, time_s).mean(axis=1)

    def chance(self, key: Key, ratio, time_s) -> np.ndarray:
        """Chance that a shot made with this ratio and time in mind deserves good: (m,) from (m,)."""
        return (self.shots_at(key, ratio, time_s, FINE) >= self.good).mean(axis=1)

    def scatter(self, key: Key, ratio: float = 2.0, time_s: float = 27.0) -> np.ndarray:
        """Covariance (2, 2) of log ratio and log time of shots made with this ratio and time in mind."""
        setup = self.setups[key]
        flow = setup.machine.flow
        puck = brewing.puck_for(flow, setup.dose_g, ratio, time_s) * np.exp(flow.puck_sd * FINE[:, 0])
        ratios = ratio * np.exp(flow.stop_sd * FINE[:, 1])
        return np.cov(np.log([ratios, brewing.shot_time(flow, setup.dose_g, ratios, puck)]))

    # where one may aim

    @cached_property
    def _tasted(self) -> pd.DataFrame:
        return self.shots[self.shots["shot_id"].isin(set(self.scores["shot_id"]))]

    def tasted(self, key: Key) -> pd.DataFrame:
        shots = self._tasted
        return shots[(shots["machine"] == key[0]) & (shots["coffee"] == key[2])]

    @cached_property
    def grid(self) -> np.ndarray:
        """Points (m, 2) of ratio and time over the hull of the bench's tasted shots, and those shots themselves."""
        shots = np.log(self._tasted[["ratio", "shot_time_s"]].to_numpy(dtype=float))
        axes = [np.linspace(*ends, GRID) for ends in zip(shots.min(axis=0), shots.max(axis=0), strict=True)]
        grid = np.column_stack([a.ravel() for a in np.meshgrid(*axes, indexing="ij")])
        return np.exp(np.vstack([grid[in_hull(grid, shots)], shots]))

    def reachable(self, key: Key, ratio, time_s) -> np.ndarray:
        """Whether the dial goes that fine and that coarse: (m,)."""
        setup = self.setups[key]
        puck = brewing.puck_for(setup.machine.flow, setup.dose_g, np.asarray(ratio), np.asarray(time_s))
        size = brewing.size_of(setup.coffee.beans, setup.dose_g, puck, setup.age_days)
        return (size >= setup.dial.finest_um * 0.999) & (size <= setup.dial.coarsest_um * 1.001)

    def support(self, key: Key) -> np.ndarray:
        """Ratio and time (m, 2) one may aim at: in the hull of all tasted shots, and reached by the dial."""
        reached = self.reachable(key, *self.grid.T)
        return self.grid[reached] if reached.any() else self.grid

    def allows(self, key: Key, point: np.ndarray) -> bool:
        """Whether a point (2,), on the support's grid or between, may be aimed at."""
        inside = in_hull(np.log(point)[None], np.log(self.grid)) & self.reachable(key, *point[:, None])
        return bool(inside[0])

    def own_support(self, key: Key) -> np.ndarray:
        """Those of the support in the hull of the setup's own tasted shots, with the lines between these."""
        own = np.log(self.tasted(key)[["ratio", "shot_time_s"]].to_numpy(dtype=float))
        if not len(own):
            return np.empty((0, 2))
        between = [own[i] + w * (own[j] - own[i]) for i in range(len(own)) for j in range(i + 1) for w in (0, 0.3, 0.6)]
        grid = self.support(key)
        return np.vstack([grid[in_hull(np.log(grid), own)], np.exp(between)])

    def best(self, key: Key) -> tuple[float, float, float]:
        """Ratio, time and value of the best aim in the support: on its points, then between them."""
        if key not in self._best:
            points = self.support(key)
            value = self.value(key, *points.T)
            at, apart = points[np.argmax(value)], np.log(self.grid.max(axis=0) / self.grid.min(axis=0)) / (GRID - 1)
            moves = np.linspace(-1.0, 1.0, 9)
            near = at * np.exp(np.stack(np.meshgrid(moves, moves), axis=-1).reshape(-1, 2) * apart)
            near = near[in_hull(np.log(near), np.log(self.grid)) & self.reachable(key, *near.T)]
            points, value = np.vstack([at, near]), np.append(value.max(), self.value(key, *near.T))
            self._best[key] = (*points[np.argmax(value)], float(value.max()))
        return self._best[key]

    # the records

    def write(
        self, folder: Path, model: str = "pooled", options: str = "", without: str = "", worth: float | None = None
    ) -> Path:
        """Write shots.csv, scores.csv, readings.csv and bench.toml; its path.

        :param options: lines of ``[surface]``. :param without: a coffee whose shots are left out.
        :param worth: of ``[next]``; ``None``: as it is where nobody wrote one.
        """
        folder.mkdir(parents=True, exist_ok=True)
        shots = self.shots[self.shots["coffee"] != without].drop(columns="ratio")
        tables = {"shots": shots, "scores": self.scores, "readings": self.readings}
        for name, frame in tables.items():
            if name != "shots":
                tables[name] = frame[frame["shot_id"].isin(set(shots["shot_id"]))]
        tables = {name: frame for name, frame in tables.items() if len(frame)}
        for name, frame in tables.items():
            frame.to_csv(folder / f"{name}.csv", index=False)
        text = [f'title = "{self.kind} {self.seed}"']
        for name in tables:
            clock = '\nclock = "pump"' if name == "shots" else ""
            text.append(f'[[source]]\npath = "{name}.csv"\nholds = ["{name}"]{clock}')
        text.append('[setups]\nby = ["machine", "grinder", "coffee"]')
        text.append(f'[taste]\nattribute = "liking"\nscale = [1, 9]\ngood = {self.good:g}')
        text.append(f'[surface]\nmodel = "{model}"\n{options}'.strip())
        text.append('[[report]]\nwriter = "data"')
        if worth is not None:
            text.append(f"[next]\nworth = {worth:g}")
        for name, dial in self.dials.items():
            ends = f"lowest = {dial.lowest:g}\nhighest = {dial.highest:g}\nstep = {dial.step:g}"
            text.append(f'[[grinder]]\nname = "{name}"\n{ends}\nhigher_is = "{dial.higher_is}"')
        path = folder / "bench.toml"
        path.write_text("\n\n".join(text) + "\n", encoding="utf-8")
        return path


def _columns(ratio, time_s) -> tuple[np.ndarray, np.ndarray]:
    return np.atleast_1d(np.asarray(ratio, dtype=float))[:, None], np.atleast_1d(np.asarray(time_s, dtype=float))[
        :, None
    ]


def in_hull(points: np.ndarray, of: np.ndarray) -> np.ndarray:
    """Which points (m, 2) lie in the convex hull of others (n, 2): on the inner side of every edge."""
    hull = _hull(of)
    if len(hull) < 3:
        return np.zeros(len(points), dtype=bool)
    inside = np.ones(len(points), dtype=bool)
    for a, b in zip(hull, np.roll(hull, -1, axis=0), strict=True):
        edge, away = b - a, points - a
        inside &= edge[0] * away[:, 1] - edge[1] * away[:, 0] >= -1e-12
    return inside


def _hull(points: np.ndarray) -> np.ndarray:
    """Vertices counter-clockwise."""
    ordered = np.unique(points, axis=0)
    chains = []
    for way in (ordered, ordered[::-1]):
        chain: list[np.ndarray] = []
        for point in way:
            while len(chain) > 1:
                (ax, ay), (bx, by) = chain[-1] - chain[-2], point - chain[-2]
                if ax * by - ay * bx > 0:
                    break
                chain.pop()
            chain.append(point)
        chains += chain[:-1]
    return np.array(chains) if chains else ordered
