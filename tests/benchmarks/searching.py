"""How people search for a recipe: start near the usual one, chase the usual time, then go by taste, and err."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from tests.benchmarks import brewing
from tests.benchmarks.brewing import Beans, Flow


@dataclass(frozen=True)
class Dial:
    """A grinder's dial: marks from ``lowest`` to ``highest`` in real steps; grain size is linear in the mark."""

    lowest: float
    highest: float
    step: float
    finest_um: float
    coarsest_um: float
    higher_is: str = "coarser"

    def size(self, mark):
        share = (mark - self.lowest) / (self.highest - self.lowest)
        share = share if self.higher_is == "coarser" else 1.0 - share
        return self.finest_um + share * (self.coarsest_um - self.finest_um)

    def nearest(self, size_um: float) -> float:
        share = (size_um - self.finest_um) / (self.coarsest_um - self.finest_um)
        share = share if self.higher_is == "coarser" else 1.0 - share
        steps = np.round(share * (self.highest - self.lowest) / self.step)
        return float(np.clip(self.lowest + steps * self.step, self.lowest, self.highest))


@dataclass(frozen=True)
class Shot:
    """One shot as it ran; ``meant_ratio`` was intended, ``channel`` and ``rest`` are nobody's to see."""

    mark: float
    dose_g: float
    meant_ratio: float
    ratio: float
    time_s: float
    size_um: float
    puck: float
    channel: float
    rest: float


def pull(beans: Beans, flow: Flow, dial: Dial, mark, dose_g, meant_ratio, age_days, rng) -> Shot:
    """Pull one shot: puck, stop and channels differ from shot to shot."""
    size = dial.size(mark)
    puck = brewing.resistance(beans, dose_g, size, age_days) * np.exp(flow.puck_sd * rng.normal())
    ratio = meant_ratio * np.exp(flow.stop_sd * rng.normal())
    time = brewing.shot_time(flow, dose_g, ratio, puck)
    channel, rest = flow.channel * (0.4 + 0.6 * rng.exponential()), rng.normal()
    return Shot(mark, dose_g, meant_ratio, ratio, float(time), size, float(puck), channel, rest)


def search(
    pull_one: Callable[[float, float], Shot],
    taste: Callable[[Shot], tuple[float, int, int]],
    dial: Dial,
    usual: tuple[float, float],
    first_size_um: float,
    count: int,
    rng: np.random.Generator,
) -> list[Shot]:
    """Shots of one setup in order.

    :param pull_one: shot from mark and ratio. :param taste: noisy score; whether to run longer or shorter in time, and
        to a larger or smaller ratio (+1, 0, -1), as a taster who knows the faults would say.
    :param usual: ratio and seconds they start from. :param first_size_um: their first guess of the grind.
    """
    guess = np.exp(0.3 * rng.normal())  # how wrong their feeling for the dial is
    wanted_ratio, wanted_time = usual[0] * np.exp(0.14 * rng.normal()), usual[1]
    mark, shots, best = dial.nearest(first_size_um), [], None
    for _ in range(count):
        shot = pull_one(mark, wanted_ratio)
        shots.append(shot)
        score, slower, larger = taste(shot)
        if best is None or score > best[0]:
            best = (score, mark, wanted_ratio)
        off = np.log(wanted_time / shot.time_s)
        if abs(off) > 0.18 and rng.random() < 0.85:
            mark = _turned(dial, mark, off * guess)
        elif score < best[0] - 1.0 and rng.random() < 0.5:
            _, mark, wanted_ratio = best
        elif rng.random() < 0.8:
            listens = rng.random() < 0.65
            if rng.random() < 0.6:
                way = larger if listens else rng.choice([-1, 1])
                wanted_ratio = float(np.clip(wanted_ratio * np.exp(way * rng.uniform(0.05, 0.28)), 1.1, 3.8))
            else:
                way = slower if listens else rng.choice([-1, 1])
                wanted_time = float(np.clip(wanted_time * np.exp(way * rng.uniform(0.06, 0.3)), 12.0, 50.0))
                mark = _turned(dial, mark, np.log(wanted_time / shot.time_s) * guess)
    return shots


def _turned(dial: Dial, mark: float, log_time: float) -> float:
    """The mark after a turn that should change log time by this much, at least one step."""
    size = dial.size(mark)
    turned = dial.nearest(size * np.exp(-log_time / 2.4))
    if turned == mark:
        sign = -1.0 if (log_time > 0) == (dial.higher_is == "coarser") else 1.0
        turned = float(np.clip(mark + sign * dial.step, dial.lowest, dial.highest))
    return turned
