"""Sucrose: the scale of a refractometer - mass percent of sucrose in water, its refractive index, and temperature.

It is the scale meters are marked in, not a measure of coffee: nothing here says what a reading means for a drink.

Source of the index (589 nm, 20 C): Concentrative properties of aqueous solutions, CRC Handbook of Chemistry and
Physics.
Source of the correction: the international temperature correction table for refractometers marked in mass percent at
20 C. Both through a stored copy, see ``tests/reference/refractive_index_sucrose``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# fmt: off
PERCENT = np.array([
    0, 0.5, 1, 1.5, 2, 3, 3.5, 4, 5, 5.5, 6, 7, 7.5, 8, 9, 10,
    11, 13, 15, 16, 18, 20, 22, 26, 30, 32, 36, 38, 40, 44, 46, 50,
])
INDEX = np.array([
    1.3330, 1.3337, 1.3344, 1.3351, 1.3359, 1.3373, 1.3381, 1.3388, 1.3403, 1.3410, 1.3418, 1.3433, 1.3440, 1.3448,
    1.3463, 1.3478, 1.3494, 1.3525, 1.3557, 1.3573, 1.3606, 1.3639, 1.3672, 1.3741, 1.3812, 1.3848, 1.3922, 1.3960,
    1.3999, 1.4078, 1.4118, 1.4201,
])
# fmt: on
U_INDEX = 1e-4 / np.sqrt(12.0)
"""Standard uncertainty of a tabled index: its last digit, rectangular (JCGM 100:2008, 4.3.7)."""
CORRECTED_AT = np.array([5, 10, 15, 20, 30, 40, 50, 60, 70, 75], dtype=float)
TEMPERATURE_C = np.array([15, 17, 18, 20, 22, 24, 25, 26, 28, 30], dtype=float)
CORRECTION = 0.01 * np.array(
    [
        [-25, -27, -31, -31, -34, -35, -36, -37, -36, -36],
        [-16, -18, -20, -20, -22, -23, -23, -23, -20, -17],
        [-11, -12, -14, -14, -15, -16, -16, -15, -12, -9],
        [0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
        [12, 14, 14, 14, 14, 14, 15, 14, 14, 14],
        [24, 26, 26, 27, 28, 28, 30, 28, 29, 29],
        [30, 32, 32, 34, 36, 36, 38, 36, 36, 37],
        [36, 39, 39, 41, 43, 43, 46, 44, 43, 44],
        [50, 53, 53, 55, 58, 59, 63, 60, 57, 59],
        [64, 67, 70, 71, 74, 75, 80, 76, 73, 75],
    ],
    dtype=float,
)
"""Percent to add to a reading, by temperature (rows) and reading (columns)."""


def percent_of(index: ArrayLike) -> Array:
    """Mass percent of sucrose with a refractive index at 20 C and 589 nm; NaN outside the table (0 to 50 %).

    >>> round(float(percent_of(1.3478)), 2)
    10.0
    """
    return np.asarray(np.interp(np.asarray(index, dtype=float), INDEX, PERCENT, left=np.nan, right=np.nan))


def index_of(percent: ArrayLike) -> Array:
    """Refractive index at 20 C and 589 nm of a mass percent of sucrose; NaN outside the table.

    >>> round(float(index_of(10.0)), 4)
    1.3478
    """
    return np.asarray(np.interp(np.asarray(percent, dtype=float), PERCENT, INDEX, left=np.nan, right=np.nan))


def temperature_correction(percent: ArrayLike, temperature_c: ArrayLike) -> Array:
    """Percent to add to a reading taken at another temperature than 20 C; NaN below 15 and above 30 C.

    Straight lines between the entries of the table. Below 5 %, where it has none, that of 5 % stands: between 5 and
    10 % it changes by 0.03 at most.

    >>> round(float(temperature_correction(10.0, 25.0)), 2)
    0.32
    """
    reading, warmth = np.broadcast_arrays(np.asarray(percent, dtype=float), np.asarray(temperature_c, dtype=float))
    flat = [
        np.interp(warm, TEMPERATURE_C, [np.interp(value, CORRECTED_AT, row) for row in CORRECTION], np.nan, np.nan)
        for value, warm in zip(reading.ravel(), warmth.ravel(), strict=True)
    ]
    return np.array(flat, dtype=float).reshape(reading.shape)
