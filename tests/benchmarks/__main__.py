"""``python -m tests.benchmarks engine [--reduced]``: times against general libraries, on the same data, in turns.

``coverage``: how often the engine's intervals hold the truth.
``many``: seconds and memory of the pooled surface on a thousand setups, and on twice as many.
``reading``: CPU seconds and memory of reading and reconciling a million rows, beside pandas reading the same file.
``rounds``: what three more shots are worth, chosen by the command, by people or at random.
``truth``: how good the recommendations are on simulated benches whose truth is known, and how true their chances.
"""

from __future__ import annotations

import argparse
import os
import sys


def main() -> int:
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # one core for everyone; read when numpy is loaded
    from tests.benchmarks import coverage, engine, many, reading, rounds, truth

    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    choices = parser.add_subparsers(dest="benchmark", required=True)
    for name in ("engine", "coverage", "many", "reading", "rounds", "truth"):
        choice = choices.add_parser(name)
        choice.add_argument("--reduced", action="store_true", help="small, for a shared machine")
        if name in ("truth", "rounds"):
            {"truth": truth, "rounds": rounds}[name].options(choice)
    arguments = parser.parse_args()
    if arguments.benchmark in ("truth", "rounds"):
        return {"truth": truth, "rounds": rounds}[arguments.benchmark].main(arguments)
    plain = {"engine": engine, "coverage": coverage, "many": many, "reading": reading}
    return plain[arguments.benchmark].main(reduced=arguments.reduced)


if __name__ == "__main__":
    sys.exit(main())
