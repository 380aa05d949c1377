"""THE plugin contract, version 1: three kinds of plugin, each made by one hook.

A plugin is a Python module with a hook function marked by :data:`tastefield.hookimpl` that returns a list of objects.
Built-in plugins register exactly as guests do. Plugins keep no state after ``__init__``; everything that crosses this
contract can be pickled. The registry compares what a plugin offers with this file before any data are read.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import pluggy
from pydantic import BaseModel, ConfigDict

from tastefield.records import Chunk, Context, Population, RunResult, Setup, SetupResult, Surface

CONTRACT_VERSION = 1

hookspec = pluggy.HookspecMarker("tastefield")


class NoOptions(BaseModel):
    """Options of a plugin that has none: any key in its block is refused."""

    model_config = ConfigDict(extra="forbid")


class Reader(ABC):
    """Reads records as their owner keeps them; the core maps, converts and checks them."""

    name: str
    """The word in ``reader = "..."``; lower case letters, digits and underscores."""
    suffixes: tuple[str, ...] = ()
    """File endings that pick this reader when a source names none, lower case with the dot: ``(".csv",)``."""
    Options: type[BaseModel] = NoOptions
    """Keys this reader adds to its ``[[source]]`` block."""

    @abstractmethod
    def read(self, files: Sequence[Path], ctx: Context) -> Iterable[Chunk]:
        """Yield every row of the files, none dropped, renamed or converted.

        :param files: what ``path`` of the source matched, sorted; empty where the source has no path.
        :raises tastefield.errors.ReadError: a file cannot be read at all.
        """


class SurfaceModel(ABC):
    """Learns how taste depends on ratio and time, and answers with a :class:`~tastefield.records.Surface`."""

    name: str
    """The word in ``[surface] model = "..."``."""
    Options: type[BaseModel] = NoOptions
    """Keys this model adds to the ``[surface]`` block."""
    Shared: type[BaseModel] | None = None
    """The keys of its population that another run may start from, validated; no name of a setup, machine, coffee or
    person stands in them. ``None`` where the model cannot start from another run."""

    def gather(self, setups: Sequence[Setup], ctx: Context) -> Any:
        """What learning needs of a chunk of setups (sums, not rows); ``None`` where setups stand alone."""
        return None

    def learn(self, gathered: Sequence[Any], prior: Population | None, ctx: Context) -> Population:
        """Join what was gathered, once and in fixed order, into plain data shared by all setups.

        :param prior: what :meth:`join` made of the populations to start from; ``None`` where there are none.
        """
        return {}

    def join(self, shared: Sequence[Population], weights: Sequence[float], ctx: Context) -> Population:
        """What several runs that have no shot in common teach together; asked only of a model with ``Shared``.

        :param weights: how much of each counts, at most 1: less where machines or coffees stand elsewhere too.
        """
        raise NotImplementedError(f"{self.name} declares Shared and has no join")

    @abstractmethod
    def fit(self, setup: Setup, population: Population, ctx: Context) -> Surface:
        """Fit one setup.

        :raises tastefield.errors.NotEnough: too little data; the setup becomes ``insufficient``.
        """

    def untasted(self, setup: Setup, population: Population, ctx: Context) -> Surface | None:
        """The surface of this setup's machine with a coffee not yet tasted on it; ``None`` where it cannot say."""
        return None


class Writer(ABC):
    """Writes what was found. May run in any process and any order, on new or stored runs.

    What :meth:`write_run` notes is told on the terminal and in ``run.log``; the other files are written by then.
    """

    name: str
    """The word in ``[[report]] writer = "..."``."""
    default: bool = False
    """Whether it runs where the configuration names no writer."""
    Options: type[BaseModel] = NoOptions
    """Keys this writer adds to its ``[[report]]`` block, or to a table that is called as the writer.

    Options of every plugin are validated with ``{"folder": ...}`` as context, the folder that paths count from."""

    def write_setup(self, result: SetupResult, folder: Path, ctx: Context) -> None:
        """Write what belongs to one setup alone; called once a setup, before :meth:`write_run`."""
        return

    @abstractmethod
    def write_run(self, run: RunResult, folder: Path, ctx: Context) -> None:
        """Write what belongs to the whole run; streams over ``run.setups``."""


@hookspec
def tastefield_readers() -> list[Reader]:
    """Readers this plugin offers."""
    return []


@hookspec
def tastefield_surfaces() -> list[SurfaceModel]:
    """Surface models this plugin offers."""
    return []


@hookspec
def tastefield_writers() -> list[Writer]:
    """Writers this plugin offers."""
    return []


__all__ = [
    "CONTRACT_VERSION",
    "Chunk",
    "Context",
    "NoOptions",
    "Population",
    "Reader",
    "RunResult",
    "Setup",
    "SetupResult",
    "Surface",
    "SurfaceModel",
    "Writer",
    "tastefield_readers",
    "tastefield_surfaces",
    "tastefield_writers",
]
