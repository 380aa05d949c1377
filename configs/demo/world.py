"""A small physical world in which the demo shots are pulled and tasted.

It is invented, and on purpose unlike anything that is fitted to its shots: nothing here is a polynomial in log ratio
or log time. Water wets the puck and seeps through it (Darcy); coffee gives its solids from a fast surface part and a
slow kernel part, washed out by the flow; strength follows by mass balance; liking is flat near its best and falls
off unevenly to the sour, thin, heavy and harsh sides. Numbers are chosen to look like a bench, not measured.

Every function takes arrays as well as numbers (they broadcast), so a whole map is one call.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SOAK_STEPS = 30
FLOW_STEPS = 120


@dataclass(frozen=True)
class Coffee:
    """One roast of one coffee: how it resists water, what it gives, what its drinkers like of it."""

    name: str
    roast: str
    soluble_pct: float  # of the dose, all that could ever dissolve
    openness: float  # permeability relative to a medium roast at the same grind
    kernel_s: float  # time scale of the slow part at 300 micrometres and 93 degrees
    sour_below_pct: float  # extraction under which it tastes sour
    harsh_above_pct: float  # slow solids in the cup (of the dose) above which it tastes harsh
    thin_below_pct: float  # strength
    heavy_above_pct: float  # strength
    top: float = 1.6  # how good it gets; 1.6 is 7.7 on the 1-9 scale before anything is wrong with the shot


@dataclass(frozen=True)
class Machine:
    """One machine with its basket and the hands that work it."""

    name: str
    basket_mm: float = 58.0
    pressure_bar: float = 9.0
    ramp_s: float = 2.5  # until the pump or lever has filled the head
    water_c: float = 93.0
    hole_resistance: float = 0.0  # bar s/g, the small hole of a pressurised basket
    puck_sd: float = 0.07  # shot to shot, in log resistance
    stop_sd: float = 0.035  # shot to shot, in log weight out


@dataclass(frozen=True)
class Grinder:
    """One grinder: what size a number on its dial stands for."""

    name: str
    lowest: float
    highest: float
    step: float
    finest_um: float
    coarsest_um: float
    higher_is: str = "coarser"
    letters: bool = False  # the dial is written 2E: number, then letter A-J, ten letters a number

    def size_um(self, dial: float) -> float:
        share = (dial - self.lowest) / (self.highest - self.lowest)
        if self.higher_is == "finer":
            share = 1.0 - share
        return self.finest_um + share * (self.coarsest_um - self.finest_um)

    def nearest(self, size_um: float) -> float:
        share = (size_um - self.finest_um) / (self.coarsest_um - self.finest_um)
        if self.higher_is == "finer":
            share = 1.0 - share
        dial = self.lowest + share * (self.highest - self.lowest)
        dial = self.lowest + round((dial - self.lowest) / self.step) * self.step
        return round(min(max(dial, self.lowest), self.highest), 2)

    def written(self, dial: float) -> float | int | str:
        """As its owner writes it."""
        if self.letters:
            return f"{int(dial // 10)}{'ABCDEFGHIJ'[int(dial % 10)]}"
        return int(dial) if float(dial).is_integer() else dial


@dataclass(frozen=True)
class Taster:
    """One taster: level and spread of the scores given, own taste, and noise."""

    name: str
    level: float = 0.0
    spread: float = 1.0
    minds_harsh: float = 1.0  # 1 is as most do
    minds_thin: float = 1.0
    noise_sd: float = 0.7


def softplus(x):
    """A ramp with a round foot: 0 far below zero, x far above."""
    return np.logaddexp(0.0, x)


def resistance(coffee: Coffee, machine: Machine, dose_g, size_um, age_days):
    """Resistance of the puck in bar s/g: depth over permeability and area; permeability from grain size and pores."""
    area_cm2 = np.pi * (machine.basket_mm / 20.0) ** 2
    depth_cm = dose_g / (0.42 * area_cm2)
    pores = 0.42 * size_um / (size_um + 120.0)  # finer grounds pack closer
    permeability = size_um**2 * pores**3 / (1.0 - pores) ** 2 * coffee.openness
    gas = 1.0 + 0.3 * np.exp(-age_days / 6.0)  # fresh coffee still gives off gas
    stale = np.exp(-age_days / 80.0)
    return 4.5e5 * depth_cm / (permeability * area_cm2) * gas * stale


def soak_s(machine: Machine, dose_g, puck_resistance):
    """Time from pump-on to the first drip: filling the head, then wetting the dose."""
    return machine.ramp_s + 0.18 * dose_g * np.sqrt(puck_resistance / 5.0)


def time_at(machine: Machine, dose_g, beverage_g, puck_resistance):
    """Shot time in s from pump-on until beverage_g is in the cup; the puck opens up as its solids leave."""
    opening = 0.65 * beverage_g + 0.35 * dose_g * (1.0 - np.exp(-beverage_g / dose_g))
    flowing = (puck_resistance * opening + machine.hole_resistance * beverage_g) / machine.pressure_bar
    return soak_s(machine, dose_g, puck_resistance) + flowing


def beverage_by(machine: Machine, dose_g: float, time_s: float, puck_resistance: float) -> float:
    """What is in the cup after time_s (a shot stopped by the clock)."""
    out = np.linspace(0.0, 6.0 * dose_g, 601)
    return float(np.interp(time_s, time_at(machine, dose_g, out, puck_resistance), out))


def size_for(coffee: Coffee, machine: Machine, dose_g, beverage_g, time_s, age_days):
    """Grain size in micrometres that puts beverage_g in the cup in time_s (by bisection; finer is always slower)."""
    low, high = np.broadcast_arrays(np.log(60.0), np.log(1500.0) + 0.0 * (dose_g + beverage_g + time_s))
    low, high = low.copy(), high.copy()
    for _ in range(50):
        middle = 0.5 * (low + high)
        puck = resistance(coffee, machine, dose_g, np.exp(middle), age_days)
        slow = time_at(machine, dose_g, beverage_g, puck) > time_s
        low, high = np.where(slow, middle, low), np.where(slow, high, middle)
    return np.exp(0.5 * (low + high))


def brew(coffee: Coffee, machine: Machine, dose_g, beverage_g, size_um, age_days, puck=1.0, channel=0.0) -> dict:
    """Pull a shot: shot_time_s, extraction_pct, tds_pct, slow_pct (kernel solids, of the dose) and starved (0-1).

    puck multiplies the resistance (1 is the typical shot); channel is the share of the coffee that an uneven puck
    keeps from the water, beside what a very fine grind starves by itself.
    """
    puck_resistance = resistance(coffee, machine, dose_g, size_um, age_days) * puck
    soak = soak_s(machine, dose_g, puck_resistance)
    starved = channel + 0.02 + 0.15 / (1.0 + np.exp((9.5 - puck_resistance) / 1.5))

    surface_share = np.clip(0.36 * (300.0 / size_um) ** 0.7, 0.05, 0.9)
    kernel_s = coffee.kernel_s * (size_um / 300.0) ** 2 * np.exp((93.0 - machine.water_c) / 35.0)
    total = coffee.soluble_pct / 100.0
    fast, slow = total * surface_share, total * (1.0 - surface_share)
    liquid_fast = liquid_slow = cup_fast = cup_slow = (
        0.0  # solids per gram of dose; the puck holds 1 g of liquid a gram
    )

    def dissolve(stock, scale_s, step_s, strength):
        return stock * (1.0 - np.exp(-step_s / scale_s)) * np.clip(1.0 - strength / 0.35, 0.0, 1.0)

    poured = beverage_g / dose_g / FLOW_STEPS
    for step in range(SOAK_STEPS + FLOW_STEPS):
        flowing = step >= SOAK_STEPS
        if flowing:
            out = beverage_g * (step - SOAK_STEPS + 0.5) / FLOW_STEPS
            opening = 0.65 + 0.35 * np.exp(-out / dose_g)
            rate = (puck_resistance * opening + machine.hole_resistance) / machine.pressure_bar
            step_s = rate * beverage_g / FLOW_STEPS
        else:
            step_s = soak / SOAK_STEPS
        strength = liquid_fast + liquid_slow
        from_fast = dissolve(fast, 2.5, step_s, strength)
        from_slow = dissolve(slow, kernel_s, step_s, strength)
        fast, slow = fast - from_fast, slow - from_slow
        liquid_fast, liquid_slow = liquid_fast + from_fast, liquid_slow + from_slow
        if flowing:
            leaving = 1.0 - np.exp(-poured)
            cup_fast, cup_slow = cup_fast + liquid_fast * leaving, cup_slow + liquid_slow * leaving
            liquid_fast, liquid_slow = liquid_fast * (1.0 - leaving), liquid_slow * (1.0 - leaving)

    reached = 1.0 - 0.7 * starved
    extraction_pct = 100.0 * (cup_fast + cup_slow) * reached
    return {
        "shot_time_s": time_at(machine, dose_g, beverage_g, puck_resistance),
        "extraction_pct": extraction_pct,
        "tds_pct": extraction_pct * dose_g / beverage_g,  # what left the dose is in the cup
        "slow_pct": 100.0 * cup_slow,
        "starved": starved,
    }


def faults(coffee: Coffee, cup: dict) -> dict:
    """How far a cup is sour, harsh, thin and heavy; 0 is not at all."""
    return {
        "sour": softplus((coffee.sour_below_pct - cup["extraction_pct"]) / 0.9),
        "harsh": softplus((cup["slow_pct"] - coffee.harsh_above_pct) / 0.9) + 3.0 * cup["starved"],
        "thin": softplus((coffee.thin_below_pct - cup["tds_pct"]) / 0.7),
        "heavy": softplus((cup["tds_pct"] - coffee.heavy_above_pct) / 1.3),
    }


def liking(coffee: Coffee, cup: dict, age_days, taster: Taster = Taster("typical")):
    """Expected score on the 1-9 scale, level and spread of the taster included; no noise, mood or serving order."""
    wrong = faults(coffee, cup)
    faded = 0.5 * (1.0 - np.exp(-np.maximum(age_days - 10.0, 0.0) / 25.0)) + 0.4 * np.exp(-age_days / 3.0)
    pleasure = (
        coffee.top
        - faded
        - 0.40 * wrong["sour"]
        - 0.40 * taster.minds_harsh * wrong["harsh"]
        - 0.45 * taster.minds_thin * wrong["thin"]
        - 0.45 * wrong["heavy"]
    )
    plain = 1.0 + 8.0 / (1.0 + np.exp(-pleasure))
    return 5.5 + taster.level + taster.spread * (plain - 5.5)


def score(expected: float, taster: Taster, mood: float, place: int, rng, step: float = 1.0) -> float:
    """What the taster writes: session mood, a keen first cup and a tiring palate, noise; rounded, kept on the scale."""
    order = 0.25 * np.exp(-(place - 1) / 1.0) - 0.03 * (place - 1)
    given = expected + mood + order + rng.normal(0.0, taster.noise_sd)
    return float(np.clip(round(given / step) * step, 1.0, 9.0))


def liking_at(coffee: Coffee, machine: Machine, dose_g: float, age_days: float, tasters, ratio, time_s):
    """Expected score of a clean shot at a ratio and time, the tasters counting alike; and the cup, with its size_um."""
    ratio, time_s = np.broadcast_arrays(np.asarray(ratio, float), np.asarray(time_s, float))
    size_um = size_for(coffee, machine, dose_g, ratio * dose_g, time_s, age_days)
    cup = brew(coffee, machine, dose_g, ratio * dose_g, size_um, age_days) | {"size_um": size_um}
    return np.mean([liking(coffee, cup, age_days, taster) for taster in tasters], axis=0), cup


def truth(coffee: Coffee, machine: Machine, grinder: Grinder, dose_g: float, age_days: float, tasters) -> dict:
    """The best a setup can do at ratios of 1.2-3.0 and times of 14-45 s that its dial reaches, and the cup there.

    For judging what is recommended from the shots. It is never written beside them.
    """
    ratio, time_s = np.meshgrid(np.linspace(1.2, 3.0, 73), np.linspace(14.0, 45.0, 63), indexing="ij")
    expected, cup = liking_at(coffee, machine, dose_g, age_days, tasters, ratio, time_s)
    reached = (cup["size_um"] >= grinder.finest_um) & (cup["size_um"] <= grinder.coarsest_um)
    best = np.unravel_index(np.argmax(np.where(reached, expected, -np.inf)), expected.shape)
    return {
        "ratio": float(ratio[best]),
        "shot_time_s": float(time_s[best]),
        "liking": float(expected[best]),
        "extraction_pct": float(cup["extraction_pct"][best]),
        "tds_pct": float(cup["tds_pct"][best]),
    }
