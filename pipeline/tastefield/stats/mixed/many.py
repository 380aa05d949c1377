"""Many setups at once: the same model fitted to each by itself, stacked and solved together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from tastefield.errors import FitError, Problem
from tastefield.stats.mixed import stack as stacks
from tastefield.stats.mixed.check import NOTHING_LEFT, check_rows, wrong_codes
from tastefield.stats.mixed.confounded import confounded
from tastefield.stats.mixed.criterion import Profiled
from tastefield.stats.mixed.estimate import Estimates, degrees, estimate, satterthwaite
from tastefield.stats.mixed.fit import component_names, findings, level_effects, squeezed
from tastefield.stats.mixed.search import factors_of, search
from tastefield.stats.mixed.stack import Array, Bools, Codes, Rows, Stack
from tastefield.words.findings import Finding, finding

Levels = Mapping[str, tuple[Codes, Codes]]  # by factor: setup and level as given, in the order of the local codes

CHUNK_SETUPS = 512
CHUNK_NUMBERS = 1_000_000  # most numbers in any one stacked array, where setups are large


@dataclass(frozen=True, eq=False)
class Effects:
    """Effects of one factor, one row a level of a setup: ``setup`` (l,), ``level`` (l,) as given, ``value`` and
    ``variance`` (l,) or (l, 1 + q), the latter with the fixed effects taken as known.
    """

    setup: Codes
    level: Codes
    value: Array
    variance: Array


@dataclass(frozen=True, eq=False)
class ManyFits:
    """Fits of many setups; the first axis of every array is the setup.

    ``fixed`` (setups, p), ``fixed_cov`` (setups, p, p), ``variances`` by factor and "noise" (setups,), ``covariances``
    by factor (setups, 1 + q, 1 + q), ``loglik`` (setups,), ``converged`` (setups,), ``variance_cov``
    (setups, t, t) in the order of ``variance_names``: all as in :class:`MixedFit`. A setup that cannot be fitted has
    NaN throughout and its reason among ``findings``, by setup. ``effects``: by factor, empty unless asked for.
    """

    fixed: Array
    fixed_cov: Array
    variances: Mapping[str, Array]
    covariances: Mapping[str, Array]
    variance_names: tuple[str, ...]
    variance_cov: Array
    loglik: Array
    converged: Bools
    findings: Mapping[int, tuple[Finding, ...]]
    effects: Mapping[str, Effects]
    reml: bool
    fixed_slopes: Array = field(repr=False)  # (setups, t, p, p) derivatives of fixed_cov by the variances

    def df(self, contrast: ArrayLike) -> Array:
        """(setups,) Satterthwaite's degrees of freedom, as :meth:`MixedFit.df`.

        :param contrast: (p,), or (setups, p) where each setup has its own.
        :raises FitError: another number of fixed effects.
        """
        c = np.asarray(contrast, dtype=float)
        if c.shape not in (self.fixed.shape[1:], self.fixed.shape):
            raise FitError(Problem("contrast of another length", why=f"{c.shape} for {self.fixed.shape}"))
        everyone = np.broadcast_to(c, self.fixed.shape)
        return satterthwaite(everyone, self.fixed_cov, self.fixed_slopes, self.variance_cov)


def fit_many(
    y: ArrayLike,
    X: ArrayLike,
    factors: Mapping[str, ArrayLike],
    setup: ArrayLike,
    slopes: Mapping[str, ArrayLike] | None = None,
    covariance: Literal["full", "diagonal"] = "full",
    weights: ArrayLike | None = None,
    reml: bool = True,
    effects: bool = False,
) -> ManyFits:
    """Fit each setup by itself as :func:`fit_crossed` would, thousands of them together.

    Rows of all setups stand one after another, in any order. Setups of like size are stacked (smaller ones padded with
    levels that weigh nothing), a chunk at a time, so that memory beyond input and result does not grow.

    :param y: (n,) responses of all setups. :param X: (n, p), the same terms in each setup.
    :param factors: by name, (n,) integer levels; a level belongs to its setup, so numbers may be used again.
    :param setup: (n,) integers 0 ... setups - 1. A number without rows cannot be fitted and is told so.
    :param slopes: by factor name, (n, q). :param covariance: of intercept and slopes. :param weights: (n,) positive.
    :param reml: restricted maximum likelihood, else maximum likelihood.
    :param effects: whether to predict the effects of every level.
    :raises FitError: shapes, missing values, codes; what concerns one setup only is a finding of that setup:
        ``not_fitted``, and those of :func:`fit_crossed`.

    >>> rows = fit_many([5.0, 6.0, 7.0, 4.0], np.ones((4, 1)), {}, [0, 0, 1, 1])
    >>> rows.fixed[:, 0]
    array([5.5, 5.5])
    """
    y0, X0 = np.asarray(y, dtype=float), np.asarray(X, dtype=float)
    codes = {name: np.asarray(values) for name, values in factors.items()}
    covariates = {name: np.asarray(values, dtype=float) for name, values in (slopes or {}).items()}
    w = np.ones(y0.shape[:1]) if weights is None else np.asarray(weights, dtype=float)
    owner = np.asarray(setup)
    check_rows(y0, X0, codes, covariates, w)
    if problems := wrong_codes("setup", owner, y0.size):
        raise FitError(problems)
    out = _Result(int(owner.max(initial=-1)) + 1, X0.shape[1], codes, covariates, reml)
    source = Rows(y0, X0, codes, covariates, w, owner, out.count)
    for numbers, rows, levels in _chunks(source, out):
        _fit_chunk(out, numbers, rows, levels, covariance == "full", effects)
    return out.finished(covariance == "full")


class _Result:
    """Arrays of the answer, filled a chunk at a time."""

    def __init__(self, count: int, p: int, codes: Mapping[str, Codes], slopes: Mapping[str, Array], reml: bool) -> None:
        self.count, self.p, self.reml = count, p, reml
        self.widths = {name: 1 + (slopes[name].shape[1] if name in slopes else 0) for name in codes}
        self.arrays: dict[str, Array] = {}
        self.converged = np.zeros(count, dtype=bool)
        self.findings: dict[int, tuple[Finding, ...]] = {}
        self.effects: dict[str, list[Effects]] = {name: [] for name in codes}

    def put(self, name: str, numbers: Codes, values: Array) -> None:
        """Store values (setups of the chunk, ...) under their setups."""
        if name not in self.arrays:
            self.arrays[name] = np.full((self.count, *values.shape[1:]), np.nan)
        self.arrays[name][numbers] = values

    def refuse(self, numbers: Codes, why: str) -> None:
        """Tell that setups cannot be fitted."""
        for number in numbers:
            self.findings[int(number)] = (finding("not_fitted", {}, why=why),)

    def finished(self, full: bool) -> ManyFits:
        """The whole answer; NaN where nothing was stored."""
        parts = tuple(stacks.Part(name, 0, w, full and w > 1, None) for name, w in self.widths.items())
        names = component_names(parts)
        t = len(names)
        shapes = {
            "fixed": (self.p,),
            "fixed_cov": (self.p, self.p),
            "loglik": (),
            "noise": (),
            "variance_cov": (t, t),
            "fixed_slopes": (t, self.p, self.p),
            **{f"factor {name}": (w, w) for name, w in self.widths.items()},
        }
        a = {name: self.arrays.get(name, np.full((self.count, *shape), np.nan)) for name, shape in shapes.items()}
        covariances = {name: a[f"factor {name}"] for name in self.widths}
        return ManyFits(
            fixed=a["fixed"],
            fixed_cov=a["fixed_cov"],
            variances={**{name: c[:, 0, 0] for name, c in covariances.items()}, "noise": a["noise"]},
            covariances=covariances,
            variance_names=names,
            variance_cov=a["variance_cov"],
            loglik=a["loglik"],
            converged=self.converged,
            findings=dict(sorted(self.findings.items())),
            effects={name: _joined(rows) for name, rows in self.effects.items() if rows},
            reml=self.reml,
            fixed_slopes=a["fixed_slopes"],
        )


def _joined(tables: list[Effects]) -> Effects:
    """One table in the order of setup and level."""
    setup, level = (np.concatenate([getattr(t, name) for t in tables]) for name in ("setup", "level"))
    order = np.lexsort((level, setup))
    value, variance = (np.concatenate([getattr(t, name) for t in tables])[order] for name in ("value", "variance"))
    return Effects(setup[order], level[order], value, variance)


def _chunks(source: Rows, out: _Result) -> Iterator[tuple[Codes, Rows, Levels]]:
    """Setups of like size together: their numbers, their rows, and the levels as given by factor.

    Setups with too few rows are refused here.
    """
    n = np.bincount(source.setup, minlength=source.count)
    few = n <= source.X.shape[1]
    out.refuse(np.flatnonzero(few), f"no more rows than the {source.X.shape[1]} fixed effects")
    in_order = bool((np.diff(source.setup) >= 0).all())
    order = None if in_order else np.argsort(source.setup, kind="stable")
    first = np.cumsum(n) - n
    like = np.argsort(n, kind="stable")
    like = like[~few[like]]
    start = 0
    while start < like.size:
        stop = start + 1
        while stop < like.size and stop - start < CHUNK_SETUPS:
            # padding makes each setup as large as the largest, the last
            size = n[like[stop]] * (source.X.shape[1] + 1)
            if (stop + 1 - start) * size > CHUNK_NUMBERS:
                break
            stop += 1
        numbers = np.sort(like[start:stop])
        start = stop
        at = np.repeat(first[numbers] - (np.cumsum(n[numbers]) - n[numbers]), n[numbers]) + np.arange(n[numbers].sum())
        rows: Codes | slice = at if order is None else order[at]
        if order is None and at[-1] - at[0] == at.size - 1:
            rows = slice(at[0], at[-1] + 1)  # no copies where a chunk's rows stand together
        setup = np.repeat(np.arange(numbers.size), n[numbers])
        local = {name: _local(codes[rows], setup, numbers.size) for name, codes in source.codes.items()}
        yield (
            numbers,
            Rows(
                source.y[rows],
                source.X[rows],
                {name: codes for name, (codes, _, _) in local.items()},
                {name: values[rows] for name, values in source.slopes.items()},
                source.weights[rows],
                setup,
                numbers.size,
            ),
            {name: (owner, level) for name, (_, owner, level) in local.items()},
        )


def _local(codes: Codes, setup: Codes, count: int) -> tuple[Codes, Codes, Codes]:
    """Levels counted from 0 within each setup, and the setup and the level as given of each; setups are sorted."""
    start = np.searchsorted(setup, np.arange(count))
    least = np.minimum.reduceat(codes, start)
    shifted = codes - least[setup]
    span = int(shifted.max()) + 1
    key = setup * span + shifted
    if count * span <= 16 * codes.size:
        there = np.zeros(count * span, dtype=bool)
        there[key] = True
        known = np.flatnonzero(there)
        place = (np.cumsum(there) - 1)[key]
    else:
        known, place = np.unique(key, return_inverse=True)
    owner = known // span
    first = np.searchsorted(owner, np.arange(count))
    return place - first[setup], owner, known % span + least[owner]


def _fit_chunk(out: _Result, numbers: Codes, rows: Rows, levels: Levels, full: bool, effects: bool) -> None:
    data = stacks.build(rows, full)
    dependent = ~stacks.independent(data).all(axis=1)
    exact = ~dependent & (data.products[:, -1, -1] <= NOTHING_LEFT * np.maximum(data.scale2, 1e-300))
    out.refuse(numbers[dependent], "its rows cannot tell the fixed effects apart")
    out.refuse(numbers[exact], "the fixed effects alone reproduce every value")
    kept = np.flatnonzero(~(dependent | exact))
    if not kept.size:
        return
    if kept.size < numbers.size:
        data = data.take(kept)
    alike = confounded(data)
    found = search(data, Profiled(degrees(data, out.reml)), out.reml, alike.held)
    e = estimate(data, found, out.reml)
    where = numbers[kept]
    for name, values in (
        ("fixed", e.fixed),
        ("fixed_cov", e.fixed_cov),
        ("loglik", e.loglik),
        ("noise", e.noise),
        ("variance_cov", e.variance_cov),
        ("fixed_slopes", e.fixed_slopes),
        *((f"factor {part.name}", c) for part, c in zip(data.parts, e.covariances, strict=True)),
    ):
        out.put(name, where, values)
    out.converged[where] = found.converged
    small = factors_of(data, found.x)
    for i in np.flatnonzero(_worth_telling(data, found.x, found.converged)):
        out.findings[int(where[i])] = findings(data, small, found, alike, int(i))
    if effects:
        _put_effects(out, data, numbers, kept, e, levels)


def _worth_telling(data: Stack, x: Array, converged: Bools) -> Bools:
    """Setups that may have findings: something at zero, correlated slopes, or no verified optimum."""
    return np.asarray(~converged | (x == 0).any(axis=1) | any(part.full for part in data.parts))


def _put_effects(out: _Result, data: Stack, numbers: Codes, kept: Codes, e: Estimates, levels: Levels) -> None:
    position = np.full(numbers.size, -1)
    position[kept] = np.arange(kept.size)
    for part, values, variances in zip(data.parts, *level_effects(data, e), strict=True):
        owner, level = levels[part.name]
        place = np.arange(owner.size) - np.searchsorted(owner, owner)
        fitted = position[owner] >= 0
        at = position[owner[fitted]], place[fitted]
        table = Effects(numbers[owner[fitted]], level[fitted], squeezed(values[at]), squeezed(variances[at]))
        out.effects[part.name].append(table)
