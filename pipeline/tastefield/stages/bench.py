"""Bench: what the shots of a setup say besides taste: time against the dial, scatter about intent, extraction."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tastefield.config import GrinderConfig
from tastefield.errors import TastefieldError
from tastefield.records import Bench, Derived, DialLine, ExtractionLine, Floats, Scatter, Setup, Taste
from tastefield.stats import dial_line, mixed, scatter
from tastefield.tables.dial import since_zero, step_of
from tastefield.words.findings import Finding, finding

CHOKED_ABOVE_S, GUSHED_BELOW_S = 40.0, 15.0
"""What a choke and a gush say of the time to the usual weight out. Common practice, no source. A longer time written
for a choke is not used: near a choke time climbs faster than any line, and the slope would be told too steep."""
COVARIATES = {"drift": (0.0, 0.03), "ratio": (0.8, 0.2), "dose": (1.5, 0.5)}
"""Prior mean and SD of what changes log time beside the dial: one shot more in a sitting, log ratio, log dose. Of a
shot's time most is flow, in proportion to the weight out, and some is the wait for the first drop; more dose at one
ratio is more to push out through a deeper puck. Reasoned, not measured."""
SCATTER_SD = (0.04, 0.07)
"""Prior standard deviations of log ratio and log time about intent, and the shots that prior is worth. An assumption of
ours: no published figure for the spread of shots at one setting was at hand."""
SCATTER_DF = 4.0
SAME_INTENT = 0.12
"""Shots of one setting whose log ratios differ by more than this were meant to differ: no scatter is read from them."""
WRONG_GRIND = 0.3
"""Shots whose log time misses the written target by more than this were ground wrong: no scatter is read from them."""
READINGS_NEEDED = 6


def bench(derived: Derived, taste: Taste, grinders: Sequence[GrinderConfig] = ()) -> tuple[Setup, ...]:
    """Fit dial line, scatter and extraction of every setup.

    The dial lines are fitted together, slopes pooled over the grinders; the scatter over the setups of one machine; the
    extraction line over all setups with a level for each. Order of setups = order of ``derived.keys``.

    :param grinders: step and direction of dials, where configured.
    """
    tasters = tuple(sorted(str(name) for name in derived.scores["taster"].dropna().unique()))
    by_setup = {
        number: _in_order(derived.shots[derived.shots["setup"] == number]) for number in range(len(derived.keys))
    }
    dials = _dial_lines(by_setup, grinders)
    spreads = _scatters(by_setup, derived.keys, dials)
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
                bench=Bench(dials.lines.get(number), spreads[number], extraction.get(number), tuple(notes)),
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


# --- dial -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Dials:
    """Lines by setup; residual of each shot about them by (setup, shot_id); the variances of the bench."""

    lines: dict[int, DialLine]
    noise: pd.DataFrame  # setup, residual, shown
    noise_var: float = 0.0
    walk_var: float = 0.0
    time_per_ratio: float = 0.0


def _dial_lines(by_setup: dict[int, pd.DataFrame], grinders: Sequence[GrinderConfig]) -> _Dials:
    """Lines of all setups, fitted together; a stream is a setup's shots on one grinder, coffee and burr zero."""
    rows = _on_the_dial(pd.concat(by_setup.values())) if by_setup else pd.DataFrame()
    if rows.empty:
        return _Dials({}, pd.DataFrame(columns=["setup", "residual", "shown"]))
    configured = {entry.name: entry for entry in grinders}
    names, grinder = np.unique(rows["grinder"].astype(str), return_inverse=True)
    position = rows["dial_position"].to_numpy(dtype=float)
    entries = [configured.get(name, GrinderConfig(name=name)) for name in names]
    steps = [entry.step or step_of(position[grinder == i]) or 1.0 for i, entry in enumerate(entries)]
    stream = rows["stream"].to_numpy()
    first = np.unique(stream, return_index=True)[1]
    usual = _usual(rows)
    prior = np.array(list(COVARIATES.values()))
    fit = dial_line.fit(
        dial_line.DialShots(
            log_time=rows["log_time"].to_numpy(dtype=float),
            bound=rows["bound"].to_numpy(dtype=int),
            position=position,
            covariates=_covariates(rows, usual),
            stream=stream,
            sitting=rows["sitting"].to_numpy(),
            grinder=grinder[first],
            step=np.array(steps),
            sign=np.array([{"finer": 1, "coarser": -1, None: 0}[entry.higher_is] for entry in entries]),
            prior_mean=prior[:, 0],
            prior_sd=prior[:, 1],
        )
    )
    noise_var, walk_var = fit.sds["noise"] ** 2, fit.sds["walk"] ** 2
    lines = {}
    for number, shots in by_setup.items():
        mine = since_zero(shots).index.intersection(rows.index)
        now = rows.loc[mine]
        now = now[now["stream"] == now["stream"].iloc[-1]] if len(now) else now
        ran = now[now["bound"] == 0]
        if ran.empty:
            continue
        at, of = int(ran["stream"].iloc[-1]), grinder[rows.index.get_loc(ran.index[-1])]
        same = (grinder == of) & (rows["bound"] == 0) & (rows["zero"] == ran["zero"].iloc[-1])
        kept = [0, 1, 3, 4]  # a line is told for the last shot: the drift up to it is in its level
        line, cov = fit.lines[at, kept], fit.covs[at][np.ix_(kept, kept)]
        lines[number] = DialLine(
            intercept=float(line[0]),
            slope=float(line[1]),
            cov=cov[:2, :2],
            residual_var=noise_var,
            df=fit.df,
            positions=ran["dial_position"].to_numpy(dtype=float),
            log_time=ran["log_time"].to_numpy(dtype=float),
            sign_chance=float(max(fit.rising[of], 1 - fit.rising[of])),
            step=steps[of],
            walk_var=walk_var,
            tried=(float(position[same].min()), float(position[same].max())),
            recipe=(line[2:], cov),
            usual=(float(usual["ratio"].loc[at]), float(usual["dose_g"].loc[at])),
        )
    noise = pd.DataFrame({"setup": rows["setup"], "residual": fit.residual, "shown": fit.shown})
    return _Dials(lines, noise, noise_var, walk_var, float(fit.gamma[1]))


def _on_the_dial(shots: pd.DataFrame) -> pd.DataFrame:
    """Shots that tell about the dial, with log_time, bound, zero, stream and sitting.

    Chokes and gushes are bounds. Shots of a pressurised basket tell nothing: its hole sets the time.
    """
    outcome = shots["outcome"].astype("object").fillna("ok")
    written = shots["shot_time_s"].astype(float)
    choked, gushed = outcome == "choked", outcome == "gushed"
    time = written.mask(choked, CHOKED_ABOVE_S).mask(gushed, written.fillna(GUSHED_BELOW_S))
    pressurised = shots["basket_kind"].astype("object").eq("pressurised")
    known = np.isfinite(shots["dial_position"]) & (time > 0) & ~pressurised
    known &= outcome.isin(["ok", "stopped", "choked", "gushed"])
    rows: pd.DataFrame = shots.assign(
        log_time=np.log(time.where(time > 0)),
        bound=choked.astype(int) - gushed.astype(int),
        zero=shots["grinder_zero"].astype("object").fillna("").astype(str),
        day=shots["pulled_at"].dt.strftime("%Y-%m-%d").fillna(""),
    ).loc[known]
    together = ["setup", "grinder", "coffee", "zero"]
    rows["stream"] = rows.groupby(together, sort=True, dropna=False).ngroup()
    rows["session"] = rows["session"].astype("object").fillna("").astype(str)
    rows["sitting"] = rows.groupby(["session", "day"], sort=True).ngroup()
    return rows


def _usual(rows: pd.DataFrame) -> pd.DataFrame:
    """Median ratio and dose of each stream's shots that ran; NaN where never recorded."""
    ran = rows.loc[rows["bound"] == 0, ["stream", "ratio", "dose_g"]]
    return ran.groupby("stream", sort=True).median().reindex(range(int(rows["stream"].max()) + 1))


def _covariates(rows: pd.DataFrame, usual: pd.DataFrame) -> Floats:
    """Shots before the last one of its sitting (not above 0), log ratio and log dose about what is usual; else 0."""
    left = rows.groupby(["stream", "sitting"], sort=False).cumcount(ascending=False).to_numpy(dtype=float)
    centre = usual.loc[rows["stream"]].to_numpy(dtype=float)
    with np.errstate(all="ignore"):
        about = np.log(rows[["ratio", "dose_g"]].to_numpy(dtype=float) / centre)
    about[(rows["bound"] != 0).to_numpy()] = 0.0  # a bound is on the time of the usual recipe
    return np.column_stack([-left, np.where(np.isfinite(about), about, 0.0)])


# --- scatter --------------------------------------------------------------------------------------------------------


def _scatters(by_setup: dict[int, pd.DataFrame], keys: tuple[dict[str, str], ...], dials: _Dials) -> list[Scatter]:
    """Scatter pooled over the setups of one machine: from repeats of one setting, else about written targets.

    Where the dial is known only the ratio is taken from there, and time from all shots about their dial lines.
    """
    machine = [key.get("machine", "") for key in keys]
    result: dict[str, Scatter] = {}
    for name in sorted(set(machine)):
        numbers = [number for number, its in enumerate(machine) if its == name]
        mine = [_flowed(by_setup[number]) for number in numbers]
        residuals, df, source = _repeats(mine)
        if df == 0:
            residuals, df, source = _about_targets(mine)
        pooled = scatter.pooled_covariance(residuals, df, prior_sd=SCATTER_SD, prior_df=SCATTER_DF)
        noise = dials.noise[dials.noise["setup"].isin(numbers)]
        shown = float(noise["shown"].sum())
        if shown > 0:
            own, own_df = scatter.pooled_noise(noise["residual"], noise["shown"], dials.noise_var, SCATTER_DF)
            ratio_var = float(pooled.covariance[0, 0])
            pooled = scatter.from_dial(ratio_var, dials.time_per_ratio, own, dials.walk_var, own_df)
            source = "dial"
        result[name] = Scatter(pooled.covariance, max(float(df), shown), source if df or shown else "prior")
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
        residuals.append(both[np.isfinite(both).all(axis=1) & (np.abs(time) <= WRONG_GRIND)])
    stacked = np.vstack(residuals) if residuals else np.empty((0, 2))
    return stacked, len(stacked), "targets"


# --- extraction -----------------------------------------------------------------------------------------------------


def _extraction_lines(shots: pd.DataFrame) -> dict[int, ExtractionLine]:
    """Log extraction on log ratio and log time: slopes shared by the bench, a level by setup that shrinks.

    A shot weighs by the variance of its own extraction about the line plus that of its reading.
    """
    rows = _flowed(shots)
    extraction = rows["extraction_pct"].to_numpy(dtype=float)
    logs = _logs(rows)
    with np.errstate(all="ignore"):
        y = np.log(extraction)
        reading_var = np.nan_to_num((rows["u_extraction_pct"].to_numpy(dtype=float) / extraction) ** 2)
    use = np.isfinite(y) & np.isfinite(logs).all(axis=1)
    if use.sum() < READINGS_NEEDED:
        return {}
    X = np.column_stack([np.ones(use.sum()), logs[use, 0] - np.log(2.0), logs[use, 1] - np.log(27.0)])
    if np.linalg.matrix_rank(X) < 3:
        return {}
    read, codes = np.unique(rows["setup"].to_numpy(dtype=int)[use], return_inverse=True)
    several = 1 < len(read) < use.sum()
    try:
        fit, noise = _with_reading_error(y[use], X, {"setup": codes} if several else {}, reading_var[use])
    except TastefieldError:
        return {}
    lines = {}
    for level, number in enumerate(read):
        weights = None
        if several:
            weights = {"setup": np.vstack([np.eye(len(read))[level], np.zeros((2, len(read)))])}
        line = fit.predict(np.eye(3), weights)
        count = int((codes == level).sum())
        lines[int(number)] = ExtractionLine(line.mean, line.cov, noise, float(use.sum() - 3), count)
    return lines


def _with_reading_error(
    y: Floats, X: Floats, factors: dict[str, np.ndarray], reading_var: Floats
) -> tuple[mixed.MixedFit, float]:
    """Mixed fit in which a row's noise is one unknown variance plus the known one of its reading; and the unknown one.

    The fit knows weights only: total variance / weight. So weights are made from the last answer, a few times over.
    """
    usual = float(reading_var.mean())
    own = max(float(np.var(y)), 1e-6)
    for _ in range(20):
        fit = mixed.fit_crossed(y, X, factors, weights=(own + usual) / (own + reading_var))
        found = max(float(fit.variances["noise"]) - usual, 0.01 * usual, 1e-10)
        if abs(found - own) <= 1e-6 * own:
            break
        own = found
    return fit, own
