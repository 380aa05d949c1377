"""The configuration: what may stand in the TOML file, and how it is read and refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

TableName = Literal["shots", "readings", "scores", "traces", "checks"]


class Block(BaseModel):
    """A block of the configuration: frozen, unknown keys refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class SourceConfig(Block):
    """One ``[[source]]``: where records are, what they hold and how to understand their cells.

    ``options`` are the keys that belong to the reader, already validated by its ``Options``.
    """

    reader: str = ""
    holds: tuple[TableName, ...] = ()
    path: str = ""
    clock: Literal["pump", "first_drip", "unknown"] | None = None
    first_drip_delay_s: float | None = Field(default=None, ge=0, le=60)
    fill: dict[str, str] = {}
    fill_down: tuple[str, ...] = ()
    columns: dict[str, str] = {}
    units: dict[str, str] = {}
    decimal: Literal[".", ",", "auto"] = "auto"
    day_first: bool = True
    options: dict[str, Any] = {}


class SetupsConfig(Block):
    """``[setups]``: which columns make a setup."""

    by: tuple[Literal["machine", "grinder", "basket", "coffee", "head"], ...] = (
        "machine",
        "grinder",
        "basket",
        "coffee",
    )


class TasteConfig(Block):
    """``[taste]``: which attribute is modelled, on which scale, and what is good."""

    attribute: str = "liking"
    scale: tuple[float, float] | None = None
    good: float | None = None
    words: dict[str, float] = {}


class SurfaceConfig(Block):
    """``[surface]``: the model; ``options`` are its own keys, validated by its ``Options``."""

    model: str = "quadratic"
    options: dict[str, Any] = {}


class WindowConfig(Block):
    """``[window]``: the chance of a good shot that is asked for."""

    assurance: float = Field(default=0.8, gt=0.5, lt=1)


class NextConfig(Block):
    """``[next]``: when another shot is worth its coffee, in points of expected score."""

    worth: float = Field(default=0.05, ge=0)


class ReportConfig(Block):
    """One ``[[report]]``: a writer; ``options`` are its own keys."""

    writer: str
    options: dict[str, Any] = {}


class GrinderConfig(Block):
    """One ``[[grinder]]``: its dial, so that recommendations stay on it."""

    name: str
    lowest: float | None = None
    highest: float | None = None
    step: float | None = Field(default=None, gt=0)
    higher_is: Literal["coarser", "finer"] | None = None


class Config(Block):
    """The whole configuration, defaults filled in.

    :param folder: folder of the file; paths are relative to it.
    """

    title: str = ""
    plugins: tuple[str, ...] = ()
    seed: int = Field(default=1, ge=0)
    source: tuple[SourceConfig, ...]
    setups: SetupsConfig = SetupsConfig()
    taste: TasteConfig = TasteConfig()
    surface: SurfaceConfig = SurfaceConfig()
    window: WindowConfig = WindowConfig()
    next: NextConfig = NextConfig()
    report: tuple[ReportConfig, ...] = ()
    grinder: tuple[GrinderConfig, ...] = ()
    folder: Path = Path()
