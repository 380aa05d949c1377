"""How good the recommendations are where the truth is known, and how true the chances that are claimed.

Each simulated bench (:mod:`.world`) is written as CSV files, the command itself is run on them, and its results file is
judged beside other ways to a recipe (:mod:`.rivals`). Everyone may aim at the same points (:meth:`.Bench.support`).
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import joblib
import numpy as np
import pandas as pd
from tests.benchmarks import rivals, verdict, world
from tests.benchmarks.bench import Bench, Key

OUTSIDE = 0.05
"""An aim further than this (log units) from the support is counted as outside."""


def options(parser: argparse.ArgumentParser) -> None:
    """Add what the benchmark ``truth`` can be told."""
    parser.add_argument("--world", action="append", choices=list(world.KINDS), help="this kind of bench only")
    parser.add_argument("--benches", type=int, default=20, help="benches of each kind")
    parser.add_argument("--seed-from", type=int, default=1000, help="0-99 are for tuning")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--model", default="pooled", help="NAME or NAME:key=value,key=value")
    parser.add_argument("--ours-only", action="store_true", help="only the best shot and the usual recipe beside it")
    parser.add_argument("--handover", type=int, default=0, help="so many coffees of each bench are left out, in turns")
    parser.add_argument("--dump", type=Path, help="CSV file for the rows behind the tables, one a setup")


def main(arguments: argparse.Namespace) -> int:
    """Run and print."""
    count = min(arguments.benches, 2) if arguments.reduced else arguments.benches
    kinds = arguments.world or list(world.KINDS)
    frames = []
    for kind in kinds:
        seeds = range(arguments.seed_from, arguments.seed_from + count)
        rest = (arguments.model, arguments.ours_only, arguments.handover)
        found = joblib.Parallel(n_jobs=arguments.jobs)(joblib.delayed(judged)(kind, seed, *rest) for seed in seeds)
        rows = pd.concat(found, ignore_index=True)
        frames.append(rows)
        print(f"\n== {kind}: {world.KINDS[kind].says}; {count} benches, {(~rows['handover']).sum()} setups\n")
        print(verdict.told(rows), flush=True)
        if arguments.dump:
            pd.concat(frames, ignore_index=True).to_csv(arguments.dump, index=False)
    if len(kinds) > 1:
        print("\n== all worlds\n")
        print(verdict.told(pd.concat(frames, ignore_index=True)))
    return 0


def judged(kind: str, seed: int, model: str = "pooled", ours_only: bool = False, handover: int = 0) -> pd.DataFrame:
    """Rows of one bench, one a setup: what was recommended and claimed, and what is true."""
    bench = world.make(kind, seed)
    results = run(bench, model)
    told = {_key(entry["key"]): entry for entry in results["setups"]}
    methods, process = rivals.aims(bench, cheap=ours_only)
    rows = []
    for key in bench.setups:
        row = {**_about(bench, key, kind, seed), **_ours(bench, key, told.get(key), methods["best shot"][key])}
        for name, aims in methods.items():
            row |= _losses(bench, key, name, aims[key])
        if process is not None:
            row |= _claims_of(process, bench, key, methods["joint process"][key])
        rows.append(row)
    coffees = bench.shots.groupby("coffee")["machine"].nunique().sort_values(kind="stable").index
    for without in coffees[::-1][:handover] if len(coffees) > 1 else ():
        rows += _handed_over(bench, kind, seed, model, without)
    return pd.DataFrame(rows)


def run(bench: Bench, model: str, without: str = "", worth: float | None = None) -> dict:
    """The results file of the command, run on the bench's CSV files.

    :param without: a coffee whose shots are left out. :param worth: of ``[next]``, where it is not left as it is.
    :raises RuntimeError: the command failed; what it said.
    """
    name, _, keys = model.partition(":")
    lines = "\n".join(f"{key} = {value}" for key, value in (pair.split("=") for pair in keys.split(",") if pair))
    command = shutil.which("tastefield", path=f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}")
    with tempfile.TemporaryDirectory() as folder:
        config, out = bench.write(Path(folder), name, lines, without, worth), Path(folder) / "out"
        call = [command or "tastefield", "run", str(config), "--out", str(out)]
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        done = subprocess.run(call, capture_output=True, text=True, env=environment, check=False)
        if done.returncode not in (0, 3):
            raise RuntimeError(f"{bench.kind} {bench.seed}: {' '.join(call)}\n{done.stdout}\n{done.stderr}")
        return json.loads((out / "results.json").read_text(encoding="utf-8"))


def _key(key: dict) -> Key:
    return (key["machine"], key["grinder"], key["coffee"])


def _about(bench: Bench, key: Key, kind: str, seed: int) -> dict:
    ratio, time, value = bench.best(key)
    shots = bench.shots[(bench.shots["machine"] == key[0]) & (bench.shots["coffee"] == key[2])]
    chance = float(bench.chance(key, ratio, time)[0])
    return {
        "world": kind, "bench": seed, "setup": "|".join(key), "handover": False,
        "shots": len(shots), "tasted": len(bench.tasted(key)),
        "best_ratio": ratio, "best_time": time, "best_value": value, "best_chance": chance,
        "best_own": _best_own(bench, key),
    }  # fmt: skip


def _best_own(bench: Bench, key: Key) -> float:
    own = bench.own_support(key)
    return float(bench.value(key, *own.T).max()) if len(own) else np.nan


def _losses(bench: Bench, key: Key, name: str, aim: np.ndarray) -> dict:
    value = float(bench.value(key, *aim)[0])
    return {f"value {name}": value, f"loss {name}": bench.best(key)[2] - value}


def _ours(bench: Bench, key: Key, entry: dict | None, best_shot: np.ndarray) -> dict:
    """What the results file says of a setup, and the truth; without an aim the best shot is all there is."""
    row = {"status": entry["status"] if entry else "missing"}
    aim = entry and entry["aim"]
    if not aim:
        return row | _losses(bench, key, "ours", best_shot)
    told, expected = np.array([aim["ratio"], aim["shot_time_s"]]), entry["expected_score"]
    inside = _inside(bench, key, told)
    return row | _losses(bench, key, "ours", inside) | {
        "ratio": told[0], "time": told[1], "outside": np.abs(np.log(inside / told)).max() > OUTSIDE,
        "claimed": entry["assurance"], "true": float(bench.chance(key, *told)[0]),
        "expected": expected["mean"], "lower": expected["lower"], "upper": expected["upper"],
        "liking": float(bench.liking(key, *told)[0]),
    }  # fmt: skip


def _inside(bench: Bench, key: Key, told: np.ndarray) -> np.ndarray:
    """The aim where it may lie, else the nearest point of the support."""
    return told if bench.allows(key, told) else rivals.nearest(bench.support(key), told)


def _claims_of(process, bench: Bench, key: Key, aim: np.ndarray) -> dict:
    mean = process.mean(key[0], key[2], aim[None], scatter=np.zeros(2))[0]
    half = 1.645 * np.sqrt(process.variance(key[0], key[2], aim[None])[0])
    return {
        "joint claimed": process.chance(key[0], key[2], aim, bench.good),
        "joint true": float(bench.chance(key, *aim)[0]),
        "joint lower": mean - half, "joint upper": mean + half, "joint liking": float(bench.liking(key, *aim)[0]),
    }  # fmt: skip


def _handed_over(bench: Bench, kind: str, seed: int, model: str, without: str) -> list[dict]:
    """What is said for a coffee not yet tasted, where one coffee's records are left out, judged on its setups."""
    told = {(e["machine"], e["grinder"]): e for e in run(bench, model, without)["handover"]}
    rows = []
    for key in bench.setups:
        entry = told.get(key[:2])
        if key[2] != without or not entry or not entry["aim"]:
            continue
        aim, expected = (
            np.array([entry["aim"]["ratio"], entry["aim"]["shot_time_s"]]),
            entry.get("expected_score") or {},
        )
        rows.append(
            _about(bench, key, kind, seed)
            | _losses(bench, key, "ours", _inside(bench, key, aim))
            | {"handover": True, "claimed": entry["assurance"], "true": float(bench.chance(key, *aim)[0])}
            | {"lower": expected.get("lower"), "upper": expected.get("upper")}
            | {"liking": float(bench.liking(key, *aim)[0])}
        )
    return rows
