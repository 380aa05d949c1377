"""The configuration: what may stand in the TOML file, block by block, and what is wrong with a block."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from tastefield.errors import Problem
from tastefield.slug import LONGEST, shortened
from tastefield.tables import dial
from tastefield.tables.cells import shown
from tastefield.tables.notation import LETTERS, Kind, Notation, with_ends
from tastefield.words.columns import TABLES, names
from tastefield.words.nearest import suggestion

SHARING = {"shots", "readings", "scores"}
"""Tables that can stand in one row each."""

LEAST_SALT = 16

Listed = BeforeValidator(lambda value: [value] if isinstance(value, str) else value)
"""A list of words; one word alone is a list of one."""

Written = BeforeValidator(lambda value: shown(value) if type(value) in (int, float) else value)
"""A setting as its owner writes it; a number is one too."""

Labels = BeforeValidator(lambda value: [one.strip() for one in value.split(",")] if isinstance(value, str) else value)
"""A list of words; in one text with commas between."""

TableName = Literal["shots", "readings", "scores", "traces", "checks", "coffees", "grinders"]
SetupColumn = Literal["machine", "grinder", "basket", "coffee", "head"]


class Block(BaseModel):
    """A block of the configuration: frozen, unknown keys refused, no number that is not finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    def faults(self) -> Iterator[Problem]:
        """What is wrong although every type is right; ``where`` is the key, counted from this block."""
        yield from ()


class SourceConfig(Block):
    """One ``[[source]]``: where records are, what they hold and how to understand their cells.

    ``options`` are the keys that belong to the reader, already validated by its ``Options``.
    """

    reader: str = ""
    holds: Annotated[tuple[TableName, ...], Listed] = ()
    path: str = ""
    clock: Literal["pump", "first_drip", "unknown"] | None = None
    fill: dict[str, str] = {}
    fill_down: Annotated[tuple[str, ...], Listed] = ()
    columns: dict[str, str] = {}
    units: dict[str, str] = {}
    decimal: Literal[".", ",", "auto"] = "auto"
    day_first: bool = True
    options: dict[str, Any] = {}

    def faults(self) -> Iterator[Problem]:
        """Keys that are no canonical columns of the tables held; tables that cannot share a row."""
        known = {column for table in self.holds or TABLES for column in names(table)}
        used = {
            "fill": self.fill,
            "fill_down": self.fill_down,
            "columns": self.columns,
            "units": self.units,
        }
        for key, columns in used.items():
            for column in columns:
                if column not in known:
                    where = key if key == "fill_down" else f"{key}.{column}"
                    why = f"{key} speaks of the columns of {', '.join(self.holds) or 'the tables'}"
                    yield Problem(f'there is no column "{column}"', where, why, suggestion(column, known))
        if len(self.holds) > 1 and (alone := set(self.holds) - SHARING):
            yield Problem(
                f"{' and '.join(sorted(alone))} cannot share rows with other tables",
                "holds",
                "only shots, readings and scores can stand in one row",
                "give it a [[source]] of its own",
            )


class SetupsConfig(Block):
    """``[setups]``: which columns make a setup."""

    by: Annotated[tuple[SetupColumn, ...], Listed] = ("machine", "grinder", "basket", "coffee")

    def faults(self) -> Iterator[Problem]:
        """No column at all, or one named twice."""
        if not self.by or len(set(self.by)) < len(self.by):
            yield Problem(
                "must name each column once, and at least one", "by", f"found {list(self.by)}", 'write by = ["machine"]'
            )


class TasteConfig(Block):
    """``[taste]``: which attribute is modelled, on which scale, and what is good."""

    attribute: str = "liking"
    scale: tuple[float, float] | None = None
    good: float | None = None
    words: dict[str, float] = {}

    def faults(self) -> Iterator[Problem]:
        """A scale that does not rise; good, or the score of a word, outside the scale."""
        if self.scale is None:
            return
        low, high = self.scale
        if not low < high:
            yield Problem("must rise", "scale", f"found {low:g} to {high:g}", "write the lowest score first")
            return
        scores = {f"words.{word}": score for word, score in self.words.items()}
        if self.good is not None:
            scores["good"] = self.good
        for where, score in scores.items():
            if not low <= score <= high:
                yield Problem(
                    f"{score:g} lies outside the scale",
                    where,
                    f"the scale runs from {low:g} to {high:g}",
                    "change it, or change scale",
                )


class SurfaceConfig(Block):
    """``[surface]``: the model, and what other runs learned that it starts from.

    ``options`` are the model's own keys, validated by its ``Options``.

    :param population: files that runs wrote. :param salt: secret under which shots are hashed in them.
    """

    model: str = "pooled"
    population: Annotated[tuple[str, ...], Listed] = ()
    salt: str = ""
    options: dict[str, Any] = {}

    def faults(self) -> Iterator[Problem]:
        """A salt that can be guessed."""
        if self.salt and len(self.salt) < LEAST_SALT:
            why = (
                f"it has {len(self.salt)} characters; whoever guesses it can test names and numbers against the hashes"
            )
            yield Problem("is too short to keep anything secret", "salt", why, f"write {LEAST_SALT} or more at random")


class WindowConfig(Block):
    """``[window]``: the chance of a good shot that is asked for."""

    assurance: float = Field(default=0.8, gt=0.5, lt=1)


class NextConfig(Block):
    """``[next]``: when another shot is worth its coffee, in points of expected score that it is expected to gain.

    Points are those of a scale from 1 to 9, whatever the scale of the scores.
    """

    worth: float = Field(default=0.015, ge=0)


class ReportConfig(Block):
    """One ``[[report]]``: a writer; ``options`` are its own keys."""

    writer: str
    options: dict[str, Any] = {}


class PairConfig(Block):
    """A sample that was read and then dried: what the meter showed, at which temperature, and the TDS it truly had."""

    brix_pct: float | None = Field(default=None, ge=0, le=50)
    refractive_index: float | None = Field(default=None, ge=1.333, le=1.4201)
    tds_pct: float = Field(ge=0, le=30)
    sample_temp_c: float | None = None


class RefractometerConfig(Block):
    """``[refractometer]``: how readings in Brix or refractive index become TDS; nothing is assumed of any meter.

    Either the line itself, TDS = intercept + slope x Brix at 20 C, with its uncertainty, or pairs to fit it to.

    :param compensated: whether the meter corrects for the sample's temperature itself.
    :param u_brix_pct: standard uncertainty of a reading among the pairs; ``u_refractive_index`` likewise.
    :param u_tds_pct: of their TDS by drying.
    """

    compensated: bool | None = None
    intercept: float | None = None
    slope: float | None = Field(default=None, gt=0)
    u_intercept: float | None = Field(default=None, ge=0)
    u_slope: float | None = Field(default=None, ge=0)
    correlation: float = Field(default=0.0, ge=-1, le=1)
    pairs: tuple[PairConfig, ...] = ()
    u_brix_pct: float | None = Field(default=None, ge=0)
    u_refractive_index: float | None = Field(default=None, ge=0)
    u_tds_pct: float | None = Field(default=None, gt=0)

    @property
    def is_given(self) -> bool:
        """Whether anything is said of the meter."""
        return bool(self.model_fields_set)

    def faults(self) -> Iterator[Problem]:
        """Neither a line nor pairs, or both; either without its uncertainty; pairs that cannot be used."""
        if not self.is_given:
            return
        if self.compensated is None:
            why = "a meter that corrects for temperature itself must not be corrected again"
            yield Problem("compensated is missing", "", why, "write compensated = true, or false")
        line = {name: getattr(self, name) for name in ("intercept", "slope", "u_intercept", "u_slope")}
        missing = [name for name, value in line.items() if value is None]
        if bool(self.pairs) == (len(missing) < len(line)):
            why = "both are given" if self.pairs else "neither is given"
            do = "give pairs of dried samples, or intercept, slope, u_intercept and u_slope"
            yield Problem("needs either pairs or the line", "", why, do)
        elif missing and not self.pairs:
            yield Problem(f"the line lacks {', '.join(missing)}", "", "a calibration counts with its uncertainty", "")
        if self.pairs:
            yield from self._pair_faults()

    def _pair_faults(self) -> Iterator[Problem]:
        needed = {"u_tds_pct": True}
        for column in ("brix_pct", "refractive_index"):
            needed[f"u_{column}"] = any(getattr(pair, column) is not None for pair in self.pairs)
        missing = [name for name, wanted in needed.items() if wanted and getattr(self, name) is None]
        if missing:
            why = "how far the line is to be trusted rests on how sure its pairs are"
            do = "write what one reading and one drying may be off by, as a standard deviation"
            yield Problem(f"the pairs lack {', '.join(missing)}", "", why, do)
        if len(self.pairs) < 3:
            why = f"found {len(self.pairs)}; two points are always on a line"
            yield Problem(
                "needs three pairs or more", "pairs", why, "dry another sample, as unlike the others as can be"
            )
        elif len({(pair.brix_pct, pair.refractive_index) for pair in self.pairs}) < 2:
            yield Problem("all pairs read the same", "pairs", "no line runs through them", "dry samples that differ")
        for number, pair in enumerate(self.pairs, start=1):
            if (pair.brix_pct is None) == (pair.refractive_index is None):
                do = "write brix_pct or refractive_index"
                yield Problem(f"pair {number} needs one reading", "pairs", "it has none or two", do)
            if self.compensated is False and pair.sample_temp_c is None:
                why = "compensated = false, so its reading must be corrected to 20 C"
                yield Problem(f"pair {number} lacks sample_temp_c", "pairs", why, "write the sample's temperature")
            elif self.compensated is False and not 15 <= (pair.sample_temp_c or 20) <= 30:
                why = "the table of corrections runs from 15 to 30 C"
                yield Problem(f"pair {number} was read at {pair.sample_temp_c:g} C", "pairs", why, "let samples cool")


class GrinderConfig(Block):
    """One ``[[grinder]]``: its dial, so that recommendations stay on it, and how its settings are written.

    :param notation: ``None`` stands for plain numbers.
    :param per: letters in a number, small steps in a mark, clicks in a turn.
    :param labels: settings of a list, in order.
    :param lowest: its ends, in its notation.
    :param step: smallest move: in numbers, letters, small steps, clicks, labels or minutes of a clock.
    :param higher_is: what a higher number, a later letter or label, or clockwise does.
    :param leaves: whether it goes with the machine that is handed over; ``None`` leaves it to the log.
    """

    name: Annotated[str, AfterValidator(lambda name: " ".join(name.split()))]
    notation: Kind | None = None
    per: int | None = Field(default=None, gt=0)
    labels: Annotated[tuple[str, ...], Labels] = ()
    lowest: Annotated[str | None, Written] = None
    highest: Annotated[str | None, Written] = None
    step: float | None = Field(default=None, gt=0)
    higher_is: Literal["coarser", "finer"] | None = None
    leaves: bool | None = None

    @property
    def written_as(self) -> Notation:
        """How its settings are written, with the ends of its dial as positions."""
        notation = Notation(self.notation or "marks", self.per or len(LETTERS), self.labels)
        return with_ends(notation, self.lowest, self.highest)

    def faults(self) -> Iterator[Problem]:
        """A name too long to be told; a notation that lacks something; a dial that cannot be."""
        if shortened(self.name) != self.name:
            why = f"longer than {LONGEST} bytes"
            yield Problem("is too long to be told on every line", "name", why, "shorten it here and in the log")
        yield from dial.problems(self.notation, self.per, self.labels, self.lowest, self.highest, self.step)


class CheckConfig(Block):
    """One ``[[check]]``: what a bench check must be, by its name in the log; none is judged by a number without it.

    :param lowest: least number that is well, ``highest``: the most. :param unit: of both.
    :param fails: words that mean it failed.
    """

    name: str
    lowest: float | None = None
    highest: float | None = None
    unit: str = ""
    fails: Annotated[tuple[str, ...], Listed] = ()

    def faults(self) -> Iterator[Problem]:
        """Neither limit nor word; limits that do not rise."""
        if self.lowest is None and self.highest is None and not self.fails:
            do = "write lowest, highest or both, or fails"
            yield Problem("says nothing of the check", "name", "neither a limit nor a word", do)
        if self.lowest is not None and self.highest is not None and not self.lowest < self.highest:
            why = f"lowest is {self.lowest:g}, highest is {self.highest:g}"
            yield Problem("must be greater than lowest", "highest", why, "swap the two or correct one")


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
    refractometer: RefractometerConfig = RefractometerConfig()
    surface: SurfaceConfig = SurfaceConfig()
    window: WindowConfig = WindowConfig()
    next: NextConfig = NextConfig()
    report: tuple[ReportConfig, ...] = ()
    grinder: tuple[GrinderConfig, ...] = ()
    check: tuple[CheckConfig, ...] = ()
    folder: Path = Path()


def with_listed(config: Config, listed: Iterable[Mapping[Any, Any]]) -> Config:
    """The configuration with the grinders that a table lists, below its own ``[[grinder]]`` blocks, which come first.

    :param listed: rows of the kept table ``grinders``.
    """
    named = {grinder.name for grinder in config.grinder}
    keys = set(GrinderConfig.model_fields) - {"name"}
    more = [
        GrinderConfig(name=row["grinder"], **{key: row[key] for key in keys if (row[key] == row[key]) is True})
        for row in listed
        if row["grinder"] not in named
    ]
    return config.model_copy(update={"grinder": (*config.grinder, *more)})


def matching_files(folder: Path, path: str) -> tuple[Path, ...]:
    """Files that ``path`` of a source means, sorted: the file of that very name, else what ``*`` and ``?`` match.

    :param folder: folder that a relative path starts from.
    """
    exact = folder / path
    if exact.is_file():
        return (exact,)
    if not re.search(r"[*?]", path):
        return ()
    pattern = Path(path.replace("[", "[[]"))
    base = Path(pattern.anchor) if pattern.is_absolute() else folder
    relative = pattern.relative_to(pattern.anchor) if pattern.is_absolute() else pattern
    return tuple(sorted(found for found in base.glob(str(relative)) if found.is_file()))
