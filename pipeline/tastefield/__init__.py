"""tastefield: from a few noisy test shots to a recipe that tastes good, how sure that is, and its setting.

Kept light on purpose: the command line must answer ``--help`` without loading the numerical libraries.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pluggy

if TYPE_CHECKING:
    from pathlib import Path

    from tastefield.records import RunResult

__version__ = "0.1.0"

hookimpl = pluggy.HookimplMarker("tastefield")
"""Marks a function of a plugin as an answer to one of the hooks in :mod:`tastefield.hooks`."""


def run(source: str | Path, out: str | Path | None = None, jobs: int = 1) -> RunResult:
    """Run the whole pipeline on a configuration (``.toml``) or straight on a log (``.csv``, ``.tsv``, ``.xlsx``).

    :param source: path of the configuration or of the log.
    :param out: folder to write; ``None`` writes below ``reports/`` in the current folder.
    :param jobs: worker processes; the result does not depend on it.
    :returns: what was found, as it was written.
    :raises tastefield.errors.ConfigError: the configuration or the command is wrong; nothing is written.
    :raises tastefield.errors.TastefieldError: anything else that stops the run; nothing is written.
    """
    from tastefield.workflow import run as run_workflow

    return run_workflow(source, out=out, jobs=jobs)
