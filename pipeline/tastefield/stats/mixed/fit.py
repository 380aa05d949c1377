"""One setup: fit, predictions, degrees of freedom."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from tastefield.errors import FitError, Problem
from tastefield.stats.mixed import criterion, profile, stack
from tastefield.stats.mixed.check import NOTHING_LEFT, check_rank, check_rows
from tastefield.stats.mixed.confounded import Confounded, confounded
from tastefield.stats.mixed.estimate import Estimates, adjusted_cov, degrees, estimate, satterthwaite
from tastefield.stats.mixed.profile import Profile
from tastefield.stats.mixed.search import Optimum, factors_of, search
from tastefield.stats.mixed.stack import Array, Part, Rows, Stack, components_of
from tastefield.words.findings import Finding, finding

LEAST_DF = 1.0
"""Satterthwaite's approximation gives fewer where the variances are hardly known; t with fewer is of no use."""


@dataclass(frozen=True, eq=False)
class Prediction:
    """Predicted linear combinations ``mean`` (m,) and the covariance ``cov`` (m, m) of their errors."""

    mean: Array
    cov: Array


@dataclass(frozen=True, eq=False)
class Working:
    """What a fit keeps of its way: rows, cross-products, optimum, estimates; each a stack of one setup."""

    rows: Rows
    stack: Stack
    found: Optimum
    estimates: Estimates
    confounded: Confounded

    @cached_property
    def factors(self) -> list[Array]:
        """(1, width, width) lower factor of every part's relative covariance."""
        return factors_of(self.stack, self.found.x)


@dataclass(frozen=True, eq=False)
class MixedFit:
    """A fitted mixed model.

    ``fixed`` (p,), ``fixed_cov`` (p, p). ``variances``: intercept variance by factor, and ``"noise"``.
    ``covariances``: (1 + q, 1 + q) by factor, intercept first. ``effects``: best linear unbiased predictions by factor,
    (levels,) or (levels, 1 + q); ``effect_variances``: their variances given the data, fixed effects taken as known
    (:meth:`predict` takes their errors in). ``loglik``: log-likelihood (restricted for REML) with all constants, the
    restricted one in the units of X as given. ``converged``: the conditions of an optimum were verified.

    ``variance_cov`` (t, t): covariance of the errors of the variances (and covariances) called ``variance_names``, from
    the observed information; rows of zeros stand where a variance is zero. It carries the uncertainty of the variances
    into an interval: contrast'fixed is treated as t with :meth:`df` degrees of freedom instead of normal. Draws of a
    whole surface: :func:`draws`.
    """

    fixed: Array
    fixed_cov: Array
    variances: Mapping[str, float]
    covariances: Mapping[str, Array]
    variance_names: tuple[str, ...]
    variance_cov: Array
    loglik: float
    effects: Mapping[str, Array]
    effect_variances: Mapping[str, Array]
    converged: bool
    findings: tuple[Finding, ...]
    reml: bool
    n: int
    working: Working = field(repr=False)

    def predict(self, X_new: ArrayLike, effect_weights: Mapping[str, ArrayLike] | None = None) -> Prediction:
        """Predict X_new fixed + sum of weights x effects, with the errors of both and their correlation.

        The covariance is that of (fixed estimate - truth, predicted effects - true effects) from the mixed-model
        equations, so an effect the data know well adds little and an effect they know nothing about its whole variance.
        Variances are taken as estimated. Noise of a new reading is not included, nor is the effect of an unseen level:
        add its variance.

        :param X_new: (m, p).
        :param effect_weights: by factor, (m, levels), or (m, levels, 1 + q) where the factor has slopes; factors left
            out count zero.
        :raises FitError: shapes that do not match the fit.

        Source: Henderson (1975), Biometrics 31, 423, in the form that allows variances at zero.
        """
        A = np.atleast_2d(np.asarray(X_new, dtype=float))
        given = self._weights(A, effect_weights or {})
        data, s = self.working.stack, self.working.estimates.state
        k = data.dense
        mean = A @ self.fixed
        dense = np.zeros((len(A), k + data.p))
        dense[:, : data.p] = np.linalg.solve(data.R[0].T, A.T).T
        own: Array | float = 0.0
        for part, scale in zip(data.parts, data.scales, strict=True):
            w = given[part.name]
            effects = self.effects[part.name].reshape(part.levels, part.width)
            mean = mean + np.einsum("mla,la->m", w, effects)
            scaled = w / scale[0]
            if part.start is not None:
                for a in range(part.width):
                    dense[:, part.columns(a)] += scaled[:, :, a]
                continue
            # given all else, an eliminated effect is G S'(y - all else) with error variance G
            through = np.einsum("mla,lab->mlb", scaled, s.levels.G[0])
            own = np.einsum("mla,nla->mn", through, scaled)
            dense = dense - np.einsum("mla,lat->mt", through, data.level_products[0, :, :, :-1])
        noise = self.variances["noise"]
        return Prediction(mean, noise * (own + dense @ s.C[0] @ dense.T))

    def _weights(self, A: Array, given: Mapping[str, ArrayLike]) -> dict[str, Array]:
        """Weights of every factor as (m, levels, width)."""
        unknown = [name for name in given if name not in self.effects]
        problems = [Problem(f"unknown factor {name!r}", why=f"known: {list(self.effects)}") for name in unknown]
        if A.shape[1] != self.fixed.size:
            problems.append(Problem("X_new has other columns", why=f"{A.shape[1]} for {self.fixed.size} fixed effects"))
        out = {}
        for name, effects in self.effects.items():
            shape = (A.shape[0], *effects.shape)
            w = np.asarray(given.get(name, np.zeros(shape)), dtype=float)
            if w.shape != shape:
                why = f"expected {shape}, found {w.shape}"
                problems.append(Problem("weights of another shape", where=name, why=why))
                continue
            out[name] = w.reshape(A.shape[0], effects.shape[0], -1)
        if problems:
            raise FitError(problems)
        return out

    def df(self, contrast: ArrayLike, method: Literal["satterthwaite", "kenward-roger"] = "satterthwaite") -> float:
        """Degrees of freedom of contrast'fixed: 2 V^2 / Var(V), variances at zero taken as known.

        Satterthwaite's takes the covariance of the variances from the observed information, Kenward and Roger's from
        the expected one; with the latter goes :attr:`adjusted_cov`.

        :param contrast: (p,).
        :raises FitError: a contrast of another length; Kenward and Roger's after maximum likelihood.

        Source: Satterthwaite (1946), Biometrics Bulletin 2, 110; Giesbrecht & Burns (1985), Biometrics 41, 477;
        Kenward & Roger (1997), Biometrics 53, 983, whose formula for one contrast comes to the same.
        """
        c = np.asarray(contrast, dtype=float)
        if c.shape != self.fixed.shape:
            raise FitError(Problem("contrast of another length", why=f"{c.shape} for {self.fixed.shape}"))
        e = self.working.estimates
        cov = e.variance_cov if method == "satterthwaite" else self._kenward_roger[1]
        return float(satterthwaite(c[None], e.fixed_cov, e.fixed_slopes, cov)[0])

    def point_df(self, X_new: ArrayLike) -> Array:
        """(m,) Satterthwaite's degrees of freedom at m points (m, p), for intervals: :data:`LEAST_DF` at least.

        :raises FitError: points with another number of columns.
        """
        A, e = self.points(X_new), self.working.estimates
        alike = (np.broadcast_to(a, (len(A), *a.shape[1:])) for a in (e.fixed_cov, e.fixed_slopes, e.variance_cov))
        return np.maximum(satterthwaite(A, *alike), LEAST_DF)

    def points(self, X_new: ArrayLike) -> Array:
        """X_new as (m, p), m at least 1.

        :raises FitError: another shape.
        """
        A = np.atleast_2d(np.asarray(X_new, dtype=float))
        if A.ndim != 2 or A.shape[1] != self.fixed.size or not len(A):
            why = f"expected (m, {self.fixed.size}), m at least 1, found {A.shape}"
            raise FitError(Problem("points of another shape", why=why))
        return A

    @property
    def adjusted_cov(self) -> Array:
        """(p, p) covariance of the fixed effects, widened for the variances being estimates (REML only).

        :raises FitError: after maximum likelihood.

        Source: Kenward & Roger (1997), Biometrics 53, 983.
        """
        return np.asarray(self._kenward_roger[0][0])

    @cached_property
    def _kenward_roger(self) -> tuple[Array, Array]:
        if not self.reml:
            raise FitError(Problem("no adjusted covariance", why="it rests on REML", do="Fit with reml=True."))
        return adjusted_cov(self.working.stack, self.working.estimates, self.working.factors)

    def profile(self, level: float = 0.95) -> Profile:
        """Profile-likelihood (ML) limits of standard deviations and fixed effects.

        A limit is where the deviance, all else at its best, exceeds its minimum by the chi-squared quantile (1 df).

        :param level: e.g. 0.95.
        :raises FitError: a factor with correlated slopes (their limits would need another parametrisation).
        """
        w = self.working
        return profile.limits(w.rows, w.stack, w.confounded.held, self.fixed, self.fixed_cov, level)


def fit_crossed(
    y: ArrayLike,
    X: ArrayLike,
    factors: Mapping[str, ArrayLike],
    slopes: Mapping[str, ArrayLike] | None = None,
    covariance: Literal["full", "diagonal"] = "full",
    weights: ArrayLike | None = None,
    reml: bool = True,
) -> MixedFit:
    """Fit y = X fixed + crossed random intercepts (and slopes) + noise.

    :param y: (n,). :param X: (n, p), of full column rank; the caller puts the constant in.
    :param factors: by name, (n,) integer levels 0 ... k-1; a level without rows is allowed.
    :param slopes: by factor name, (n, q) covariates with a random slope at each level, beside its intercept.
    :param covariance: ``full``: intercept and slopes of a level correlate; ``diagonal``: they do not.
    :param weights: (n,) positive; the noise variance of a row is variances["noise"] / weight.
    :param reml: restricted maximum likelihood, else maximum likelihood.
    :returns: see :class:`MixedFit`. A component whose best value is zero is the finding ``variance_at_zero``. One that
        the design cannot tell from the others (a factor with one row per level, a single taster) is held at zero and
        is the finding ``variances_confounded``. A fit without a verified optimum is ``fit_not_converged``; an optimum
        with some noise is preferred to the unbounded likelihood of a noise that vanishes.
    :raises FitError: shapes, missing values, rank deficiency, too few rows, or nothing left to explain.

    Source: Harville (1977), J. Am. Stat. Assoc. 72, 320; Bates et al. (2015), J. Stat. Softw. 67(1).

    >>> scores = [5.0, 6.0, 7.0, 4.0, 6.0, 8.0]
    >>> fit = fit_crossed(scores, np.ones((6, 1)), {"shot": [0, 0, 1, 1, 2, 2]})
    >>> round(float(fit.fixed[0]), 6)
    6.0
    """
    y0, X0 = np.asarray(y, dtype=float), np.asarray(X, dtype=float)
    codes = {name: np.asarray(values) for name, values in factors.items()}
    covariates = {name: np.asarray(values, dtype=float) for name, values in (slopes or {}).items()}
    w = np.ones(y0.shape[:1]) if weights is None else np.asarray(weights, dtype=float)
    check_rows(y0, X0, codes, covariates, w)
    check_rank(X0 * np.sqrt(w)[:, None])
    rows = Rows(y0, X0, codes, covariates, w, np.zeros(y0.size, dtype=np.intp), 1)
    data = stack.build(rows, covariance == "full")
    if data.products[0, -1, -1] <= NOTHING_LEFT * max(float(data.scale2[0]), 1e-300):
        why = "the fixed effects alone reproduce every value"
        raise FitError(Problem("nothing is left to explain", why=why, do="Use fewer terms or more varied data."))
    alike = confounded(data)
    found = search(data, criterion.Profiled(degrees(data, reml)), reml, alike.held)
    return _assemble(Working(rows, data, found, estimate(data, found, reml), alike), reml)


def _assemble(working: Working, reml: bool) -> MixedFit:
    data, e = working.stack, working.estimates
    covariances = {part.name: c[0] for part, c in zip(data.parts, e.covariances, strict=True)}
    effects, variances = level_effects(data, e)
    variance_names = component_names(data.parts)
    noise = float(e.noise[0])
    return MixedFit(
        fixed=e.fixed[0],
        fixed_cov=e.fixed_cov[0],
        variances={**{name: float(c[0, 0]) for name, c in covariances.items()}, "noise": noise},
        covariances=covariances,
        variance_names=variance_names,
        variance_cov=e.variance_cov[0],
        loglik=float(e.loglik[0]),
        effects={part.name: squeezed(values[0]) for part, values in zip(data.parts, effects, strict=True)},
        effect_variances={part.name: squeezed(values[0]) for part, values in zip(data.parts, variances, strict=True)},
        converged=bool(working.found.converged[0]),
        findings=findings(data, working.factors, working.found, working.confounded, 0),
        reml=reml,
        n=int(data.n[0]),
        working=working,
    )


def squeezed(table: Array) -> Array:
    """(levels,), or (levels, 1 + q) for a factor with slopes."""
    return table[:, 0] if table.shape[1] == 1 else table


def own_errors(fixed_cov: Array, X_new: Array) -> Array:
    """(k, m) standard errors at m points (m, p) by each of k covariances of the fixed effects (k, p, p)."""
    squares = (X_new[:, :, None] * X_new[:, None]).reshape(len(X_new), -1)
    return np.sqrt(fixed_cov.reshape(len(fixed_cov), -1) @ squares.T)


def component_names(parts: tuple[Part, ...]) -> tuple[str, ...]:
    """``taster``, ``taster[1]``, ``taster:taster[1]`` for a covariance, and last ``noise``."""
    names = [
        parts[k].label(a) if a == b else f"{parts[k].label(b)}:{parts[k].label(a)}" for k, a, b in components_of(parts)
    ]
    return (*names, "noise")


def level_effects(data: Stack, e: Estimates) -> tuple[list[Array], list[Array]]:
    """By part, (setups, levels, width): predicted effects, and their variances given the fixed effects."""
    s, k, theta = e.state, data.dense, data.dense + data.p
    solution = -s.W[:, :theta, k]
    given = criterion.given_fixed(data, s)
    effects, variances = [], []
    for part, scale in zip(data.parts, data.scales, strict=True):
        if part.start is None:
            rest = data.level_products[..., -1] - np.einsum("slat,st->sla", data.level_products[..., :-1], solution)
            values = np.einsum("slab,slb->sla", s.levels.G, rest)
            through = s.levels.G @ data.level_products[..., data.p : theta]
            spread = np.diagonal(s.levels.G, axis1=2, axis2=3)
            spread = spread + np.einsum("slai,sij,slaj->sla", through, given, through)
        else:
            columns = [part.columns(a) for a in range(part.width)]
            diagonal = np.zeros_like(solution)
            diagonal[:, data.p :] = np.diagonal(given, axis1=1, axis2=2)
            values = np.stack([solution[:, at] for at in columns], axis=2)
            spread = np.stack([diagonal[:, at] for at in columns], axis=2)
        effects.append(values / scale[:, None])
        variances.append(e.noise[:, None, None] * spread / scale[:, None] ** 2)
    return effects, variances


def findings(data: Stack, small: list[Array], found: Optimum, alike: Confounded, setup: int) -> tuple[Finding, ...]:
    """What is to be said of one setup's variances and of its search; ``small`` are the factors of T at the optimum."""
    out = []
    index = {(k, a): i for i, (k, a, b) in enumerate(data.components) if a == b}
    for k, (part, L) in enumerate(zip(data.parts, small, strict=True)):
        where = {"factor": part.name}
        T = L[setup] @ L[setup].T
        if part.full:
            values, vectors = np.linalg.eigh(T)
            for value, axis in zip(values, vectors.T, strict=True):
                if value <= 1e-9 * max(float(values[-1]), 1e-9):
                    named = ", ".join(part.label(a) for a in range(part.width) if abs(axis[a]) > 0.1)
                    out.append(finding("variance_at_zero", where, part=f"a mix of {named}"))
            continue
        for a in (a for a in range(part.width) if T[a, a] == 0):
            name, i = part.label(a), index[k, a]
            if alike.held[setup, i]:
                others = alike.alike(data, setup, i)
                out.append(finding("variances_confounded", where, part=name, others=others))
            else:
                out.append(finding("variance_at_zero", where, part=name))
    if not found.converged[setup]:
        out.append(finding("fit_not_converged", {}, detail=found.detail[setup]))
    return tuple(out)
