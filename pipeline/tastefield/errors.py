"""What can go wrong, as data: each problem says what, where, why and what to do, and all problems are told at once."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong.

    :param what: the fault in one sentence.
    :param where: file and key, or place and row.
    :param why: what was expected and what was found.
    :param do: the remedy.
    """

    what: str
    where: str = ""
    why: str = ""
    do: str = ""

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        lines = [head]
        if self.why:
            lines.append(f"    why: {self.why}")
        if self.do:
            lines.append(f"    do:  {self.do}")
        return "\n".join(lines)


def crashed(error: BaseException, plugin: object) -> str:
    """What an exception says that a plugin did not raise on purpose, with the last line of the plugin's own file."""
    file = getattr(sys.modules.get(type(plugin).__module__), "__file__", None) or ""
    lines = [frame.lineno for frame in traceback.extract_tb(error.__traceback__) if frame.filename == file]
    where = f", {Path(file).name} line {lines[-1]}" if lines else ""
    return f"{type(error).__name__}: {error}{where}"


class TastefieldError(Exception):
    """Base of every error the project raises on purpose; carries its problems as data in ``problems``."""

    exit_code = 1

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__(self.problems)

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)


class ConfigError(TastefieldError):
    """The command line or the configuration is wrong. Nothing has been read or written."""

    exit_code = 2


class PluginError(ConfigError):
    """A plugin breaks the contract of :mod:`tastefield.hooks`. Told before any data are read."""


class ReadError(TastefieldError):
    """A source cannot be read at all (a bad cell or row never raises: it is set aside).

    :param place: the file, sheet or table.
    """

    def __init__(self, place: str, why: str, do: str) -> None:
        self.place, self.why, self.do = place, why, do
        super().__init__(Problem(what="cannot be read", where=place, why=why, do=do))

    def __reduce__(self) -> tuple[type[ReadError], tuple[str, str, str]]:
        return type(self), (self.place, self.why, self.do)


class NotEnough(TastefieldError):  # noqa: N818 - a state of the data, worded as in the plugin contract
    """A setup has too little data for a surface. Caught by the pipeline: the setup becomes ``insufficient``."""

    def __init__(self, why: str, do: str) -> None:
        self.why, self.do = why, do
        super().__init__(Problem(what="not enough data for a surface", why=why, do=do))

    def __reduce__(self) -> tuple[type[NotEnough], tuple[str, str]]:
        return type(self), (self.why, self.do)


class FitError(TastefieldError):
    """The numbers handed to a statistical function cannot be fitted (shape, missing values, rank, too few rows)."""


class OutputError(TastefieldError):
    """The output folder cannot be written or is not ours to replace."""
