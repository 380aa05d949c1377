"""A million shot rows read and reconciled: CPU seconds and memory, beside pandas reading the same files, in one run.

Two files: a clean one, and one with what people write: notes with quotes and line ends, dates missing or in words,
``~27``, choked shots. pandas reads each as it does by itself (C engine, numbers found out, dates left as text), with
its dates read too, as text alone, and by its Python engine. On a machine that is busy with other work the ratio is off.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

MOST_RATIO, MOST_RATIO_REDUCED, MOST_MB = 4.0, 8.0, 1000.0
"""What must hold; each row of a shot carries its score, so that two tables come out. What a run costs whatever its
length, such as being ready to read, weighs more on a short file."""
TURNS = 5
"""How often pandas and we read each file, turn about: the medians are compared."""
BASELINES = {
    "pandas, dates read": ', parse_dates=["Date"]',
    "pandas, all as text": ", dtype=str, keep_default_na=False",
    "pandas, Python engine": ', engine="python"',
}

MADE = """
import sys
import numpy as np, pandas as pd
rows, path, dirty = int(sys.argv[1]), sys.argv[2], len(sys.argv) > 3
rng = np.random.default_rng(1)
when = pd.Timestamp("2020-01-01") + pd.to_timedelta(np.sort(rng.integers(0, 2_600_000, rows)), unit="min")
frame = pd.DataFrame({
    "shot_id": [f"s{i}" for i in range(rows)],
    "Machine": [f"machine {i}" for i in rng.integers(0, 300, rows)],
    "Beans": [f"coffee {i}" for i in rng.integers(0, 200, rows)],
    "Grind": rng.integers(4, 40, rows) / 2,
    "In": (18 + rng.integers(-5, 6, rows) / 10).round(1),
    "Out": (36 + rng.normal(0, 4, rows)).round(1),
    "Time": (27 + rng.normal(0, 4, rows)).round(1),
    "Date": when.strftime("%Y-%m-%d %H:%M"),
    "Taste": rng.integers(1, 10, rows),
    "Who": [f"taster {i}" for i in rng.integers(0, 5, rows)],
    "Notes": np.where(rng.random(rows) < 0.05, "a bit fast", ""),
})
if dirty:
    chance = rng.random(rows)
    frame = frame.astype(str)
    frame.loc[chance < 0.03, "Notes"] = 'fast, a "bit"\\nsour'
    frame.loc[chance > 0.97, "Date"] = ""
    frame.loc[(chance > 0.96) & (chance < 0.962), "Date"] = "3 March 2024"
    frame.loc[(chance > 0.5) & (chance < 0.502), "Time"] = "~27"
    frame.loc[(chance > 0.6) & (chance < 0.6005), "Out"] = "choked"
frame.to_csv(path, index=False)
"""
PANDAS = """
import json, resource, sys, time
import pandas as pd
start = time.process_time()
frame = pd.read_csv(sys.argv[1]OPTIONS)
took = time.process_time() - start
print(json.dumps([took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, len(frame)]))
"""
OURS = """
import json, resource, sys, time
from pathlib import Path
from tastefield.config import SourceConfig, TasteConfig
from tastefield.registry import build
from tastefield.stages.ingest import ingest
from tastefield.stages.reconcile import reconcile
path, readers = Path(sys.argv[1]), build().readers
source = SourceConfig(path=path.name)
start = time.process_time()
read = ingest([source], readers, path.parent, 1, [readers["table"].Options()])
middle = time.process_time()
records = reconcile(read.raw, [source], TasteConfig())
took = time.process_time() - start
held = sum(int(table.memory_usage(deep=True).sum()) for table in records.tables.values()) / 2**20
memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps([took, memory, len(records.tables["shots"]), middle - start, held]))
"""


def main(reduced: bool) -> int:
    """Print both; return 1 where rows were lost or a limit is missed."""
    rows, most = (100_000, MOST_RATIO_REDUCED) if reduced else (1_000_000, MOST_RATIO)
    print(f"{rows} rows; CPU seconds and MB, each in a process of its own")
    kept = {}
    for kind in ("clean", "dirty"):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "log.csv"
            made = [sys.executable, "-c", MADE, str(rows), str(path), *(["dirty"] if kind == "dirty" else [])]
            subprocess.run(made, check=True)
            print(f"{kind}, {path.stat().st_size / 2**20:.0f} MB of text")
            turns = [(_measured(PANDAS.replace("OPTIONS", ""), path), _measured(OURS, path)) for _ in range(TURNS)]
            alone, ours = (list(np.median(found, axis=0)) for found in zip(*turns, strict=True))
            others = {name: _measured(PANDAS.replace("OPTIONS", how), path) for name, how in BASELINES.items()}
        for name, found in {"pandas": alone, **others}.items():
            print(f"  {name:24s}{found[0]:8.2f} s {found[1]:8.0f} MB{ours[0] / found[0]:8.1f} times as long for ours")
        print(f"  read and reconciled     {ours[0]:8.2f} s {ours[1]:8.0f} MB, of which tables {ours[4]:.0f} MB")
        print(f"    of it reading         {ours[3]:8.2f} s")
        ratios = [mine[0] / its[0] for its, mine in turns]
        print(f"  ratio of the medians {ours[0] / alone[0]:.1f}, turn by turn {', '.join(f'{r:.1f}' for r in ratios)}")
        kept |= {
            f"{kind}: every row is there: {int(ours[2])}": ours[2] == rows,
            f"{kind}: ratio, at most {most:.0f}": ours[0] / alone[0] <= most,
            f"{kind}: MB, at most {MOST_MB:.0f}": ours[1] <= MOST_MB,
        }
    for words, holds in kept.items():
        print(f"{words}: {'ok' if holds else 'MISSED'}")
    return 0 if all(kept.values()) else 1


def _measured(code: str, path: Path) -> list[float]:
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    found: list[float] = json.loads(done.stdout)
    return found
