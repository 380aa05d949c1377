"""How the simulated benches brew: water through a puck, solids into the cup. Invented; every function takes arrays.

Darcy: pressure drives water through a puck whose resistance rises with fineness and dose and falls with age, and a
little while its solids leave. Extraction: solids of broken cells are washed out by what flows, solids of whole cells
come out slowly and in time. Strength follows by mass balance. Numbers are chosen to look like a bench, not measured.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SIZE_UM = 300.0
"""Grain size at which resistances and times are given."""
USUAL_DOSE_G = 18.0


@dataclass(frozen=True)
class Beans:
    """One coffee as the water meets it."""

    soluble: float = 0.28  # of the dose, all that could ever dissolve
    resistance: float = 6.3  # bar s/g at SIZE_UM, USUAL_DOSE_G and middle age
    steepness: float = 2.8  # resistance falls with this power of grain size
    whole_cells_s: float = 21.0  # time scale of the slow solids at SIZE_UM and 93 degrees


@dataclass(frozen=True)
class Flow:
    """One machine as the coffee meets it."""

    pressure_bar: float = 9.0
    ramp_s: float = 2.5  # until the head is full
    water_c: float = 93.0
    puck_sd: float = 0.08  # shot to shot, in log resistance
    stop_sd: float = 0.035  # shot to shot, in log weight out
    channel: float = 0.02  # mean share of the puck that the water misses, shot to shot


@dataclass(frozen=True)
class Cup:
    """What is in the cup; shares of the dose, strength as a share of the drink."""

    extraction: np.ndarray
    strength: np.ndarray
    late: np.ndarray  # what comes out last, and tastes harsh


def resistance(beans: Beans, dose_g, size_um, age_days):
    """Resistance of the puck in bar s/g."""
    aged = (1.0 + 0.25 * np.exp(-age_days / 7.0)) * np.exp(-(age_days - 15.0) / 90.0)
    return beans.resistance * (SIZE_UM / size_um) ** beans.steepness * (dose_g / USUAL_DOSE_G) * aged


def size_of(beans: Beans, dose_g, puck, age_days):
    """Grain size in micrometres of a puck of this resistance: the inverse of :func:`resistance`."""
    return SIZE_UM * (resistance(beans, dose_g, SIZE_UM, age_days) / puck) ** (1.0 / beans.steepness)


def _opening(dose_g, ratio):
    return dose_g * (0.65 * ratio + 0.35 * (1.0 - np.exp(-ratio)))


def shot_time(flow: Flow, dose_g, ratio, puck):
    """Seconds from pump-on until ratio x dose is in the cup: filling the head, wetting the dose, flowing."""
    return flow.ramp_s + 0.08 * dose_g * np.sqrt(puck) + puck * _opening(dose_g, ratio) / flow.pressure_bar


def puck_for(flow: Flow, dose_g, ratio, time_s):
    """Resistance that takes ``time_s``: the inverse of :func:`shot_time`, a quadratic in its root."""
    a, b = _opening(dose_g, ratio) / flow.pressure_bar, 0.08 * dose_g
    left = np.maximum(time_s - flow.ramp_s, 0.2)
    return ((-b + np.sqrt(b * b + 4.0 * a * left)) / (2.0 * a)) ** 2


def brew(beans: Beans, flow: Flow, ratio, time_s, size_um, puck, channel) -> Cup:
    """The cup of a shot that ran ``time_s``; ``channel`` is the share of the coffee that an uneven puck kept dry."""
    broken = 0.62 / (1.0 + (size_um / 280.0) ** 1.2)
    scale = beans.whole_cells_s * (size_um / SIZE_UM) ** 1.1 * np.exp((93.0 - flow.water_c) / 30.0)
    washed = 1.0 - np.exp(-ratio / 0.8)
    soaked = (1.0 - np.exp(-(time_s - flow.ramp_s) / scale)) * (1.0 - np.exp(-ratio / 0.9))
    starved = 0.25 / (1.0 + np.exp(-(np.log(puck) - np.log(15.0)) / 0.25)) + channel
    reached = beans.soluble * (1.0 - starved)
    extraction = reached * (broken * washed + (1.0 - broken) * soaked)
    late = 0.3 * beans.soluble * (1.0 - np.exp(-(time_s - flow.ramp_s) / 60.0 * (SIZE_UM / size_um) ** 1.5))
    return Cup(extraction, extraction / ratio, late)
