"""The mixed-model engine on fleets of 30 shots by 5 tasters, 6 terms."""

from __future__ import annotations

import datetime
import platform
import subprocess
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
from tests.benchmarks import fleet as fleets
from tests.benchmarks import general
from tests.benchmarks.fleet import Fleet
from tests.benchmarks.general import Timed

from tastefield.stats import mixed
from tastefield.stats.mixed import criterion, stack

SHOTS, TASTERS = 30, 5
CLAIMED = {"statsmodels": 150.0, "lme4": 60.0}  # times faster than
SAME_OPTIMUM = 1e-6  # of deviance
FLOOR_CHUNK = 512  # setups, as the engine's own


def main(reduced: bool) -> int:
    """Print the table; in the reduced form return 1 where half of a claimed margin is missed."""
    print(_circumstances())
    ratios = []
    for missing in (0.0,) if reduced else (0.0, 0.15):
        fleet = fleets.make(1_000 if reduced else 10_000, SHOTS, TASTERS, missing, seed=1)
        share = "all scores given" if not missing else f"{missing:.0%} of the scores missing"
        print(f"\n{fleet.count} setups of {SHOTS} shots x {TASTERS} tasters, {len(fleets.TERMS)} terms, {share}\n")
        ratios.append(_race(fleet, reduced))
    if not reduced:
        _growth()
        _one_large()
        return 0
    missed = {name for name, ratio in ratios[0].items() if ratio < CLAIMED[name] / 2}
    for name, ratio in ratios[0].items():
        verdict = "MISSED" if name in missed else "ok"
        print(f"{name}: {ratio:.0f} times; at least {CLAIMED[name] / 2:.0f} asked: {verdict}")
    return 1 if missed else 0


def _circumstances() -> str:
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False)
    cpuinfo = Path("/proc/cpuinfo")
    lines = cpuinfo.read_text().splitlines() if cpuinfo.exists() else []
    model = next((line.split(":")[1].strip() for line in lines if line.startswith("model name")), platform.processor())
    today = datetime.datetime.now(tz=datetime.UTC).strftime("%Y-%m-%d %H:%M UTC")
    return f"commit {commit.stdout.strip() or 'unknown'}; {model}, one core; {today}; numpy {np.__version__}"


# --- who runs ---------------------------------------------------------------------------------------------------------


def together(fleet: Fleet) -> Timed:
    start = time.perf_counter()
    fits = mixed.fit_many(fleet.y, fleet.X, fleet.factors, fleet.setup)
    return Timed(time.perf_counter() - start, -2 * fits.loglik)


def one_by_one(fleet: Fleet) -> Timed:
    start = time.perf_counter()
    fits = [mixed.fit_crossed(*fleet.one(i)) for i in range(fleet.count)]
    return Timed(time.perf_counter() - start, np.array([-2 * fit.loglik for fit in fits]))


def floor(fleet: Fleet) -> Timed:
    """One batched generalised least squares at known variances: cross-products and one solution, no search."""
    start = time.perf_counter()
    for first in range(0, fleet.count, FLOOR_CHUNK):
        rows = slice(*np.searchsorted(fleet.setup, [first, first + FLOOR_CHUNK]))
        owner = fleet.setup[rows] - first
        count = int(owner.max()) + 1
        codes = {name: values[rows] for name, values in fleet.factors.items()}
        data = stack.Rows(fleet.y[rows], fleet.X[rows], codes, {}, np.ones(owner.size), owner, count)
        built = stack.build(data, full=False)
        known = [np.full((count, 1, 1), 0.5)] * 2
        criterion.state(built, known)
    return Timed(time.perf_counter() - start, np.full(fleet.count, np.nan))


# --- tables -----------------------------------------------------------------------------------------------------------


def _race(fleet: Fleet, reduced: bool) -> dict[str, float]:
    """Alternating runs, best time of each; how many times faster than each general library ours is."""
    few, some = fleet.first(6 if reduced else 100), fleet.first(25 if reduced else 200)
    optimiser = _best_optimiser(few, together(few).deviance)
    runs: dict[str, tuple[Fleet, Callable[[Fleet], Timed]]] = {
        "ours, together": (fleet, together),
        "ours, one by one": (some, one_by_one),
        "floor": (fleet, floor),
        f"statsmodels ({optimiser})": (few, lambda part: general.statsmodels(part, optimiser)),
    }
    if general.lme4_there():
        runs["lme4 (loop in R)"] = (some, general.lme4)
    else:
        print("lme4 is skipped: Rscript with lme4 is not installed")
    best: dict[str, Timed] = {}
    for _ in range(3 if reduced else 5):
        for name, (part, run) in runs.items():
            timed = run(part)
            if name not in best or timed.seconds < best[name].seconds:
                best[name] = timed
    ours = best["ours, together"]
    each = ours.seconds / fleet.count
    print(
        f"{'':24}{'setups':>8}{'seconds':>10}{'ms each':>10}{'x ours':>8}   deviance above the least found: worst, same"
    )
    ratios = {}
    for name, timed in best.items():
        count = timed.deviance.size
        ratio = timed.seconds / count / each
        gap = timed.deviance - _least(best, count)
        told = "" if name == "floor" else f"   {gap.max():10.1e}{np.mean(gap <= SAME_OPTIMUM):8.0%}"
        print(f"{name:24}{count:8d}{timed.seconds:10.3f}{1e3 * timed.seconds / count:10.3f}{ratio:8.1f}{told}")
        if name.split()[0] in CLAIMED:
            ratios[name.split()[0]] = ratio
    return ratios


def _least(best: dict[str, Timed], count: int) -> np.ndarray:
    """Least deviance anybody found, for the first setups."""
    found = [np.pad(t.deviance, (0, max(0, count - t.deviance.size)), constant_values=np.nan) for t in best.values()]
    return np.nanmin([deviance[:count] for deviance in found], axis=0)


def _best_optimiser(fleet: Fleet, least: np.ndarray) -> str:
    """statsmodels' fastest optimiser of those that reach the optimum of every setup; else of those that miss fewest."""
    found = {}
    for optimiser in general.OPTIMISERS:
        timed = general.statsmodels(fleet, optimiser)
        same = float(np.mean(timed.deviance - least <= SAME_OPTIMUM))  # ours is the least: its gap is printed below
        found[optimiser] = (-same, timed.seconds)
        print(f"statsmodels {optimiser:8}{1e3 * timed.seconds / fleet.count:10.1f} ms each, same optimum {same:.0%}")
    print()
    return min(found, key=lambda name: found[name])


def _growth() -> None:
    print("\ngrowth with the number of setups\n")
    for count in (1_250, 2_500, 5_000, 10_000, 20_000):
        fleet = fleets.make(count, SHOTS, TASTERS, 0.1, seed=2)
        seconds = min(together(fleet).seconds for _ in range(2))
        tracemalloc.start()
        together(fleet)
        peak = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        print(f"{count:8d} setups{seconds:10.3f} s{1e3 * seconds / count:10.3f} ms each{peak:10.0f} MB above the input")


def _one_large() -> None:
    fleet = fleets.make(1, 600, 12, 0.1, seed=3)
    print("\none setup of 600 shots x 12 tasters, 10 % of the scores missing\n")
    runs = {"ours": one_by_one}
    if general.lme4_there():
        runs["lme4"] = general.lme4
    runs["statsmodels"] = lambda part: general.statsmodels(part, "lbfgs")
    found = {name: run(fleet) for name, run in runs.items()}
    least = min(timed.deviance[0] for timed in found.values())
    for name, timed in found.items():
        print(f"{name:14}{timed.seconds:10.3f} s{timed.deviance[0] - least:12.1e} above the least deviance")
