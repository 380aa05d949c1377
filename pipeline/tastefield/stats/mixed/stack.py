"""Cross-products of the rows of many setups, stacked: all that a fit looks at, whatever the number of rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Codes = NDArray[np.intp]
Bools = NDArray[np.bool_]

RANK = 1e-10  # a column of X whose part outside the columns before it is smaller than this follows from them
EASY = 1e-3  # least eigenvalue of X'X, columns of unit length, above which its Cholesky factor is good to 1e-13


@dataclass(frozen=True, eq=False)
class Part:
    """One random factor: intercept and slopes of its levels, ``levels`` of them at most in any setup of the stack."""

    name: str
    levels: int
    width: int  # coefficients a level: 1 + slopes
    full: bool  # correlated coefficients
    start: int | None  # first of its dense columns; None for the factor that is eliminated

    def columns(self, coefficient: int) -> slice:
        """Dense columns of one coefficient: all levels side by side."""
        first = (self.start or 0) + coefficient * self.levels
        return slice(first, first + self.levels)

    def label(self, coefficient: int) -> str:
        """``taster`` for the intercept, ``taster[1]`` for its first slope."""
        return self.name if coefficient == 0 else f"{self.name}[{coefficient}]"


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of ``count`` setups, sorted by setup. ``codes`` count from 0 within the setup."""

    y: Array
    X: Array  # (n, p)
    codes: Mapping[str, Codes]
    slopes: Mapping[str, Array]  # name -> (n, q)
    weights: Array
    setup: Codes
    count: int


@dataclass(frozen=True, eq=False)
class Stack:
    """What remains of the rows: X made orthonormal (X = Q R), y replaced by its residual from X.

    The factor with most levels is kept apart, level by level, to be eliminated; the dense columns are Q, then those of
    all other factors, then y. Missing levels of smaller setups are columns and levels of zeros, which change
    nothing.
    """

    parts: tuple[Part, ...]
    components: tuple[tuple[int, int, int], ...]  # (part, a, b): entry a >= b of that part's covariance
    n: Array  # (setups,)
    p: int
    products: Array  # (setups, m, m) of the dense columns
    level_products: Array  # (setups, levels, width, m) of the eliminated factor's columns with the dense ones
    level_squares: Array  # (setups, levels, width, width) among the eliminated factor's own columns
    scales: tuple[Array, ...]  # by part (setups, width): root mean square of each covariate, 1 for the intercept
    R: Array  # (setups, p, p)
    ordinary: Array  # (setups, p) least-squares coefficients
    log_weights: Array  # (setups,) sum of the logarithms of the weights
    scale2: Array  # (setups,) sum of squares of y before X was taken out

    @property
    def size(self) -> int:
        """Number of setups."""
        return len(self.n)

    @cached_property
    def dense(self) -> int:
        """Number of dense random columns."""
        return sum(part.levels * part.width for part in self.parts if part.start is not None)

    @cached_property
    def eliminated(self) -> int | None:
        """Index of the part that is eliminated; None without random factors."""
        return next((k for k, part in enumerate(self.parts) if part.start is None), None)

    def slices(self, component: int) -> list[tuple[slice, slice]]:
        """Where dT/d(component) has its ones among the dense random columns: blocks of rows and columns."""
        k, a, b = self.components[component]
        part = self.parts[k]
        rows, cols = (slice(at.start - self.p, at.stop - self.p) for at in (part.columns(a), part.columns(b)))
        return [(rows, cols)] if a == b else [(rows, cols), (cols, rows)]

    def take(self, setups: Codes | Bools) -> Stack:
        """The same for some of the setups (indices may repeat)."""
        return replace(
            self,
            n=self.n[setups],
            products=self.products[setups],
            level_products=self.level_products[setups],
            level_squares=self.level_squares[setups],
            scales=tuple(scale[setups] for scale in self.scales),
            R=self.R[setups],
            ordinary=self.ordinary[setups],
            log_weights=self.log_weights[setups],
            scale2=self.scale2[setups],
        )

    def recombined(self, change: Array) -> Stack:
        """The dense columns replaced by ``columns @ change``, (m, m'), which may differ in the number of fixed ones."""
        more = change.shape[1] - change.shape[0]
        return replace(
            self,
            parts=tuple(part if part.start is None else replace(part, start=part.start + more) for part in self.parts),
            products=change.T @ self.products @ change,
            level_products=self.level_products @ change,
            p=self.p + more,
        )


def build(rows: Rows, full: bool) -> Stack:
    """Sum the rows up. Setups of deficient rank give a zero on the diagonal of R; see :func:`independent`."""
    root = np.sqrt(rows.weights)
    fixed = _fixed_part(rows, root)
    p, fixed_and_y = rows.X.shape[1], np.r_[: rows.X.shape[1], -1]
    dense_rows = [*fixed.X.T, fixed.residual]
    parts, columns, scales = _parts(rows, root, full)
    k = sum(part.levels * part.width for part in parts if part.start is not None)
    m = p + k + 1
    apart = next((i for i, part in enumerate(parts) if part.start is None), None)
    levels, width = (parts[apart].levels, parts[apart].width) if apart is not None else (0, 1)
    products = np.zeros((rows.count, m, m))
    level_products = np.zeros((rows.count, levels, width, m))
    level_squares = np.zeros((rows.count, levels, width, width))
    products[:, :p, :p] = np.eye(p)
    products[:, -1, -1] = np.bincount(rows.setup, fixed.residual**2, rows.count)
    sums = _Sums(rows)
    for i, part in enumerate(parts):
        for a in range(part.width):
            with_dense = sums.by_level(part, [columns[i][a] * column for column in dense_rows])
            with_dense[:, :, :p] = with_dense[:, :, :p] @ fixed.change
            if i == apart:
                level_products[:, :, a, fixed_and_y] = with_dense
            else:
                products[:, part.columns(a), fixed_and_y] = with_dense
                products[:, fixed_and_y, part.columns(a)] = with_dense.swapaxes(1, 2)
            for j, other in enumerate(parts):
                for b in range(other.width):
                    values = columns[i][a] * columns[j][b]
                    if i == j == apart:
                        level_squares[:, :, a, b] = sums.by_level(part, [values])[:, :, 0]
                    elif i == apart:
                        level_products[:, :, a, other.columns(b)] = sums.by_pair(part, other, values)
                    elif i == j:
                        square = sums.by_level(part, [values])[:, :, 0]
                        at = np.arange(part.levels)
                        products[:, part.columns(a).start + at, part.columns(b).start + at] = square
                    elif j != apart:
                        products[:, part.columns(a), other.columns(b)] = sums.by_pair(part, other, values)
    return Stack(
        parts=parts,
        components=components_of(parts),
        n=np.bincount(rows.setup, minlength=rows.count).astype(float),
        p=p,
        products=products,
        level_products=level_products,
        level_squares=level_squares,
        scales=scales,
        R=fixed.R,
        ordinary=fixed.ordinary,
        log_weights=np.asarray(np.bincount(rows.setup, np.log(rows.weights), rows.count), dtype=float),
        scale2=fixed.scale2,
    )


def components_of(parts: tuple[Part, ...]) -> tuple[tuple[int, int, int], ...]:
    """(part, a, b) for every variance, and every covariance of correlated slopes."""
    return tuple(
        (k, a, b)
        for k, part in enumerate(parts)
        for a in range(part.width)
        for b in range(a + 1)
        if part.full or a == b
    )


def independent(stack: Stack) -> Bools:
    """(setups, p): whether each column of X has a part of its own beside the columns before it."""
    norms = np.linalg.norm(stack.R, axis=1)
    return np.asarray(np.abs(np.diagonal(stack.R, axis1=1, axis2=2)) > RANK * norms)


@dataclass(frozen=True, eq=False)
class _FixedPart:
    """Weighted rows of X and of y's residual, and what makes Q of X: Q = X ``change``, by setup."""

    X: Array  # (n, p)
    residual: Array  # (n,)
    change: Array  # (setups, p, p)
    R: Array
    ordinary: Array
    scale2: Array


def _fixed_part(rows: Rows, root: Array) -> _FixedPart:
    """R by the Cholesky factor of X'X where X is far from deficient, else by reflections, with Q in the place of X."""
    p = rows.X.shape[1]
    flat, most = _padding(rows.setup, rows.count, p)
    X, y = np.zeros((rows.count, most, p)), np.zeros((rows.count, most, 1))
    X.reshape(rows.count * most, p)[flat], y.reshape(-1)[flat] = rows.X * root[:, None], rows.y * root
    squares = X.swapaxes(1, 2) @ X
    norms = np.sqrt(np.diagonal(squares, axis1=1, axis2=2))[:, None]
    norms = np.where(norms > 0, norms, 1.0)
    squares /= norms * norms.swapaxes(1, 2)
    easy = np.linalg.eigvalsh(squares).min(axis=1, initial=1.0) > EASY
    hard = ~easy
    R = np.empty((rows.count, p, p))
    R[easy] = np.linalg.cholesky(squares[easy]).swapaxes(1, 2)
    if hard.any():
        X[hard], R[hard] = np.linalg.qr(X[hard] / norms[hard])
    deficient = np.any(np.abs(np.diagonal(R, axis1=1, axis2=2)) <= RANK, axis=1, keepdims=True)
    R *= norms
    inverse = np.linalg.inv(np.where(deficient[:, None], np.eye(p), R))
    change = np.where(hard[:, None, None], np.eye(p), inverse)
    projected = change.swapaxes(1, 2) @ (X.swapaxes(1, 2) @ y)
    residual = y - X @ (change @ projected)
    again = change.swapaxes(1, 2) @ (X.swapaxes(1, 2) @ residual)  # once more: what rounding left inside X
    residual -= X @ (change @ again)
    return _FixedPart(
        X=X.reshape(rows.count * most, p)[flat],
        residual=residual.reshape(-1)[flat],
        change=change,
        R=R,
        ordinary=(inverse @ (projected + again))[:, :, 0],
        scale2=np.einsum("sni,sni->s", y, y),
    )


def _padding(setup: Codes, count: int, least: int) -> tuple[slice | Codes, int]:
    """Where the rows go when every setup is padded with zeros to the longest, and how long that is."""
    counts = np.bincount(setup, minlength=count)
    most = max(int(counts.max(initial=0)), least)
    if (counts == most).all():
        return slice(None), most
    gaps = np.arange(count) * most - (np.cumsum(counts) - counts)
    return np.arange(setup.size) + np.repeat(gaps, counts), most


def _parts(rows: Rows, root: Array, full: bool) -> tuple[tuple[Part, ...], list[list[Array]], tuple[Array, ...]]:
    """Parts, their weighted covariates (of unit root mean square in each setup) and the scales taken out."""
    levels = {name: int(codes.max(initial=-1)) + 1 for name, codes in rows.codes.items()}
    apart = max(levels, key=lambda name: levels[name]) if levels else None
    counts = np.maximum(np.bincount(rows.setup, minlength=rows.count), 1)
    parts, columns, scales, start = [], [], [], rows.X.shape[1]
    for name in rows.codes:
        covariates = rows.slopes.get(name, np.empty((root.size, 0)))
        squares = [np.bincount(rows.setup, c**2, rows.count) / counts for c in covariates.T]
        scale = np.column_stack([np.ones(rows.count), *(np.sqrt(s) for s in squares)])
        scale[scale == 0] = 1.0
        width = scale.shape[1]
        parts.append(Part(name, levels[name], width, full and width > 1, None if name == apart else start))
        columns.append([root, *(c * root / scale[rows.setup, a + 1] for a, c in enumerate(covariates.T))])
        scales.append(scale)
        start += 0 if name == apart else width * levels[name]
    return tuple(parts), columns, tuple(scales)


class _Sums:
    """Sums of rows by setup and level, or by setup and pair of levels."""

    def __init__(self, rows: Rows) -> None:
        self.rows = rows

    def by_level(self, part: Part, values: list[Array]) -> Array:
        """(setups, levels, number of ``values``)."""
        place = self.rows.setup * part.levels + self.rows.codes[part.name]
        cells = self.rows.count * part.levels
        sums = [np.bincount(place, column, cells) for column in values]
        return np.asarray(np.stack(sums, axis=1).reshape(self.rows.count, part.levels, -1), dtype=float)

    def by_pair(self, one: Part, other: Part, values: Array) -> Array:
        """(setups, levels of one, levels of other)."""
        place = (self.rows.setup * one.levels + self.rows.codes[one.name]) * other.levels
        place += self.rows.codes[other.name]
        sums = np.bincount(place, values, self.rows.count * one.levels * other.levels)
        return np.asarray(sums.reshape(self.rows.count, one.levels, other.levels), dtype=float)
