"""Components of variance that the design cannot tell apart: held at zero, so that no answer hangs on rounding."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tastefield.stats.mixed import criterion
from tastefield.stats.mixed.estimate import noise_traces
from tastefield.stats.mixed.stack import Array, Bools, Stack


@dataclass(frozen=True, eq=False)
class Confounded:
    """:param held: (setups, c) components to hold at zero. :param traces: (setups, c + 1, c + 1), noise last."""

    held: Bools
    traces: Array

    def alike(self, stack: Stack, setup: int, component: int) -> str:
        """What the variance of a held component is counted as."""
        last = len(stack.components)
        names = {last: "noise"}
        for i, (k, a, b) in enumerate(stack.components[:component]):
            if a == b and not self.held[setup, i]:
                names[i] = stack.parts[k].label(a)
        seen = list(names)
        G = self.traces[setup]
        share = np.linalg.lstsq(G[np.ix_(seen, seen)], G[seen, component], rcond=None)[0]
        return " and ".join(names[j] for j, s in zip(seen, share, strict=True) if abs(s) > 1e-6) or "the fixed effects"


def confounded(stack: Stack) -> Confounded:
    """Find the components that the data cannot tell from the fixed effects, the noise or earlier components.

    P V_i P is what the data see of a component; if it is zero or a combination of the others', any share of its
    variance fits equally well. Correlated slopes are left to the search.
    """
    m = len(stack.components)
    held = np.zeros((stack.size, m), dtype=bool)
    if not m:
        return Confounded(held, np.zeros((stack.size, 1, 1)))
    ones = [np.broadcast_to(np.eye(part.width), (stack.size, part.width, part.width)) for part in stack.parts]
    tau = np.broadcast_to([float(a == b) for _, a, b in stack.components], (stack.size, m))
    c = criterion.pieces(stack, criterion.state(stack, ones), reml=True)
    traces = noise_traces(c, tau, stack.n - stack.p)
    rest = traces.copy()
    _take_out(rest, m, np.ones(stack.size, dtype=bool))
    for i, (k, a, b) in enumerate(stack.components):
        if a != b:
            continue
        bare = 1e-8 * np.maximum(traces[:, i, i], 1e-8 * _square(stack, k, a))
        seen = (rest[:, i, i] > bare) | stack.parts[k].full
        held[:, i] = ~seen
        _take_out(rest, i, seen & (rest[:, i, i] > 0))
    return Confounded(held, traces)


def _take_out(rest: Array, pivot: int, where: Bools) -> None:
    """One step of elimination: what is left of all components once ``pivot`` is accounted for."""
    size = np.where(where, rest[:, pivot, pivot], 1.0)
    column = np.where(where[:, None], rest[:, pivot], 0.0)
    rest -= column[:, :, None] * column[:, None] / size[:, None, None]


def _square(stack: Stack, k: int, a: int) -> Array:
    """Sum of squares of Z'Z of one coefficient: the size the component would have without fixed effects."""
    part = stack.parts[k]
    if part.start is None:
        return np.asarray((stack.level_squares[:, :, a, a] ** 2).sum(axis=1))
    columns = part.columns(a)
    return np.asarray((stack.products[:, columns, columns] ** 2).sum(axis=(1, 2)))
