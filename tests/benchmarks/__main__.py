"""``python -m tests.benchmarks engine [--reduced]``: times against general libraries, on the same data, in turns.

``coverage``: how often the engine's intervals hold the truth.
"""

from __future__ import annotations

import argparse
import os
import sys


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("benchmark", choices=["engine", "coverage"])
    parser.add_argument("--reduced", action="store_true", help="small, for a shared machine: ratios only, half margins")
    arguments = parser.parse_args()
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # one core for everyone; read when numpy is loaded
    from tests.benchmarks import coverage, engine

    return {"engine": engine, "coverage": coverage}[arguments.benchmark].main(reduced=arguments.reduced)


if __name__ == "__main__":
    sys.exit(main())
