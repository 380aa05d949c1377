"""Strength: readings in Brix or refractive index to TDS, by the calibration of the meter and by nothing else."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from tastefield.config import RefractometerConfig
from tastefield.records import Floats, Records
from tastefield.stats import sucrose
from tastefield.stats.errors_line import ErrorsLine, fit
from tastefield.words.columns import column
from tastefield.words.findings import Finding, finding

UNLIKELY = 0.05
"""Dried samples that stray from their line as far as would happen by chance more rarely than this are told of."""
DISPLAYS = {"brix_pct": (0.1, 0.01), "refractive_index": (0.0001, 0.00001)}
"""Steps of displays; the coarser one that shows all readings is taken."""


def strength(records: Records, meter: RefractometerConfig) -> Records:
    """Give readings that have no TDS the one their calibration says.

    :returns: the records, readings with ``u_calibration_pct``: the standard uncertainty that line, scatter of samples
        and the meter's display leave, NaN where the meter showed TDS itself.
    """
    readings = records.tables["readings"].reset_index(drop=True)
    waiting = (readings["tds_pct"].isna() & readings[["brix_pct", "refractive_index"]].notna().any(axis=1)).to_numpy()
    if not waiting.any():
        return records
    if not meter.is_given:
        told = finding("reading_without_calibration", count=int(waiting.sum()))
        return replace(records, findings=(*records.findings, told))
    line = _line(meter)
    brix, display, why = _brix_at_20(readings, meter)
    tds, u_line = line.at(brix)
    allowed = column("readings", "tds_pct")
    impossible = (tds < (allowed.low or 0.0)) | (tds > (allowed.high or 100.0))
    why = np.where(impossible & (why == ""), "by the calibration its TDS is impossible", why)
    good = waiting & (why == "")
    readings.loc[good, "tds_pct"] = tds[good]
    readings["u_calibration_pct"] = np.where(good, np.hypot(u_line, line.slope * display), np.nan)
    findings = (*records.findings, *_told(line, meter, brix, good, waiting & ~good, why, readings["shot_id"]))
    return replace(records, tables={**records.tables, "readings": readings}, findings=findings)


def _line(meter: RefractometerConfig) -> ErrorsLine:
    """The line that was given, or the one through the dried samples."""
    if meter.pairs:
        pairs = pd.DataFrame([pair.model_dump() for pair in meter.pairs]).astype(float)
        brix, _, _ = _brix_at_20(pairs, meter)
        of_index = pairs["brix_pct"].isna().to_numpy()
        u = np.where(of_index, _per_index(brix) * (meter.u_refractive_index or 0.0), meter.u_brix_pct or 0.0)
        return fit(brix, pairs["tds_pct"], u, meter.u_tds_pct or math.nan)
    u_a, u_b = meter.u_intercept or 0.0, meter.u_slope or 0.0
    common = meter.correlation * u_a * u_b
    cov = np.array([[u_a**2, common], [common, u_b**2]])
    return ErrorsLine(meter.intercept or 0.0, meter.slope or 0.0, cov, 0.0, 0.0, 0, 1.0, (-math.inf, math.inf))


def _per_index(brix: Floats) -> Floats:
    """How many Brix one whole unit of refractive index would be, near these readings."""
    low, high = np.clip(brix - 0.5, 0, 49), np.clip(brix + 0.5, 1, 50)
    return np.asarray((high - low) / (sucrose.index_of(high) - sucrose.index_of(low)))


def _brix_at_20(rows: pd.DataFrame, meter: RefractometerConfig) -> tuple[Floats, Floats, Any]:
    """Each reading in Brix at 20 C, the standard uncertainty of its display in Brix, and why it cannot be used."""
    of_index = rows["brix_pct"].isna().to_numpy()
    index, written = (rows[name].to_numpy(dtype=float) for name in ("refractive_index", "brix_pct"))
    brix = np.where(of_index, sucrose.percent_of(index), written)
    table = np.hypot(_display(index, "refractive_index"), sucrose.U_INDEX)
    display = np.where(of_index, _per_index(np.nan_to_num(brix)) * table, _display(written, "brix_pct"))
    why = np.where(np.isnan(brix), "its refractive index lies outside the table of sucrose, 1.3330 to 1.4201", "")
    if meter.compensated:
        return brix, display, why
    warmth = rows["sample_temp_c"].to_numpy(dtype=float)
    correction = sucrose.temperature_correction(brix, warmth)
    unknown, beyond = np.isnan(warmth), np.isnan(correction) & ~np.isnan(warmth)
    why = np.where((why == "") & unknown, "nothing says how warm the sample was", why)
    why = np.where((why == "") & beyond, "the sample was below 15 or above 30 C, where no correction is tabled", why)
    return brix + correction, display, why


def _display(values: Floats, name: str) -> float:
    """Standard uncertainty of a display: half a step, rectangular (JCGM 100:2008, 4.3.7)."""
    there = values[np.isfinite(values)]
    steps = DISPLAYS[name]
    step = next((one for one in steps if np.allclose(there / one, np.round(there / one), atol=1e-6)), steps[-1])
    return step / math.sqrt(12.0)


def _told(
    line: ErrorsLine, meter: RefractometerConfig, brix: Floats, good: Any, left: Any, why: Any, shots: pd.Series
) -> Iterator[Finding]:
    if good.any():
        middle = float(np.median(brix[good]))
        values = {"intercept": f"{line.intercept:.3g}", "slope": f"{line.slope:.4g}", "at": f"{middle:.3g}"}
        more = "more dried samples make it surer" if meter.pairs else "pairs of dried samples would check the line"
        u = f"{float(line.at(middle)[1]):.2g}"
        yield finding("readings_calibrated", None, count=int(good.sum()), u=u, more=more, **values)
    if line.df and line.p < UNLIKELY:
        yield finding("calibration_scatters", times=f"{math.sqrt(line.chi2 / line.df):.2g}", p=f"{line.p:.2g}")
    low, high = line.span
    beyond = good & ((brix < low) | (brix > high))
    if beyond.any():
        span = {"low": f"{low:.3g}", "high": f"{high:.3g}"}
        yield finding("readings_beyond_calibration", None, count=int(beyond.sum()), **span)
    if left.any():
        first = int(np.flatnonzero(left)[0])
        do = {
            "nothing": "Write sample_temp_c, or compensated = true if the meter corrects for it",
            "the sample": "Let samples cool to the temperature of the room",
        }
        remedy = next((text for start, text in do.items() if str(why[first]).startswith(start)), "Correct the reading")
        count = int(left.sum())
        yield finding("readings_not_corrected", count=count, shot=shots.iloc[first], why=why[first], do=remedy)
