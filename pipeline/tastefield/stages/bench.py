"""Bench: what the shots of a setup say besides taste: time against the dial, scatter about intent, extraction."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from tastefield.errors import TastefieldError
from tastefield.records import Bench, Derived, DialLine, ExtractionLine, Floats, Scatter, Setup, Taste
from tastefield.stats import inverse, mixed, scatter
from tastefield.words.findings import Finding, finding

TIME_SD = 0.08
"""Prior standard deviation of log time about the dial line of one setup, and the shots that prior is worth. An
assumption of ours: no published figure for the spread of shot time at one setting was at hand."""
TIME_DF = 4.0
SCATTER_SD = (0.04, 0.07)
"""Prior standard deviations of log ratio and log time about intent; an assumption of ours, as above."""
SCATTER_DF = 4.0
SAME_INTENT = 0.12
"""Shots of one setting whose log ratios differ by more than this were meant to differ: no scatter is read from them."""
READINGS_NEEDED = 6


def bench(derived: Derived, taste: Taste) -> tuple[Setup, ...]:
    """Fit dial line, scatter and extraction of every setup.

    The residual variance of the dial lines is pooled over the bench, the scatter over the setups of one machine, the
    extraction line over all setups with a level for each. Order of setups = order of ``derived.keys``.
    """
    tasters = tuple(sorted(str(name) for name in derived.scores["taster"].dropna().unique()))
    by_setup = {
        number: _in_order(derived.shots[derived.shots["setup"] == number]) for number in range(len(derived.keys))
    }
    dials = _dial_lines(by_setup)
    spreads = _scatters(by_setup, derived.keys)
    extraction = _extraction_lines(derived.shots)
    setups = []
    for number, key in enumerate(derived.keys):
        shots = by_setup[number].reset_index(drop=True)
        mine = set(shots["shot_id"])
        notes = _choke_notes(shots)
        setups.append(
            Setup(
                key=key,
                shots=shots,
                scores=derived.scores[derived.scores["shot_id"].isin(mine)].reset_index(drop=True),
                readings=derived.readings[derived.readings["shot_id"].isin(mine)].reset_index(drop=True),
                bench=Bench(dials.get(number), spreads[number], extraction.get(number), tuple(notes)),
                taste=taste,
                tasters=tasters,
            )
        )
    return tuple(setups)


def _in_order(rows: pd.DataFrame) -> pd.DataFrame:
    """Shots in the order they were pulled; place and row decide where no time was written."""
    return rows.sort_values(["pulled_at", "place", "row"], na_position="last", kind="stable")


def _flowed(rows: pd.DataFrame) -> pd.DataFrame:
    """Shots that ran as espresso runs: a choke, a gush or a spill tells a bound, not a time or a ratio."""
    outcome = rows["outcome"].astype("object").fillna("ok")
    return rows[outcome.isin(["ok", "stopped"])]


def _choke_notes(rows: pd.DataFrame) -> Iterator[Finding]:
    outcome = rows["outcome"].astype("object")
    for word, code in (("choked", "choked_shots"), ("gushed", "gushed_shots")):
        settings = [str(value) for value in rows.loc[outcome == word, "grind_setting"].dropna()]
        count = int((outcome == word).sum())
        if count:
            yield finding(code, count=count, settings=", ".join(dict.fromkeys(settings)) or "not written down")


def _dial_lines(by_setup: dict[int, pd.DataFrame]) -> dict[int, DialLine]:
    points: dict[int, tuple[Floats, Floats]] = {}
    for number, rows in by_setup.items():
        rows = _flowed(rows)
        pressurised = rows["basket_kind"].astype("object").eq("pressurised").to_numpy(dtype=bool)
        position = rows["dial_position"].to_numpy(dtype=float)
        log_time = np.log(rows["shot_time_s"].to_numpy(dtype=float))
        use = np.isfinite(position) & np.isfinite(log_time) & ~pressurised
        if len(np.unique(position[use])) >= 2:
            points[number] = position[use], log_time[use]
    fits = {number: inverse.line(x, y) for number, (x, y) in points.items()}
    squares = sum(fit.sigma**2 * fit.df for fit in fits.values() if fit.df > 0)
    df = sum(fit.df for fit in fits.values())
    pooled = (squares + TIME_DF * TIME_SD**2) / (df + TIME_DF)
    lines = {}
    for number, fit in fits.items():
        x, y = points[number]
        design = np.column_stack([np.ones_like(x), x])
        own_squares = fit.sigma**2 * fit.df if fit.df > 0 else 0.0
        variance = float((own_squares + TIME_DF * pooled) / (fit.df + TIME_DF))
        cov = variance * np.linalg.inv(design.T @ design)
        lines[number] = DialLine(float(fit.intercept), float(fit.slope), cov, variance, float(fit.df + TIME_DF), x, y)
    return lines


def _scatters(by_setup: dict[int, pd.DataFrame], keys: tuple[dict[str, str], ...]) -> list[Scatter]:
    """Scatter pooled over the setups of one machine: from repeats of one setting, else about written targets."""
    machine = [key.get("machine", "") for key in keys]
    result: dict[str, Scatter] = {}
    for name in sorted(set(machine)):
        mine = [_flowed(by_setup[number]) for number, its in enumerate(machine) if its == name]
        residuals, df, source = _repeats(mine)
        if df == 0:
            residuals, df, source = _about_targets(mine)
        pooled = scatter.pooled_covariance(residuals, df, prior_sd=SCATTER_SD, prior_df=SCATTER_DF)
        result[name] = Scatter(pooled.covariance, float(df), source if df else "prior")
    return [result[name] for name in machine]


def _logs(rows: pd.DataFrame) -> Floats:
    with np.errstate(all="ignore"):
        return np.asarray(np.log(rows[["ratio", "shot_time_s"]].to_numpy(dtype=float)))


def _repeats(groups: list[pd.DataFrame]) -> tuple[Floats, int, str]:
    """Residuals of log ratio and log time about the mean of shots with one setting, dose and intent."""
    kept: list[Floats] = []
    df = 0
    for rows in groups:
        rows = rows.loc[np.asarray(np.isfinite(_logs(rows)).all(axis=1))]
        if rows.empty:
            continue
        same = [
            rows["grind_setting"].astype("object").fillna("").astype(str),
            rows["dose_g"].round(0),
            rows["target_beverage_g"].fillna(0.0),
            rows["target_time_s"].fillna(0.0),
        ]
        written = rows["grind_setting"].notna()
        for _, group in rows[written].groupby([values[written] for values in same], sort=True):
            for part in _same_intent(_logs(group)):
                kept.append(part - part.mean(axis=0))
                df += len(part) - 1
    return (np.vstack(kept) if kept else np.empty((0, 2))), df, "repeats"


def _same_intent(logs: Floats) -> Iterator[Floats]:
    """Split shots of one setting where their ratios leave a gap too wide for chance."""
    logs = logs[np.argsort(logs[:, 0], kind="stable")]
    for part in np.split(logs, np.flatnonzero(np.diff(logs[:, 0]) > SAME_INTENT) + 1):
        if len(part) > 1:
            yield part


def _about_targets(groups: list[pd.DataFrame]) -> tuple[Floats, int, str]:
    residuals = []
    for rows in groups:
        with np.errstate(all="ignore"):
            ratio = np.log(rows["beverage_g"].to_numpy(dtype=float) / rows["target_beverage_g"].to_numpy(dtype=float))
            time = np.log(rows["shot_time_s"].to_numpy(dtype=float) / rows["target_time_s"].to_numpy(dtype=float))
        both = np.column_stack([ratio, time])
        residuals.append(both[np.isfinite(both).all(axis=1)])
    stacked = np.vstack(residuals) if residuals else np.empty((0, 2))
    return stacked, len(stacked), "targets"


def _extraction_lines(shots: pd.DataFrame) -> dict[int, ExtractionLine]:
    """Log extraction on log ratio and log time: slopes shared by the bench, a level by setup that shrinks."""
    rows = _flowed(shots)
    y = np.log(rows["extraction_pct"].to_numpy(dtype=float))
    logs = _logs(rows)
    use = np.isfinite(y) & np.isfinite(logs).all(axis=1)
    if use.sum() < READINGS_NEEDED:
        return {}
    X = np.column_stack([np.ones(use.sum()), logs[use, 0] - np.log(2.0), logs[use, 1] - np.log(27.0)])
    if np.linalg.matrix_rank(X) < 3:
        return {}
    read, codes = np.unique(rows["setup"].to_numpy(dtype=int)[use], return_inverse=True)
    several = 1 < len(read) < use.sum()
    try:
        fit = mixed.fit_crossed(y[use], X, {"setup": codes} if several else {})
    except TastefieldError:
        return {}
    lines = {}
    for level, number in enumerate(read):
        weights = None
        if several:
            weights = {"setup": np.vstack([np.eye(len(read))[level], np.zeros((2, len(read)))])}
        line = fit.predict(np.eye(3), weights)
        count = int((codes == level).sum())
        noise, df = float(fit.variances["noise"]), float(use.sum() - 3)
        lines[int(number)] = ExtractionLine(line.mean, line.cov, noise, df, count)
    return lines
