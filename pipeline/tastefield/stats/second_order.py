"""Second-order response surface by ordinary least squares, and the model matrix every second-order model shares.

Terms are written ``"1"``, ``"x1"``, ``"x1:x2"`` and ``"x1^2"``, with the factor names of the caller in place of x1, x2.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, stats

from tastefield.errors import FitError, Problem
from tastefield.words.findings import Finding, finding

Array = NDArray[np.float64]


def factor_names(k: int, names: Sequence[str] | None = None) -> tuple[str, ...]:
    """The names of ``k`` factors: those given, or x1 ... xk."""
    return tuple(names) if names is not None else tuple(f"x{i + 1}" for i in range(k))


def terms_for(order: int, k: int, names: Sequence[str] | None = None) -> tuple[str, ...]:
    """Terms of the full polynomial in ``k`` factors: constant, linear, two-way, squares (in this order).

    :param order: 0 (constant), 1 (plane) or 2 (quadratic).
    :param k: number of factors.
    :param names: their names; x1 ... xk where ``None``.
    :raises FitError: another order.

    >>> terms_for(2, 2)
    ('1', 'x1', 'x2', 'x1:x2', 'x1^2', 'x2^2')
    """
    if order not in (0, 1, 2):
        raise FitError(Problem(f"no surface of order {order}", why="0, 1 and 2 are known"))
    f = factor_names(k, names)
    linear = f if order >= 1 else ()
    two_way = tuple(f"{a}:{b}" for a, b in combinations(f, 2)) if order == 2 else ()
    squares = tuple(f"{a}^2" for a in f) if order == 2 else ()
    return ("1", *linear, *two_way, *squares)


def factors_of(term: str) -> tuple[str, ...]:
    """The factors multiplied in a term: () for "1", (x1,) for "x1", (x1, x2) for "x1:x2", (x1, x1) for "x1^2"."""
    if term == "1":
        return ()
    if term.endswith("^2"):
        return (term[:-2], term[:-2])
    return tuple(term.split(":"))


def model_matrix(coded: ArrayLike, terms: Sequence[str], names: Sequence[str] | None = None) -> Array:
    """Columns of the polynomial at coded points.

    :param coded: (n, k) factors in coded units.
    :param terms: as :func:`terms_for` writes them; any subset that keeps the hierarchy.
    :param names: the factors' names, in the order of the columns of ``coded``; x1 ... xk where ``None``.
    :returns: (n, len(terms)).
    :raises FitError: unknown factors, or a two-way or squared term without its linear terms.

    >>> model_matrix([[2.0, 3.0]], terms_for(2, 2)).tolist()
    [[1.0, 2.0, 3.0, 6.0, 4.0, 9.0]]
    """
    x = np.asarray(coded, dtype=float)
    if x.ndim != 2:
        raise FitError(Problem("coded factors are not a table", why=f"expected (n, k), found shape {x.shape}"))
    f = factor_names(x.shape[1], names)
    column = {name: x[:, i] for i, name in enumerate(f)}
    problems = []
    if len(f) != x.shape[1]:
        problems.append(Problem("names and factors differ in number", why=f"{len(f)} names, {x.shape[1]} columns"))
    for term in terms:
        parts = factors_of(term)
        unknown = [p for p in parts if p not in column]
        if unknown:
            problems.append(
                Problem(f"unknown factor {unknown[0]!r}", where=term, why=f"the factors are {', '.join(f)}")
            )
        elif len(parts) == 2 and any(p not in terms for p in parts):
            why = "a second-order term without its linear terms changes with the coding"
            problems.append(Problem("the hierarchy is broken", where=term, why=why, do="Add the linear terms."))
    if problems:
        raise FitError(problems)
    columns = [np.prod([column[p] for p in factors_of(t)], axis=0) * np.ones(x.shape[0]) for t in terms]
    return np.column_stack(columns) if columns else np.empty((x.shape[0], 0))


@dataclass(frozen=True, eq=False)
class QuadraticForm:
    """A polynomial as f(x) = intercept + linear'x + x'quadratic x.

    ``linear`` (k,); ``quadratic`` (k, k) symmetric, half the interaction off the diagonal; ``covariance`` of the
    coefficients in the order of ``terms_for(2, k)``, zero where a term was not fitted.
    """

    intercept: float
    linear: Array
    quadratic: Array
    covariance: Array


def quadratic_form(
    terms: Sequence[str], estimates: ArrayLike, covariance: ArrayLike, names: Sequence[str]
) -> QuadraticForm:
    """Arrange fitted coefficients (from any model) as a quadratic form; a missing term counts as zero.

    :param terms: as in :func:`model_matrix`, in the order of ``estimates``; other columns (blocks) must be left out.
    :param estimates: (m,). :param covariance: (m, m). :param names: (k,) names of the factors.

    >>> quadratic_form(("1", "x", "x^2"), [1, 2, 3], np.eye(3), ["x"]).quadratic.tolist()
    [[3.0]]
    """
    b, v = np.asarray(estimates, dtype=float), np.asarray(covariance, dtype=float)
    f = tuple(names)
    full = terms_for(2, len(f), f)
    place = {_key(t): i for i, t in enumerate(full)}
    at = np.array([place[_key(t)] for t in terms], dtype=int)
    whole, cov = np.zeros(len(full)), np.zeros((len(full), len(full)))
    whole[at] = b
    cov[np.ix_(at, at)] = v
    quadratic = np.zeros((len(f), len(f)))
    for term, value in zip(full, whole, strict=True):
        parts = [f.index(p) for p in factors_of(term)]
        if len(parts) == 2:
            i, j = parts
            quadratic[i, j] += value / 2
            quadratic[j, i] += value / 2
    return QuadraticForm(float(whole[0]), whole[1 : 1 + len(f)], quadratic, cov)


def _key(term: str) -> tuple[str, ...]:
    """A key of a term that does not depend on the order in which its factors are written."""
    return tuple(sorted(factors_of(term)))


@dataclass(frozen=True)
class Coefficient:
    """One row of the table of coefficients; ``t`` and ``p`` test it against zero with the residual df."""

    name: str
    estimate: float
    std_error: float
    t: float
    p: float


@dataclass(frozen=True)
class AnovaRow:
    """One source of variation; ``f`` and ``p`` are ``None`` where nothing is tested (error rows)."""

    df: int
    ss: float
    ms: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True)
class LackOfFit:
    """Misfit of the surface against the spread of true repeats: F = ms(lack of fit) / ms(pure error)."""

    lack_of_fit: AnovaRow
    pure_error: AnovaRow
    f: float
    p: float


@dataclass(frozen=True, eq=False)
class Predictions:
    """Fitted means (m,), their standard errors, limits of the mean (ci) and of one new run (pi)."""

    mean: Array
    std_error: Array
    ci: Array
    pi: Array
    level: float


@dataclass(frozen=True, eq=False)
class SecondOrderFit:
    """A fitted surface. ``names`` are the columns in the order of ``estimates`` (p,) and ``covariance`` (p, p).

    Block columns stand right after the constant, named ``block[label]``, and are differences from the first label.
    ``anova`` holds the sequential sums of squares ``block``, ``first_order``, ``two_way``, ``pure_quadratic`` (those
    that have terms), ``residual`` and ``model``. ``surface`` is the quadratic form at the first block.
    """

    factors: tuple[str, ...]
    terms: tuple[str, ...]
    blocks: tuple[Any, ...]
    names: tuple[str, ...]
    estimates: Array
    covariance: Array
    sigma: float
    df: int
    anova: Mapping[str, AnovaRow]
    lack_of_fit: LackOfFit | None
    r2: float
    adj_r2: float
    press: float
    leverage: Array
    residuals: Array
    loglik: float
    aic: float
    bic: float
    surface: QuadraticForm
    findings: tuple[Finding, ...] = ()

    @property
    def coefficients(self) -> dict[str, Coefficient]:
        """Table of coefficients, by column name."""
        se = np.sqrt(np.diag(self.covariance))
        t = _ratio(self.estimates, se)
        p = 2 * stats.t.sf(np.abs(t), self.df)
        rows = zip(self.names, self.estimates, se, t, p, strict=True)
        return {n: Coefficient(n, float(b), float(s), float(ti), float(pi)) for n, b, s, ti, pi in rows}

    def predict(self, points: ArrayLike, level: float = 0.95, block: Any = None) -> Predictions:
        """Mean of the surface at coded points (m, k), with t limits.

        :param points: (m, k) coded. :param level: of both limits. :param block: label of the block to predict for;
            ``None`` means the first.
        :raises FitError: an unknown block.
        """
        X = model_matrix(points, self.terms, self.factors)
        if self.blocks:
            label = self.blocks[0] if block is None else block
            if label not in self.blocks:
                raise FitError(Problem(f"unknown block {label!r}", why=f"the blocks are {self.blocks}"))
            dummy = np.tile([float(label == b) for b in self.blocks[1:]], (X.shape[0], 1))
            X = np.column_stack([X[:, :1], dummy, X[:, 1:]])
        mean = X @ self.estimates
        var = np.einsum("ij,jk,ik->i", X, self.covariance, X)
        q = stats.t.ppf((1 + level) / 2, self.df)
        half_mean, half_new = q * np.sqrt(var), q * np.sqrt(var + self.sigma**2)
        ci = np.column_stack([mean - half_mean, mean + half_mean])
        pi = np.column_stack([mean - half_new, mean + half_new])
        return Predictions(mean, np.sqrt(var), ci, pi, level)


def _ratio(top: Array, bottom: Array) -> Array:
    """Divide; a zero denominator gives a signed infinity (a perfect fit), and 0/0 gives 0."""
    out = np.where(top == 0, 0.0, np.copysign(np.inf, top))
    np.divide(top, bottom, out=out, where=bottom > 0)
    return out


def _f_row(ss: float, df: int, ms_error: float, df_error: int) -> AnovaRow:
    ms = ss / df
    f = float(_ratio(np.array([ms]), np.array([ms_error]))[0])
    return AnovaRow(df, ss, ms, f, float(stats.f.sf(f, df, df_error)))


def fit(
    y: ArrayLike,
    coded: ArrayLike,
    blocks: Sequence[Any] | None = None,
    names: Sequence[str] | None = None,
    terms: Sequence[str] | None = None,
) -> SecondOrderFit:
    """Fit y = constant + block + polynomial(coded) + error by ordinary least squares.

    :param y: (n,) responses. :param coded: (n, k) factors in coded units. :param blocks: (n,) labels, or ``None``.
    :param names: (k,) names of the factors; x1 ... xk where ``None``.
    :param terms: the terms to fit, with "1" first; the full second order where ``None``.
    :returns: coefficients, covariance, sequential analysis of variance, lack of fit (pure error from runs with the
        same block and settings), R2, PRESS, likelihood (at the ML variance) and information criteria that count the
        error variance as a parameter.
    :raises FitError: shapes that do not agree, missing values, no degree of freedom left for error, columns that the
        runs cannot tell apart.

    Source: Box & Wilson (1951), J. R. Stat. Soc. B 13, 1; Myers, Montgomery & Anderson-Cook, Response Surface
    Methodology.

    >>> x = np.array([[-1.0], [-1], [0], [0], [1], [1]])
    >>> f = fit(5 - x[:, 0] ** 2 + np.array([0.1, -0.1, 0.1, -0.1, 0.1, -0.1]), x)
    >>> round(f.coefficients["x1^2"].estimate, 6)
    -1.0
    """
    yv, x = np.asarray(y, dtype=float), np.asarray(coded, dtype=float)
    _check(yv, x, blocks)
    factors = factor_names(x.shape[1], names)
    used = tuple(terms) if terms is not None else terms_for(2, x.shape[1], factors)
    if not used or used[0] != "1":
        raise FitError(Problem("the constant is missing", why="the first term must be '1'", do="Put '1' first."))
    polynomial = model_matrix(x, used, factors)
    labels = tuple(sorted(set(blocks))) if blocks is not None else ()
    rows = blocks if blocks is not None else [None] * len(yv)
    dummies = np.array([[float(b == label) for label in labels[1:]] for b in rows]).reshape(len(yv), -1)
    X = np.column_stack([polynomial[:, :1], dummies, polynomial[:, 1:]])
    columns = ("1", *(f"block[{label}]" for label in labels[1:]), *used[1:])
    _check_rank(X, columns)
    n, p = X.shape
    centre = float(yv.mean())  # a large common level would cost digits in every sum of squares
    Q, R = np.linalg.qr(X)
    b = linalg.solve_triangular(R, Q.T @ (yv - centre))
    residuals = yv - centre - X @ b
    b[0] += centre
    rss, df = float(residuals @ residuals), n - p
    unscaled = linalg.solve_triangular(R, np.eye(p))
    covariance = unscaled @ unscaled.T * rss / df
    leverage = np.sum(Q**2, axis=1)
    total = float(np.sum((yv - centre) ** 2))
    anova = _anova(yv - centre, X, columns, rss, df, total)
    r2 = 1 - rss / total if total > 0 else 0.0
    loglik = -n / 2 * (math.log(2 * math.pi * rss / n) + 1) if rss > 0 else math.inf
    keep = [0, *range(len(columns) - len(used) + 1, len(columns))]
    lof = _lack_of_fit(yv, x, blocks, rss, df)
    return SecondOrderFit(
        factors=factors,
        terms=used,
        blocks=labels,
        names=columns,
        estimates=b,
        covariance=covariance,
        sigma=math.sqrt(rss / df),
        df=df,
        anova=anova,
        lack_of_fit=lof,
        r2=r2,
        adj_r2=1 - (1 - r2) * (n - 1) / df,
        press=_press(residuals, leverage),
        leverage=leverage,
        residuals=residuals,
        loglik=loglik,
        aic=2 * (p + 1) - 2 * loglik,
        bic=math.log(n) * (p + 1) - 2 * loglik,
        surface=quadratic_form(used, b[keep], covariance[np.ix_(keep, keep)], factors),
        findings=_findings(lof),
    )


def _check(y: Array, x: Array, blocks: Sequence[Any] | None) -> None:
    problems = []
    if y.ndim != 1:
        problems.append(Problem("responses are not a list", why=f"expected shape (n,), found {y.shape}"))
    if x.ndim != 2 or x.shape[0] != y.shape[0]:
        problems.append(Problem("factors and responses differ in length", why=f"shapes {x.shape} and {y.shape}"))
    if blocks is not None and len(blocks) != y.shape[0]:
        problems.append(Problem("blocks and responses differ in length", why=f"{len(blocks)} and {y.shape[0]}"))
    for what, values in (("responses", y), ("factors", x)):
        bad = int(np.sum(~np.isfinite(values)))
        if bad:
            problems.append(Problem(f"missing or infinite {what}", why=f"{bad} values", do="Leave those runs out."))
    if problems:
        raise FitError(problems)


def _check_rank(X: Array, columns: Sequence[str]) -> None:
    n, p = X.shape
    if n <= p:
        why = f"{n} runs for {p} coefficients leave nothing to estimate the error from"
        raise FitError(Problem("too few runs", why=why, do="Pull more shots or fit fewer terms."))
    norms = np.linalg.norm(X, axis=0)
    scaled = X / np.where(norms > 0, norms, 1.0)
    _, R, order = linalg.qr(scaled, mode="economic", pivoting=True)
    weak = np.abs(np.diag(R)) < 1e-10 * abs(R[0, 0])
    if weak.any():
        lost = ", ".join(columns[i] for i in sorted(order[weak]))
        why = f"the runs do not vary enough to separate: {lost}"
        raise FitError(
            Problem("columns cannot be told apart", why=why, do="Vary the factors separately or fit fewer terms.")
        )


def _anova(y: Array, X: Array, columns: Sequence[str], rss: float, df: int, total: float) -> dict[str, AnovaRow]:
    """Sequential sums of squares: block, first order, two-way, squares, each given those before it."""
    order = len(columns)
    groups: dict[str, list[int]] = {"block": [], "first_order": [], "two_way": [], "pure_quadratic": []}
    for i, name in enumerate(columns[1:], start=1):
        squared, two = name.endswith("^2"), ":" in name
        is_block = name.startswith("block[")
        kind = "block" if is_block else "pure_quadratic" if squared else "two_way" if two else "first_order"
        groups[kind].append(i)
    sequence = [0] + [i for members in groups.values() for i in members]
    effects = (np.linalg.qr(X[:, sequence])[0].T @ y) ** 2
    rows, at = {}, 1
    for kind, members in groups.items():
        if members:
            rows[kind] = _f_row(float(effects[at : at + len(members)].sum()), len(members), rss / df, df)
            at += len(members)
    if order > 1:
        rows["model"] = _f_row(max(total - rss, 0.0), order - 1, rss / df, df)
    rows["residual"] = AnovaRow(df, rss, rss / df)
    return rows


def _lack_of_fit(y: Array, x: Array, blocks: Sequence[Any] | None, rss: float, df: int) -> LackOfFit | None:
    """Split the residual into pure error (same block and settings) and lack of fit; None if impossible."""
    labels = blocks if blocks is not None else [0] * len(y)
    cells: dict[tuple[Any, ...], list[float]] = {}
    for value, settings, label in zip(y, x, labels, strict=True):
        cells.setdefault((label, *settings.tolist()), []).append(float(value))
    pure_df = len(y) - len(cells)
    lof_df = df - pure_df
    if pure_df <= 0 or lof_df <= 0:
        return None
    pure = float(sum(np.sum((np.array(v) - np.mean(v)) ** 2) for v in cells.values()))
    misfit = max(rss - pure, 0.0)
    row = _f_row(misfit, lof_df, pure / pure_df, pure_df)
    plain = AnovaRow(lof_df, misfit, misfit / lof_df)
    return LackOfFit(plain, AnovaRow(pure_df, pure, pure / pure_df), row.f or 0.0, 1.0 if row.p is None else row.p)


def _press(residuals: Array, leverage: Array) -> float:
    """Sum of squared leave-one-out errors; infinite when a run alone carries a coefficient (leverage 1)."""
    free = 1 - leverage
    if np.any(free < 1e-12):
        return math.inf
    return float(np.sum((residuals / free) ** 2))


def _findings(lof: LackOfFit | None) -> tuple[Finding, ...]:
    """Fewer than three degrees of freedom from repeats judge nothing."""
    if lof is not None and lof.pure_error.df >= 3 and lof.p < 0.05:
        return (finding("lack_of_fit", p=f"{lof.p:.3g}", repeats=lof.pure_error.df),)
    return ()
