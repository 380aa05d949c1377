"""Cross-products of the rows of many setups, stacked: all that a fit looks at, whatever the number of rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Codes = NDArray[np.intp]
Bools = NDArray[np.bool_]

RANK = 1e-10  # a column of X whose part outside the columns before it is smaller than this follows from them
EASY = 1e-6  # least eigenvalue of X'X, columns of unit length, above which its Cholesky factor is accurate enough


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

    @property
    def dense(self) -> int:
        """Number of dense random columns."""
        return sum(part.levels * part.width for part in self.parts if part.start is not None)

    @property
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
    basis, residual, R, ordinary, scale2 = _without_fixed(rows, root)
    p, fixed_and_y = rows.X.shape[1], np.r_[: rows.X.shape[1], -1]
    dense_rows = np.column_stack([basis, residual])
    parts, columns, scales = _parts(rows, root, full)
    k = sum(part.levels * part.width for part in parts if part.start is not None)
    m = p + k + 1
    apart = next((i for i, part in enumerate(parts) if part.start is None), None)
    levels, width = (parts[apart].levels, parts[apart].width) if apart is not None else (0, 1)
    products = np.zeros((rows.count, m, m))
    level_products = np.zeros((rows.count, levels, width, m))
    level_squares = np.zeros((rows.count, levels, width, width))
    products[:, :p, :p] = np.eye(p)
    products[:, -1, -1] = np.bincount(rows.setup, residual**2, rows.count)
    sums = _Sums(rows)
    for i, part in enumerate(parts):
        for a in range(part.width):
            with_dense = sums.by_level(part, columns[i][a][:, None] * dense_rows)
            if i == apart:
                level_products[:, :, a, fixed_and_y] = with_dense
            else:
                products[:, part.columns(a), fixed_and_y] = with_dense
                products[:, fixed_and_y, part.columns(a)] = with_dense.swapaxes(1, 2)
            for j, other in enumerate(parts):
                for b in range(other.width):
                    values = columns[i][a] * columns[j][b]
                    if i == j == apart:
                        level_squares[:, :, a, b] = sums.by_level(part, values[:, None])[:, :, 0]
                    elif i == apart:
                        level_products[:, :, a, other.columns(b)] = sums.by_pair(part, other, values)
                    elif i == j:
                        square = sums.by_level(part, values[:, None])[:, :, 0]
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
        R=R,
        ordinary=ordinary,
        log_weights=np.asarray(np.bincount(rows.setup, np.log(rows.weights), rows.count), dtype=float),
        scale2=scale2,
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


def _without_fixed(rows: Rows, root: Array) -> tuple[Array, Array, Array, Array, Array]:
    """Orthonormal basis of X, residual of y, R, least-squares coefficients and the sum of squares of y, by setup."""
    p = rows.X.shape[1]
    counts = np.bincount(rows.setup, minlength=rows.count)
    most = max(int(counts.max(initial=0)), p)
    X, y = rows.X * root[:, None], rows.y * root
    flat: slice | Codes = slice(None)
    if (counts < most).any():  # such setups are padded with rows of zeros
        gaps = np.arange(rows.count) * most - (np.cumsum(counts) - counts)
        flat = np.arange(y.size) + np.repeat(gaps, counts)
        padded = np.zeros((rows.count * most, p)), np.zeros(rows.count * most)
        padded[0][flat], padded[1][flat] = X, y
        X, y = padded
    X, y = X.reshape(rows.count, most, p), y.reshape(rows.count, most, 1)
    norms = np.linalg.norm(X, axis=1, keepdims=True)
    basis, R = _orthonormal(X / np.where(norms > 0, norms, 1.0))
    transposed = basis.swapaxes(1, 2)
    projected = transposed @ y
    residual = y - basis @ projected
    again = transposed @ residual  # once more: what rounding left inside X
    residual -= basis @ again
    deficient = np.any(np.abs(np.diagonal(R, axis1=1, axis2=2)) <= RANK, axis=1, keepdims=True)
    R = R * norms
    solvable = np.where(deficient[:, None], np.eye(p), R)
    ordinary = np.asarray(np.linalg.solve(solvable, projected + again)[:, :, 0], dtype=float)
    scale2 = np.einsum("sni,sni->s", y, y)
    return basis.reshape(-1, p)[flat], residual.reshape(-1)[flat], R, ordinary, scale2


def _orthonormal(X: Array) -> tuple[Array, Array]:
    """Q and R of stacked X with columns of unit length.

    By two rounds of Cholesky factors, several times faster than reflections on stacks of small matrices, where X is far
    from deficient; by reflections where it is not (Yamamoto et al. 2015, Electron. Trans. Numer. Anal. 44, 306; from
    memory).
    """
    squares = X.swapaxes(1, 2) @ X
    easy = np.linalg.eigvalsh(squares).min(axis=1, initial=1.0) > EASY
    if not easy.all():
        basis, R = np.linalg.qr(X)
        if easy.any():
            basis[easy], R[easy] = _orthonormal(X[easy])
        return basis, R
    first = np.linalg.cholesky(squares).swapaxes(1, 2)
    once = X @ np.linalg.inv(first)
    second = np.linalg.cholesky(once.swapaxes(1, 2) @ once).swapaxes(1, 2)
    return once @ np.linalg.inv(second), second @ first


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

    def by_level(self, part: Part, values: Array) -> Array:
        """(setups, levels, columns of ``values``)."""
        place = self.rows.setup * part.levels + self.rows.codes[part.name]
        cells = self.rows.count * part.levels
        sums = [np.bincount(place, column, cells) for column in values.T]
        return np.asarray(np.stack(sums, axis=1).reshape(self.rows.count, part.levels, -1), dtype=float)

    def by_pair(self, one: Part, other: Part, values: Array) -> Array:
        """(setups, levels of one, levels of other)."""
        place = (self.rows.setup * one.levels + self.rows.codes[one.name]) * other.levels
        place += self.rows.codes[other.name]
        sums = np.bincount(place, values, self.rows.count * one.levels * other.levels)
        return np.asarray(sums.reshape(self.rows.count, one.levels, other.levels), dtype=float)
