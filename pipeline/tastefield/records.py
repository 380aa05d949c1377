"""Frozen results handed between stages and plugins: numbers, units, findings, provenance. Nothing here fits or reads.

Records that hold frames or arrays compare by identity (``eq=False``): ``==`` of two frames has no single answer.
"""

from __future__ import annotations

import json
import os
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, TypeAlias, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel
from scipy import special
from scipy import stats as distributions

from tastefield.tables.dial import longest_run, not_ours, since_zero
from tastefield.tables.notation import MARKS, Notation
from tastefield.words.card import OnCard
from tastefield.words.findings import Finding

Floats: TypeAlias = NDArray[np.float64]
Population: TypeAlias = dict[str, Any]
"""What a surface model learned over all setups: plain data (numbers, strings, lists, dicts) that JSON can hold.

What it holds under ``setups``, by :attr:`Setup.name`, and ``machines``, by :attr:`Setup.machine`, is of one setup or
machine each: a fit is given its own alone.
"""


@dataclass
class Context:
    """What a plugin is told at each call; made anew for each, so nothing leaks from one call into another.

    :param options: the plugin's own validated options.
    :param seed: seed of the run; the same for every setup.
    :param findings: what the plugin noted, in order.
    :param setups: how many setups the run has; ``None`` where one is asked for by itself, as of a stored run.
    """

    options: BaseModel
    seed: int = 0
    findings: list[Finding] = field(default_factory=list)
    setups: int | None = None

    def note(self, finding: Finding) -> None:
        """Voice a doubt; it reaches the results file, the page and the terminal."""
        self.findings.append(finding)

    def secret(self, name: str) -> str | None:
        """A secret, from the environment variable of that name only; ``None`` where it is not set."""
        return os.environ.get(name)


@dataclass(frozen=True, eq=False)
class Chunk:
    """Some rows as their owner keeps them.

    :param rows: the source's own headings; the index is the row number as its owner counts (a sheet's first row is 1).
    :param place: file, sheet or table, as a person would name it.
    :param holds: which tables the rows hold, where the reader knows; empty leaves it to the configuration.
    """

    rows: pd.DataFrame
    place: str
    holds: tuple[str, ...] = ()


@dataclass(frozen=True)
class Taste:
    """What counts as good.

    :param attribute: the scored attribute that is modelled.
    :param scale: lowest and highest score.
    :param good: the score that counts as good.
    :param words: verdict and taste words and the score each stands for.
    :param inferred: whether the scale was inferred from the scores rather than configured.
    """

    attribute: str = "liking"
    scale: tuple[float, float] = (1.0, 9.0)
    good: float = 6.6
    words: Mapping[str, float] = field(default_factory=dict)
    inferred: bool = False

    @property
    def unit(self) -> float:
        """One point of a scale from 1 to 9, for which what is worth a word or a shot is stated, on the scale of these.

        >>> Taste(scale=(0, 100)).unit
        12.5
        """
        return (self.scale[1] - self.scale[0]) / 8.0


@dataclass(frozen=True, eq=False)
class RawTable:
    """Rows under canonical headings, cells still as they were written.

    :param table: name of the table.
    :param place: where they were read.
    :param rows: canonical columns that the source has; index = row number as its owner counts.
    :param source: number of the ``[[source]]`` block, from 0.
    :param together: whether shots, readings and scores stand in one row each, so that place and row make the shot_id.
    :param headings: canonical column -> heading as its owner wrote it, which may name a unit: "In (oz)".
    """

    table: str
    place: str
    rows: pd.DataFrame
    source: int = 0
    together: bool = False
    headings: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class SourceCount:
    """Nothing is lost: for every place and table, read = kept + set aside, in rows and in filled cells."""

    place: str
    table: str
    read: int
    kept: int
    set_aside: int
    cells_read: int = 0
    cells_kept: int = 0
    cells_set_aside: int = 0


@dataclass(frozen=True)
class ColumnCount:
    """Cells of one column of one place, and the heading its owner gave it (the column's own name where filled in)."""

    place: str
    table: str
    column: str
    heading: str
    read: int
    set_aside: int


@dataclass(frozen=True)
class Headings:
    """Which heading of a place stands for which column: canonical column -> heading.

    :param suggested: those that only look like a column; nothing was read from them.
    """

    place: str
    columns: Mapping[str, str]
    suggested: Mapping[str, str]


@dataclass(frozen=True, eq=False)
class Records:
    """Everything kept, typed; everything not kept, whole and with its reason.

    :param tables: table name -> frame with every canonical column of that table, plus ``place`` and ``row``. Numbers
        and scores are float64, words are ``str`` with NA, times are datetime64, booleans are ``boolean``.
    :param set_aside: columns of :data:`tastefield.words.columns.SET_ASIDE`.
    :param counts: the account for every place and table.
    :param taste: what counts as good, after inference.
    :param columns: the account in cells, column by column.
    :param headings: how the headings of every place were understood.
    """

    tables: Mapping[str, pd.DataFrame]
    set_aside: pd.DataFrame
    counts: tuple[SourceCount, ...]
    taste: Taste
    findings: tuple[Finding, ...] = ()
    columns: tuple[ColumnCount, ...] = ()
    headings: tuple[Headings, ...] = ()


@dataclass(frozen=True, eq=False)
class Derived:
    """Shots with derived columns, and which setup each belongs to.

    :param shots: the kept shots plus ``setup`` (number of the key), ``ratio``, ``u_ratio``, ``tds_pct``, ``u_tds_pct``,
        ``extraction_pct``, ``u_extraction_pct``, ``mean_flow_g_per_s``, ``u_mean_flow_g_per_s``, ``coffee_age_days``,
        ``u_coffee_age_days``,
        ``shot_time_recorded_s`` and ``dial_position``, and where anything was recorded ``time_from_first_drip_s``,
        ``mass_at_stop_g``, ``pour_flow_g_per_s`` and ``flow_drift_g_per_s2``; ``shot_time_s`` runs from pump-on where
        that is known, and is missing where it cannot stand beside the other times of its setup.
    :param scores: scores of the modelled attribute, without those that cannot stand beside the others of their setup.
    :param readings: readings that gave a TDS; ``u_calibration_pct`` beside those that a calibration gave theirs.
    :param keys: key of each setup, in order.
    :param setup_findings: number of a setup -> doubts about it alone.
    """

    shots: pd.DataFrame
    scores: pd.DataFrame
    readings: pd.DataFrame
    keys: tuple[dict[str, str], ...]
    findings: tuple[Finding, ...]
    setup_findings: Mapping[int, tuple[Finding, ...]] = field(default_factory=dict)


DRAWS = 500
"""Draws that stand for a covariance that is not known exactly: correlations to about 0.05."""
ONE_DOSE_G = 1.5
"""Doses farther apart than this are of two kinds."""
SURE_OF_DIRECTION = 0.95
"""Below this chance that a dial turns the way its line says, no number of our own is given."""


@dataclass(frozen=True, eq=False)
class DialLine:
    """Log shot time as a straight line in the dial position of one setup, its level as of the last shot.

    Slope and level borrow from the bench, so that one shot gives a line too; how sure it is stands in ``cov`` and
    ``sign_chance``.

    :param intercept: log seconds at position 0, at the usual ratio and dose.
    :param slope: log seconds per unit of position.
    :param cov: (2, 2) covariance of intercept and slope.
    :param residual_var: variance of log time of one shot about the line.
    :param df: degrees of freedom behind the variances.
    :param positions: (n,) positions of the setup's shots since the burr zero that is in force.
    :param log_time: (n,) their log seconds.
    :param sign_chance: chance that the slope has the sign it is given.
    :param step: usual step of the dial.
    :param walk_var: variance of the level's step from one shot to the next.
    :param recipe: change of log time per unit of log ratio and of log dose, with the joint covariance (4, 4) of
        intercept, slope and both; ``None`` where unknown.
    :param usual: ratio and dose the line is told for; NaN where never recorded.
    :param settable: (k,) positions that may be set: real steps of the dial, a little beyond what ran at most, clear of
        every choke; empty where the line cannot be trusted to point anywhere.
    :param choke: the coarsest position that choked with this coffee on this grinder; ``None`` where nothing choked.
    :param ends: ends of the dial, where configured.
    """

    intercept: float
    slope: float
    cov: Floats
    residual_var: float
    df: float
    positions: Floats
    log_time: Floats
    sign_chance: float = 1.0
    step: float | None = None
    walk_var: float = 0.0
    recipe: tuple[Floats, Floats] | None = None
    usual: tuple[float, float] = (np.nan, np.nan)
    settable: Floats = field(default_factory=lambda: np.empty(0))
    choke: float | None = None
    ends: tuple[float | None, float | None] = (None, None)

    @property
    def higher_is(self) -> str:
        """``finer`` where higher numbers run slower, else ``coarser``."""
        return "finer" if self.slope > 0 else "coarser"

    @property
    def is_clear(self) -> bool:
        """Whether the direction is sure enough to give numbers of our own."""
        return self.sign_chance >= SURE_OF_DIRECTION and bool(self.slope)

    @property
    def tells_steps(self) -> bool:
        """Whether it is trusted to say which way is finer and what a step does."""
        return self.is_clear and bool(len(self.settable))

    def times(self, ratios: Floats, dose_g: float | None) -> Floats:
        """Seconds (k, m) of a shot at each settable position and each of m ratios."""
        levels = np.array([self.at(float(ratio), dose_g)[0] for ratio in ratios])
        return np.asarray(np.exp(levels[None, :] + self.slope * self.settable[:, None]))

    def at(self, ratio: float, dose_g: float | None) -> tuple[float, Floats]:
        """Intercept at another ratio and dose, and the covariance (2, 2) of intercept and slope there."""
        if self.recipe is None:
            return self.intercept, self.cov
        slopes, cov = self.recipe
        move = np.nan_to_num(np.log([ratio / self.usual[0], (dose_g or np.nan) / self.usual[1]]))
        shift = np.vstack([[1.0, 0.0, *move], [0.0, 1.0, 0.0, 0.0]])
        return float(self.intercept + slopes @ move), np.asarray(shift @ cov @ shift.T)


@dataclass(frozen=True, eq=False)
class Scatter:
    """How far shots land from what was intended.

    :param cov: (2, 2) covariance of log ratio and log time about intent.
    :param df: degrees of freedom from the data; the rest is the prior.
    :param source: ``dial``, ``repeats``, ``targets`` or ``prior``.
    """

    cov: Floats
    df: float
    source: str


@dataclass(frozen=True, eq=False)
class ExtractionLine:
    """Log extraction as a line in log ratio and log time: coefficients (3,), covariance (3, 3), residual variance.

    Coding: 1, ln(ratio/2), ln(time/27).
    """

    coefficients: Floats
    cov: Floats
    residual_var: float
    df: float
    readings: int


@dataclass(frozen=True, eq=False)
class Bench:
    """What the bench knows of one setup besides taste; ``None`` where the shots cannot tell.

    :param notation: how the settings of its grinder are written.
    :param shared_grinder: whether several machines were pulled with its grinder, so that it leaves with none.
    :param zeroed_since: the burr zero that its grinder was given after the setup was pulled, so that its marks mean
        another grind now; empty where there was none.
    """

    dial: DialLine | None
    scatter: Scatter
    extraction: ExtractionLine | None
    findings: tuple[Finding, ...] = ()
    notation: Notation = MARKS
    shared_grinder: bool = False
    zeroed_since: str = ""


@dataclass(frozen=True, eq=False)
class Setup:
    """Machine + grinder + basket + coffee (+ head) with all that was recorded on it.

    :param key: setup columns in configured order -> value.
    :param shots: shots of this setup, derived columns included, in order of time pulled (then place and row); with
        ``time_off``, log time beyond what the dial line expects of their setting, as far as it shows, else 0, and
        ``scored``, whether a score of them was kept, of whatever attribute, also where it teaches nothing.
    :param scores: scores of the modelled attribute of these shots: shot_id, taster, score, session, serving_order.
    :param readings: refractometer readings of these shots.
    :param bench: dial, scatter and extraction.
    :param taste: what counts as good.
    :param tasters: all tasters of the run, sorted: a shot deserves good by their equal-weight mean.
    :param traces: recordings of these shots; ``None`` where there are none.
    :param denied: scores of shots to confirm that deny the recipe; they teach nothing until they were pulled again, and
        so are not among ``scores``; ``None`` where there are none.
    """

    key: Mapping[str, str]
    shots: pd.DataFrame
    scores: pd.DataFrame
    readings: pd.DataFrame
    bench: Bench
    taste: Taste
    tasters: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    traces: pd.DataFrame | None = None
    denied: pd.DataFrame | None = None

    @property
    def name(self) -> str:
        """What the setup is known under: the values of its key, as JSON."""
        return json.dumps(list(self.key.values()), ensure_ascii=False)

    @property
    def machine(self) -> str:
        """What its machine is known under."""
        return self.key.get("machine") or str(self.shots["machine"].iloc[0])

    def all_scores(self) -> pd.DataFrame:
        """Scores that teach, and those of shots to confirm that deny the recipe."""
        return self.scores if self.denied is None else pd.concat([self.scores, self.denied], ignore_index=True)

    def held(self) -> bool:
        """Whether a failed check keeps its machine from being used at all, however good a recipe is."""
        return any(note.code == "check_failed" for note in self.findings)

    @cached_property
    def tasted_points(self) -> Floats:
        """Ratio and shot time (n, 2) of the tasted shots that have both."""
        tasted = self.shots["shot_id"].isin(set(self.scores["shot_id"])).to_numpy(dtype=bool)
        points = self.shots[["ratio", "shot_time_s"]].to_numpy(dtype=float)
        return np.asarray(points[tasted & ~np.isnan(points).any(axis=1)])

    def best_shot(self) -> pd.Series | None:
        """The tasted shot with the highest mean score (column ``score`` added); of equals the latest with a time."""
        return self._best_shot

    @cached_property
    def _best_shot(self) -> pd.Series | None:
        mean = self.scores.groupby("shot_id")["score"].mean()
        score = self.shots["shot_id"].map(mean).to_numpy(dtype=float)
        if not np.isfinite(score).any():
            return None
        best = score >= np.nanmax(score) - 1e-9
        timed = best & self.shots[["ratio", "shot_time_s"]].notna().to_numpy().all(axis=1)
        at = int(np.flatnonzero(timed if timed.any() else best)[-1])
        shot: pd.Series = self.shots.iloc[[at]].assign(score=score[at]).iloc[0]  # one row: whole columns are not copied
        return shot

    def usual_dose(self) -> float | None:
        """Median of our last five doses, of the commonest kind, never more than the basket is safe with."""
        doses = self._recent_doses
        return min(float(doses.median()), self.most_dose()) if len(doses) else None

    def most_dose(self) -> float:
        """Largest dose that may be proposed: the last written basket rating plus 1 g; no limit without one."""
        ratings = self.shots["basket_g"].dropna()
        return float(ratings.iloc[-1]) + 1.0 if len(ratings) else np.inf

    def overdosed(self) -> bool:
        """Whether the usual dose was more than may be proposed, so that the shots say little of the dose that is."""
        doses = self._recent_doses
        return bool(len(doses) and float(doses.median()) > self.most_dose())

    def mixed_doses(self) -> bool:
        """Whether recent doses are of two kinds, as of two baskets: their median is a dose nobody used."""
        return len(self._recent_doses) < len(self._last_doses)

    def pressurised(self) -> bool:
        """Whether the basket in use is pressurised: its hole sets the time, not the grind."""
        kinds = self.shots["basket_kind"].dropna()
        return bool(len(kinds)) and str(kinds.iloc[-1]) == "pressurised"

    def longest_time(self) -> float:
        """Longest time in seconds that may be asked for where no setting of the dial is known to give it.

        Infinite where nothing choked; else the longest that any shot ran without choking, NaN where none ran.
        """
        line = self.bench.dial
        choked = (since_zero(self.shots[["grinder_zero", "outcome"]])["outcome"].astype("object") == "choked").any()
        if not choked and (line is None or line.choke is None):
            return np.inf
        return longest_run(self.shots)

    @cached_property
    def _recent_doses(self) -> pd.Series:
        """Of the last five doses those of the commonest kind; of kinds as common the latest."""
        doses = self._last_doses
        if doses.empty:
            return doses
        alike = np.abs(np.subtract.outer(doses.to_numpy(dtype=float), doses.to_numpy(dtype=float))) <= ONE_DOSE_G
        kind = len(doses) - 1 - int(np.argmax(alike.sum(axis=1)[::-1]))
        return cast("pd.Series", doses[alike[kind]])

    @cached_property
    def _last_doses(self) -> pd.Series:
        """The last five doses that were ours; somebody else's where nothing else was pulled.

        Shots to confirm are to show whether the dose of before is given, so they set none of their own.
        """
        doses = self.shots["dose_g"].dropna()
        ours = doses[~not_ours(self.shots)[doses.index]]
        found = ours[(self.shots["stage"].astype("object") != "confirm")[ours.index]]
        return next((some for some in (found, ours) if len(some)), doses).tail(5)


@dataclass(frozen=True, eq=False)
class SurfaceTables:
    """The three tables every fit answers with; column names come from the glossary of statistics.

    :param terms: one row a term: term, estimate, std_error, df, lower, upper.
    :param fit: exactly one row: model, shots, scores, tasters, terms, df, loglik, shot_var, noise_var, taster_var, ...
    :param observations: one row a score: shot_id, taster, ratio, shot_time_s, score, fitted, residual.
    """

    terms: pd.DataFrame
    fit: pd.DataFrame
    observations: pd.DataFrame


class Surface(ABC):
    """Expected score of a typical taster (equal weight over the run's tasters) over ratio and shot time.

    Frozen: it answers and never fits. ``points`` are (n, len(factors)) in natural units, in the order of ``factors``.
    """

    model: str
    factors: tuple[str, ...] = ("ratio", "shot_time_s")
    tables: SurfaceTables
    findings: tuple[Finding, ...] = ()
    stationary: Mapping[str, Any] | None = None
    """Canonical analysis: ``{"ratio", "shot_time_s", "nature", "eigenvalues"}``; ``None`` without curvature."""
    shot_var: float = 0.0
    """Variance of the shot effect: how shots at the same ratio and time differ in deserved score."""
    shot_var_range: tuple[float, float] = (0.0, 0.0)
    """Lowest and highest shot variance the data allow; wide where shot and noise cannot be told apart."""
    noise_var: float = 0.0
    """Variance of one taster's score of a shot about what the shot deserves; 0 where the model cannot say."""
    draw_df: float = np.inf
    """Degrees of freedom of the draws: what is unknown of the variances widens them."""
    time_felt: float = 1.0
    """Share of what a shot's time is off at one setting of the dial that its taste shows, of what as much more time by
    a finer grind would."""
    region: tuple[tuple[float, float], tuple[float, float]] | None = None
    """Limits of ratio and of shot time within which it may speak beyond the setup's own shots; ``None``: not beyond."""

    @abstractmethod
    def mean(self, points: Floats) -> Floats:
        """Expected score, shape (n,)."""

    @abstractmethod
    def sd(self, points: Floats) -> Floats:
        """Standard deviation of what is unknown of the surface, shape (n,)."""

    @abstractmethod
    def draws(self, points: Floats, n: int, seed: int) -> Floats:
        """Joint draws of the surface at the points, shape (n, len(points)); the same seed gives the same surfaces."""

    def directions(self, points: Floats, seed: int) -> Floats:
        """What is unknown of the surface, as directions (n, r): covariance between points = directions directions'.

        The same directions whichever points are asked: one point's row does not depend on the others. Here from draws;
        a model that knows its covariance says so exactly.

        :param seed: of the draws.
        """
        drawn = self.draws(points, DRAWS, seed)
        return np.asarray((drawn - drawn.mean(axis=0)).T / np.sqrt(len(drawn)))

    def outlook(self, points: Floats, good: float, shot_vars: Sequence[float]) -> tuple[Floats, list[Floats]]:
        """Expected score (n,), and for each shot variance the chance (n,) that a shot which runs there deserves good.

        Of Student's t with ``draw_df`` about ``mean``; a model whose doubt has another shape says so here.
        """
        return self._chances(self.mean(points), self.sd(points), good, shot_vars)

    def _chances(
        self, mean: Floats, sd: Floats, good: float, shot_vars: Sequence[float]
    ) -> tuple[Floats, list[Floats]]:
        """Answer of :meth:`outlook`, of mean and standard deviation (n,)."""
        with np.errstate(divide="ignore"):
            z = [(mean - good) / np.sqrt(sd**2 + shot_var) for shot_var in shot_vars]
        return mean, [np.asarray(special.stdtr(self.draw_df, one)) for one in z]

    def interval(self, points: Floats, level: float) -> tuple[Floats, Floats]:
        """Lower and upper limit (n,) of the expected score at each point."""
        half = distributions.t.ppf(0.5 + level / 2, self.draw_df) * self.sd(points)
        return self.mean(points) - half, self.mean(points) + half

    @abstractmethod
    def speaks_for(self, points: Floats) -> NDArray[np.bool_]:
        """Whether the data support an answer there, shape (n,)."""


@dataclass(frozen=True, eq=False)
class Lattice:
    """A surface stored once on a grid, for the page, for sliders and for old runs. Arrays are (len(ratio), len(time)).

    :param ratio: (m,) increasing.
    :param shot_time_s: (k,) increasing.
    :param mean: expected score.
    :param sd: what is unknown of it.
    :param chance: chance that a shot *aimed* there deserves good.
    :param supported: whether data speak there.
    :param extraction_pct: expected extraction, or ``None`` where nothing was read.
    :param own: where of that tasted shots of the setup itself lie about it; ``None`` where nobody told.
    :param expected: expected score of a shot *aimed* there, averaged over how far shots land from where they are meant.
    :param lower: lower end of its 90 % interval. :param upper: upper end; all three are there or none is.
    """

    ratio: Floats
    shot_time_s: Floats
    mean: Floats
    sd: Floats
    chance: Floats
    supported: NDArray[np.bool_]
    extraction_pct: Floats | None = None
    own: NDArray[np.bool_] | None = None
    expected: Floats | None = None
    lower: Floats | None = None
    upper: Floats | None = None


@dataclass(frozen=True, eq=False)
class Aim:
    """The recommended recipe of one setup and how sure it is.

    :param ratio: weight out over dose.
    :param shot_time_s: on the clock of the setup.
    :param dose_g: median of the setup's recent doses.
    :param at_edge: whether the best lies on the edge of what was tried, so that better may lie beyond.
    :param assurance: chance that a shot aimed there deserves good.
    :param assurance_range: the same at the lowest and highest shot variance the data allow.
    :param expected: mean, lower, upper of the expected score at ``level``.
    :param window: ratio and time limits of the window, or ``None``.
    :param status: window, tentative, insufficient or confirmed.
    :param flat: whether the data show no preference, so that the best real shot was taken.
    :param position: dial position whose shots take this time; ``None`` where no line tells.
    :param wanted_time_s: the time that would be best, were every time within the dial's reach.
    :param support: ``setup`` where tasted shots of the setup itself lie about it, else ``bench``.
    :param to_confirm: how many shots at it are still wanted to confirm it, once no other is worth its coffee.
    """

    ratio: float
    shot_time_s: float
    dose_g: float | None
    at_edge: bool
    assurance: float
    assurance_range: tuple[float, float]
    expected: tuple[float, float, float]
    level: float
    window: tuple[tuple[float, float], tuple[float, float]] | None
    status: str
    flat: bool
    lattice: Lattice
    findings: tuple[Finding, ...] = ()
    position: float | None = None
    wanted_time_s: float | None = None
    support: str = "setup"
    to_confirm: int = 2


@dataclass(frozen=True, eq=False)
class Station:
    """A machine with a grinder, as it is handed over to somebody with another coffee.

    :param setup: the setup last pulled on it. :param shots: of all its setups; ``tasted``: how many of them.
    """

    machine: str
    grinder: str
    setup: Setup
    shots: int
    tasted: int


@dataclass(frozen=True)
class Settings:
    """What to set the grinder to for the aim's time.

    :param grind_setting: as its owner writes it; ``None`` means "grind until the time is right".
    :param position: its place on the dial, where it is a number.
    :param kind: kind of the set of positions that fit: interval, two_rays or whole_line; ``None`` without line.
    :param interval: limits of the position where ``kind`` is interval, the doubt about the level included.
    :param seconds_per_step: estimate, lower, upper: seconds that one step *up* the dial adds at the aim.
    :param higher_is: ``finer`` or ``coarser``; ``None`` where unknown.
    :param say: one plain sentence.
    :param time_chance: chance that a shot at this setting runs within the window's times; ``None`` without either.
    :param leaves: whether the grinder goes with the machine, so that its settings mean something to the next owner.
    :param marks: settings that may be set: position, as its owner writes it, seconds at the aim's ratio.
    :param per_log_ratio: what log seconds gain per unit of log ratio at one setting; ``None`` without line.
    """

    grinder: str
    grind_setting: str | None
    position: float | None
    kind: str | None
    interval: tuple[float, float] | None
    seconds_per_step: tuple[float, float, float] | None
    step: float | None
    higher_is: str | None
    line: tuple[float, float] | None
    say: str
    findings: tuple[Finding, ...] = ()
    time_chance: float | None = None
    leaves: bool = True
    marks: tuple[tuple[float, str, float], ...] = ()
    per_log_ratio: float | None = None


@dataclass(frozen=True)
class Move:
    """One change from a shot to the next and what it does; ``None`` where it cannot be told from nothing.

    :param steps: steps of the dial, or grams of weight out.
    :param seconds: change of shot time: estimate, lower, upper at 90 %.
    :param points: change of expected score: estimate, lower, upper at 90 %.
    """

    steps: float
    seconds: tuple[float, float, float] | None
    points: tuple[float, float, float] | None


@dataclass(frozen=True)
class Ladder:
    """What to turn when the coffee changes or it tastes wrong, one change a shot.

    :param time_s: seconds between which the time of a shot is right.
    :param moves: ``finer``, ``coarser``, ``more_out``, ``less_out``: those that can be made.
    :param table: which of :data:`tastefield.words.ladder.TABLES` says what to do: ``usual``, ``no_finer`` beside a
        choke or the end of the dial, ``no_grind`` for a pressurised basket.
    :param choked: settings known to have choked, as written; ``None`` where none is.
    """

    time_s: tuple[float, float]
    moves: Mapping[str, Move]
    table: str
    choked: str | None


@dataclass(frozen=True)
class Found:
    """What was found at a bench check; ``None`` where nobody wrote it down."""

    value: str
    unit: str | None
    when: str | None
    by: str | None
    method: str | None


@dataclass(frozen=True)
class Checked:
    """One check of one machine.

    :param before: what was found the first time, where it was made again. :param after: what was found the last time.
    :param verdict: ``fails``, ``within`` (its limits), ``recorded`` or ``unclear``. :param why: what it rests on.
    """

    machine: str
    check: str
    before: Found | None
    after: Found
    verdict: str
    why: str


@dataclass(frozen=True)
class Timer:
    """The dose timer of a grinder for the dose of a recipe at its grind.

    :param setting: as its owner writes it.
    :param dose_g: what it is expected to give: estimate, lower, upper at 90 % for one shot.
    :param shots: weighed shots behind it.
    """

    setting: str
    dose_g: tuple[float, float, float]
    shots: int


@dataclass(frozen=True)
class Button:
    """What a button that ends the shot gave in the last shots it ended.

    :param beverage_g: mean, least and most. :param dose_g: median dose of them. :param coffee: the last one.
    :param error_g: standard error of the mean; ``None`` of one shot.
    """

    beverage_g: tuple[float, float, float]
    dose_g: float | None
    coffee: str
    shots: int
    error_g: float | None


@dataclass(frozen=True)
class Dosing:
    """What weighs by itself: a grinder's timer, a machine's button; ``None`` where no shot tells of one."""

    timer: Timer | None
    button: Button | None
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class NextShot:
    """One shot worth pulling.

    :param expected_gain: points; ``None`` for one that confirms or is pulled for its time.
    :param stage: what to write down as its stage: ``dial-in`` or ``confirm``.
    """

    grind_setting: str | None
    dose_g: float | None
    beverage_g: float | None
    ratio: float
    shot_time_s: float | None
    expected_gain: float | None
    why: str
    stage: str


@dataclass(frozen=True, kw_only=True)
class Pulled:
    """How shots are pulled, as handed over or as the new owner tells it; ``None`` where nobody knows.

    :param score: mean of the scores, or the expected one. :param taste: one taste word.
    :param choked: whether nothing came out.
    """

    dose_g: float | None = None
    beverage_g: float | None = None
    shot_time_s: float | None = None
    grind_setting: str | None = None
    coffee: str | None = None
    score: float | None = None
    taste: str | None = None
    choked: bool = False

    @property
    def ratio(self) -> float | None:
        """Weight out over dose."""
        return self.beverage_g / self.dose_g if self.beverage_g and self.dose_g else None


@dataclass(frozen=True, eq=False)
class Visit:
    """One machine's return.

    :param machine: its name as in the log.
    :param left_out: ``shot_id`` of shots that say nothing of what was handed over: every return, and on this machine
        whatever came after. Returns that choked stay in: a choke is never forgotten.
    :param returned: shots of its return that count: those at the last setting of the last coffee.
    :param choked: settings that choked on its return, whatever the coffee.
    """

    machine: str
    left_out: frozenset[str]
    returned: pd.DataFrame
    choked: tuple[str, ...]


@dataclass(frozen=True)
class Comparison:
    """What was handed over beside what the new owner pulls, and what the difference points to.

    :param clock: where the time handed over starts: pump, first_drip or unknown.
    :param confirmed: shots pulled to confirm that the numbers handed over are of; 0 where they are the recipe.
    :param returned: shots of stage return that the owner's numbers are of.
    :param usual_time_s: times that are no different from the one handed over, as shots of the machine scatter.
    :param advice: what it points to and what to do, the first thing first.
    """

    machine: str
    handed_over: Pulled
    theirs: Pulled
    clock: str
    confirmed: int
    returned: int
    usual_time_s: tuple[float, float]
    advice: tuple[Finding, ...]


@dataclass(frozen=True, eq=False)
class SetupResult:
    """All that is written about one setup; everything in it can be read back from a stored run.

    :param entry: the setup's object in the results file, keys as in its JSON Schema.
    :param slug: file-safe unique name of the setup.
    :param shots: its shots with derived columns.
    :param scores: its scores of the modelled attribute.
    :param readings: its readings.
    :param lattice: the stored surface; ``None`` where there is none.
    :param tables: terms, fit and observations of the surface; ``None`` where there is none.
    :param dial: settings that may be set, one a row: position, grind_setting, shot_time_s; ``None`` without a line.
    :param traces: recordings of its shots; ``None`` where there are none.
    """

    entry: Mapping[str, Any]
    slug: str
    shots: pd.DataFrame
    scores: pd.DataFrame
    readings: pd.DataFrame
    lattice: Lattice | None = None
    tables: SurfaceTables | None = None
    dial: pd.DataFrame | None = None
    traces: pd.DataFrame | None = None

    @property
    def clock(self) -> str | None:
        """The clock of its times, pump or first_drip: the recipe's, else the only one of its shots; else ``None``."""
        if self.entry["aim"]:
            clocks = [self.entry["aim"]["clock"]]
        else:
            clocks = list(self.shots["clock"].dropna().unique()) if "clock" in self.shots else []
        return str(clocks[0]) if len(clocks) == 1 and clocks[0] in ("pump", "first_drip") else None

    def on_card(self) -> OnCard:
        """What the card needs of its shots beside the entry."""
        columns = ("basket_kind", "roast", "served_as")
        told = {name: self.shots[name].dropna().astype(str) for name in columns if name in self.shots}
        roast = told.get("roast", pd.Series(dtype="str"))
        return OnCard(
            pressurised="pressurised" in set(told.get("basket_kind", ())),
            roast=roast.iloc[-1] if len(roast) else "",
            served=tuple(sorted(set(told.get("served_as", ())))),
        )


@dataclass(frozen=True, eq=False)
class RunResult:
    """A whole run.

    :param summary: the results file without its setups: schema, title, created_at, versions, seed, taste, prior,
        sources, findings, handover, tasters.
    :param setups: results in the order of their keys.
    :param records: what was read, kept and set aside.
    :param out: folder the run was written to.
    :param failed: names of writers or setups that failed (exit code 3).
    :param population: what another run may start from; ``None`` where the surface model shares nothing.
    """

    summary: Mapping[str, Any]
    setups: Sequence[SetupResult]
    records: Records
    out: Path | None = None
    failed: tuple[str, ...] = ()
    population: Mapping[str, Any] | None = None


Progress: TypeAlias = Callable[[str, int, int], None]
"""Told ``(stage, done, total)`` on long work."""
