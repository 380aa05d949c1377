"""Which runs to add to those already pulled, so that a linear model is known best: D- and I-optimal exact designs.

X stacks the model rows of the runs pulled and of those added. D makes log det(X'X) largest, the joint precision of the
coefficients; I makes the prediction variance averaged over a region, tr(W (X'X)^-1), smallest, with W the mean of ff'
over the model rows f of the region. Both for an error variance of 1. A candidate may be chosen more than once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tastefield.errors import FitError, Problem

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Criterion = Literal["D", "I"]

TIE = 1e-9  # designs whose log criterion differs by less are equally good
RANK = 1e-10  # a model whose columns, of length 1, have a singular value below this is not determined
VARIED = 1e-6  # a direction in which the runs pulled hold less than this part of the spread of all rows is still open
LEFT = 1e-15  # what an exchange leaves of the average variance is not known closer, by rounding
SINGULAR = 1e-9  # an exchange that shrinks det(X'X) to this part of itself is never made


@dataclass(frozen=True)
class Criteria:
    """How well the runs determine the model: ``log_det`` of X'X, and the ``average_variance`` over the region.

    Where the runs leave a coefficient open they are -inf and inf. ``average_variance`` is ``None`` without a region.
    """

    log_det: float
    average_variance: float | None


@dataclass(frozen=True, eq=False)
class Addition:
    """The runs to add.

    :param index: (runs,) rows of the candidates, a repeated one as often as it is chosen, ascending in their values.
        Of candidates with the same row the first stands for all.
    :param criteria: of the runs pulled and these together.
    :param reached: how many of the starts ended as well as this.
    """

    index: Index
    criteria: Criteria
    reached: int


def region_moments(rows: ArrayLike) -> Array:
    """Mean of ff' over the model rows f of a region, each with the same weight.

    :param rows: (q, p), q >= 1.
    :returns: (p, p).
    :raises FitError: another shape, missing values.

    >>> region_moments([[1.0, -1.0], [1.0, 0.0], [1.0, 1.0]]).round(3).tolist()
    [[1.0, 0.0], [0.0, 0.667]]
    """
    f = np.asarray(rows, dtype=float)
    problems = _problems_of_rows("region", f)
    if not problems and len(f) == 0:
        problems.append(Problem("the region is empty", why="an average needs at least one point"))
    if problems:
        raise FitError(problems)
    return np.asarray(f.T @ f / len(f))


def criteria(rows: ArrayLike, region: ArrayLike | None = None) -> Criteria:
    """Criteria of a design, from its model rows.

    :param rows: (n, p). :param region: (p, p) moments, as :func:`region_moments` gives them.
    :raises FitError: shapes that do not agree, missing values, moments that no region has.

    >>> found = criteria([[1.0, -1.0], [1.0, 1.0]], region=np.diag([1.0, 1 / 3]))
    >>> round(found.log_det, 6), round(found.average_variance, 6)
    (1.386294, 0.666667)
    """
    X = np.asarray(rows, dtype=float)
    problems = _problems_of_rows("runs", X)
    W = _moments(region, X.shape[-1] if X.ndim else 0, problems)
    if problems:
        raise FitError(problems)
    if _rank(X) < X.shape[1]:
        return Criteria(-np.inf, None if W is None else np.inf)
    R = np.linalg.qr(X, mode="r")
    spread = np.linalg.inv(R)
    average = None if W is None else float(np.sum(spread * (W @ spread)))
    return Criteria(2 * float(np.sum(np.log(np.abs(np.diag(R))))), average)


def gains(inverse: Array, out: Array, into: Array, moments: Array | None = None) -> Array:
    """Gain of every exchange of one run of a design for one candidate, without refitting any.

    :param inverse: (p, p) V = (X'X)^-1 of the design.
    :param out: (n, p) model rows that may leave; a row of zeros stands for a run added and none taken.
    :param into: (m, p) model rows that may enter.
    :param moments: (p, p) W for I; D where ``None``.
    :returns: (n, m) growth of log det(X'X), or fall of log tr(WV); -inf where X'X would become singular.

    With d_ab = a'Vb, e_ab = a'VWVb, the run o leaving and i entering, det(X'X) grows by the factor

        r = (1 + d_ii)(1 - d_oo) + d_oi^2

    and tr(WV) falls by [(1 - d_oo) e_ii + 2 d_oi e_oi - (1 + d_ii) e_oo] / r.

    Source: r is Fedorov's (1972, Theory of Optimal Experiments; from memory); both follow from the inverse of a matrix
    changed by rank two.
    """
    d_oi = out @ inverse @ into.T
    leave, enter = 1 - _quadratic(out, inverse)[:, None], 1 + _quadratic(into, inverse)
    ratio = leave * enter + d_oi**2
    possible = ratio > SINGULAR
    ratio = np.where(possible, ratio, 1.0)
    if moments is None:
        return np.where(possible, np.log(ratio), -np.inf)
    shape = inverse @ moments @ inverse
    e_oo, e_ii = _quadratic(out, shape)[:, None], _quadratic(into, shape)
    before = float(np.sum(moments * inverse))
    left = 1 - (leave * e_ii + 2 * d_oi * (out @ shape @ into.T) - enter * e_oo) / (ratio * before)
    return np.where(possible, -np.log(np.maximum(left, LEFT)), -np.inf)


def add_runs(
    candidates: ArrayLike,
    runs: int,
    criterion: Criterion,
    have: ArrayLike | None = None,
    region: ArrayLike | None = None,
    starts: int = 20,
    seed: int = 0,
) -> Addition:
    """The best runs to add, by exchange from several starts.

    The first start adds one run at a time, the one that gains most; the others draw theirs. From each, the best of all
    exchanges of one added run for one candidate is made until none gains. The order of rows, of the candidates and of
    ``have``, changes nothing; of equally good designs found, the one whose rows, sorted, come first is given. No start
    need reach the optimum: ``reached`` tells how many of them agree.

    :param candidates: (m, p) model rows of the settings that may be pulled.
    :param runs: how many to add, >= 1.
    :param criterion: "D" or "I".
    :param have: (n0, p) model rows of the runs already pulled, which stay; none where ``None``.
    :param region: (p, p) moments, as :func:`region_moments` gives them; needed for "I". With "D" the
        average variance is told, too.
    :param starts: how many starts, >= 1. More of them never give a worse design.
    :param seed: of the draws.
    :raises FitError: shapes that do not agree, missing values, moments that no region has, an unknown criterion, "I"
        without a region, candidates that cannot determine the model, too few runs to determine it.

    Source: Fedorov (1972), Theory of Optimal Experiments; Meyer and Nachtsheim (1995), Technometrics 37, 60 (both from
    memory).

    >>> line = [[1.0, -1.0], [1.0, 0.0], [1.0, 1.0]]
    >>> add_runs(line, 2, "D").index.tolist()
    [0, 2]
    >>> add_runs(line, 1, "D", have=[line[0], line[0]]).index.tolist()
    [2]
    """
    C = np.asarray(candidates, dtype=float)
    H = np.empty((0, C.shape[-1] if C.ndim else 0)) if have is None else np.asarray(have, dtype=float)
    W = _checked(C, H, runs, criterion, region, starts)
    rows, first = np.unique(C, axis=0, return_index=True)  # sorted, as the runs pulled: their order is forgotten
    H = H[np.lexsort(H.T)]
    task = _task(rows, H, W if criterion == "I" else None)
    missing = C.shape[1] - len(task.known)
    if runs < missing:
        why = f"the runs pulled determine {len(task.known)} of {C.shape[1]} coefficients, and {runs} are to be added"
        raise FitError(Problem("too few runs", why=why, do=f"Add {missing} or more."))
    rng = np.random.default_rng(seed)
    found = [_exchanged(task, _greedy(task, runs))]
    found += [_exchanged(task, _drawn(task, runs, rng)) for _ in range(starts - 1)]
    best = max(score for score, _ in found)
    ends = [chosen for score, chosen in found if score >= best - TIE]
    chosen = min(ends, key=tuple)
    return Addition(first[chosen], criteria(np.vstack([H, rows[chosen]]), W), len(ends))


@dataclass(frozen=True, eq=False)
class _Task:
    """What every start shares, in units in which all rows together have X'X = 1.

    ``candidates`` (m, p), ``base`` X'X (p, p) of the runs pulled, ``known`` (r, p) an orthonormal basis of their rows,
    ``moments`` (p, p) for I, ``None`` for D.
    """

    candidates: Array
    base: Array
    known: Array
    moments: Array | None

    def inverse(self, chosen: Index) -> Array:
        rows = self.candidates[chosen]
        return np.asarray(np.linalg.inv(self.base + rows.T @ rows))

    def score(self, inverse: Array) -> float:
        """Log of the criterion, so that more is better."""
        if self.moments is None:
            return -float(np.linalg.slogdet(inverse)[1])
        return -float(np.log(np.sum(self.moments * inverse)))


def _task(rows: Array, have: Array, moments: Array | None) -> _Task:
    units = np.linalg.inv(np.linalg.qr(np.vstack([rows, have]), mode="r"))
    pulled = have @ units
    whitened = None if moments is None else units.T @ moments @ units
    return _Task(rows @ units, pulled.T @ pulled, _directions(pulled, VARIED), whitened)


def _exchanged(task: _Task, chosen: Index) -> tuple[float, Index]:
    """The best exchange, again and again, until none gains; the score and the rows, ascending."""
    inverse = task.inverse(chosen)
    score = task.score(inverse)
    while True:
        gain = gains(inverse, task.candidates[chosen], task.candidates, task.moments)
        out, into = np.unravel_index(_first_of_best(gain), gain.shape)
        other = chosen.copy()
        other[out] = into
        inverse = task.inverse(other)
        if not task.score(inverse) > score + TIE:
            return score, np.sort(chosen)
        chosen, score = other, task.score(inverse)


def _greedy(task: _Task, runs: int) -> Index:
    """Rows farthest from what is determined until all is, then one row at a time that gains most."""
    chosen = _completing(task, _first_of_best)
    while len(chosen) < runs:
        gain = gains(task.inverse(chosen), np.zeros((1, task.base.shape[0])), task.candidates, task.moments)
        chosen = np.append(chosen, _first_of_best(gain))
    return chosen


def _drawn(task: _Task, runs: int, rng: np.random.Generator) -> Index:
    """Rows drawn by their squared distance from what is determined until all is, then any."""
    m = len(task.candidates)
    chosen = _completing(task, lambda squares: int(rng.choice(m, p=squares / squares.sum())))
    return np.append(chosen, rng.integers(m, size=runs - len(chosen)))


def _completing(task: _Task, pick: Callable[[Array], int]) -> Index:
    """Rows that, with the runs pulled, determine the model: each is picked by its squared distance from their span."""
    chosen: list[int] = []
    beyond = task.candidates - task.candidates @ task.known.T @ task.known
    for _ in range(task.base.shape[0] - len(task.known)):
        at = pick(np.sum(beyond**2, axis=1))
        chosen.append(at)
        direction = beyond[at] / np.linalg.norm(beyond[at])
        beyond = beyond - np.outer(beyond @ direction, direction)
    return np.array(chosen, dtype=np.intp)


def _first_of_best(values: Array) -> int:
    """The first, in order, of those that are best but for rounding."""
    return int(np.flatnonzero(values >= values.max() - TIE)[0])


def _directions(rows: Array, least: float) -> Array:
    """An orthonormal basis (r, p) of the space that rows (n, p) span by singular values above ``least``."""
    _, size, basis = np.linalg.svd(rows, full_matrices=False)
    return np.asarray(basis[size > least])


def _quadratic(rows: Array, matrix: Array) -> Array:
    return np.asarray(np.sum(rows @ matrix * rows, axis=1))


def _rank(rows: Array) -> int:
    """Rank of rows (n, p), whatever the units of the columns."""
    norms = np.linalg.norm(rows, axis=0)
    return len(_directions(rows / np.where(norms > 0, norms, 1.0), RANK))


def _checked(C: Array, H: Array, runs: int, criterion: str, region: ArrayLike | None, starts: int) -> Array | None:
    """The moments, after everything that can be wrong was looked for."""
    problems = [*_problems_of_rows("candidates", C), *_problems_of_rows("runs pulled", H)]
    if not problems and H.shape[1] != C.shape[1]:
        why = f"{C.shape[1]} columns and {H.shape[1]}"
        problems.append(Problem("candidates and runs pulled are of different models", why=why))
    W = _moments(region, C.shape[-1] if C.ndim else 0, problems)
    if criterion not in ("D", "I"):
        problems.append(Problem(f"unknown criterion {criterion!r}", why="D and I are known"))
    if criterion == "I" and region is None:
        why = "I averages the prediction variance over a region"
        problems.append(Problem("no region", why=why, do="Give its moments, or choose D."))
    for number, name in ((runs, "runs"), (starts, "starts")):
        if number < 1:
            problems.append(Problem(f"no {name}", why=f"expected 1 or more, found {number}"))
    if not problems:
        together = np.vstack([C, H])
        rank = _rank(together)
        if rank < C.shape[1]:
            why = f"with the runs pulled they determine {rank} of {C.shape[1]} coefficients, however many are added"
            do = "Let the candidates vary more, or use a smaller model."
            problems.append(Problem("the candidates cannot determine the model", why=why, do=do))
    if problems:
        raise FitError(problems)
    return W


def _moments(region: ArrayLike | None, p: int, problems: list[Problem]) -> Array | None:
    """The moments (p, p) of a region, ``None`` without one; what is wrong with them joins the problems."""
    if region is None:
        return None
    W = np.asarray(region, dtype=float)
    if W.shape != (p, p):
        why = f"expected ({p}, {p}), found shape {W.shape}"
        problems.append(Problem("the moments are not those of this model", why=why, do="Use region_moments."))
    elif not np.isfinite(W).all():
        problems.append(Problem("missing or infinite moments", why=f"{int(np.sum(~np.isfinite(W)))} values"))
    else:
        size = np.linalg.eigvalsh((W + W.T) / 2)
        if (
            not np.allclose(W, W.T, rtol=1e-9, atol=1e-12 * np.abs(W).max())
            or size.min() < -1e-9 * size.max()
            or size.max() <= 0
        ):
            why = "a mean of ff' is symmetric and has no negative eigenvalue"
            problems.append(Problem("no region has these moments", why=why, do="Use region_moments."))
    return W


def _problems_of_rows(what: str, rows: Array) -> list[Problem]:
    if rows.ndim != 2 or rows.shape[1] == 0:
        return [Problem(f"{what}: not a table", why=f"expected (rows, coefficients), found shape {rows.shape}")]
    bad = int(np.sum(~np.isfinite(rows)))
    return [Problem(f"{what}: missing or infinite", why=f"{bad} values", do="Leave those rows out.")] if bad else []
