"""The pooled surface on many setups at once: seconds, memory, and what twice as many cost."""

from __future__ import annotations

import json
import subprocess
import sys

SHOTS, TASTERS = 15, 3
MOST_SECONDS, MOST_MB, MOST_GROWTH = 20.0, 1000.0, 2.2
REDUCED_GROWTH = 4.0  # of a few hundred setups, which a busy machine times roughly

CHILD = """
import json, resource, sys, time
import numpy as np
from tastefield.stats import pooled
setups, machines, coffees, shots, tasters = map(int, sys.argv[1:])
rng = np.random.default_rng(7)
centre = 0.3 * rng.normal(size=(coffees, 2))
level, taste = 0.2 * rng.normal(size=machines), 0.5 * rng.normal(size=tasters)
rows = []
for number in range(setups):
    coffee, machine = int(rng.integers(coffees)), number % machines
    points = centre[coffee] + 0.6 * rng.normal(size=(shots, 2))
    worth = 7.0 + level[machine] - 1.2 * ((points - centre[coffee]) ** 2).sum(axis=1) + 0.35 * rng.normal(size=shots)
    score = np.clip(worth[:, None] + taste + 0.8 * rng.normal(size=(shots, tasters)), 1, 9)
    rows.append(
        pooled.SetupRows(
            f"setup {number}", f"machine {machine}", f"coffee {coffee}", "", ("", ""), score.ravel(),
            np.repeat(points, tasters, axis=0), np.repeat(np.arange(shots), tasters),
            tuple(f"taster {i}" for i in range(tasters)) * shots, ("",) * (shots * tasters),
            np.zeros((shots * tasters, 3)), np.repeat(0.2 * rng.normal(size=shots), tasters),
        )
    )
start = time.perf_counter()
learned = pooled.learn(rows)
took = time.perf_counter() - start
most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
assert len(learned.setups) == setups
print(json.dumps({"seconds": took, "mb": most / 1024}))
"""


def main(reduced: bool) -> int:
    """Print the table; return 1 where a limit is missed (in the reduced form only that of growth, and wider)."""
    sizes = [(100, 30, 15), (200, 60, 30)] if reduced else [(1_000, 300, 150), (2_000, 600, 300)]
    print(
        f"Learning and every setup's answer, {SHOTS} shots by {TASTERS} tasters a setup, each in a process of its own\n"
    )
    print(f"{'setups':>8}{'machines':>10}{'coffees':>9}{'seconds':>10}{'MB in all':>11}")
    found = []
    for size in sizes:
        call = [sys.executable, "-c", CHILD, *map(str, (*size, SHOTS, TASTERS))]
        done = subprocess.run(call, capture_output=True, text=True, check=True)
        found.append(json.loads(done.stdout))
        cells = "{seconds:>10.1f}{mb:>11.0f}".format(**found[-1])
        print(f"{size[0]:>8}{size[1]:>10}{size[2]:>9}{cells}", flush=True)
    growth = found[1]["seconds"] / found[0]["seconds"]
    limit = REDUCED_GROWTH if reduced else MOST_GROWTH
    kept = {f"twice as many cost {growth:.2f} times, at most {limit}": growth <= limit}
    if not reduced:
        kept[f"seconds, at most {MOST_SECONDS:.0f}"] = found[0]["seconds"] <= MOST_SECONDS
        kept[f"MB, at most {MOST_MB:.0f}"] = found[0]["mb"] <= MOST_MB
    for words, holds in kept.items():
        print(f"{words}: {'ok' if holds else 'MISSED'}")
    return 0 if all(kept.values()) else 1
