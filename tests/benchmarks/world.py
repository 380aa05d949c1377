"""Simulated benches with a known truth, on which a recommendation can be judged. Nothing of the product is used here.

``make(kind, seed)`` invents a bench (:mod:`.bench`): machines with their grinders, coffees, tasters, and people who
search for a recipe (:mod:`.searching`) by pulling (:mod:`.brewing`) and tasting (:mod:`.tasting`). ``KINDS`` lists the
kinds (:mod:`.kinds`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from tests.benchmarks import brewing, tasting
from tests.benchmarks.bench import REST, Bench, Coffee, Key, Machine, Setup
from tests.benchmarks.brewing import Beans, Flow
from tests.benchmarks.kinds import KINDS, Kind
from tests.benchmarks.searching import Dial, Shot, pull, search
from tests.benchmarks.tasting import Likes, Taster

START = pd.Timestamp("2026-03-02 09:00")
ROASTS = {"light": (2.2, 26.5), "medium": (2.0, 27.5), "dark": (1.85, 28.0)}
"""Ratio and seconds about which the best of a roast lies, on the usual machine."""
TWO_KINDS = {"light": (1.6, 16.5), "dark": (2.15, 31.0)}
REFERENCE = Flow()


def make(kind: str, seed: int) -> Bench:
    """Invent a bench; same kind and seed, same bench.

    :raises KeyError: no such kind.
    """
    about = KINDS[kind]
    rng = np.random.default_rng([seed, *kind.encode()])
    coffees = [_coffee(about, number, rng) for number in range(about.coffees)]
    machines, dials = [], {}
    setups: list[Setup] = []
    wanted = int(rng.integers(about.setups[0], about.setups[1] + 1))
    day = START
    while len(setups) < wanted:
        machine, own = _machine(about, len(machines), rng)
        shared = [name for name in dials if name.startswith("bench")]
        if shared and rng.random() < 0.15:  # ground on the bench's grinder
            machine = replace(machine, grinder=shared[0])
        else:
            if not shared and rng.random() < 0.3:
                machine = replace(machine, grinder="bench grinder")
            dials[machine.grinder] = own
        machines.append(machine)
        fresh = [c for c in coffees if 3 <= (day - c.roasted).days <= 60] or coffees
        many = min(int(rng.choice([1, 2, 3], p=[0.45, 0.35, 0.2])), len(fresh), wanted - len(setups))
        for at in rng.choice(len(fresh), many, replace=False):
            setups.append(_setup(machine, dials[machine.grinder], fresh[at], day, rng))
        day += pd.Timedelta(days=int(rng.integers(1, 4)))
    tasters = _tasters(about, coffees, rng)
    shots, scores, readings, ages = [], [], [], {}
    for setup in setups:
        pulled = _pulled(about, setup, tasters, rng)
        for rows, more in zip(
            (shots, scores, readings), _recorded(about, setup, pulled, tasters, rng, len(shots)), strict=True
        ):
            rows.extend(more)
        ages[setup.key] = setup.age_days + pulled[-1][1]
    return Bench(
        kind=kind,
        seed=seed,
        setups={setup.key: replace(setup, age_days=ages[setup.key]) for setup in setups},
        tasters=tasters,
        dials=dials,
        shots=pd.DataFrame(shots),
        scores=pd.DataFrame(scores, columns=["shot_id", "taster", "session", "score"]),
        readings=pd.DataFrame(readings, columns=["shot_id", "tds_pct"]),
    )


def more(bench: Bench, wants: dict[Key, list[tuple[float, float]]], seed: int) -> Bench:
    """The bench after more shots: for each setup marks of the dial and the ratios that are meant."""
    rng, about = np.random.default_rng([seed, 5]), KINDS[bench.kind]
    tables: dict[str, list[pd.DataFrame]] = {name: [getattr(bench, name)] for name in ("shots", "scores", "readings")}
    number = int(bench.shots["shot_id"].str[1:].astype(int).max()) + 10_000
    for key, those in wants.items():
        setup = bench.setups[key]
        pulled = []
        for at, (mark, ratio) in enumerate(those):
            dose = setup.dose_g + 0.15 * rng.normal()
            shot = pull(setup.coffee.beans, setup.machine.flow, setup.dial, mark, dose, ratio, setup.age_days, rng)
            pulled.append((shot, 0.004 * at))
        rows = _recorded(about, setup, pulled, bench.tasters, rng, number)
        for name, found in zip(tables, rows, strict=True):
            tables[name].append(pd.DataFrame(found, columns=getattr(bench, name).columns))
        number += len(pulled)
    joined = {name: pd.concat([part for part in parts if len(part)]) for name, parts in tables.items()}
    return replace(bench, **joined, _best={})


# who and what there is


def _near(centre: float, log_sd: float, rng, low: float = 0.0, high: float = np.inf) -> float:
    return float(np.clip(centre * np.exp(log_sd * rng.normal()), low, high))


def _coffee(about: Kind, number: int, rng) -> Coffee:
    centres = TWO_KINDS if about.two_kinds else ROASTS
    roast = list(centres)[number % len(centres)]
    solubles = {"light": 0.27, "medium": 0.28, "dark": 0.29}
    beans = Beans(
        soluble=_near(solubles[roast], 0.03, rng),
        resistance=_near({"light": 5.6, "medium": 6.3, "dark": 7.0}[roast], 0.15, rng),
        steepness=_near(2.8, 0.06, rng),
        whole_cells_s=_near({"light": 23.5, "medium": 21.0, "dark": 18.5}[roast], 0.08, rng),
    )
    spread = 0.6 if about.two_kinds else 1.0
    ratio = _near(centres[roast][0], 0.10 * spread, rng, 1.3, 2.8)
    time = _near(centres[roast][1], 0.10 * spread, rng, 13.0, 38.0)
    puck = brewing.puck_for(REFERENCE, 18.0, ratio, time)
    cup = brewing.brew(beans, REFERENCE, ratio, time, brewing.size_of(beans, 18.0, puck, 15.0), puck, REFERENCE.channel)
    likes = Likes(
        extraction=float(cup.extraction),
        strength=float(cup.strength),
        late=float(cup.late),
        top=about.top[0] + about.top[1] * rng.normal(),
        sour=_near(about.flat * 24.0, 0.25, rng),
        harsh=_near(about.flat * 4.0, 0.25, rng),
        thin=_near(about.flat * 4.0, 0.25, rng),
        heavy=_near(about.flat * 2.4, 0.25, rng),
        slack=_near(1.0, 0.3, rng),
    )
    roasted = START + pd.Timedelta(days=int(rng.integers(-25, 45)))
    return Coffee(f"coffee {number + 1:02d}", roast, roasted.normalize(), beans, likes)


def _machine(about: Kind, number: int, rng) -> tuple[Machine, Dial]:
    flow = Flow(
        pressure_bar=_near(9.0, 0.06, rng),
        ramp_s=float(rng.choice([1.5, 2.5, 5.0], p=[0.3, 0.5, 0.2])),
        water_c=float(93.0 + 0.9 * rng.normal()),
        puck_sd=_near(0.08, 0.25, rng),
        stop_sd=_near(0.035, 0.25, rng),
        channel=_near(about.channel, 0.3, rng),
    )
    step, highest = [(1.0, 30.0), (0.5, 20.0), (1.0, 60.0), (0.25, 10.0)][rng.integers(4)]
    finest = float(rng.uniform(140.0, 190.0))
    name = f"machine {number + 1:02d}"
    dial = Dial(
        0.0,
        highest,
        step,
        finest,
        finest + float(rng.uniform(280.0, 420.0)),
        str(rng.choice(["coarser", "coarser", "finer"])),
    )
    machine = Machine(
        name=name,
        model=f"model {'ABCDEF'[rng.integers(6)]}",
        flow=flow,
        grinder=f"grinder of {name}",
        top=0.18 * rng.normal() * (about.flat == 1.0),
        usual_dose_g=float(rng.choice([16.0, 18.0, 18.0, 20.0])),
    )
    return machine, dial


def _setup(machine: Machine, dial: Dial, coffee: Coffee, day: pd.Timestamp, rng) -> Setup:
    likes = replace(
        coffee.likes,
        extraction=coffee.likes.extraction + 0.002 * rng.normal(),
        late=coffee.likes.late * np.exp(0.03 * rng.normal()),
        strength=coffee.likes.strength * np.exp(0.03 * rng.normal()),
    )
    age = float(max((day - coffee.roasted).days, 3)) + 0.4
    return Setup(machine, dial, coffee, age, machine.top + 0.1 * rng.normal(), likes)


def _tasters(about: Kind, coffees: list[Coffee], rng) -> list[Taster]:
    count = int(rng.integers(about.tasters[0], about.tasters[1] + 1))
    return [
        Taster(
            name=f"taster {'ABCDEF'[number]}",
            level=0.45 * rng.normal(),
            spread=_near(1.0, 0.15, rng),
            minds=tuple(_near(1.0, 0.3, rng) for _ in range(4)),
            noise_sd=_near(0.9, 0.2, rng),
            step=float(rng.choice([0.5, 1.0])),
            of_coffee={coffee.name: about.taster_by_coffee * rng.normal() for coffee in coffees},
        )
        for number in range(count)
    ]


# what they do


def _pulled(about: Kind, setup: Setup, tasters: list[Taster], rng) -> list[tuple[Shot, float]]:
    """Shots in order, each with the days since the first."""
    low, high = about.shots
    count = low + int((high - low + 1) * rng.beta(1.0, 1.6))
    beans, flow = setup.coffee.beans, setup.machine.flow
    usual = TWO_KINDS[setup.coffee.roast] if about.two_kinds else (2.0, 27.0)
    days: list[float] = []

    def pull_one(mark: float, ratio: float) -> Shot:
        days.append((len(days) // 10) + 0.004 * len(days))
        dose = setup.dose_g + 0.15 * rng.normal()
        return pull(beans, flow, setup.dial, mark, dose, ratio, setup.age_days + days[-1], rng)

    def taste(shot: Shot) -> tuple[float, int, int]:
        cup = _cup(setup, shot)
        sour, harsh, thin, heavy = tasting.faults(setup.likes, cup, 0.0)
        taster = tasters[rng.integers(len(tasters))]
        told = tasting.reported(taster, _expected(setup, taster, shot), rng)
        return told, 1 if sour > harsh else -1, 1 if sour + heavy > harsh + thin else -1

    puck = brewing.puck_for(flow, setup.dose_g, *usual) * np.exp(0.35 * rng.normal())
    first = float(brewing.size_of(beans, setup.dose_g, puck, setup.age_days))
    shots = search(pull_one, taste, setup.dial, usual, first, count, rng)
    return list(zip(shots, days, strict=True))


def _cup(setup: Setup, shot: Shot) -> brewing.Cup:
    flow = setup.machine.flow
    return brewing.brew(setup.coffee.beans, flow, shot.ratio, shot.time_s, shot.size_um, shot.puck, shot.channel)


def _expected(setup: Setup, taster: Taster, shot: Shot) -> float:
    shift = setup.shift + REST * shot.rest
    return float(tasting.score(setup.likes, taster, setup.coffee.name, _cup(setup, shot), shot.channel, shift))


def _recorded(about: Kind, setup: Setup, pulled, tasters: list[Taster], rng, before: int) -> tuple[list, list, list]:
    """Rows of shots, scores and readings of one setup."""
    shots, scores, readings = [], [], []
    means = np.array([np.mean([_expected(setup, t, shot) for t in tasters]) for shot, _ in pulled])
    served = _served(about, [shot for shot, _ in pulled], means, rng)
    moods: dict[tuple[str, str], float] = {}
    first = setup.coffee.roasted + pd.Timedelta(days=round(setup.age_days - 0.4), hours=9)
    for number, (shot, days) in enumerate(pulled):
        name = f"S{before + number + 1:04d}"
        session = f"{first + pd.Timedelta(days=int(days)):%Y-%m-%d} {setup.machine.name}"
        shots.append(_shot_row(name, session, setup, shot, first + pd.Timedelta(minutes=round(days * 1440))))
        for taster in _who(about, tasters, rng) if served[number] else []:
            mood = moods.setdefault((session, taster.name), 0.15 * rng.normal())
            halo = about.halo * np.exp(-0.5 * (np.log(shot.time_s / 27.0) / 0.1) ** 2)
            told = tasting.reported(taster, _expected(setup, taster, shot) + mood + halo, rng)
            scores.append((name, taster.name, session, told))
        wanted = {"any": True, "good": means[number] >= 6.5, "suspect": means[number] < 5.5}[about.reads]
        if wanted and rng.random() < about.read:
            tds = 100.0 * _cup(setup, shot).strength * (1.0 + 0.01 * rng.normal())
            readings.append((name, round(float(tds), 2)))
    return shots, scores, readings


def _shot_row(name: str, session: str, setup: Setup, shot: Shot, at: pd.Timestamp) -> dict:
    dose, out = round(shot.dose_g, 1), round(shot.ratio * shot.dose_g, 1)
    return {
        "shot_id": name,
        "pulled_at": f"{at:%Y-%m-%d %H:%M}",
        "session": session,
        "machine": setup.machine.name,
        "machine_model": setup.machine.model,
        "grinder": setup.machine.grinder,
        "coffee": setup.coffee.name,
        "roast": setup.coffee.roast,
        "roast_date": f"{setup.coffee.roasted:%Y-%m-%d}",
        "grind_setting": f"{shot.mark:g}",
        "dose_g": dose,
        "beverage_g": out,
        "shot_time_s": round(shot.time_s, 1),
        "target_beverage_g": round(shot.meant_ratio * setup.dose_g, 0),
        "ratio": out / dose,
    }


def _served(about: Kind, shots: list[Shot], means: np.ndarray, rng) -> np.ndarray:
    """Which shots are tasted: all, or a few, rather late ones that ran about right."""
    if about.tasted is None:
        served = np.ones(len(shots), dtype=bool)
    else:
        off = np.abs(np.log([shot.time_s / 27.0 for shot in shots]))
        weight = np.exp(-off / 0.5) * (1.0 + np.arange(len(shots)))
        count = min(int(rng.integers(about.tasted[0], about.tasted[1] + 1)), len(shots))
        served = np.zeros(len(shots), dtype=bool)
        served[rng.choice(len(shots), count, replace=False, p=weight / weight.sum())] = True
    if about.poured_away:
        served &= rng.random(len(shots)) < 1.0 / (1.0 + np.exp(-(means - 5.5) / 0.4))
    return served


def _who(about: Kind, tasters: list[Taster], rng) -> list[Taster]:
    """Who tastes a shot: at least one."""
    one = rng.integers(len(tasters))
    return [taster for at, taster in enumerate(tasters) if at == one or rng.random() < about.served]


__all__ = ["KINDS", "Bench", "Key", "make"]
