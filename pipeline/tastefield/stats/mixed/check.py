"""Checks of what is to be fitted: all faults told at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from scipy import linalg

from tastefield.errors import FitError, Problem
from tastefield.stats.mixed.stack import RANK, Array

NOTHING_LEFT = 1e-24  # share of y's sum of squares outside X below which only rounding is left


def check_rows(y: Array, X: Array, codes: Mapping[str, Any], slopes: Mapping[str, Array], w: Array) -> None:
    """Shapes, missing values and codes.

    :raises FitError: all that is wrong.
    """
    n = y.shape[0] if y.ndim == 1 else -1
    problems = []
    if n < 0:
        raise FitError(Problem("the responses are not a list", why=f"expected shape (n,), found {y.shape}"))
    if X.ndim != 2 or X.shape[0] != n:
        problems.append(Problem("X has another number of rows", why=f"expected ({n}, p), found {X.shape}"))
    if w.shape != (n,) or not (w > 0).all():
        problems.append(Problem("weights are not one positive number a row", why=f"found shape {w.shape}"))
    for what, values in (("responses", y), ("X", X), *slopes.items()):
        bad = int(np.sum(~np.isfinite(values)))
        if bad:
            problems.append(
                Problem(f"missing or infinite values in {what}", why=f"{bad} of them", do="Leave them out.")
            )
    for name, values in codes.items():
        if name == "noise":
            problems.append(Problem("a factor is called noise", do="Give it another name."))
        problems += wrong_codes(name, values, n)
    for name, values in slopes.items():
        if name not in codes:
            problems.append(Problem("slopes of an unknown factor", where=name, why=f"the factors are {list(codes)}"))
        if values.ndim != 2 or values.shape[0] != n:
            why = f"expected ({n}, q), found {values.shape}"
            problems.append(Problem("slopes have another shape", where=name, why=why))
    if problems:
        raise FitError(problems)


def wrong_codes(name: str, values: Any, n: int) -> list[Problem]:
    """What keeps ``values`` from being n integers from 0."""
    whole = np.issubdtype(values.dtype, np.integer)
    if values.shape == (n,) and whole and (n == 0 or values.min() >= 0):
        return []
    why = f"expected {n} integers from 0, found {values.dtype} of shape {values.shape}"
    return [Problem("levels are not codes", where=name, why=why)]


def check_rank(X: Array) -> None:
    """Columns must be told apart.

    :raises FitError: naming the columns that follow from the others.
    """
    n, p = X.shape
    if n <= p:
        why = f"{n} rows for {p} fixed effects leave nothing to estimate the noise from"
        raise FitError(Problem("too few rows", why=why, do="Use fewer terms or more data."))
    if p == 0:
        return
    norms = np.linalg.norm(X, axis=0)
    R, order = linalg.qr(X / np.where(norms > 0, norms, 1.0), mode="r", pivoting=True)
    weak = np.abs(np.diag(R)) < RANK * abs(R[0, 0])
    if weak.any() or not R[0, 0]:
        lost = ", ".join(str(i) for i in sorted(order[:p][weak]))
        why = f"columns {lost} of X (counted from 0) follow from the others"
        raise FitError(Problem("columns cannot be told apart", why=why, do="Fit fewer terms."))
