"""Refits of one setup to made-up responses: what the variances being estimates does to everything else."""

from __future__ import annotations

import numpy as np

from tastefield.errors import FitError, Problem
from tastefield.stats.mixed.fit import MixedFit
from tastefield.stats.mixed.many import ManyFits, fit_many
from tastefield.stats.mixed.stack import Array


def bootstrap(fit: MixedFit, times: int, seed: int) -> ManyFits:
    """Parametric bootstrap: draw responses from the fitted model, refit all of it, ``times`` times.

    Made-up setup i of the answer is a refit whose truth is ``fit``. The ratio of ``fixed - fit.fixed`` to the refit's
    own standard error carries the uncertainty of the variances, but only around where ``fit`` has them: a variance
    wrongly found zero is zero in all made-up responses.

    :param fit: a converged fit. :param times: refits. :param seed: of the draws.
    :raises FitError: less than one refit, or a fit without a verified optimum.

    Source: Efron & Tibshirani (1993), An Introduction to the Bootstrap, section 6.5 (from memory).
    """
    if times < 1 or not fit.converged:
        why = f"{times} refits asked for" if times < 1 else "the fit stopped before its optimum was certain"
        raise FitError(Problem("no bootstrap", why=why))
    rows, rng = fit.working.rows, np.random.default_rng(seed)
    n = rows.y.size
    y = np.tile(rows.X @ fit.fixed, (times, 1))
    y += rng.standard_normal((times, n)) * np.sqrt(fit.variances["noise"] / rows.weights)
    for name, codes in rows.codes.items():
        columns = np.column_stack([np.ones(n), *rows.slopes.get(name, np.empty((n, 0))).T])
        # eigenvectors, since the covariance may be singular
        values, vectors = np.linalg.eigh(fit.covariances[name])
        half = vectors * np.sqrt(np.maximum(values, 0.0))
        drawn = rng.standard_normal((times, int(codes.max()) + 1, len(values))) @ half.T
        y += np.einsum("tnq,nq->tn", drawn[:, codes], columns)
    full = any(part.full for part in fit.working.stack.parts)
    return fit_many(
        y.ravel(),
        np.tile(rows.X, (times, 1)),
        {name: np.tile(codes, times) for name, codes in rows.codes.items()},
        np.repeat(np.arange(times), n),
        {name: np.tile(values, (times, 1)) for name, values in rows.slopes.items()},
        "full" if full else "diagonal",
        np.tile(rows.weights, times),
        fit.reml,
    )


def refits(fit: MixedFit, times: int, seed: int) -> tuple[Array, Array]:
    """Fixed effects (times, p) and their covariances (times, p, p) of refits with a verified optimum.

    Those without one are replaced by repeats of the others.

    :raises FitError: as :func:`bootstrap`, and where every refit failed.
    """
    many = bootstrap(fit, times, seed)
    good = np.flatnonzero(many.converged)
    if not good.size:
        raise FitError(Problem("no refit reached its optimum", why=f"none of {times}"))
    chosen = np.resize(good, times)
    return many.fixed[chosen], many.fixed_cov[chosen]
