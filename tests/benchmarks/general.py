"""The same fits by general libraries: statsmodels with each of its optimisers, lme4 in a loop inside R."""

from __future__ import annotations

import json
import shutil
import subprocess
import tempfile
import time
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from tests.benchmarks.fleet import TERMS, Fleet

OPTIMISERS = ("bfgs", "lbfgs", "cg", "powell", "nm")
SCRIPT = Path(__file__).with_name("lmer.R")


@dataclass(frozen=True, eq=False)
class Timed:
    """Seconds and REML deviances of the first setups of a fleet."""

    seconds: float
    deviance: np.ndarray


def statsmodels(fleet: Fleet, optimiser: str) -> Timed:
    """Both factors as variance components of one group; no formula, so that only fitting is timed."""
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    deviance = np.empty(fleet.count)
    start = time.perf_counter()
    for i in range(fleet.count):
        y, X, factors = fleet.one(i)
        designs = [np.eye(codes.max() + 1)[codes] for codes in factors.values()]
        labels = [[[f"{j}" for j in range(Z.shape[1])]] for Z in designs]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                parts = VCSpec(list(factors), labels, [[Z] for Z in designs])
                fit = MixedLM(y, X, np.ones(y.size), exog_vc=parts).fit(reml=True, method=[optimiser])
                deviance[i] = -2 * fit.llf
            except np.linalg.LinAlgError:
                deviance[i] = np.inf
    return Timed(time.perf_counter() - start, deviance)


def lme4_there() -> bool:
    """Whether R with lme4 is installed."""
    if shutil.which("Rscript") is None:
        return False
    asked = subprocess.run(["Rscript", "-e", "library(lme4)"], capture_output=True, check=False)
    return asked.returncode == 0


def lme4(fleet: Fleet) -> Timed:
    """The loop runs and is timed inside R: starting R and handing over the data are not counted."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "fleet.csv"
        table = np.column_stack([fleet.setup, fleet.shot, fleet.taster, fleet.y, fleet.X[:, 1], fleet.X[:, 2]])
        np.savetxt(path, table, delimiter=",", header="setup,shot,taster,y,x1,x2", comments="", fmt="%.17g")
        done = subprocess.run(["Rscript", str(SCRIPT), str(path)], capture_output=True, check=True, text=True)
    answer = json.loads(done.stdout)
    # lmer is given the terms as a formula: the constant of the restricted likelihood is in the same units
    assert len(TERMS) == answer["terms"]
    return Timed(float(answer["seconds"]), np.asarray(answer["deviance"], dtype=float))
