"""Three more shots on every machine of a bench: chosen by the command, by people's own search, or at random.

The same bench stands at the beginning of each way, the same model recommends at its end, and what the recipes lose is
compared setup by setup. The command is asked once: with a worth of 0 for all three shots, and as it is (``stopping``)
for as many as are worth their coffee. People look before each of theirs, and say which way to go by what they taste.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import joblib
import numpy as np
import pandas as pd
from tests.benchmarks import rivals, truth, verdict, world
from tests.benchmarks.bench import Bench, Key

MORE = 3
WAYS = ("before", "next", "stopping", "people", "random")

Want = tuple[float, float]
"""A mark of the dial, and the ratio that is meant."""


def options(parser: argparse.ArgumentParser) -> None:
    """Add what the benchmark ``rounds`` can be told."""
    parser.add_argument("--benches", type=int, default=10)
    parser.add_argument("--seed-from", type=int, default=1000, help="0-99 are for tuning")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--world", default="rounds", choices=list(world.KINDS))


def main(arguments: argparse.Namespace) -> int:
    """Run and print."""
    count = min(arguments.benches, 2) if arguments.reduced else arguments.benches
    seeds = range(arguments.seed_from, arguments.seed_from + count)
    rows = pd.concat(
        joblib.Parallel(n_jobs=arguments.jobs)(joblib.delayed(judged)(arguments.world, seed) for seed in seeds)
    )
    print(f"{world.KINDS[arguments.world].says}; {count} benches, {len(rows)} setups, {MORE} more shots on each\n")
    print(told(rows))
    return 0


def told(rows: pd.DataFrame) -> str:
    """Losses of each way, what it took off the loss before, and how the command's shots compare, paired."""
    lines = [f"{'':22}{'loss':>16}{'taken off':>18}{'shots pulled':>14}"]
    for way in WAYS:
        loss, error = verdict.over_benches(rows[way], rows["bench"])
        off, off_error = verdict.over_benches(rows["before"] - rows[way], rows["bench"])
        pulled = rows[f"{way} shots"].mean()
        lines.append(f"{way:22}{loss:>7.3f} +-{error:6.3f}{off:>9.3f} +-{off_error:6.3f}{pulled:>14.2f}")
    for way in ("people", "random"):
        gap, error = verdict.over_benches(rows[way] - rows["next"], rows["bench"])
        lines.append(f"{way} lose more than next by {gap:.3f} +- {error:.3f}")
    taken = (rows["before"] - rows["next"]).mean() / (rows["before"] - rows["people"]).mean()
    lines.append(f"next takes {100 * (taken - 1):.0f} % more off the loss than people's own search")
    gap, error = verdict.over_benches(rows["stopping"] - rows["next"], rows["bench"])
    lines.append(
        f"stopping where no shot is worth it loses {gap:.3f} +- {error:.3f} more than all {MORE} shots of next"
    )
    return "\n".join(lines)


def judged(kind: str, seed: int) -> pd.DataFrame:
    """Rows of one bench, one a setup: what its recipe loses before and after each way."""
    whole = world.make(kind, seed)
    before = without_last(whole, MORE)
    rng = np.random.default_rng([seed, 17])
    ends = {"before": before, "people": whole}
    ends["random"] = world.more(before, {key: at_random(before, key, rng) for key in before.setups}, seed)
    found = {"before": truth.run(before, "pooled")}
    ends["stopping"] = world.more(before, asked(before, found["before"]), seed)
    ends["next"] = world.more(before, asked(before, truth.run(before, "pooled", worth=0.0)), seed)
    rows = {key: {"bench": seed, "setup": "|".join(key)} for key in whole.setups}
    for way, bench in ends.items():
        results = found.get(way) or truth.run(bench, "pooled")
        told = {truth._key(entry["key"]): entry for entry in results["setups"]}
        best_shot = rivals.aims(bench, cheap=True)[0]["best shot"]
        pulled = bench.shots.groupby(["machine", "coffee"]).size() - before.shots.groupby(["machine", "coffee"]).size()
        for key, row in rows.items():
            aim = (told.get(key) or {}).get("aim")
            at = np.array([aim["ratio"], aim["shot_time_s"]]) if aim else best_shot[key]
            value = float(whole.value(key, *truth._inside(whole, key, at))[0])
            row |= {way: whole.best(key)[2] - value, f"{way} shots": int(pulled[key[0], key[2]])}
    return pd.DataFrame(rows.values())


def asked(bench: Bench, results: dict) -> dict[Key, list[Want]]:
    """The shots that the command asks for beyond those that confirm, in its order, setup by setup."""
    wants = {}
    for entry in results["setups"]:
        shots = [shot for shot in entry["next_shots"] if shot["stage"] != "confirm"]
        if shots:
            wants[truth._key(entry["key"])] = wanted(bench, truth._key(entry["key"]), shots)
    return wants


def without_last(bench: Bench, count: int) -> Bench:
    """The bench before the last shots of every setup were pulled."""
    by_setup = bench.shots.groupby(["machine", "coffee"], sort=False)
    shots = bench.shots[by_setup.cumcount(ascending=False) >= count]
    held = set(shots["shot_id"])
    return replace(
        bench,
        shots=shots,
        scores=bench.scores[bench.scores["shot_id"].isin(held)],
        readings=bench.readings[bench.readings["shot_id"].isin(held)],
        _best={},
    )


def wanted(bench: Bench, key: Key, shots: list[dict]) -> list[Want]:
    """What the command asks for, as somebody at the machine would do it: its mark, or the one nearest its time."""
    found = []
    for shot in shots:
        if shot["grind_setting"] is not None:
            mark = float(shot["grind_setting"])
        else:
            mark = nearest_mark(bench, key, shot["ratio"], shot["shot_time_s"])
        found.append((mark, shot["ratio"]))
    return found


def nearest_mark(bench: Bench, key: Key, ratio: float, time_s: float) -> float:
    """The mark whose shots, as far as people know from those pulled, run nearest to a time: log-linear in the mark."""
    shots = bench.shots[(bench.shots["machine"] == key[0]) & (bench.shots["coffee"] == key[2])]
    last = shots.iloc[-1]
    dial = bench.setups[key].dial
    size = dial.size(float(last["grind_setting"]))
    off = np.log(time_s / last["shot_time_s"]) - np.log(ratio / last["ratio"])
    return dial.nearest(size * np.exp(-off / 2.4))


def at_random(bench: Bench, key: Key, rng: np.random.Generator) -> list[Want]:
    """Marks and ratios anywhere among those pulled on the machine, and a little beyond."""
    shots = bench.shots[(bench.shots["machine"] == key[0]) & (bench.shots["coffee"] == key[2])]
    marks, ratios = shots["grind_setting"].astype(float), np.log(shots["ratio"])
    dial = bench.setups[key].dial
    found = []
    for _ in range(MORE):
        mark = rng.uniform(marks.min() - dial.step, marks.max() + dial.step)
        ratio = float(np.exp(rng.uniform(ratios.min() - 0.1, ratios.max() + 0.1)))
        found.append((dial.nearest(dial.size(mark)), ratio))
    return found
