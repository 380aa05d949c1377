"""Log shot time against the dial, fitted to a whole bench at once, with a level that drifts from shot to shot.

A *stream* is the shots of one setup on one burr zero, in the order they were pulled. For its shot i

    y_i = a + w_i + (beta_g + d)(x_i - x_1) + z_i gamma + e_i

    y       log shot time                     x       dial position, x_1 that of the stream's first shot
    a       level at x_1, N(log 27, 0.6^2)    w       random walk from w_1 = 0: a step a shot, another kind a sitting
    beta_g  slope of the grinder              d       how this stream's slope departs, N(0, (bend x usual |beta|)^2)
    gamma   shared by the bench, N(prior)     e       noise of one shot

Why a technician who chases a time does not bias this: the next setting depends on the times before it, all of which
stand in y; given them it says nothing more about the noise to come, so the likelihood of a model that holds level and
slope together is what it would be had the settings been drawn beforehand. A least-squares line has no drift, and
reads the drift that was corrected for as slope. The level's prior is at the first setting, whatever that was: that
settings differ between streams because their coffees do is no evidence about the slope.

The slopes are pooled over grinders on b = log |beta x usual step| ~ N(m, tau^2), with a sign by grinder whose chance
is learned from the other grinders (or configured, and then believed 99 in 100); b is integrated over by quadrature.
The variances are restricted maximum likelihood with weak priors on their logs, by Fisher scoring. With V the
covariance of a stream, x the grinder's one column and N(mu, v) its slope before its own data,

    phi = 1 / (sum x'V^-1 x + 1/v)      P = V^-1 - V^-1 x phi x'V^-1      e = P (y - x mu - z gamma)
    gradient_k = -1/2 (tr(P dV_k) - e'dV_k e)      information_kl = 1/2 tr(V^-1 dV_k V^-1 dV_l), a little too large

Chokes and gushes are bounds: each is replaced by the normal pseudo-reading whose effect on the mean and variance of
its expected log time is that of "above" or "below" (expectation propagation on a probit); what all other shots say
of row i has mean y_i - (Py)_i / P_ii and variance 1 / P_ii less the pseudo-reading's own.

Source: mixed models and their scoring, Laird and Ware 1982, Biometrics 38:963, Harville 1977, J. Am. Stat. Assoc.
72:320; expectation propagation, Minka 2001; adaptive quadrature, Liu and Pierce 1994, Biometrika 81:624 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

PARTS = ("noise", "walk", "sitting", "bend")
"""Standard deviations that are fitted: of one shot, of the level's step from shot to shot and from sitting to sitting
(all in log time), and of a stream's slope about its grinder's, relative to the usual slope."""
PRIOR = {"noise": (0.06, 0.35), "walk": (0.05, 0.6), "sitting": (0.08, 0.9), "bend": (0.15, 0.5)}
"""Prior median, and SD of the log, of each. Assumptions of ours: no published figures were at hand."""
PRIOR_SHOTS = 4.0
"""What the prior of the noise is worth in shots: a log variance of SD 0.7 is known as well as from 2 / 0.7^2 = 4."""
LEVEL, LEVEL_SD = float(np.log(27.0)), 0.6
"""Log time at the first setting tried: about 27 s, anything from 10 to 70 s (common practice, no source)."""
STEP_EFFECT = (float(np.log(0.1)), 0.7)
"""Prior of m: a step of a dial usually changes the time by 10 %, 3-40 % (common practice, no source)."""
SPREAD, SPREAD_GRINDERS = 0.5, 4.0
"""Prior of tau, and the grinders it is worth. An assumption of ours."""
TIME_PER_OUT = 0.8
"""Change of log time per unit of log weight out at one grind, before any shot tells it. Reasoned, not measured."""
BELIEF = 0.99
"""Chance that a configured direction is right."""
NODES = 21
NOTHING = 1e4  # variance of a pseudo-reading that says nothing yet
SETTLED, ROUNDS = 1e-5, 100


@dataclass(frozen=True, eq=False)
class DialShots:
    """Shots with a dial position; those of a stream stand in the order they were pulled.

    :param log_time: (n,) log seconds, or log of the bound.
    :param bound: (n,) 0 where the time was read, 1 where it was above (choked), -1 where it was below (gushed).
    :param position: (n,). :param covariates: (n, k), 0 at what is usual or unknown; a line is told for 0.
    :param stream: (n,) codes 0 ... S-1, none empty. :param sitting: (n,) codes; a change marks a new sitting.
    :param grinder: (S,) grinder of each stream, codes 0 ... G-1.
    :param step: (G,) usual step of each dial. :param sign: (G,) configured sign of the slope, 0 where unknown.
    :param prior_mean: (k,) of gamma. :param prior_sd: (k,).
    """

    log_time: Array
    bound: Codes
    position: Array
    covariates: Array
    stream: Codes
    sitting: Codes
    grinder: Codes
    step: Array
    sign: Codes
    prior_mean: Array
    prior_sd: Array


@dataclass(frozen=True, eq=False)
class DialFit:
    """The bench's dial lines, each given the likelier sign of its slope.

    :param lines: (S, 2 + k) log time at position 0 as of the stream's last shot, slope, gamma.
    :param covs: (S, 2 + k, 2 + k) their covariance.
    :param gamma: (k,) for the whole bench.
    :param rising: (G,) chance that time rises with the dial.
    :param sds: the fitted standard deviations, by :data:`PARTS`.
    :param residual: (n,) noise of each shot as far as it shows, and :param shown: (n,) the degrees of freedom it
        carries: sum(residual^2) / sum(shown) estimates the noise variance. Bounds carry none.
    :param df: degrees of freedom behind the noise variance, those of its prior included.
    :param step_effect: m and tau.
    :param rounds: until nothing moved.
    """

    lines: Array
    covs: Array
    gamma: Array
    rising: Array
    sds: dict[str, float]
    residual: Array
    shown: Array
    df: float
    step_effect: tuple[float, float]
    rounds: int


def fit(shots: DialShots) -> DialFit:
    """Fit all lines together; see the module.

    >>> none = np.zeros(3, dtype=int)
    >>> shots = DialShots(np.log([30.0, 27.0, 24.5]), none, np.array([7.0, 8.0, 9.0]), np.zeros((3, 0)), none, none,
    ...                   np.array([0]), np.array([1.0]), np.array([0]), np.zeros(0), np.zeros(0))
    >>> found = fit(shots)
    >>> bool(found.lines[0, 1] < 0), bool(found.rising[0] < 0.3)
    (True, True)
    """
    return _Search(shots).run()


class _Search:
    """The rounds of the fit: every quantity is updated from all others until none moves."""

    def __init__(self, shots: DialShots) -> None:
        self.data = shots
        self.blocks = _blocks(shots)
        self.bounds = np.flatnonzero(shots.bound)
        self.y = np.where(shots.bound == 0, shots.log_time, LEVEL) - LEVEL
        self.site = np.full(len(self.y), 1 / NOTHING)  # precision of the pseudo-readings
        self.centre = np.array([2 * np.log(PRIOR[name][0]) for name in PARTS])
        self.log_var = self.centre.copy()
        self.gamma = shots.prior_mean.copy()
        self.m, self.tau = STEP_EFFECT[0], SPREAD
        self.rising = _configured(shots.sign, np.full(len(shots.step), 0.5))

    def run(self) -> DialFit:
        before, rounds = np.full(1, np.inf), 0
        while rounds < ROUNDS and np.abs((now := self._numbers()) - before).max() > SETTLED:
            before, rounds = now, rounds + 1
            self._round()
        return self._answer(rounds)

    def _numbers(self) -> Array:
        shift = self.site[self.bounds] * self.y[self.bounds]
        return np.concatenate([self.log_var, self.gamma, [self.m, self.tau], self.rising, shift])

    def _round(self) -> None:
        mean, var = self._population()
        inverses = [self._inverse(block) for block in self.blocks]
        self._variances_and_residuals(inverses, mean, var)
        self._bounds()
        self._slopes(inverses, mean, var)

    # --- one stream's covariance -----------------------------------------------------------------------------

    def _noise(self) -> Array:
        return np.where(self.data.bound == 0, np.exp(self.log_var[0]), 1 / self.site)

    def _bend(self, block: _Block) -> Array:
        return np.asarray(np.exp(self.log_var[3] + 2 * self.m) / self.data.step[block.grinder] ** 2)

    def _known(self, block: _Block) -> Array:
        """Covariance (S, T, T) of the level."""
        walk, sitting = np.exp(self.log_var[1:3])
        return np.asarray(LEVEL_SD**2 + walk * block.shots + sitting * block.sittings)

    def _inverse(self, block: _Block) -> Array:
        V = self._known(block) + self._bend(block)[:, None, None] * block.dx[:, :, None] * block.dx[:, None, :]
        both = block.mask[:, :, None] & block.mask[:, None, :]
        V = np.where(both, V, 0.0)
        at = np.arange(V.shape[1])
        V[:, at, at] += np.where(block.mask, self._noise()[block.rows], 1.0)
        return np.where(both, np.linalg.inv(V), 0.0)

    def _derivatives(self, block: _Block) -> list[Array]:
        """dV / d(log variance) of each part, (S, T, T)."""
        noise, walk, sitting, _ = np.exp(self.log_var)
        bend = self._bend(block)[:, None, None] * block.dx[:, :, None] * block.dx[:, None, :]
        one_shot = noise * block.exact[:, :, None] * np.eye(block.mask.shape[1])
        return [one_shot, walk * block.shots, sitting * block.sittings, bend]

    # --- updates ---------------------------------------------------------------------------------------------

    def _population(self) -> tuple[Array, Array]:
        """Mean and variance of each grinder's slope before its own times, over both signs."""
        size = np.exp(self.m + self.tau**2 / 2) / self.data.step
        mean = (2 * self.rising - 1) * size
        return mean, np.exp(self.tau**2) * size**2 - mean**2

    def _variances_and_residuals(self, inverses: list[Array], mean: Array, var: Array) -> None:
        """One scoring step of the variances; P y and the diagonal of P."""
        count, G = len(PARTS), len(self.data.step)
        xx, xr = np.zeros(G), np.zeros(G)
        solved = []
        for block, Vi in zip(self.blocks, inverses, strict=True):
            r = np.where(block.mask, self.y[block.rows] - block.z @ self.gamma, 0.0)
            r = r - block.dx * mean[block.grinder][:, None]
            Vx, Vr = _times(Vi, block.dx), _times(Vi, r)
            np.add.at(xx, block.grinder, (block.dx * Vx).sum(axis=1))
            np.add.at(xr, block.grinder, (block.dx * Vr).sum(axis=1))
            solved.append((Vx, Vr))
        phi = 1 / (xx + 1 / var)
        beta = phi * xr
        gradient, information = np.zeros(count), np.zeros((count, count))
        self.Py, self.diagonal = np.zeros(len(self.y)), np.zeros(len(self.y))
        for block, Vi, (Vx, Vr) in zip(self.blocks, inverses, solved, strict=True):
            own = phi[block.grinder]
            e = Vr - Vx * beta[block.grinder][:, None]
            self.Py[block.rows[block.mask]] = e[block.mask]
            self.diagonal[block.rows[block.mask]] = (np.einsum("sii->si", Vi) - own[:, None] * Vx**2)[block.mask]
            parts = [Vi @ derivative for derivative in self._derivatives(block)]
            for k, derivative in enumerate(self._derivatives(block)):
                trace = np.einsum("sii->s", parts[k]) - own * np.einsum("si,sij,sj->s", Vx, derivative, Vx)
                gradient[k] -= 0.5 * (trace - np.einsum("si,sij,sj->s", e, derivative, e)).sum()
                information[k] += [0.5 * np.einsum("sij,sji->", parts[k], other) for other in parts]
        precision = np.array([0.25 / PRIOR[name][1] ** 2 for name in PARTS])  # of the log variance
        step = np.linalg.solve(information + np.diag(precision), gradient - precision * (self.log_var - self.centre))
        self.log_var = self.log_var + np.clip(step, -0.7, 0.7)

    def _bounds(self) -> None:
        """Match each pseudo-reading to its bound, half a step at a time so that several bounds settle together."""
        i = self.bounds
        mean = self.y[i] - self.Py[i] / self.diagonal[i]
        var = np.maximum(1 / self.diagonal[i] - 1 / self.site[i], 1e-6)
        side = self.data.bound[i].astype(float)
        spread = np.sqrt(var + np.exp(self.log_var[0]))
        t = side * (mean - (self.data.log_time[i] - LEVEL)) / spread
        hazard = np.exp(-0.5 * t**2 - 0.5 * np.log(2 * np.pi) - special.log_ndtr(t))
        left = var * (1 - np.clip(hazard * (hazard + t), 1e-9, 1 - 1e-9) * var / spread**2)
        moved = mean + side * hazard * var / spread
        precision = np.maximum(1 / left - 1 / var, 1 / NOTHING)
        shift = 0.5 * (self.site[i] * self.y[i] + moved / left - mean / var)
        self.site[i] = 0.5 * (self.site[i] + precision)
        self.y[i] = shift / self.site[i]

    def _slopes(self, inverses: list[Array], mean: Array, var: Array) -> None:
        """gamma, then the slope of every grinder, then how slopes differ between grinders."""
        k = len(self.gamma)
        M = np.zeros((len(self.data.step), k + 2, k + 2))  # D'V^-1 D by grinder, D = [x, z, y]
        for block, Vi in zip(self.blocks, inverses, strict=True):
            r = np.where(block.mask, self.y[block.rows], 0.0)
            D = np.concatenate([block.dx[:, :, None], block.z, r[:, :, None]], axis=2)
            np.add.at(M, block.grinder, np.swapaxes(D, 1, 2) @ (Vi @ D))
        J, h = _about_gamma(M, mean, var)
        prior = np.diag(1 / self.data.prior_sd**2)
        total = prior + J.sum(axis=0)
        told = prior @ self.data.prior_mean + h.sum(axis=0)
        self.gamma = np.linalg.solve(total, told)
        self.post = _slopes(M, total - J, told - h, self.m, self.tau, self._chance(), self.data.step)
        self.rising = self.post.rising
        seen = self.post.precision * np.exp(2 * self.m) / self.data.step**2 > 1e-3  # a dial never moved tells nothing
        worth = 1 / STEP_EFFECT[1] ** 2 + seen.sum() / self.tau**2
        self.m = float((STEP_EFFECT[0] / STEP_EFFECT[1] ** 2 + self.post.size[seen].sum() / self.tau**2) / worth)
        squares = (self.post.size_var + (self.post.size - self.m) ** 2)[seen].sum()
        self.tau = float(np.sqrt((SPREAD_GRINDERS * SPREAD**2 + squares) / (SPREAD_GRINDERS + seen.sum())))

    def _chance(self) -> Array:
        """Chance of a rising line before a grinder's own shots: configured, or as often as on the other grinders."""
        unknown = self.data.sign == 0
        others = self.rising[unknown].sum() - self.rising
        return _configured(self.data.sign, (1 + others) / (1 + max(unknown.sum(), 1)))

    # --- answers ---------------------------------------------------------------------------------------------

    def _answer(self, rounds: int) -> DialFit:
        noise = np.exp(self.log_var[0])
        exact = self.data.bound == 0
        shown = np.where(exact, np.clip(noise * self.diagonal, 0.0, 1.0), 0.0)
        size = len(self.gamma) + 2
        lines, covs = np.zeros((len(self.data.grinder), size)), np.zeros((len(self.data.grinder), size, size))
        for block in self.blocks:
            lines[block.streams], covs[block.streams] = self._lines(block)
        return DialFit(
            lines=lines,
            covs=covs,
            gamma=self.gamma,
            rising=self.post.rising,
            sds={name: float(np.exp(value / 2)) for name, value in zip(PARTS, self.log_var, strict=True)},
            residual=np.where(exact, noise * self.Py, 0.0),
            shown=shown,
            df=float(shown.sum()) + PRIOR_SHOTS,
            step_effect=(self.m, self.tau),
            rounds=rounds,
        )

    def _lines(self, block: _Block) -> tuple[Array, Array]:
        """Level at the last shot, slope and gamma of each stream: given beta and gamma normal and linear in both."""
        post, g, k = self.post, block.grinder, len(self.gamma)
        here = np.arange(len(g))
        level, bend = self._known(block), self._bend(block)
        K = np.stack([level[here, block.last], bend[:, None] * block.dx], axis=2)  # (S, T, 2)
        K = np.where(block.mask[:, :, None], K, 0.0)
        B = self._inverse(block) @ K
        base, by_beta = np.zeros((len(g), k + 2)), np.zeros((len(g), k + 2))
        base[:, :2] = np.einsum("stc,st->sc", B, np.where(block.mask, self.y[block.rows], 0.0))
        base[:, 0] += LEVEL
        by_beta[:, :2] = -np.einsum("stc,st->sc", B, block.dx)
        by_beta[:, 1] += 1.0
        by_gamma = np.zeros((len(g), k + 2, k))
        by_gamma[:, :2] = -np.einsum("stc,stk->sck", B, block.z)
        by_gamma[:, 2:] = np.eye(k)
        cov = by_gamma @ post.gamma_cov[g] @ np.swapaxes(by_gamma, 1, 2)
        cov[:, :2, :2] -= np.swapaxes(K, 1, 2) @ B
        cov[:, 0, 0] += level[here, block.last, block.last]
        cov[:, 1, 1] += bend
        along = by_beta + np.einsum("sck,sk->sc", by_gamma, post.gamma_by_beta[g])
        cov += post.var[g][:, None, None] * along[:, :, None] * along[:, None, :]
        line = base + np.einsum("sck,sk->sc", by_gamma, post.gamma_at_zero[g]) + along * post.mean[g][:, None]
        to_zero = np.tile(np.eye(k + 2), (len(g), 1, 1))
        to_zero[:, 0, 1] = -self.data.position[block.rows[:, 0]]
        return np.einsum("sij,sj->si", to_zero, line), to_zero @ cov @ np.swapaxes(to_zero, 1, 2)


# --- slopes of the grinders -----------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Posterior:
    """Slopes after all shots, (G, ...); gamma given the slope is gamma_at_zero + gamma_by_beta x slope."""

    rising: Array
    size: Array  # mean of b, and its variance
    size_var: Array
    mean: Array  # of the slope, given the likelier sign
    var: Array
    precision: Array  # of the slope, from the shots alone
    gamma_at_zero: Array
    gamma_by_beta: Array
    gamma_cov: Array


def _about_gamma(M: Array, mean: Array, var: Array) -> tuple[Array, Array]:
    """What each grinder tells of gamma, its slope integrated out: precision (G, k, k), and precision x value (G, k)."""
    phi = 1 / (M[:, 0, 0] + 1 / var)
    xz = M[:, 0, 1:-1]
    J = M[:, 1:-1, 1:-1] - phi[:, None, None] * xz[:, :, None] * xz[:, None, :]
    gap = M[:, 0, -1] - M[:, 0, 0] * mean
    return J, M[:, 1:-1, -1] - (mean + phi * gap)[:, None] * xz


def _slopes(M: Array, others: Array, told: Array, m: float, tau: float, chance: Array, step: Array) -> _Posterior:
    """Posterior of each slope over both signs, by adaptive Gauss-Hermite quadrature over b about each mode.

    :param others: (G, k, k) precision of gamma by the prior and the other grinders; ``told`` (G, k) precision x value.
    """
    gamma_cov = np.asarray(np.linalg.inv(M[:, 1:-1, 1:-1] + others), dtype=float)
    at_zero = np.einsum("gij,gj->gi", gamma_cov, told + M[:, 1:-1, -1])
    by_beta = -np.einsum("gij,gj->gi", gamma_cov, M[:, 1:-1, 0])
    precision = M[:, 0, 0] + np.einsum("gi,gi->g", M[:, 0, 1:-1], by_beta)
    product = M[:, 0, -1] - np.einsum("gi,gi->g", M[:, 0, 1:-1], at_zero)
    nodes, weights = np.polynomial.hermite_e.hermegauss(NODES)
    heights, sizes, slopes = [], [], []
    for sign, prior in ((1.0, chance), (-1.0, 1 - chance)):
        unit = sign / step
        with np.errstate(divide="ignore", invalid="ignore"):
            b = np.clip(np.nan_to_num(np.log(product / precision / unit), nan=m), m - 4 * tau, m + 4 * tau)
        for _ in range(20):  # Newton; the curvature is kept negative
            beta = unit * np.exp(b)
            first = product * beta - precision * beta**2 - (b - m) / tau**2
            sharp = np.maximum(2 * precision * beta**2 - product * beta, 0.0) + 1 / tau**2
            b = b + np.clip(first / sharp, -0.5, 0.5)
        grid = b[:, None] + nodes / np.sqrt(sharp)[:, None]
        beta = unit[:, None] * np.exp(grid)
        height = product[:, None] * beta - 0.5 * precision[:, None] * beta**2 - 0.5 * ((grid - m) / tau) ** 2
        heights.append(height + np.log(weights) + 0.5 * nodes**2 + (np.log(prior) - 0.5 * np.log(sharp))[:, None])
        sizes.append(grid)
        slopes.append(beta)
    height, size, beta = (np.concatenate(part, axis=1) for part in (heights, sizes, slopes))
    p = np.exp(height - height.max(axis=1, keepdims=True))
    p /= p.sum(axis=1, keepdims=True)
    rising = p[:, :NODES].sum(axis=1)
    mean_size = (p * size).sum(axis=1)
    likelier = np.where((beta > 0) == (rising > 0.5)[:, None], p, 0.0)
    likelier /= likelier.sum(axis=1, keepdims=True)
    mean = (likelier * beta).sum(axis=1)
    return _Posterior(
        rising=rising,
        size=mean_size,
        size_var=(p * (size - mean_size[:, None]) ** 2).sum(axis=1),
        mean=mean,
        var=(likelier * (beta - mean[:, None]) ** 2).sum(axis=1),
        precision=precision,
        gamma_at_zero=at_zero,
        gamma_by_beta=by_beta,
        gamma_cov=gamma_cov,
    )


def _configured(sign: Codes, else_: Array) -> Array:
    return np.where(sign == 0, else_, np.where(sign > 0, BELIEF, 1 - BELIEF))


# --- streams side by side -------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Block:
    """Streams of about one length as arrays (S, T), padded with rows outside ``mask``."""

    streams: Codes
    grinder: Codes
    rows: Codes
    mask: NDArray[np.bool_]
    exact: NDArray[np.bool_]  # rows whose time was read
    dx: Array
    z: Array  # (S, T, k)
    shots: Array  # (S, T, T) steps of the walk, from shot to shot, that two rows share
    sittings: Array  # the same from sitting to sitting
    last: Codes


def _blocks(shots: DialShots) -> list[_Block]:
    counts = np.bincount(shots.stream, minlength=len(shots.grinder))
    order = np.argsort(shots.stream, kind="stable")
    starts = np.cumsum(counts) - counts
    widths = np.ceil(np.log2(np.maximum(counts, 2))).astype(int)
    blocks = []
    for width in np.unique(widths):
        streams = np.flatnonzero(widths == width)
        place = np.arange(counts[streams].max())
        mask = place < counts[streams][:, None]
        rows = order[np.where(mask, starts[streams][:, None] + place, 0)]
        x, sitting = shots.position[rows], shots.sitting[rows]
        later = np.cumsum(np.diff(sitting, axis=1, prepend=sitting[:, :1]) != 0, axis=1).astype(float)
        same = place - later
        blocks.append(
            _Block(
                streams=streams,
                grinder=shots.grinder[streams],
                rows=rows,
                mask=mask,
                exact=mask & (shots.bound[rows] == 0),
                dx=np.where(mask, x - x[:, :1], 0.0),
                z=np.where(mask[:, :, None], shots.covariates[rows], 0.0),
                shots=np.minimum(same[:, :, None], same[:, None, :]),
                sittings=np.minimum(later[:, :, None], later[:, None, :]),
                last=counts[streams] - 1,
            )
        )
    return blocks


def _times(matrices: Array, vectors: Array) -> Array:
    return np.asarray((matrices @ vectors[:, :, None])[:, :, 0])
