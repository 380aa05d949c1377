"""Surface model ``quadratic``: the classical second-order mixed surface of one setup in coded log factors.

    score = b0 + b1 x1 + b2 x2 + b12 x1 x2 + b11 x1^2 + b22 x2^2 + taster + shot + noise,
    x1 = ln(ratio/2)/ln 1.5,  x2 = ln(time/27)/ln 1.5

Tasters are crossed with shots; variances by REML (:mod:`tastefield.stats.mixed`), then drawn towards what all setups
and a stated prior say, because one setup with few shots cannot tell them. The coefficients b1 ... b22 are drawn
in the same way: unshrunk, the highest point of a noisy surface is mostly luck, and windows were claimed on flat ones.
With ``borrow = false`` they are classical least squares, and with few shots there are fewer terms: a term is kept only
with the lower-order terms it rests on. Either way a setup that does not carry the full surface is a finding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field
from scipy import stats as distributions
from scipy.spatial import cKDTree

import tastefield
from tastefield.errors import NotEnough
from tastefield.hooks import SurfaceModel
from tastefield.records import Context, Floats, Population, Setup, Surface, SurfaceTables, Taste
from tastefield.stats import blup, canonical, hierarchy, hull, mixed, second_order
from tastefield.words.findings import Finding, finding

NAMES = ("ratio", "time")
CENTRE = np.array([2.0, 27.0])
HALF_RANGE = float(np.log(1.5))
LADDER: tuple[tuple[str, ...], ...] = (
    second_order.terms_for(2, 2, NAMES),
    tuple(term for term in second_order.terms_for(2, 2, NAMES) if ":" not in term),
    second_order.terms_for(1, 2, NAMES),
)
"""From the full surface down; single-factor lines and the mean follow in :func:`ladder`."""
SPARE_SHOTS = 3
"""Shots beyond the number of terms before a surface of that many terms is fitted."""
LEAST_SPREAD = 0.06
"""A term needs this standard deviation of its own, in coded units, after what the other terms explain."""
PRIOR_SD = {"shot": 0.35, "noise": 0.8, "taster": 0.6}
"""Prior standard deviations on a 1-9 scale (an assumption of ours), worth PRIOR_DF observations each."""
PRIOR_DF = 4.0
MOST_POOLED_DF = 12.0
"""What the other setups know of a variance counts at most this much: setups differ."""
SHAPE_MEAN = {"1": 6.5, "ratio": 0.0, "time": 0.0, "ratio:time": 0.0, "ratio^2": -0.8, "time^2": -0.8}
SHAPE_SD = {"1": 1.2, "ratio": 0.8, "time": 0.8, "ratio:time": 0.6, "ratio^2": 1.0, "time^2": 1.0}
"""Prior of the coefficients on a 1-9 scale: between "like slightly" and "like moderately" at 1:2 in 27 s, falling off
slowly on all sides (that recipe is common practice, no source; level and fall are assumptions of ours). Without a level
one lucky taste would be believed whole. Worth SHAPE_SETUPS setups against what the bench shows."""
SHAPE_SETUPS = {"1": 4.0, "ratio": 15.0, "time": 15.0, "ratio:time": 15.0, "ratio^2": 15.0, "time^2": 15.0}
"""A setup of few shots shows its level; its slopes hardly, and their mean over few setups is itself in doubt."""
REFITS = 100
SURE_DF = 1e6
"""Degrees of freedom that stand for a normal law."""
MARGIN = 0.15
"""The surface speaks this far (coded units, about 6 %) beyond the hull of the tasted shots."""
REACH = 0.9
"""No further than this from a tasted shot (coded units, about 44 %): it is silent in a gap between two kinds."""
LEVEL = 0.9


class QuadraticOptions(BaseModel):
    """Keys of ``[surface]`` when ``model = "quadratic"``."""

    model_config = ConfigDict(extra="forbid")

    spare_shots: int = Field(default=SPARE_SHOTS, ge=1, le=50)
    """Shots beyond the number of terms before the setup is said to carry that many terms of its own."""
    borrow: bool = True
    """Whether coefficients are drawn towards what all setups and a stated prior say; false is classical."""
    variances: Literal["widened", "fixed", "refitted"] = "widened"
    """How the doubt about the variances is carried: by degrees of freedom, not at all, by refits to made-up scores."""


def code(points: Floats) -> Floats:
    """Coded units of ratio and shot time, shape (n, 2)."""
    return np.asarray(np.log(np.asarray(points, dtype=float) / CENTRE) / HALF_RANGE)


@dataclass(frozen=True, eq=False)
class Scored:
    """The scores of one setup with everything their model needs, one row a score."""

    score: Floats
    points: Floats
    shot_id: tuple[str, ...]
    taster: tuple[str, ...]
    shots: NDArray[np.int64]
    tasters: NDArray[np.int64]
    taster_names: tuple[str, ...]

    @property
    def coded(self) -> Floats:
        return code(self.points)

    @property
    def shot_points(self) -> Floats:
        """Points of the distinct shots."""
        _, first = np.unique(self.shots, return_index=True)
        return self.points[first]

    @property
    def repeated(self) -> bool:
        """Whether enough shots were scored more than once to tell shot from noise."""
        return int((np.bincount(self.shots) > 1).sum()) >= 3


def scored(setup: Setup) -> Scored:
    """Scores joined to their shots, in fixed order; scores of shots without ratio or time are left out here."""
    shots = setup.shots[["shot_id", "ratio", "shot_time_s"]]
    rows = setup.scores[["shot_id", "taster", "score"]].merge(shots, on="shot_id", how="inner").dropna()
    rows = rows.sort_values(["ratio", "shot_time_s", "score", "taster", "shot_id"], kind="stable")
    names, tasters = np.unique(rows["taster"].astype(str).to_numpy(dtype=object).astype(str), return_inverse=True)
    shot_codes = pd.factorize(rows["shot_id"].astype("object"))[0]
    return Scored(
        score=rows["score"].to_numpy(dtype=float),
        points=rows[["ratio", "shot_time_s"]].to_numpy(dtype=float),
        shot_id=tuple(str(value) for value in rows["shot_id"]),
        taster=tuple(str(value) for value in rows["taster"]),
        shots=np.asarray(shot_codes, dtype=np.int64),
        tasters=np.asarray(tasters, dtype=np.int64),
        taster_names=tuple(str(name) for name in names),
    )


def ladder() -> tuple[tuple[str, ...], ...]:
    """Sets of terms from the full surface to the mean, each with the lower-order terms it rests on."""
    mean = second_order.terms_for(0, 2, NAMES)
    single = tuple(
        (
            *mean,
            *(
                term
                for term in LADDER[1]
                if term not in mean and second_order.factors_of(term) in ((name,), (name, name))
            ),
        )
        for name in ("time", "ratio")
    )
    lines = tuple(tuple(term for term in terms if term in LADDER[2] or term in mean) for terms in single)
    return (*LADDER, single[0], lines[0], single[1], lines[1], mean)


def choose_terms(data: Scored, spare_shots: int) -> tuple[str, ...]:
    """The largest set of terms that the distinct shots carry: enough shots, and each term with spread of its own."""
    points = code(data.shot_points)
    for terms in ladder():
        if len(points) < len(terms) + spare_shots and len(terms) > 1:
            continue
        if len(terms) == 1 or _own_spread(second_order.model_matrix(points, terms, NAMES)) >= LEAST_SPREAD:
            return terms
    raise AssertionError("the ladder ends with the mean")


def _own_spread(X: Floats) -> float:
    """Smallest standard deviation of a column after regression on the others; 0 where columns are dependent."""
    if np.linalg.matrix_rank(X) < X.shape[1]:
        return 0.0
    precision = np.diag(np.linalg.inv(X.T @ X))[1:]
    return float(np.sqrt(1.0 / (precision.max() * len(X))))


def scale_unit(taste: Taste) -> float:
    """The scale's length over that of a 1-9 scale: priors are stated for the latter."""
    return (taste.scale[1] - taste.scale[0]) / 8.0


@dataclass(frozen=True)
class Own:
    """What one setup shows by itself.

    :param variances: REML variances by part; ``total`` where shot and noise cannot be told apart.
    :param df: their degrees of freedom.
    """

    variances: Mapping[str, float]
    df: Mapping[str, float]


def own(data: Scored, terms: tuple[str, ...]) -> Own:
    """REML of one setup with the terms it carries."""
    factors: dict[str, NDArray[np.int64]] = {}
    several = len(data.taster_names) > 1
    if several:
        factors["taster"] = data.tasters
    if data.repeated:
        factors["shot"] = data.shots
    n, shots, p = len(data.score), int(data.shots.max()) + 1, len(terms)
    spent = p + len(data.taster_names) - 1
    if n - spent < 1:
        return Own({}, {})
    if np.ptp(data.score) == 0:
        # whole-point scores of few shots are often all alike; REML has nothing to share out
        variances: Mapping[str, float] = dict.fromkeys((*factors, "noise"), 0.0)
    else:
        variances = mixed.fit_crossed(
            data.score, second_order.model_matrix(data.coded, terms, NAMES), factors
        ).variances
    df = {"taster": float(len(data.taster_names) - 1)} if several else {}
    full = len(terms) == len(LADDER[0])  # with fewer terms the hill itself would count as luck of the shot
    if not data.repeated:
        return Own({"total": variances["noise"], **variances}, {"total": float(n - spent), **df} if full else df)
    df["noise"] = float(max(n - shots - spent + p, 1))
    if full:
        df["shot"] = float(max(shots - p, 1))
    return Own(variances, df)


def sums_of(data: Scored, taste: Taste) -> list[float]:
    """What a setup tells of the bench's surfaces, its scores on a scale from 1 to 9 and its variances at the prior."""
    prior = _prior(1.0)
    several = len(data.taster_names) > 1
    V = prior["noise"] * np.eye(len(data.score)) + prior["shot"] * (data.shots[:, None] == data.shots)
    V += several * prior["taster"] * (data.tasters[:, None] == data.tasters)
    score = 1.0 + (data.score - taste.scale[0]) / scale_unit(taste)
    return hierarchy.sums(score, second_order.model_matrix(data.coded, LADDER[0], NAMES), V).plain()


PARTS = ("shot", "noise", "taster", "total")


def _prior(unit: float) -> dict[str, float]:
    prior = {name: (sd * unit) ** 2 for name, sd in PRIOR_SD.items()}
    return {**prior, "total": prior["shot"] + prior["noise"]}


def _toward(estimate: float, df: float, target: float, weight: float) -> float:
    return (df * estimate + weight * target) / (df + weight)


@dataclass(frozen=True, eq=False, kw_only=True)
class QuadraticSurface(Surface):
    """Answers of a fitted surface; see :class:`tastefield.records.Surface`."""

    model: str
    tables: SurfaceTables
    findings: tuple[Finding, ...]
    stationary: dict[str, Any] | None
    shot_var: float
    shot_var_range: tuple[float, float]
    noise_var: float
    draw_df: float
    terms: tuple[str, ...]
    estimates: Floats
    covariance: Floats
    extra_var: float
    support: hull.Support
    tasted: Floats
    factors: tuple[str, ...] = field(default=("ratio", "shot_time_s"))

    def _design(self, points: Floats) -> Floats:
        return np.asarray(second_order.model_matrix(code(points), self.terms, NAMES), dtype=float)

    def mean(self, points: Floats) -> Floats:
        return np.asarray(self._design(points) @ self.estimates)

    def sd(self, points: Floats) -> Floats:
        return self._sd(self._design(points))

    def outlook(self, points: Floats, good: float, shot_vars: Sequence[float]) -> tuple[Floats, list[Floats]]:
        design = self._design(points)  # once for both
        return self._chances(np.asarray(design @ self.estimates), self._sd(design), good, shot_vars)

    def directions(self, points: Floats, seed: int) -> Floats:
        return self._directions(self._design(points))

    def _sd(self, design: Floats) -> Floats:
        # through the root: the variance cannot come out negative, and one product serves many points
        return np.asarray(np.sqrt((self._directions(design) ** 2).sum(axis=1)))

    def _directions(self, design: Floats) -> Floats:
        root = np.linalg.cholesky(self.covariance + 1e-12 * np.eye(len(self.covariance)))
        return np.column_stack([design @ root, np.full(len(design), np.sqrt(self.extra_var))])

    def draws(self, points: Floats, n: int, seed: int) -> Floats:
        rng = np.random.default_rng(seed)
        root = np.linalg.cholesky(self.covariance + 1e-12 * np.eye(len(self.covariance)))
        normal = rng.standard_normal((n, len(self.estimates))) @ root.T
        level = rng.standard_normal((n, 1)) * np.sqrt(self.extra_var)
        widen = np.sqrt(self.draw_df / rng.chisquare(self.draw_df, (n, 1)))
        return np.asarray(self.mean(points) + widen * (normal @ self._design(points).T + level))

    def speaks_for(self, points: Floats) -> NDArray[np.bool_]:
        x = code(points)
        nearest, _ = cKDTree(self.tasted).query(x)
        return np.asarray(self.support.contains(x) & (nearest <= REACH))


class Quadratic(SurfaceModel):
    """The classical quadratic; its population is the variances that all setups share."""

    name = "quadratic"
    Options = QuadraticOptions

    def gather(self, setups: Sequence[Setup], ctx: Context) -> Any:
        """Variance times degrees of freedom by part, summed; and the sums of each setup's own regression."""
        variances = {part: [0.0, 0.0] for part in PARTS}
        regressions = []
        for setup in setups:
            data = scored(setup)
            if not len(data.score):
                continue
            alone = own(data, choose_terms(data, ctx.options.spare_shots))  # type: ignore[attr-defined]
            unit = scale_unit(setup.taste)
            for part, df in alone.df.items():
                total, known = variances[part]
                variances[part] = [total + df * alone.variances[part] / unit**2, known + df]
            regressions.append(sums_of(data, setup.taste))
        return {"variances": variances, "regressions": regressions}

    def learn(self, gathered: Sequence[Any], prior: Population | None, ctx: Context) -> Population:
        """Variances added up, in order; the surfaces of all setups as one population. All on a scale from 1 to 9."""
        regressions = [row for part in gathered for row in part["regressions"]]
        mean, sd, worth = ([table[term] for term in LADDER[0]] for table in (SHAPE_MEAN, SHAPE_SD, SHAPE_SETUPS))
        found = hierarchy.learn(regressions, mean, sd, worth, PRIOR_DF)
        return {
            "variances": {part: [sum(g["variances"][part][i] for g in gathered) for i in (0, 1)] for part in PARTS},
            "mean": found.mean.tolist(),
            "sd": found.sd.tolist(),
            "scale": found.scale,
        }

    def fit(self, setup: Setup, population: Population, ctx: Context) -> Surface:
        data = scored(setup)
        if not len(data.score):
            raise NotEnough(
                "no tasted shot has both a weight out and a time",
                "taste a shot and write down its dose, weight out and time",
            )
        carried = choose_terms(data, ctx.options.spare_shots)  # type: ignore[attr-defined]
        borrow = bool(ctx.options.borrow)  # type: ignore[attr-defined]
        terms = LADDER[0] if borrow else carried
        X = np.asarray(second_order.model_matrix(data.coded, terms, NAMES), dtype=float)
        variances, df = self._variances(data, carried, setup.taste, population)
        shape = shape_prior(population, setup.taste) if borrow else None
        tasters = max(len(setup.tasters), len(data.taster_names))
        fit, estimates, covariance = _at(data, X, variances, shape, tasters)
        how = ctx.options.variances  # type: ignore[attr-defined]
        if how == "refitted":
            rng = np.random.default_rng(ctx.seed)
            made_up = (_made_up(data, X @ fit.fixed, variances, rng) for _ in range(REFITS))
            refits = [
                # the truth is taken to lie as many times off the estimate as the estimate off its refit
                {part: variances[part] ** 2 / value for part, value in refit.items()}
                for refit in (self._variances(again, carried, setup.taste, population)[0] for again in made_up)
            ]
            answers = [_at(data, X, refit, shape, tasters)[1:] for refit in refits]
            means = np.array([mean for mean, _ in answers])
            estimates = means.mean(axis=0)
            covariance = np.mean([cov for _, cov in answers], axis=0) + np.cov(means.T)
            variances = {part: float(np.mean([refit[part] for refit in refits])) for part in variances}
        if how != "widened":
            df = SURE_DF
        unknown = tasters - len(data.taster_names)
        return QuadraticSurface(
            model=self.name,
            tables=_tables(data, X, terms, carried, estimates, covariance, df, fit, variances, how),
            findings=_findings(data, carried, borrow),
            stationary=_stationary(terms, estimates, covariance),
            shot_var=variances["shot"],
            shot_var_range=_shot_range(data, variances),
            noise_var=variances["noise"],
            draw_df=df,
            terms=terms,
            estimates=np.asarray(estimates, dtype=float),
            covariance=np.asarray(covariance, dtype=float),
            extra_var=float(unknown * variances["taster"] / tasters**2),
            support=hull.Support.around(code(data.shot_points), MARGIN),
            tasted=code(data.shot_points),
        )

    def _variances(
        self, data: Scored, carried: tuple[str, ...], taste: Taste, population: Population
    ) -> tuple[dict[str, float], float]:
        """The setup's own REML variances drawn towards the bench's, those towards the prior; and the surface's df."""
        unit = scale_unit(taste)
        prior = {part: value * population.get("scale", 1.0) for part, value in _prior(unit).items()}
        pooled, weight = {}, {}
        for part in PARTS:
            total, df = population.get("variances", {}).get(part, [0.0, 0.0])
            pooled[part] = (total * unit**2 + PRIOR_DF * prior[part]) / (df + PRIOR_DF)
            weight[part] = min(df + PRIOR_DF, MOST_POOLED_DF)
        alone = own(data, carried)
        result = {
            part: _toward(alone.variances.get(part, 0.0), alone.df.get(part, 0.0), pooled[part], weight[part])
            for part in PARTS
        }
        if data.repeated:
            return result, alone.df.get("shot", 0.0) + weight["shot"]
        share = pooled["shot"] / (pooled["shot"] + pooled["noise"])
        result["shot"], result["noise"] = share * result["total"], (1 - share) * result["total"]
        return result, alone.df.get("total", 0.0) + weight["total"]


def _at(
    data: Scored, X: Floats, variances: Mapping[str, float], shape: tuple[Floats, Floats] | None, tasters: int
) -> tuple[blup.Blup, Floats, Floats]:
    """The fit at these variances, and the coefficients of a typical taster with their covariance.

    The intercept carries the typical taster's level, so that one covariance serves every point.
    """
    factors = {"shot": data.shots, "taster": data.tasters} if tasters > 1 else {"shot": data.shots}
    used = {part: variances[part] for part in (*factors, "noise")}
    fit = blup.fit(data.score, X, factors, used, data.shots, shape)
    typical = None
    if tasters > 1:
        typical = {"taster": np.zeros((X.shape[1], len(data.taster_names)))}
        typical["taster"][0] = 1.0 / tasters
    estimates, covariance = fit.predict(np.eye(X.shape[1]), typical)
    return fit, estimates, covariance


def _made_up(data: Scored, expected: Floats, variances: Mapping[str, float], rng: np.random.Generator) -> Scored:
    """The same shots and tasters with scores drawn anew about what is expected."""
    score = expected + np.sqrt(variances["noise"]) * rng.standard_normal(len(expected))
    score += np.sqrt(variances["shot"]) * rng.standard_normal(int(data.shots.max()) + 1)[data.shots]
    if len(data.taster_names) > 1:
        score += np.sqrt(variances["taster"]) * rng.standard_normal(len(data.taster_names))[data.tasters]
    return replace(data, score=score)


def shape_prior(population: Population, taste: Taste) -> tuple[Floats, Floats]:
    """Mean and precision of the coefficients on the scale of the scores: what the bench shows, or the stated prior."""
    unit = scale_unit(taste)
    mean = np.array(population.get("mean", [SHAPE_MEAN[term] for term in LADDER[0]])) * unit
    sd = np.array(population.get("sd", [SHAPE_SD[term] for term in LADDER[0]])) * unit
    mean[0] += taste.scale[0] - unit  # the level, told for a scale that starts at 1
    return mean, 1.0 / sd**2


def _shot_range(data: Scored, variances: dict[str, float]) -> tuple[float, float]:
    if data.repeated:
        return variances["shot"], variances["shot"]
    return 0.0, variances["shot"] + variances["noise"]


def _findings(data: Scored, carried: tuple[str, ...], borrow: bool) -> tuple[Finding, ...]:
    notes = []
    shots = len(data.shot_points)
    if len(carried) < len(LADDER[0]):
        left_out = ", ".join(term for term in LADDER[0] if term not in carried)
        if borrow:
            notes.append(finding("shape_is_borrowed", {"terms": left_out}, shots=shots))
        elif len(carried) == 1:
            notes.append(finding("surface_is_a_mean", shots=shots))
        else:
            notes.append(finding("fewer_terms", shots=shots, terms=left_out))
    if not data.repeated:
        notes.append(finding("shot_and_noise_together"))
    return tuple(notes)


def _stationary(terms: tuple[str, ...], estimates: Floats, covariance: Floats) -> dict[str, Any] | None:
    """Canonical analysis in natural units; ``None`` unless all second-order terms were fitted."""
    if len(terms) < len(LADDER[0]):
        return None
    form = second_order.quadratic_form(terms, estimates, covariance, NAMES)
    found = canonical.analyse(form.linear, form.quadratic)
    if found.point is None:
        return None
    ratio, time = CENTRE * np.exp(np.clip(np.asarray(found.point) * HALF_RANGE, -20.0, 20.0))
    return {
        "ratio": float(ratio),
        "shot_time_s": float(time),
        "nature": str(found.nature),
        "eigenvalues": [float(value) for value in found.eigenvalues],
    }


def _tables(
    data: Scored,
    X: Floats,
    terms: tuple[str, ...],
    carried: tuple[str, ...],
    estimates: Floats,
    covariance: Floats,
    df: float,
    fit: blup.Blup,
    variances: dict[str, float],
    how: str,
) -> SurfaceTables:
    error = np.sqrt(np.diag(covariance))
    half = float(distributions.t.ppf(0.5 + LEVEL / 2, df)) * error
    fitted = X @ estimates
    return SurfaceTables(
        terms=pd.DataFrame(
            {
                "term": list(terms),
                "estimate": estimates,
                "std_error": error,
                "df": df,
                "lower": estimates - half,
                "upper": estimates + half,
            }
        ),
        fit=pd.DataFrame(
            [
                {
                    "model": "quadratic",
                    "shots": len(data.shot_points),
                    "scores": len(data.score),
                    "tasters": len(data.taster_names),
                    "terms": len(carried),
                    "df": df,
                    "loglik": float(fit.loglik),
                    "shot_var": variances["shot"],
                    "noise_var": variances["noise"],
                    "taster_var": variances["taster"],
                    "variances": how,
                    "skill": _skill(data, fit.left_out),
                }
            ]
        ),
        observations=pd.DataFrame(
            {
                "shot_id": list(data.shot_id),
                "taster": list(data.taster),
                "ratio": data.points[:, 0],
                "shot_time_s": data.points[:, 1],
                "score": data.score,
                "fitted": fitted,
                "residual": data.score - fitted,
            }
        ),
    )


def _skill(data: Scored, left_out: Floats) -> float | None:
    """1 - squared error of predicting each shot from the others over that of predicting it by their mean."""
    shots = int(data.shots.max()) + 1
    if shots < 3 or not np.isfinite(left_out).all():
        return None
    total = data.score.sum()
    apart = np.array([(total - data.score[data.shots == s].sum()) / (data.shots != s).sum() for s in range(shots)])
    mean_error = float(((data.score - apart[data.shots]) ** 2).sum())
    return 1.0 - float((left_out**2).sum()) / mean_error if mean_error > 0 else None


@tastefield.hookimpl
def tastefield_surfaces() -> list[SurfaceModel]:
    """The quadratic."""
    return [Quadratic()]
