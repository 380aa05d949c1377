"""Surface model ``pooled``: all setups at once; a shared smooth surface, and departures by coffee, machine and setup.

What few shots of one setup cannot say is taken from the others, as far as setups, coffees and machines have shown to be
alike; the fitting stands in :mod:`tastefield.stats.pooled`. Here scores become its rows, and its answers a surface.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special
from scipy import stats as distributions

import tastefield
from tastefield.errors import NotEnough
from tastefield.hooks import SurfaceModel
from tastefield.records import Context, Floats, Population, Setup, Surface, SurfaceTables, Taste
from tastefield.stats import hull, pooled
from tastefield.stats.pooled import appeal
from tastefield.tables.outcome import ran
from tastefield.words.findings import Finding, finding
from tastefield_plugins.fit_pooled.shared import CENTRE, CODING, HALF_RANGE, PooledShared, corners

MARGIN = 0.15
"""The surface speaks this far (coded units, about 6 %) beyond the hull of the bench's tasted shots."""
LEVEL = 0.9
TOLD_HALO = 0.25
"""Points on a scale from 1 to 9 from which on a halo is told."""
MOST_PULLED = 60
"""Shots of a setup of which it is asked at most why they were served."""
HALVINGS = 40
"""Of the bracket about a quantile of several normal densities together."""
DOSE_STEP, AGE_STEP_DAYS = 0.1, 10.0
"""Units of the small effects of dose and coffee age. A recipe is told for the usual dose and the coffee as old as it
was at the last shot: what coffees of other ages taste like says more of the coffees than of their age."""


def code(points: Floats) -> Floats:
    """Coded units of ratio and shot time, shape (n, 2)."""
    return np.asarray(np.log(np.asarray(points, dtype=float) / CENTRE) / HALF_RANGE)


def unit(taste: Taste) -> float:
    """The scale's length over that of a 1-9 scale, on which everything is learned."""
    return (taste.scale[1] - taste.scale[0]) / 8.0


def scored(setup: Setup) -> pd.DataFrame:
    """Scores joined to their shots; scores of shots without ratio or time are left out here."""
    columns = ["shot_id", "ratio", "shot_time_s", "dose_g", "coffee_age_days", "session", "pulled_at", "time_off"]
    shots = setup.shots[columns]
    rows = setup.scores.merge(shots, on="shot_id", how="inner", suffixes=("", "_of_shot"))
    return rows.dropna(subset=["ratio", "shot_time_s", "score"]).reset_index(drop=True)


def rows_of(setup: Setup) -> pooled.SetupRows:
    """A setup as the rows that learning takes."""
    rows, shots = scored(setup), setup.shots.sort_values(["pulled_at", "place", "row"], kind="stable")
    number = {shot: at for at, shot in enumerate(shots["shot_id"])}
    usual = replace(setup, shots=shots).usual_dose() or np.nan
    order, ages = _column(rows, "serving_order"), shots["coffee_age_days"].dropna()
    order = order - np.nanmean(order) if np.isfinite(order).any() else order
    now_days = float(ages.iloc[-1]) if len(ages) else np.nan
    return pooled.SetupRows(
        name=setup.name,
        machine=setup.machine,
        coffee=str(shots["coffee"].iloc[0]),
        roast=_last(shots["roast"]),
        kinds=(_last(shots["machine_model"]), _last(shots["grinder_model"])),
        score=1.0 + (rows["score"].to_numpy(dtype=float) - setup.taste.scale[0]) / unit(setup.taste),
        points=code(rows[["ratio", "shot_time_s"]].to_numpy(dtype=float)),
        shot=_numbers(rows["shot_id"], number),
        taster=tuple(str(taster) for taster in rows["taster"]),
        session=tuple(_session(row) for row in rows.to_dict("records")),
        covariates=_covariates(rows, order, usual, now_days),
        off=rows["time_off"].to_numpy(dtype=float) / HALF_RANGE,
        readings=_readings(setup, number),
        pulled=_pulled(shots, set(rows["shot_id"]), number, usual, now_days),
    )


def _covariates(rows: pd.DataFrame, order: Floats | float, usual_g: float, now_days: float) -> Floats:
    """Log dose about the usual one, place in the serving, and age of the coffee, (n, 3); 0 where unknown."""
    found = np.column_stack(
        [
            np.log(rows["dose_g"].to_numpy(dtype=float) / usual_g) / DOSE_STEP,
            np.broadcast_to(order, len(rows)),
            (rows["coffee_age_days"].to_numpy(dtype=float) - now_days) / AGE_STEP_DAYS,
        ]
    )
    return np.asarray(np.clip(np.nan_to_num(found), -5.0, 5.0))


def _pulled(
    shots: pd.DataFrame, tasted: set[str], number: dict[str, int], usual_g: float, now_days: float
) -> pooled.Pulled | None:
    """The last shots that ran, served or not, where any was.

    A shot whose score is kept from teaching says nothing, and neither do shots beyond ``MOST_PULLED``: one setup is one
    dense block, and logs that a machine writes are long.
    """
    turn = np.arange(len(shots)) / max(len(shots) - 1, 1) - 0.5
    served = shots["shot_id"].isin(tasted).to_numpy()
    known = (ran(shots) & shots[["ratio", "shot_time_s"]].notna().all(axis=1)).to_numpy()
    says = known & (served | ~shots["scored"].to_numpy(dtype=bool))
    if not served.any():
        return None
    says &= np.cumsum(says[::-1])[::-1] <= MOST_PULLED
    shots = shots[says]
    return pooled.Pulled(
        points=code(shots[["ratio", "shot_time_s"]].to_numpy(dtype=float)),
        shot=_numbers(shots["shot_id"], number),
        served=served[says],
        turn=turn[says],
        off=shots["time_off"].to_numpy(dtype=float) / HALF_RANGE,
        covariates=_covariates(shots, 0.0, usual_g, now_days),
    )


def _readings(setup: Setup, number: dict[str, int]) -> pooled.Readings | None:
    """Extraction of the shots that were read, where the bench knows what ratio and time lead to expect of it."""
    line = setup.bench.extraction
    read = setup.shots.dropna(subset=["extraction_pct", "u_extraction_pct", "ratio", "shot_time_s"])
    if line is None or read.empty:
        return None
    percent = read["extraction_pct"].to_numpy(dtype=float)
    error = read["u_extraction_pct"].to_numpy(dtype=float) / percent
    return pooled.Readings(
        extraction=np.log(percent / pooled.USUAL_EXTRACTION_PCT) / pooled.EXTRACTION_UNIT,
        points=code(read[["ratio", "shot_time_s"]].to_numpy(dtype=float)),
        shot=_numbers(read["shot_id"], number),
        error_var=(error / pooled.EXTRACTION_UNIT) ** 2,
        off=read["time_off"].to_numpy(dtype=float) / HALF_RANGE,
        departure_var=line.residual_var / pooled.EXTRACTION_UNIT**2,
    )


def _numbers(shots: pd.Series, number: dict[str, int]) -> NDArray[np.int64]:
    return np.array([number[shot] for shot in shots], dtype=np.int64)


def _column(rows: pd.DataFrame, column: str) -> Floats:
    return np.asarray(rows[column] if column in rows else np.full(len(rows), np.nan), dtype=float)


def _last(column: pd.Series) -> str:
    known = column.dropna()
    return str(known.iloc[-1]) if len(known) else ""


def _session(row: dict[Any, Any]) -> str:
    """The sitting a score belongs to: as written, else its day."""
    for value in (row.get("session"), row.get("session_of_shot")):
        if value is not None and pd.notna(value):
            return str(value)
    return "" if pd.isna(row["pulled_at"]) else pd.Timestamp(row["pulled_at"]).date().isoformat()


@dataclass(frozen=True, eq=False, kw_only=True)
class PooledSurface(Surface):
    """Answers of a learned surface; see :class:`tastefield.records.Surface`."""

    model: str
    tables: SurfaceTables
    findings: tuple[Finding, ...]
    shot_var: float
    shot_var_range: tuple[float, float]
    noise_var: float
    time_felt: float
    coefficients: Floats
    root: Floats
    shift: Floats
    offset: float
    unit: float
    support: hull.Support
    region: tuple[tuple[float, float], tuple[float, float]]
    factors: tuple[str, ...] = field(default=("ratio", "shot_time_s"))

    def columns(self, points: Floats) -> Floats:
        """Columns of the functions at the points less the shift."""
        return pooled.basis.expand(code(points) - self.shift)

    def appeal(self, points: Floats) -> tuple[Floats, Floats]:
        """Mean and standard deviation (n,) of the appeal, which is normal; scale from 1 to 9."""
        columns = self.columns(points)
        return columns @ self.coefficients, _sizes(columns @ self.root)

    def mean(self, points: Floats) -> Floats:
        return self._told(appeal.moments(*self.appeal(points))[0])

    def sd(self, points: Floats) -> Floats:
        return np.asarray(self.unit * appeal.moments(*self.appeal(points))[1])

    def draws(self, points: Floats, n: int, seed: int) -> Floats:
        return self._told(appeal.score_of(self._drawn(points, n, seed)))

    def directions(self, points: Floats, seed: int) -> Floats:
        columns = self.columns(points)
        directions = columns @ self.root
        sd = appeal.moments(columns @ self.coefficients, _sizes(directions))[1]
        return _shown(directions, self.unit * sd)

    def outlook(self, points: Floats, good: float, shot_vars: Sequence[float]) -> tuple[Floats, list[Floats]]:
        mean, sd = self.appeal(points)  # once for both
        needed, lucks = self._needed(good, shot_vars)
        with np.errstate(divide="ignore"):
            chances = [special.ndtr((mean - needed) / np.sqrt(sd**2 + luck)) for luck in lucks]
        return self._told(appeal.moments(mean, sd)[0]), chances

    def interval(self, points: Floats, level: float) -> tuple[Floats, Floats]:
        mean, sd = self.appeal(points)
        half = special.ndtri(0.5 + level / 2) * sd
        return self._told(appeal.score_of(mean - half)), self._told(appeal.score_of(mean + half))

    def _drawn(self, points: Floats, n: int, seed: int) -> Floats:
        columns = self.columns(points)
        normal = np.random.default_rng(seed).standard_normal((n, self.root.shape[1]))
        return np.asarray(columns @ self.coefficients + normal @ (columns @ self.root).T)

    def _told(self, scores: Floats) -> Floats:
        """Scores from 1 to 9 on the scale of this setup."""
        return np.asarray(self.offset + self.unit * scores)

    def _needed(self, good: float, shot_vars: Sequence[float]) -> tuple[float, list[float]]:
        """Appeal that a good shot needs, and the variance of its luck in appeal."""
        needed = float(appeal.appeal_of((good - self.offset) / self.unit))
        return needed, [shot_var / self.unit**2 for shot_var in shot_vars]

    def speaks_for(self, points: Floats) -> NDArray[np.bool_]:
        return np.asarray(self.support.contains(code(points)))


@dataclass(frozen=True, eq=False, kw_only=True)
class OfSomeCoffee(PooledSurface):
    """A machine with a coffee that nobody tasted: as likely like each of those tasted as like any other.

    A sum of normal densities, one a coffee, so that two kinds of coffee are not averaged into a third that is neither.

    :param coffees: (k, WIDTH) what each changes, 0 on average; ``root`` is of the doubt beyond that.
    :param moves: (k, 2) where the best of each lies, from that of all, coded.
    """

    coffees: Floats
    moves: Floats

    def changes(self, points: Floats) -> Floats:
        """What each coffee changes of the appeal, (k, n)."""
        at = code(points)
        usual = pooled.basis.at(at - self.shift, self.coefficients)
        there = zip(self.coffees, self.moves, strict=True)
        found = [pooled.basis.at(at - move, self.coefficients + change) for change, move in there]
        return np.asarray(found) - usual

    def mean(self, points: Floats) -> Floats:
        (mean, sd), changes = self.appeal(points), self.changes(points)
        return self._told(_moments(mean + changes, sd)[0])

    def sd(self, points: Floats) -> Floats:
        (mean, sd), changes = self.appeal(points), self.changes(points)
        return np.asarray(self.unit * _moments(mean + changes, sd)[1])

    def draws(self, points: Floats, n: int, seed: int) -> Floats:
        which = np.random.default_rng([seed, 1]).integers(len(self.coffees), size=n)
        return self._told(appeal.score_of(self._drawn(points, n, seed) + self.changes(points)[which]))

    def directions(self, points: Floats, seed: int) -> Floats:
        columns, changes = self.columns(points), self.changes(points)
        rest = columns @ self.root
        sd = _moments(columns @ self.coefficients + changes, _sizes(rest))[1]
        return _shown(np.hstack([rest, changes.T / np.sqrt(len(self.coffees))]), self.unit * sd)

    def outlook(self, points: Floats, good: float, shot_vars: Sequence[float]) -> tuple[Floats, list[Floats]]:
        (mean, sd), changes = self.appeal(points), self.changes(points)
        needed, lucks = self._needed(good, shot_vars)
        with np.errstate(divide="ignore"):
            z = [(mean + changes - needed) / np.sqrt(sd**2 + luck) for luck in lucks]
        alike = [special.ndtr(one).mean(axis=0) for one in z]
        return self._told(_moments(mean + changes, sd)[0]), [self._of_another(chance) for chance in alike]

    def _of_another(self, chance: Floats) -> Floats:
        """Chance that one more coffee is good, of the mean chance of those known: Laplace's rule of succession.

        Few coffees do not tell how the next one may be: of six that are all good here the seventh is in seven of eight.
        """
        known = len(self.coffees)
        return np.asarray((known * chance + 1.0) / (known + 2.0))

    def interval(self, points: Floats, level: float) -> tuple[Floats, Floats]:
        (mean, sd), changes = self.appeal(points), self.changes(points)
        limits = []
        for tail in (0.5 - level / 2, 0.5 + level / 2):
            each = special.ndtri(tail) * sd + changes
            low, high = each.min(axis=0), each.max(axis=0)
            for _ in range(HALVINGS):
                middle = 0.5 * (low + high)
                under = special.ndtr((middle - changes) / sd).mean(axis=0) < tail
                low, high = np.where(under, middle, low), np.where(under, high, middle)
            limits.append(self._told(appeal.score_of(mean + 0.5 * (low + high))))
        return limits[0], limits[1]


def _shown(directions: Floats, sd: Floats) -> Floats:
    """Directions (n, r) of the appeal as far as the score shows them: their squares sum to its variance, sd^2 (n,)."""
    return np.asarray(directions * (sd / np.maximum(_sizes(directions), 1e-300))[:, None])


def _sizes(directions: Floats) -> Floats:
    """Standard deviation (n,) of what has these directions (n, r)."""
    return np.asarray(np.sqrt(np.einsum("nr,nr->n", directions, directions)))


def _moments(means: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Mean and standard deviation (n,) of scores whose appeal is one of k normals of means (k, n), each as likely."""
    expected, sds = appeal.moments(means, np.broadcast_to(sd, means.shape))
    return expected.mean(axis=0), np.sqrt((sds**2).mean(axis=0) + expected.var(axis=0))


class Pooled(SurfaceModel):
    """All setups as one process; its population is what the bench shares, and the answer of each setup."""

    name = "pooled"
    Shared = PooledShared

    def gather(self, setups: Sequence[Setup], ctx: Context) -> Any:
        """The scores of each setup as rows: their sums would depend on variances that are still to be found."""
        return [rows_of(setup) for setup in setups if len(setup.shots)]

    def learn(self, gathered: Sequence[Any], prior: Population | None, ctx: Context) -> Population:
        setups = [rows for part in gathered for rows in part]
        learned = pooled.learn(setups, **_told(prior)) if prior else pooled.learn(setups)
        mean, cov = learned.spread.summary()
        tasted = np.vstack([learned.support, np.reshape(prior["corners"] if prior else [], (-1, 2))])
        return {
            "coding": CODING,
            "length": list(learned.spread.best.length),
            "theta": mean.tolist(),
            "theta_cov": cov.tolist(),
            "hub": {"precision": learned.message.precision.tolist(), "told": learned.message.told.tolist()},
            "setups": {key: _plain(known) for key, known in learned.setups.items()},
            "machines": {key: _plain(known) for key, known in learned.machines.items()},
            "coffees": learned.coffees.tolist(),
            "moves": learned.moves.tolist(),
            "apart": learned.apart.tolist(),
            "time_felt": [learned.felt.mean, learned.felt.sd],
            "halo": learned.halo.height,
            "unscored_are_poor": learned.served.tells,
            "variances": _variances(learned),
            "support": hull.Support.around(tasted, MARGIN).vertices.tolist() if len(tasted) else [],
            "corners": corners(tasted),
        }

    def join(self, shared: Sequence[Population], weights: Sequence[float], ctx: Context) -> Population:
        means = [np.array(one["theta"]) for one in shared]
        theta, cov = pooled.parts.joined(means, [np.array(one["theta_cov"]) for one in shared], weights)
        hub = pooled.Message.joined([_message(one) for one in shared], weights)
        time_felt = pooled.felt.joined([pooled.Felt(*one["time_felt"]) for one in shared], weights)
        tasted = np.vstack([np.reshape(one["corners"], (-1, 2)) for one in shared])
        most = max(shared, key=lambda one: float(np.trace(one["hub"]["precision"])))
        return {
            "coding": CODING,
            "length": most["length"],
            "theta": theta.tolist(),
            "theta_cov": cov.tolist(),
            "hub": {"precision": hub.precision.tolist(), "told": hub.told.tolist()},
            "corners": corners(tasted),
            "apart": np.average([one["apart"] for one in shared], axis=0, weights=weights).tolist(),
            "time_felt": [time_felt.mean, time_felt.sd],
        }

    def fit(self, setup: Setup, population: Population, ctx: Context) -> Surface:
        if not len(setup.shots):
            raise NotEnough("no shot was recorded", "pull a shot, taste it and write down dose, weight out and time")
        if not population["support"]:
            raise NotEnough(
                "no tasted shot has both a weight out and a time",
                "taste a shot and write down its dose, weight out and time",
            )
        known = population["setups"].get(setup.name)
        if known is None:
            return self.fit(setup, self.learn([self.gather([setup], ctx)], population, ctx), ctx)
        return _surface(setup, known, population)

    def untasted(self, setup: Setup, population: Population, ctx: Context) -> Surface | None:
        """Its machine's surface; the coffee may be like any that was tasted, more or less."""
        known = population["machines"].get(setup.machine)
        if known is None or not population["support"]:
            return None
        surface = _surface(setup, known, population)
        kinds = {name: np.array(population[name], dtype=float) for name in ("coffees", "moves")}
        return OfSomeCoffee(**{**vars(surface), **kinds})


def _message(population: Population) -> pooled.Message:
    return pooled.Message(np.array(population["hub"]["precision"]), np.array(population["hub"]["told"]))


def _told(population: Population) -> dict[str, Any]:
    """What an earlier learning leaves to a new one."""
    return {
        "message": _message(population),
        "prior": pooled.Prior.told(np.array(population["theta"]), np.array(population["theta_cov"])),
        "length": tuple(population["length"]),
        "apart": np.array(population["apart"]),
        "time_felt": pooled.Felt(*population["time_felt"]).told(),
    }


def _plain(known: pooled.Known) -> dict[str, Any]:
    return {"mean": known.mean.tolist(), "root": known.root.tolist(), "shift": known.shift.tolist()}


def _variances(learned: pooled.Learned) -> dict[str, list[float]]:
    """Mean, and 5 % and 95 % of the variance of each part that a single score shows."""
    found = {}
    for part in ("shot", "noise", "taster"):
        at = pooled.parts.NAMES.index(part)
        mean, cov = learned.spread.summary()
        half = float(distributions.norm.ppf(0.5 + LEVEL / 2) * np.sqrt(cov[at, at]))
        value = float((learned.sds[:, at] ** 2).mean())
        found[part] = [value, float(np.exp(2 * (mean[at] - half))), float(np.exp(2 * (mean[at] + half)))]
    return found


def _surface(setup: Setup, known: dict[str, Any], population: Population) -> PooledSurface:
    scale = unit(setup.taste)
    variances = {part: [value * scale**2 for value in values] for part, values in population["variances"].items()}
    shot, low, high = variances["shot"]
    root = np.array(known["root"], dtype=float)
    support = hull.Support(np.array(population["support"], dtype=float), MARGIN)
    ratio, time = (CENTRE * np.exp(np.array(support.bounds) * HALF_RANGE)).T.tolist()
    surface = PooledSurface(
        model="pooled",
        tables=SurfaceTables(pd.DataFrame(), pd.DataFrame(), pd.DataFrame()),
        findings=(
            *_flattered(population["halo"], scale),
            *(_unscored(setup) if population["unscored_are_poor"] else ()),
        ),
        shot_var=shot,
        shot_var_range=(min(low, shot), max(high, shot)),
        noise_var=variances["noise"][0],
        time_felt=population["time_felt"][0],
        coefficients=np.array(known["mean"], dtype=float),
        root=root,
        shift=np.array(known["shift"], dtype=float),
        offset=setup.taste.scale[0] - scale,
        unit=scale,
        support=support,
        region=((ratio[0], ratio[1]), (time[0], time[1])),
    )
    return _with_tables(surface, setup, variances)


def _flattered(halo: float, scale: float) -> tuple[Finding, ...]:
    """What is to be said of a halo, in points of a scale from 1 to 9, of which ``scale`` are one of the setup's own."""
    return (finding("time_flattered", points=f"{halo * scale:.1f}"),) if halo >= TOLD_HALO else ()


def _unscored(setup: Setup) -> tuple[Finding, ...]:
    pulled = rows_of(setup).pulled
    count = 0 if pulled is None else int((~pulled.served).sum())
    return (finding("unscored_are_poor", count=count),) if count else ()


def _with_tables(surface: PooledSurface, setup: Setup, variances: dict[str, list[float]]) -> PooledSurface:
    rows = scored(setup)
    usual = CENTRE[None, :]
    mean, error = float(surface.mean(usual)[0]), float(surface.sd(usual)[0])
    lower, upper = (float(limit[0]) for limit in surface.interval(usual, LEVEL))
    points = rows[["ratio", "shot_time_s"]].to_numpy(dtype=float)
    fitted = surface.mean(points) if len(points) else np.empty(0)
    tables = SurfaceTables(
        terms=pd.DataFrame([{"term": "1", "estimate": mean, "std_error": error, "lower": lower, "upper": upper}]),
        fit=pd.DataFrame(
            [
                {
                    "model": "pooled",
                    "shots": rows["shot_id"].nunique(),
                    "scores": len(rows),
                    "tasters": rows["taster"].nunique(),
                    "shot_var": variances["shot"][0],
                    "noise_var": variances["noise"][0],
                    "taster_var": variances["taster"][0],
                }
            ]
        ),
        observations=pd.DataFrame(
            {
                "shot_id": rows["shot_id"].astype(str),
                "taster": rows["taster"].astype(str),
                "ratio": points[:, 0],
                "shot_time_s": points[:, 1],
                "score": rows["score"].astype(float),
                "fitted": fitted,
                "residual": rows["score"].to_numpy(dtype=float) - fitted,
            }
        ),
    )
    once = len(rows) > 0 and not rows["shot_id"].duplicated().any()
    notes = (finding("shot_and_noise_together"),) if once else ()
    return replace(surface, tables=tables, findings=(*surface.findings, *notes))


@tastefield.hookimpl
def tastefield_surfaces() -> list[SurfaceModel]:
    """The pooled surface."""
    return [Pooled()]
