"""Linear mixed model with any number of crossed random factors, by REML or ML.

y = X fixed + sum over factors of (intercept of its level + slopes of its level x covariates) + noise. The criterion is
worked in relative variances (factor / noise), not in standard deviations, so that a component whose best value is zero
lands on zero exactly; all its derivatives are exact, and the fit ends only where the conditions of an optimum hold.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, optimize, stats

from tastefield.errors import FitError, Problem
from tastefield.words.findings import Finding, finding

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

STARTS = (1.0, 0.05, 30.0)  # relative variances to start from; a few small data sets have two local optima
UNBOUNDED = 1e6  # a relative variance above this means that the noise has vanished
FINISHED = 1e-10  # gain in deviance still to be had, below which one last Newton step ends the search


# --- the problem in cross-products ------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Part:
    """One random factor; its columns of Z are ordered by coefficient (intercept, slopes), then by level."""

    name: str
    levels: int
    scales: Array  # (width,) root mean square of each covariate, 1 for the intercept
    full: bool  # correlated coefficients
    start: int

    @property
    def width(self) -> int:
        return len(self.scales)

    def columns(self, coefficient: int) -> slice:
        first = self.start + coefficient * self.levels
        return slice(first, first + self.levels)

    def label(self, coefficient: int) -> str:
        return self.name if coefficient == 0 else f"{self.name}[{coefficient}]"


@dataclass(frozen=True, eq=False)
class _Problem:
    """Cross-products of weighted rows, X made orthonormal (X = Q R) and y replaced by its residual from X."""

    n: int
    p: int
    parts: tuple[_Part, ...]
    components: tuple[tuple[int, int, int], ...]  # (part, a, b): entry a >= b of that part's covariance
    ZZ: Array
    ZX: Array
    Zy: Array
    yy: float

    def slices(self, component: int) -> list[tuple[slice, slice]]:
        """Where dT/d(component) has its ones: row and column blocks."""
        part, a, b = self.components[component]
        rows, cols = self.parts[part].columns(a), self.parts[part].columns(b)
        return [(rows, cols)] if a == b else [(rows, cols), (cols, rows)]


@dataclass(frozen=True, eq=False)
class _State:
    """Everything the criterion and its derivatives need at one set of relative covariances T (H = I + Z T Z')."""

    factor: Array  # lower block factor of T
    inner: Array  # Cholesky factor of I + factor' ZZ factor
    logdet_h: float
    logdet_x: float  # log |X'H^-1 X|
    r2: float  # y'P y
    S: Array  # Z'H^-1 Z
    Q: Array  # Z'P Z
    u: Array  # Z'P y
    ZHX: Array
    phi: Array  # (X'H^-1 X)^-1
    shift: Array  # phi X'H^-1 y, correction to the ordinary least-squares coefficients


def _solve(lower: Array, right: Array) -> Array:
    if lower.size == 0:
        return right
    return np.asarray(linalg.solve_triangular(lower, right, lower=True, check_finite=False))


def _cholesky(matrix: Array) -> Array:
    return np.asarray(np.linalg.cholesky(matrix)) if matrix.size else matrix


def _block_factor(problem: _Problem, factors: list[Array]) -> Array:
    """Lower factor of T from the (width, width) lower factor of each part."""
    L = np.zeros((problem.ZZ.shape[0],) * 2)
    for part, small in zip(problem.parts, factors, strict=True):
        for a in range(part.width):
            for b in range(a + 1):
                np.fill_diagonal(L[part.columns(a), part.columns(b)], small[a, b])
    return L


def _state(problem: _Problem, factors: list[Array]) -> _State:
    L = _block_factor(problem, factors)
    CL = problem.ZZ @ L
    inner = _cholesky(np.eye(L.shape[0]) + L.T @ CL)
    W, Wx, Wy = _solve(inner, CL.T), _solve(inner, L.T @ problem.ZX), _solve(inner, L.T @ problem.Zy)
    XHX = np.eye(problem.p) - Wx.T @ Wx
    cx = _cholesky(XHX)
    ZHX = problem.ZX - W.T @ Wx
    K, k = _solve(cx, ZHX.T), _solve(cx, -Wx.T @ Wy)
    S = problem.ZZ - W.T @ W
    inverse = _solve(cx, np.eye(problem.p))
    return _State(
        factor=L,
        inner=inner,
        logdet_h=2 * float(np.sum(np.log(np.diag(inner)))),
        logdet_x=2 * float(np.sum(np.log(np.diag(cx)))),
        r2=problem.yy - float(Wy @ Wy) - float(k @ k),
        S=S,
        Q=S - K.T @ K,
        u=problem.Zy - W.T @ Wy - K.T @ k,
        ZHX=ZHX,
        phi=inverse.T @ inverse,
        shift=inverse.T @ k,
    )


# --- criterion: logdet(T) + something of y'P y, with first and second derivatives ---------------------------------


@dataclass(frozen=True, eq=False)
class _Pieces:
    """log-determinant part and y'P y with gradient and Hessian in the entries of T."""

    logdet: float
    logdet_g: Array
    logdet_h: Array
    r2: float
    r2_g: Array
    r2_h: Array


def _pieces(problem: _Problem, s: _State, reml: bool) -> _Pieces:
    """d log|.| = tr(A T_i), d2 = -tr(A T_i A T_j); d y'Py = -u'T_i u, d2 = 2 u'T_i Q T_j u; A = Z'PZ or Z'H^-1 Z."""
    A = s.Q if reml else s.S
    places = [problem.slices(i) for i in range(len(problem.components))]
    m = len(places)
    lg, lh, rg, rh = np.zeros(m), np.zeros((m, m)), np.zeros(m), np.zeros((m, m))
    for i, first in enumerate(places):
        for r, c in first:
            lg[i] += np.trace(A[r, c])
            rg[i] -= s.u[r] @ s.u[c]
            for j, second in enumerate(places[: i + 1]):
                for r2, c2 in second:
                    lh[i, j] -= np.sum(A[r, c2] * A[c, r2])
                    rh[i, j] += 2 * s.u[r] @ s.Q[c, r2] @ s.u[c2]
    lower = np.tril_indices(m, -1)
    lh.T[lower], rh.T[lower] = lh[lower], rh[lower]
    return _Pieces(s.logdet_h + (s.logdet_x if reml else 0.0), lg, lh, s.r2, rg, rh)


Criterion = Callable[[_Pieces, Array], tuple[float, Array, Array]]


def _profiled(size: int) -> Criterion:
    """Deviance with the noise variance at its best value; ``size`` = n - p (REML) or n (ML)."""

    def value(c: _Pieces, tau: Array) -> tuple[float, Array, Array]:
        f = c.logdet + size * (1 + math.log(2 * math.pi * c.r2 / size))
        g = c.logdet_g + size * c.r2_g / c.r2
        return f, g, c.logdet_h + size * (c.r2_h / c.r2 - np.outer(c.r2_g, c.r2_g) / c.r2**2)

    return value


def _noise_fixed(size: int, noise: float) -> Criterion:
    def value(c: _Pieces, tau: Array) -> tuple[float, Array, Array]:
        f = c.logdet + size * math.log(2 * math.pi * noise) + c.r2 / noise
        return f, c.logdet_g + c.r2_g / noise, c.logdet_h + c.r2_h / noise

    return value


def _component_fixed(size: int, at: int, variance: float) -> Criterion:
    """One absolute variance held: the noise is then ``variance / tau[at]``."""

    def value(c: _Pieces, tau: Array) -> tuple[float, Array, Array]:
        t = tau[at]
        f = c.logdet + size * math.log(2 * math.pi * variance / t) + t * c.r2 / variance
        g = c.logdet_g + t * c.r2_g / variance
        h = c.logdet_h + t * c.r2_h / variance
        g[at] += c.r2 / variance - size / t
        h[at] += c.r2_g / variance
        h[:, at] += c.r2_g / variance
        h[at, at] += size / t**2
        return f, g, h

    return value


# --- parameters of the search: variances themselves, or the Cholesky factor of a full covariance ------------------


def _factors_of(problem: _Problem, x: Array) -> list[Array]:
    """(width, width) lower factor of every part at the search parameters."""
    small = [np.zeros((part.width, part.width)) for part in problem.parts]
    for (k, a, b), value in zip(problem.components, x, strict=True):
        small[k][a, b] = value if problem.parts[k].full else math.sqrt(value)
    return small


def _entries(problem: _Problem, small: list[Array]) -> Array:
    """The components of T (entries of each part's covariance) from the lower factors."""
    T = [L @ L.T for L in small]
    return np.array([T[k][a, b] for k, a, b in problem.components])


def _chain(problem: _Problem, small: list[Array], g: Array, h: Array) -> tuple[Array, Array]:
    """Derivatives in the entries of T turned into derivatives in the search parameters (T = L L' for full parts)."""
    m = len(problem.components)
    J, bend = np.eye(m), np.zeros((m, m))
    for i, (k, a, b) in enumerate(problem.components):
        if not problem.parts[k].full:
            continue
        L = small[k]
        for j, (k2, c, d) in enumerate(problem.components):
            J[i, j] = (a == c) * L[b, d] + (b == c) * L[a, d] if k == k2 else 0.0
            for j2, (k3, e, f) in enumerate(problem.components):
                if k == k2 == k3 and d == f:
                    bend[j, j2] += g[i] * ((a == c) * (b == e) + (b == c) * (a == e))
    return J.T @ g, J.T @ h @ J + bend


@dataclass(frozen=True, eq=False)
class _Optimum:
    x: Array
    value: float
    converged: bool
    detail: str = ""


def _objective(problem: _Problem, criterion: Criterion, reml: bool) -> Callable[[Array], tuple[float, Array, Array]]:
    def evaluate(x: Array) -> tuple[float, Array, Array]:
        small = _factors_of(problem, x)
        try:
            state = _state(problem, small)
        except np.linalg.LinAlgError:
            state = None
        if state is None or not state.r2 > 0:
            return math.inf, np.zeros_like(x), np.eye(x.size)
        f, g, h = criterion(_pieces(problem, state, reml), _entries(problem, small))
        return (f, *_chain(problem, small, g, h)) if math.isfinite(f) else (math.inf, g, h)

    return evaluate


def _newton(x: Array, g: Array, h: Array, active: NDArray[np.bool_]) -> Array:
    """Newton step on the free parameters; negative curvature is taken with its size, so that the step descends."""
    step = np.zeros_like(x)
    free = ~active
    if free.any():
        scale = 1 / np.sqrt(np.maximum(np.abs(np.diag(h)[free]), 1e-8 / (np.abs(x[free]) + 1e-3) ** 2))
        values, vectors = np.linalg.eigh(h[np.ix_(free, free)] * np.outer(scale, scale))
        size = np.maximum(np.abs(values), 1e-8 if values[0] > 0 else 1e-4)
        step[free] = -scale * (vectors @ ((vectors.T @ (scale * g[free])) / size))
    return step


def _minimise(
    evaluate: Callable[[Array], tuple[float, Array, Array]],
    start: Array,
    bounded: NDArray[np.bool_],
    barrier: int | None = None,
) -> _Optimum:
    """Newton's method on x >= 0 (where ``bounded``) with an active set; ``barrier`` must stay above zero."""
    x = start.astype(float)
    f, g, h = evaluate(x)
    if not math.isfinite(f):
        return _Optimum(x, f, False, "no start")
    for _ in range(300):
        if np.max(x, initial=0.0) > UNBOUNDED:
            return _Optimum(x, f, False, "the noise variance vanishes")
        active = bounded & (x <= 0) & (g >= 0)
        step = _newton(x, g, h, active)
        while np.any(bad := bounded & (x <= 0) & (step < 0)):
            active = active | bad
            step = _newton(x, g, h, active)
        gain = -float(g @ step)
        if gain < FINISHED:
            last = np.where(bounded, np.maximum(x + step, 0.0), x + step)
            f_last = evaluate(last)[0]
            return _Optimum(last, f_last, True) if f_last <= f + 1e-9 else _Optimum(x, f, True)
        shrinking = bounded & (step < 0)
        room = np.full(x.size, np.inf)
        room[shrinking] = x[shrinking] / -step[shrinking]
        if barrier is not None:
            room[barrier] *= 0.9
        t = min(1.0, float(room.min()))
        for _ in range(40):
            trial = np.where(bounded, np.maximum(x + t * step, 0.0), x + t * step)
            trial[bounded & (room <= t * (1 + 1e-12))] = 0.0
            if barrier is not None:
                trial[barrier] = x[barrier] + t * step[barrier]
            f_new, g_new, h_new = evaluate(trial)
            if f_new <= f - 1e-4 * t * gain + 1e-12 * abs(f):
                break
            t /= 4
        else:
            return _Optimum(x, f, gain < 1e-6, "no further descent")
        x, f, g, h = trial, f_new, g_new, h_new
    return _Optimum(x, f, False, "too many steps")


def _search(problem: _Problem, criterion: Criterion, reml: bool) -> _Optimum:
    """Best optimum from all starts; a full covariance stuck at a singular point is pushed off it and searched again."""
    evaluate = _objective(problem, criterion, reml)
    bounded = np.array([a == b for _, a, b in problem.components], dtype=bool)
    full = np.array([problem.parts[k].full for k, _, _ in problem.components], dtype=bool)
    best: _Optimum | None = None
    for tau in STARTS if len(problem.components) else (0.0,):
        found = _minimise(evaluate, np.where(bounded, np.where(full, math.sqrt(tau), tau), 0.0), bounded)
        for _ in range(5):
            pushed = _push(problem, criterion, reml, found)
            if pushed is None:
                break
            again = _minimise(evaluate, pushed, bounded)
            if again.value > found.value - 1e-9:
                break
            found = again
        if best is None or (found.converged, best.value - found.value) > (best.converged, 1e-7):
            best = found
    if best is None:  # pragma: no cover - there is always a start
        raise FitError(Problem("no start for the search"))
    return best


def _push(problem: _Problem, criterion: Criterion, reml: bool, found: _Optimum) -> Array | None:
    """A better start where the optimum of a full covariance is false.

    At a true optimum the gradient with respect to each covariance is a matrix without negative eigenvalues; the
    Cholesky factor hides a negative one where the covariance is singular.
    """
    if not any(part.full for part in problem.parts) or not math.isfinite(found.value):
        return None
    small = _factors_of(problem, found.x)
    g = criterion(_pieces(problem, _state(problem, small), reml), _entries(problem, small))[1]
    for k, part in enumerate(problem.parts):
        if not part.full:
            continue
        G = np.zeros((part.width, part.width))
        for value, (k2, a, b) in zip(g, problem.components, strict=True):
            if k2 == k:
                G[a, b] += value / 2
                G[b, a] += value / 2
        values, vectors = np.linalg.eigh(G)
        if values[0] < -1e-4:
            away = 0.05 * np.outer(vectors[:, 0], vectors[:, 0]) + 1e-9 * np.eye(part.width)
            small[k] = _cholesky(small[k] @ small[k].T + away)
            return np.array([small[k2][a, b] for k2, a, b in problem.components])
    return None


@dataclass(frozen=True, eq=False)
class _Rows:
    """The weighted data behind a fit, kept for profiling."""

    y: Array
    X: Array
    Z: Array
    problem: _Problem


# --- results --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Prediction:
    """Predicted linear combinations ``mean`` (m,) and the covariance ``cov`` (m, m) of their errors."""

    mean: Array
    cov: Array


@dataclass(frozen=True, eq=False)
class Profile:
    """Profile-likelihood limits at ``level``: ``sds`` by part and "noise" (standard deviations), ``fixed`` (p, 2).

    Slopes are called ``factor[1]``, ``factor[2]`` ...; parts held at zero as confounded have no limits.
    """

    level: float
    sds: Mapping[str, tuple[float, float]]
    fixed: Array


@dataclass(frozen=True, eq=False)
class MixedFit:
    """A fitted mixed model.

    ``fixed`` (p,), ``fixed_cov`` (p, p). ``variances``: intercept variance by factor, and ``"noise"``.
    ``covariances``: (1 + q, 1 + q) by factor, intercept first. ``effects``: best linear unbiased predictions by factor,
    (levels,) or (levels, 1 + q); ``effect_variances``: their variances given the data, fixed effects taken as known
    (:meth:`predict` takes their errors in). ``loglik``: log-likelihood (restricted for REML) with all constants, the
    restricted one in the units of X as given. ``converged``: the conditions of an optimum were verified.
    """

    fixed: Array
    fixed_cov: Array
    variances: Mapping[str, float]
    covariances: Mapping[str, Array]
    loglik: float
    effects: Mapping[str, Array]
    effect_variances: Mapping[str, Array]
    converged: bool
    findings: tuple[Finding, ...]
    reml: bool
    n: int
    _joint: Array = field(repr=False)
    _information: tuple[Array, Array] = field(repr=False)  # d fixed_cov / d variance (t, p, p); covariance of variances
    _rows: _Rows = field(repr=False)

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
        weights = dict(effect_weights or {})
        unknown = [name for name in weights if name not in self.effects]
        problems = [Problem(f"unknown factor {name!r}", why=f"known: {list(self.effects)}") for name in unknown]
        if A.shape[1] != self.fixed.size:
            problems.append(Problem("X_new has other columns", why=f"{A.shape[1]} for {self.fixed.size} fixed effects"))
        blocks, values = [A], [self.fixed]
        for name, effects in self.effects.items():
            w = np.asarray(weights.get(name, np.zeros((A.shape[0], *effects.shape))), dtype=float)
            if w.shape != (A.shape[0], *effects.shape):
                why = f"expected {(A.shape[0], *effects.shape)}, found {w.shape}"
                problems.append(Problem("weights of another shape", where=name, why=why))
                continue
            flat = w.reshape(A.shape[0], effects.shape[0], -1)
            blocks.append(np.swapaxes(flat, 1, 2).reshape(A.shape[0], -1))
            values.append(effects.reshape(effects.shape[0], -1).T.ravel())
        if problems:
            raise FitError(problems)
        rows = np.hstack(blocks)
        return Prediction(rows @ np.concatenate(values), rows @ self._joint @ rows.T)

    def df(self, contrast: ArrayLike) -> float:
        """Satterthwaite's degrees of freedom of contrast'fixed: 2 V^2 / Var(V), from the observed information.

        :param contrast: (p,). Variances at zero are taken as known.

        Source: Satterthwaite (1946), Biometrics Bulletin 2, 110; Giesbrecht & Burns (1985), Biometrics 41, 477.
        """
        c = np.asarray(contrast, dtype=float)
        if c.shape != self.fixed.shape:
            raise FitError(Problem("contrast of another length", why=f"{c.shape} for {self.fixed.shape}"))
        slopes, covariance = self._information
        g = np.einsum("i,tij,j->t", c, slopes, c)
        spread = float(g @ covariance @ g)
        return 2 * float(c @ self.fixed_cov @ c) ** 2 / spread if spread > 0 else math.inf

    def profile(self, level: float = 0.95) -> Profile:
        """Profile-likelihood (ML) limits of standard deviations and fixed effects.

        A limit is where the deviance, all else at its best, exceeds its minimum by the chi-squared quantile (1 df).

        :param level: e.g. 0.95.
        :raises FitError: a factor with correlated slopes (their limits would need another parametrisation).
        """
        return _profile(self, level)


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
    _check(y0, X0, codes, covariates, w)
    root = np.sqrt(w)
    yw, Xw = y0 * root, X0 * root[:, None]
    parts, Z = _random_design(codes, covariates, covariance == "full", root)
    norms = np.linalg.norm(Xw, axis=0)
    norms[norms == 0] = 1.0  # refused below as a column without rank
    basis, R = np.linalg.qr(Xw / norms)
    _check_rank(Xw / norms, X0.shape)
    R = np.asarray(R * norms)
    ordinary = linalg.solve_triangular(R, basis.T @ yw)
    residual = yw - Xw @ ordinary
    if float(residual @ residual) <= 1e-24 * max(float(yw @ yw), 1e-300):
        why = "the fixed effects alone reproduce every value"
        raise FitError(Problem("nothing is left to explain", why=why, do="Use fewer terms or more varied data."))
    problem, held = _hold_confounded(_cross_products(parts, Z, basis, residual))
    size = problem.n - problem.p if reml else problem.n
    found = _search(problem, _profiled(size), reml)
    constant = (2 * float(np.sum(np.log(np.abs(np.diag(R))))) if reml else 0.0) - float(np.sum(np.log(w)))
    fit = _assemble(_Rows(yw, Xw, Z, problem), found, reml, ordinary, R, -0.5 * (found.value + constant))
    return replace(fit, findings=_findings(problem, found, held))


def _check(y: Array, X: Array, codes: Mapping[str, Any], covariates: Mapping[str, Array], w: Array) -> None:
    n = y.shape[0] if y.ndim == 1 else -1
    problems = []
    if n < 0:
        raise FitError(Problem("the responses are not a list", why=f"expected shape (n,), found {y.shape}"))
    if X.ndim != 2 or X.shape[0] != n:
        problems.append(Problem("X has another number of rows", why=f"expected ({n}, p), found {X.shape}"))
    if w.shape != (n,) or not (w > 0).all():
        problems.append(Problem("weights are not one positive number a row", why=f"found shape {w.shape}"))
    for what, values in (("responses", y), ("X", X), *covariates.items()):
        bad = int(np.sum(~np.isfinite(values)))
        if bad:
            problems.append(
                Problem(f"missing or infinite values in {what}", why=f"{bad} of them", do="Leave them out.")
            )
    for name, values in codes.items():
        whole = np.issubdtype(values.dtype, np.integer)
        if name == "noise":
            problems.append(Problem("a factor is called noise", do="Give it another name."))
        if values.shape != (n,) or not whole or (n > 0 and values.min() < 0):
            why = f"expected {n} integers from 0, found {values.dtype} of shape {values.shape}"
            problems.append(Problem("levels are not codes", where=name, why=why))
    for name, values in covariates.items():
        if name not in codes:
            problems.append(Problem("slopes of an unknown factor", where=name, why=f"the factors are {list(codes)}"))
        if values.ndim != 2 or values.shape[0] != n:
            why = f"expected ({n}, q), found {values.shape}"
            problems.append(Problem("slopes have another shape", where=name, why=why))
    if problems:
        raise FitError(problems)
    if n <= X.shape[1]:
        why = f"{n} rows for {X.shape[1]} fixed effects leave nothing to estimate the noise from"
        raise FitError(Problem("too few rows", why=why, do="Use fewer terms or more data."))


def _check_rank(scaled: Array, shape: tuple[int, ...]) -> None:
    if shape[1] == 0:
        return
    R, order = linalg.qr(scaled, mode="r", pivoting=True)
    weak = np.abs(np.diag(R)) < 1e-10 * abs(R[0, 0])
    if weak.any():
        lost = ", ".join(str(i) for i in sorted(order[: shape[1]][weak]))
        why = f"columns {lost} of X (counted from 0) follow from the others"
        raise FitError(Problem("columns cannot be told apart", why=why, do="Fit fewer terms."))


def _random_design(
    codes: Mapping[str, Codes], covariates: Mapping[str, Array], full: bool, root: Array
) -> tuple[tuple[_Part, ...], Array]:
    """Parts and the weighted design Z of all random effects; covariates are scaled to unit root mean square."""
    parts, blocks, start = [], [], 0
    for name, levels in codes.items():
        columns = [np.ones(root.size), *covariates.get(name, np.empty((root.size, 0))).T]
        scales = np.array([math.sqrt(float(np.mean(c**2))) or 1.0 for c in columns])
        k = int(levels.max()) + 1
        part = _Part(name, k, scales, full and len(columns) > 1, start)
        block = np.zeros((root.size, k * len(columns)))
        for a, column in enumerate(columns):
            block[np.arange(root.size), a * k + levels] = column / scales[a] * root
        parts.append(part)
        blocks.append(block)
        start += block.shape[1]
    return tuple(parts), np.hstack(blocks) if blocks else np.empty((root.size, 0))


def _cross_products(parts: tuple[_Part, ...], Z: Array, basis: Array, residual: Array) -> _Problem:
    components = []
    for k, part in enumerate(parts):
        for a in range(part.width):
            components += [(k, a, b) for b in range(a + 1) if part.full or a == b]
    return _Problem(
        n=basis.shape[0],
        p=basis.shape[1],
        parts=parts,
        components=tuple(components),
        ZZ=Z.T @ Z,
        ZX=Z.T @ basis,
        Zy=Z.T @ residual,
        yy=float(residual @ residual),
    )


def _assemble(rows: _Rows, found: _Optimum, reml: bool, ordinary: Array, R: Array, loglik: float) -> MixedFit:
    problem = rows.problem
    small = _factors_of(problem, found.x)
    s = _state(problem, small)
    noise = s.r2 / (problem.n - problem.p if reml else problem.n)
    back = linalg.solve_triangular(R, np.eye(problem.p)) if problem.p else np.empty((0, 0))
    T = s.factor @ s.factor.T
    rescale = np.concatenate([np.repeat(1 / part.scales, part.levels) for part in problem.parts] or [np.empty(0)])
    effects = T @ s.u * rescale
    given_fixed = _solve(s.inner, s.factor.T)
    conditional = noise * np.sum(given_fixed**2, axis=0) * rescale**2
    cross = -(back @ s.phi @ s.ZHX.T @ T) * rescale
    errors = (T - T @ s.Q @ T) * np.outer(rescale, rescale)
    fixed_cov = back @ s.phi @ back.T
    covariances = {
        part.name: noise * (L @ L.T) / np.outer(part.scales, part.scales)
        for part, L in zip(problem.parts, small, strict=True)
    }
    slopes, covariance = _information(problem, s, small, noise, reml, back)
    return MixedFit(
        fixed=ordinary + back @ s.shift,
        fixed_cov=noise * fixed_cov,
        variances={**{name: float(c[0, 0]) for name, c in covariances.items()}, "noise": noise},
        covariances=covariances,
        loglik=loglik,
        effects=_by_factor(problem, effects),
        effect_variances=_by_factor(problem, conditional),
        converged=found.converged,
        findings=(),
        reml=reml,
        n=problem.n,
        _joint=noise * np.block([[fixed_cov, cross], [cross.T, errors]]),
        _information=(slopes, covariance),
        _rows=rows,
    )


def _by_factor(problem: _Problem, values: Array) -> dict[str, Array]:
    """Split a vector over Z's columns: (levels,), or (levels, 1 + q) for a factor with slopes."""
    out = {}
    for part in problem.parts:
        table = np.column_stack([values[part.columns(a)] for a in range(part.width)])
        out[part.name] = table[:, 0] if part.width == 1 else table
    return out


def _noise_traces(problem: _Problem, c: _Pieces, tau: Array, size: int) -> Array:
    """tr(A V_i A V_j) of all components and, last, the noise V_0 = V - sum tau_i V_i; A V A = A, tr(A V) = size."""
    m = tau.size
    G = np.empty((m + 1, m + 1))
    G[:m, :m] = -c.logdet_h
    G[m, :m] = G[:m, m] = c.logdet_g + c.logdet_h @ tau
    G[m, m] = size - c.logdet_g @ tau - G[m, :m] @ tau
    return G


def _information(
    problem: _Problem, s: _State, small: list[Array], noise: float, reml: bool, back: Array
) -> tuple[Array, Array]:
    """Derivatives of fixed_cov by each free variance (t, p, p), and the covariance (t, t) of those variances.

    Worked in units of the noise variance. Twice the inverse Hessian of the deviance is the covariance of the variances.
    """
    c = _pieces(problem, replace(s, u=s.u / math.sqrt(noise)), reml)
    tau = _entries(problem, small)
    m = tau.size
    quad = np.empty((m + 1, m + 1))  # y'P V_i P V_j P y
    quad[:m, :m] = c.r2_h / 2
    quad[m, :m] = quad[:m, m] = -c.r2_g - quad[:m, :m] @ tau
    quad[m, m] = s.r2 / noise + c.r2_g @ tau - quad[m, :m] @ tau
    hessian = 2 * quad - _noise_traces(problem, c, tau, problem.n - problem.p if reml else problem.n)
    B = s.ZHX @ s.phi @ back.T
    slopes = np.zeros((m + 1, problem.p, problem.p))
    for i in range(m):
        slopes[i] = sum((B[r].T @ B[q] for r, q in problem.slices(i)), np.zeros((problem.p, problem.p)))
    slopes[m] = back @ s.phi @ back.T - np.tensordot(tau, slopes[:m], 1)
    diagonal = [np.sum(L**2, axis=1) for L in small]
    free = np.array([*(diagonal[k][a] > 0 and diagonal[k][b] > 0 for k, a, b in problem.components), True])
    scale = 1 / np.sqrt(np.maximum(np.abs(np.diag(hessian)[free]), 1e-300))
    values, vectors = np.linalg.eigh(hessian[np.ix_(free, free)] * np.outer(scale, scale))
    good = values > 1e-7 * max(float(values[-1]), 1e-300)
    half = (vectors[:, good] / np.sqrt(values[good])) * scale[:, None]
    return slopes[free], 2 * noise**2 * half @ half.T


def _hold_confounded(problem: _Problem) -> tuple[_Problem, dict[str, str]]:
    """Take out the components that the design cannot tell from the fixed effects, the noise or earlier components.

    P V_i P is what the data see of a component; if it is zero or a combination of the others', any share of its
    variance fits equally well. Such a component is held at zero, so that the answer does not hang on rounding.
    Correlated slopes are left to the search.
    """
    diagonal = [i for i, (k, a, b) in enumerate(problem.components) if a == b]
    tau = np.zeros(len(problem.components))
    tau[diagonal] = 1.0
    c = _pieces(problem, _state(problem, [np.eye(part.width) for part in problem.parts]), reml=True)
    G = _noise_traces(problem, c, tau, problem.n - problem.p)
    seen, names = [len(tau)], {len(tau): "noise"}
    held: dict[str, str] = {}
    for i in diagonal:
        k, a, _ = problem.components[i]
        part = problem.parts[k]
        names[i] = part.label(a)
        size = sum(float(np.sum(problem.ZZ[r, r] ** 2)) for r, _ in problem.slices(i))
        share = np.linalg.lstsq(G[np.ix_(seen, seen)], G[seen, i], rcond=None)[0]
        if part.full or G[i, i] - share @ G[seen, i] > 1e-8 * max(G[i, i], 1e-8 * size):
            seen.append(i)
            continue
        alike = [names[j] for j, s in zip(seen, share, strict=True) if abs(s) > 1e-6]
        held[part.label(a)] = " and ".join(alike) or "the fixed effects"
    kept = [c for c in problem.components if problem.parts[c[0]].label(c[1]) not in held or c[1] != c[2]]
    return replace(problem, components=tuple(kept)), held


def _findings(problem: _Problem, found: _Optimum, held: Mapping[str, str]) -> tuple[Finding, ...]:
    out = []
    for part, L in zip(problem.parts, _factors_of(problem, found.x), strict=True):
        where = {"factor": part.name}
        if part.full:
            values, vectors = np.linalg.eigh(L @ L.T)
            for value, axis in zip(values, vectors.T, strict=True):
                if value <= 1e-9 * max(float(values[-1]), 1e-9):
                    named = ", ".join(part.label(a) for a in range(part.width) if abs(axis[a]) > 0.1)
                    out.append(finding("variance_at_zero", where, part=f"a mix of {named}"))
            continue
        for name in (part.label(a) for a in range(part.width) if L[a, a] == 0):
            if name in held:
                out.append(finding("variances_confounded", where, part=name, others=held[name]))
            else:
                out.append(finding("variance_at_zero", where, part=name))
    if not found.converged:
        out.append(finding("fit_not_converged", {}, detail=found.detail))
    return tuple(out)


# --- profile likelihood -----------------------------------------------------------------------------------------------


def _profile(fit: MixedFit, level: float) -> Profile:
    problem = fit._rows.problem
    if any(part.full for part in problem.parts):
        why = "intercepts and slopes of a factor are correlated"
        raise FitError(Problem("no profile limits", why=why, do="Fit with covariance='diagonal'."))
    best = _search(problem, _profiled(problem.n), reml=False)
    noise = _state(problem, _factors_of(problem, best.x)).r2 / problem.n
    sigma, rise = math.sqrt(noise), float(stats.chi2.ppf(level, 1))
    bounded = np.ones(len(problem.components), dtype=bool)

    def at_noise(sd: float) -> float:
        return _minimise(_objective(problem, _noise_fixed(problem.n, sd**2), reml=False), best.x, bounded).value

    def at_component(i: int, sd: float) -> float:
        start = best.x.copy()
        start[i] = sd**2 / noise
        evaluate = _objective(problem, _component_fixed(problem.n, i, sd**2), reml=False)
        return _minimise(evaluate, start, bounded, barrier=i).value

    sds = {}
    for i, (k, a, _) in enumerate(problem.components):
        excess = _excess(partial(at_component, i), best.value, rise)
        centre = math.sqrt(best.x[i] * noise)
        absent = centre == 0 or _least_without(problem, i) - best.value <= rise
        low = 0.0 if absent else _crossing(excess, centre, lambda x: x / 2)
        high = _crossing(excess, max(centre, 1e-3 * sigma), lambda x: x * 1.5)
        scale = float(problem.parts[k].scales[a])
        sds[problem.parts[k].label(a)] = (low / scale, high / scale)
    excess = _excess(at_noise, best.value, rise)
    sds["noise"] = (_crossing(excess, sigma, lambda x: x / 1.3), _crossing(excess, sigma, lambda x: x * 1.3))
    rows = [_fixed_limits(fit, j, best, rise) for j in range(problem.p)]
    return Profile(level, sds, np.array(rows).reshape(-1, 2))


def _excess(deviance: Callable[[float], float], least: float, rise: float) -> Callable[[float], float]:
    """Root of the deviance's rise less the root of the rise looked for: nearly straight in the parameter."""
    return lambda value: math.sqrt(max(deviance(value) - least, 0.0)) - math.sqrt(rise)


def _crossing(excess: Callable[[float], float], centre: float, further: Callable[[float], float]) -> float:
    """First zero of ``excess`` when going from the optimum ``further`` and further; infinite where there is none."""
    inner, outer = centre, further(centre)
    for _ in range(60):
        if excess(outer) > 0:
            return float(optimize.brentq(excess, inner, outer, xtol=1e-6 * abs(outer - inner), rtol=1e-8))
        inner, outer = outer, further(outer)
    return math.copysign(math.inf, outer - inner)


def _least_without(problem: _Problem, component: int) -> float:
    """Least ML deviance with one variance held at zero."""
    whole = _objective(problem, _profiled(problem.n), reml=False)
    kept = np.arange(len(problem.components)) != component

    def evaluate(x: Array) -> tuple[float, Array, Array]:
        tau = np.zeros(kept.size)
        tau[kept] = x
        f, g, h = whole(tau)
        return f, g[kept], h[np.ix_(kept, kept)]

    bounded = np.ones(kept.size - 1, dtype=bool)
    return min(_minimise(evaluate, np.full(kept.size - 1, tau), bounded).value for tau in STARTS)


def _fixed_limits(fit: MixedFit, j: int, best: _Optimum, rise: float) -> tuple[float, float]:
    """Limits of one fixed effect: take its part off the responses and refit all else."""
    r = fit._rows
    problem = r.problem
    basis = np.linalg.qr(np.delete(r.X, j, axis=1))[0]
    y, x = (v - basis @ (basis.T @ v) for v in (r.y, r.X[:, j]))
    ZX, Zy, Zx = r.Z.T @ basis, r.Z.T @ y, r.Z.T @ x
    bounded = np.ones(len(problem.components), dtype=bool)

    def deviance(value: float) -> float:
        rest = y - value * x
        moved = replace(problem, p=problem.p - 1, ZX=ZX, Zy=Zy - value * Zx, yy=float(rest @ rest))
        return _minimise(_objective(moved, _profiled(problem.n), reml=False), best.x, bounded).value

    # the ML estimate differs a little from a REML one: go out from where this deviance is least
    se = math.sqrt(float(fit.fixed_cov[j, j]))
    centre = float(optimize.minimize_scalar(deviance, (fit.fixed[j] - 0.1 * se, fit.fixed[j] + 0.1 * se)).x)
    excess = _excess(deviance, best.value, rise)
    return _crossing(excess, centre, lambda v: v - se), _crossing(excess, centre, lambda v: v + se)
