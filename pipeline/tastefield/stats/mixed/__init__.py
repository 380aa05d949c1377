"""Linear mixed models with any number of crossed random factors, by REML or ML: one setup, or thousands together.

    y = X b + sum over factors f of Z_f u_f + e,    u_f ~ N(0, s2 T_f x I),    e ~ N(0, s2 / weight)

:func:`fit_crossed` fits one setup, :func:`fit_many` many, through the same code: every array has the setup as its first
axis, and a single setup is a stack of one. T_f, the *relative* covariance of factor f (over the noise variance s2), is
a variance for random intercepts and a matrix, full or diagonal, for intercepts with slopes. The search works in the
variances themselves, not in standard deviations, so that a component whose best value is zero lands on zero exactly.

**Once** (``stack``). X = Q R by orthogonal columns; y is replaced by its residual from X; then only cross-products of
the columns of Z, Q and y are looked at, so the cost of a step does not depend on the number of rows.

**At each T** (``criterion``). V = s2 H, H = I + Z T Z'. The factor with most levels, a, is eliminated: Z_a'Z_a is
block diagonal with a small block D_l for each level l. With S_l the products of that level's columns with the dense
columns (Q, then those of all other factors, b, then y) and B all cross-products of the dense columns,

    G_l = T_a (I + D_l T_a)^-1        M = B - sum_l S_l' G_l S_l        log|H_a| = sum_l log|I + D_l T_a|

(``eliminate``, ``dense_products``; the Schur complement). M has the size of what is left: 12 for 30 shots by 5 tasters
and 6 terms. With q the columns of Q and b together, and C the inverse of the mixed-model equations

    C = (M_qq + T_b^-1 on the columns of b)^-1 = F (I + F' M F on b, F'M beside)^-1 F',    T_b = F F'

(``state``; the right-hand form is regular when T_b is singular) come the solution C M_qy, the residual directions
W = (I or 0) - C M_q., and the projected products P = M W, which hold Z_b'PZ_b, u = Z_b'Py and r2 = y'Py, where
P = H^-1 - H^-1 X (X'H^-1 X)^-1 X'H^-1. The deviance, the noise at its best value s2 = r2 / N,

    REML:  log|H| + log|X'H^-1 X| + N (1 + log(2 pi r2 / N)),   N = n - p;    ML: without the second term, N = n

**Derivatives** (``pieces``), exact. For an entry t of T_b, with its columns i: d log = tr(A_ii), d r2 = -u_i'u_i, and
for two d2 log = -|A_ij|^2, d2 r2 = 2 u_i' Q_ij u_j, where Q = Z'PZ and A is Q (REML) or Z'H^-1 Z (ML). For an entry of
T_a, M itself moves: with K_l = (I + D_l T_a)^-1 S_l and N_l = (I + D_l T_a)^-1 D_l, E the unit matrix of the entry,

    dM = -sum K'E K        d2M = sum K'(E1 N E2 + E2 N E1)K        (``first_derivatives``, ``second_derivative``)
    d log = sum tr(N E) + tr(C dM)       d2 log = -sum tr(N E1 N E2) + tr(C d2M) - tr(C dM C dM)
    d r2 = w'dM w,   w = W's column of y       d2 r2 = w'd2M w - 2 (dM w)_q' C (dM w)_q
    across a and b: dP = W'dM W

**Search** (``search``). From the local minima of a coarse map of the deviance, by scoring (the expected Hessian) while
far and by Newton's method when near; steps end at zero where a variance would turn negative, and a variance at zero
stays while the deviance rises from there (active set). All setups step together and finished ones drop out. Full
covariances are searched through their Cholesky factor.

**Then** (``estimate``): b, its covariance s2 R^-1 C_QQ R^-T, its derivatives by the variances, the covariance of the
variances from the Hessian, effects. What the design cannot tell apart is held at zero beforehand (``confounded``).

Each with or without the uncertainty of the variances: :meth:`MixedFit.df` for an interval, :func:`draws` for a surface
(``draws``), refits to made-up responses (``bootstrap``). :func:`best` takes off the luck of having been chosen.

Sources: Henderson (1975), Biometrics 31, 423; Harville (1977), J. Am. Stat. Assoc. 72, 320; Bates et al. (2015),
J. Stat. Softw. 67(1); derivatives worked out here.
"""

from tastefield.stats.mixed.best import Best, best
from tastefield.stats.mixed.bootstrap import bootstrap
from tastefield.stats.mixed.draws import draws
from tastefield.stats.mixed.fit import LEAST_DF, MixedFit, Prediction, fit_crossed
from tastefield.stats.mixed.many import Effects, ManyFits, fit_many
from tastefield.stats.mixed.profile import Profile

__all__ = [
    "LEAST_DF",
    "Best",
    "Effects",
    "ManyFits",
    "MixedFit",
    "Prediction",
    "Profile",
    "best",
    "bootstrap",
    "draws",
    "fit_crossed",
    "fit_many",
]
