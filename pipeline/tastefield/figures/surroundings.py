"""A surface read anywhere between the points it is stored at: straight between four neighbours, over logs of both."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from tastefield.records import Floats, Lattice

SPOKEN_FOR = 0.5
"""From this share of speaking neighbours on, data speak at a point between them; the map draws its line there too."""


def read(lattice: Lattice, values: Floats | NDArray[np.bool_], ratio: Floats, shot_time_s: Floats) -> Floats:
    """Values at points (n,); NaN beyond the lattice.

    :param values: an array of the lattice, (len(lattice.ratio), len(lattice.shot_time_s)).
    """
    axes = (np.log(lattice.ratio), np.log(lattice.shot_time_s))
    between = RegularGridInterpolator(axes, np.asarray(values, dtype=float), bounds_error=False)
    return np.asarray(between(np.log(np.column_stack([ratio, shot_time_s]))))


def speaks(lattice: Lattice, ratio: Floats, shot_time_s: Floats) -> NDArray[np.bool_]:
    """Whether data speak at points, (n,)."""
    return np.asarray(read(lattice, lattice.supported, ratio, shot_time_s) >= SPOKEN_FOR, dtype=bool)


def told(lattice: Lattice) -> tuple[Floats, Floats, Floats]:
    """Expected score of a shot aimed at each point with the ends of its interval; of an old run from mean and SD."""
    if lattice.expected is None or lattice.lower is None or lattice.upper is None:
        half = 1.645 * lattice.sd
        return lattice.mean, lattice.mean - half, lattice.mean + half
    return lattice.expected, lattice.lower, lattice.upper
