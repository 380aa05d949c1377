"""Bench: what the shots of a setup say besides taste: time against the dial, scatter about intent, extraction."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tastefield.config import GrinderConfig
from tastefield.errors import TastefieldError
from tastefield.records import Bench, Derived, DialLine, ExtractionLine, Floats, Scatter, Setup, Taste
from tastefield.stats import dial_line, inverse, mixed, scatter
from tastefield.tables.dial import choke_position, periods, settable, since_zero, step_of, zeros_in_force
from tastefield.tables.notation import as_owner_writes
from tastefield.tables.outcome import ran
from tastefield.words.findings import Finding, finding

CHOKED_ABOVE_S, GUSHED_BELOW_S = 40.0, 15.0
"""What a choke and a gush say of the time to the usual weight out. Common practice, no source. A longer time written
for a choke is not used: near a choke time climbs faster than any line, and the slope would be told too steep."""
COVARIATES = {"drift": (0.0, 0.03), "ratio": (dial_line.TIME_PER_OUT, 0.2), "dose": (1.5, 0.5)}
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
BEYOND = 0.12
"""How far past the settings that ran any may be recommended, in log time; one step of the dial at least."""
FARTHEST, SURE_SD = 0.45, 0.12
"""And how far where the line is known so well: the standard deviation of its log time is at most SURE_SD there."""
LEVEL = 0.9
"""A slope that may be zero at this level leaves the dial without numbers of our own."""


def bench(derived: Derived, taste: Taste, grinders: Sequence[GrinderConfig] = ()) -> tuple[Setup, ...]:
    """Fit dial line, scatter and extraction of every setup.

    The dial lines are fitted together, slopes pooled over the grinders; the scatter over the setups of one machine; the
    extraction line over all setups with a level for each. Order of setups = order of ``derived.keys``.

    :param grinders: notation, ends, step and direction of dials, where configured.
    """
    tasters = tuple(sorted(str(name) for name in derived.scores["taster"].dropna().unique()))
    ordered = derived.shots.sort_values(["setup", "pulled_at", "place", "row"], na_position="last", kind="stable")
    ordered = ordered.reset_index(drop=True)  # place and row decide where no time was written
    dials = _dial_lines(ordered, grinders)
    ordered["time_off"] = ordered["shot_id"].map(dials.noise.set_index("shot_id")["residual"]).fillna(0.0)
    configured = {entry.name: entry for entry in grinders}
    spreads = _scatters(ordered, derived.keys, dials)
    extraction = _extraction_lines(derived.shots)
    reaching = ["grinder_zero", "outcome", "dial_position"]  # what tells how far the dial may be set
    same_grind = {
        (str(grinder), str(coffee)): rows
        for (grinder, coffee), rows in ordered[["grinder", "coffee", "setup", *reaching]].groupby(
            ["grinder", "coffee"], sort=True
        )
    }
    machines = ordered.groupby(ordered["grinder"].astype(str))["machine"].nunique()
    zeros = zeros_in_force(ordered)
    edges = np.searchsorted(ordered["setup"].to_numpy(), np.arange(len(derived.keys) + 1))
    setups = []
    for number, key in enumerate(derived.keys):
        shots = ordered.iloc[edges[number] : edges[number + 1]].reset_index(drop=True)
        mine = set(shots["shot_id"])
        notes = list(_choke_notes(shots))
        line, name = dials.lines.get(number), key.get("grinder") or str(shots["grinder"].iloc[0])
        grinder = configured.get(name, GrinderConfig(name=name))
        if line is not None:
            alike = same_grind[str(shots["grinder"].iloc[-1]), str(shots["coffee"].iloc[-1])]
            others = alike[alike["setup"] != number]  # this setup's own shots come last: its burr zero is in force
            line = with_reach(line, pd.concat([others[reaching], shots[reaching]]), grinder)
        since = zeros.get(str(shots["grinder"].iloc[-1]), "")
        if since and (zero := _zero_of(shots)) not in ("", since):
            notes.append(finding("burrs_zeroed_since", grinder=name, zero=zero, since=since))
        else:
            since = ""
        notation = as_owner_writes(grinder.written_as, shots["grind_setting"].dropna())
        setups.append(
            Setup(
                key=key,
                shots=shots,
                scores=derived.scores[derived.scores["shot_id"].isin(mine)].reset_index(drop=True),
                readings=derived.readings[derived.readings["shot_id"].isin(mine)].reset_index(drop=True),
                bench=Bench(
                    line,
                    spreads[number],
                    extraction.get(number),
                    tuple(notes),
                    notation,
                    bool(machines[str(shots["grinder"].iloc[0])] > 1),
                    since,
                ),
                taste=taste,
                tasters=tasters,
                findings=derived.setup_findings.get(number, ()),
            )
        )
    return tuple(setups)


def _zero_of(shots: pd.DataFrame) -> str:
    """The burr zero that the last of some shots was pulled under, as far as anybody wrote it down; else empty."""
    named = shots["grinder_zero"].astype("object").fillna("")
    return str(named[named != ""].iloc[-1]) if (named != "").any() else ""


def _choke_notes(rows: pd.DataFrame) -> Iterator[Finding]:
    outcome = rows["outcome"].to_numpy(dtype=object)  # faster than the column, on every setup
    for word, code in (("choked", "choked_shots"), ("gushed", "gushed_shots")):
        count = int((outcome == word).sum())
        if count:
            settings = [str(value) for value in rows.loc[outcome == word, "grind_setting"].dropna()]
            yield finding(code, count=count, settings=", ".join(dict.fromkeys(settings)) or "not written down")


# --- dial -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Dials:
    """Lines by setup, noise of each shot about them (shot_id, setup, residual, shown), and what holds for all."""

    lines: dict[int, DialLine]
    noise: pd.DataFrame
    noise_var: float = 0.0
    walk_var: float = 0.0
    time_per_ratio: float = 0.0


def _dial_lines(shots: pd.DataFrame, grinders: Sequence[GrinderConfig]) -> _Dials:
    """Lines of all setups, fitted together; a stream is a setup's shots of one grinder, coffee, zero and visit."""
    rows = _on_the_dial(shots)
    if rows.empty:
        return _Dials({}, pd.DataFrame(columns=["shot_id", "setup", "residual", "shown"]))
    configured = {entry.name: entry for entry in grinders}
    names, grinder = np.unique(rows["grinder"].astype(str), return_inverse=True)
    position = rows["dial_position"].to_numpy(dtype=float)
    entries = [configured.get(name, GrinderConfig(name=name)) for name in names]
    of_grinder = _by_code(grinder, len(names))
    steps = [
        entry.step or step_of(position[mine], entry.written_as) or 1.0
        for entry, mine in zip(entries, of_grinder, strict=True)
    ]
    stream = rows["stream"].to_numpy()
    first = np.unique(stream, return_index=True)[1]
    centre = _usual(rows)
    prior = np.array(list(COVARIATES.values()))
    fit = dial_line.fit(
        dial_line.DialShots(
            log_time=rows["log_time"].to_numpy(dtype=float),
            bound=rows["bound"].to_numpy(dtype=int),
            position=position,
            covariates=_covariates(rows, centre),
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
    log_time, ran = rows["log_time"].to_numpy(dtype=float), (rows["bound"] == 0).to_numpy()
    of_stream = _by_code(stream, len(first))
    kept = [0, 1, 3, 4]  # a line is told for the last shot: the drift up to it is in its level
    lines = {}
    for at in _in_force(rows):
        mine = of_stream[at][ran[of_stream[at]]]
        of, line, cov = grinder[mine[0]], fit.lines[at, kept], fit.covs[at][np.ix_(kept, kept)]
        lines[int(rows["setup"].iloc[mine[0]])] = DialLine(
            intercept=float(line[0]),
            slope=float(line[1]),
            cov=cov[:2, :2],
            residual_var=noise_var,
            df=fit.df,
            positions=position[mine],
            log_time=log_time[mine],
            sign_chance=float(max(fit.rising[of], 1 - fit.rising[of])),
            step=steps[of],
            walk_var=walk_var,
            recipe=(line[2:], cov),
            usual=(float(centre[at, 0]), float(centre[at, 1])),
        )
    noise = pd.DataFrame(
        {"shot_id": rows["shot_id"], "setup": rows["setup"], "residual": fit.residual, "shown": fit.shown}
    )
    return _Dials(lines, noise, noise_var, walk_var, float(fit.gamma[1]))


def with_reach(line: DialLine, shots: pd.DataFrame, grinder: GrinderConfig) -> DialLine:
    """The line with the positions that may be set; none where its direction is unclear or not the configured one.

    :param shots: all shots of this coffee on this grinder, on any machine: what choked on one may choke on the next.
    """
    known = inverse.fieller(line.intercept, line.slope, line.cov, line.intercept, line.df, LEVEL).kind == "interval"
    notation = grinder.written_as
    line = replace(line, ends=notation.ends)
    if not (known and line.is_clear) or grinder.higher_is not in (None, line.higher_is):
        return line
    here = since_zero(shots)
    choke = choke_position(here["outcome"], here["dial_position"], line.higher_is)
    step = line.step or 1.0
    reached = _reached(line, float(line.positions.min()), -step), _reached(line, float(line.positions.max()), step)
    stepless = line.positions if notation.kind == "stepless" else None
    found = settable(step, reached, 0.0, notation.ends, choke, line.higher_is, stepless)
    return replace(line, settable=found, choke=choke)


def _reached(line: DialLine, edge: float, step: float) -> float:
    """The last position beyond this edge of what ran that may be recommended; ``step`` is signed.

    Where the line is sure it is followed on, but not to times at which shots choke or gush.
    """
    a_step = abs(line.slope * step) - 1e-9
    last = max(1, int(BEYOND / a_step))
    for count in range(last + 1, int(FARTHEST / a_step) + 1):
        here = np.array([1.0, edge + count * step])
        time = np.exp(here @ [line.intercept, line.slope])
        if here @ line.cov @ here > SURE_SD**2 or not GUSHED_BELOW_S <= time <= CHOKED_ABOVE_S:
            break
        last = count
    return edge + last * step


def _by_code(codes: np.ndarray, count: int) -> list[np.ndarray]:
    """Rows of each code 0 ... count-1, in order."""
    order = np.argsort(codes, kind="stable")
    return np.split(order, np.searchsorted(codes[order], np.arange(1, count)))


def _in_force(rows: pd.DataFrame) -> list[int]:
    """The stream of each setup's last shot for which the dial stands as it does, where any shot of it ran."""
    last = rows[rows["in_force"]].groupby("setup", sort=True)["stream"].last()
    ran = set(rows.loc[rows["bound"] == 0, "stream"])
    return [int(stream) for stream in last if stream in ran]


def _on_the_dial(shots: pd.DataFrame) -> pd.DataFrame:
    """Shots that tell about the dial, with log_time, bound, zero, visit, in_force, stream and sitting.

    Chokes and gushes are bounds. Shots of a pressurised basket tell nothing: its hole sets the time.
    """
    outcome = shots["outcome"].astype("object").fillna("ok")
    written = shots["shot_time_s"].astype(float)
    choked, gushed = outcome == "choked", outcome == "gushed"
    time = written.mask(choked, CHOKED_ABOVE_S).mask(gushed, written.fillna(GUSHED_BELOW_S))
    pressurised = shots["basket_kind"].astype("object").eq("pressurised")
    known = np.isfinite(shots["dial_position"]) & (time > 0) & ~pressurised
    known &= outcome.isin(["ok", "stopped", "choked", "gushed"])
    columns = ["shot_id", "setup", "grinder", "coffee", "dial_position", "ratio", "dose_g"]
    every: pd.DataFrame = shots[columns].assign(
        log_time=np.log(time.where(time > 0)),
        bound=choked.astype(int) - gushed.astype(int),
        **periods(shots, shots["setup"]),
        session=shots["session"].astype("object").fillna("").astype(str),
        day=shots["pulled_at"].dt.strftime("%Y-%m-%d").fillna(""),
    )
    rows: pd.DataFrame = every.loc[known].reset_index(drop=True)
    rows["stream"] = rows.groupby(["setup", "grinder", "coffee", "zero", "visit"], sort=True, dropna=False).ngroup()
    rows["sitting"] = rows.groupby(["session", "day"], sort=True).ngroup()
    return rows


def _usual(rows: pd.DataFrame) -> Floats:
    """Median ratio and dose (S, 2) of each stream's shots that ran; NaN where never recorded."""
    ran = rows.loc[rows["bound"] == 0, ["stream", "ratio", "dose_g"]]
    usual = ran.groupby("stream", sort=True).median().reindex(range(int(rows["stream"].max()) + 1))
    return usual.to_numpy(dtype=float)


def _covariates(rows: pd.DataFrame, usual: Floats) -> Floats:
    """Shots before the last one of its sitting (not above 0), log ratio and log dose about what is usual; else 0."""
    left = rows.groupby(["stream", "sitting"], sort=False).cumcount(ascending=False).to_numpy(dtype=float)
    centre = usual[rows["stream"].to_numpy()]
    with np.errstate(all="ignore"):
        about = np.log(rows[["ratio", "dose_g"]].to_numpy(dtype=float) / centre)
    about[(rows["bound"] != 0).to_numpy()] = 0.0  # a bound is on the time of the usual recipe
    return np.column_stack([-left, np.where(np.isfinite(about), about, 0.0)])


# --- scatter --------------------------------------------------------------------------------------------------------


def _scatters(shots: pd.DataFrame, keys: tuple[dict[str, str], ...], dials: _Dials) -> list[Scatter]:
    """Scatter pooled over the setups of one machine: from repeats of one setting, else about written targets.

    Where the dial is known only the ratio is taken from there, and time from all shots about their dial lines.
    """
    names, machine = np.unique([key.get("machine", "") for key in keys], return_inverse=True)
    rows = shots.assign(**periods(shots, shots["setup"]))[ran(shots)]
    repeats, repeats_df, setup = _repeats(rows)
    aimed = _about_targets(rows)
    repeats_of = _by_code(machine[setup], len(names))
    rows_of = _by_code(machine[rows["setup"].to_numpy()], len(names))
    noise_of = _by_code(machine[dials.noise["setup"].to_numpy(dtype=int)], len(names))
    residual, shown = (dials.noise[name].to_numpy(dtype=float) for name in ("residual", "shown"))
    result = []
    for mine, all_, dialled in zip(repeats_of, rows_of, noise_of, strict=True):
        residuals, df, source = repeats[mine], float(repeats_df[mine].sum()), "repeats"
        if df == 0:
            residuals = aimed[all_][np.isfinite(aimed[all_]).all(axis=1)]
            df, source = float(len(residuals)), "targets" if len(residuals) else "prior"
        pooled = scatter.pooled_covariance(residuals, round(df), prior_sd=SCATTER_SD, prior_df=SCATTER_DF)
        if (seen := float(shown[dialled].sum())) > 0:
            own, own_df = scatter.pooled_noise(residual[dialled], shown[dialled], dials.noise_var, SCATTER_DF)
            ratio_var = float(pooled.covariance[0, 0])
            pooled = scatter.from_dial(ratio_var, dials.time_per_ratio, own, dials.walk_var, own_df)
            df, source = max(df, seen), "dial"
        result.append(Scatter(pooled.covariance, df, source))
    return [result[at] for at in machine]


def _logs(rows: pd.DataFrame) -> Floats:
    with np.errstate(all="ignore"):
        return np.asarray(np.log(rows[["ratio", "shot_time_s"]].to_numpy(dtype=float)))


def _repeats(rows: pd.DataFrame) -> tuple[Floats, Floats, np.ndarray]:
    """Log ratio and log time of shots with one setting, dose and intent, of one burr zero and visit, about their mean.

    :returns: departures (n, 2), the degrees of freedom each carries (n,), and the setup of each (n,).
    """
    logs = _logs(rows)
    use = np.isfinite(logs).all(axis=1) & rows["grind_setting"].notna().to_numpy()
    rows, logs = rows[use], logs[use]
    same = [
        rows["setup"],
        rows["zero"],
        rows["visit"],
        rows["grind_setting"].astype("object").astype(str),
        rows["dose_g"].round(0),
        rows["target_beverage_g"].fillna(0.0),
        rows["target_time_s"].fillna(0.0),
    ]
    group = rows.groupby(same, sort=True).ngroup().to_numpy()
    order = np.lexsort((logs[:, 0], group))
    group, logs, setup = group[order], logs[order], rows["setup"].to_numpy(dtype=int)[order]
    # shots of one setting part where their ratios leave a gap too wide for chance
    part = np.cumsum((np.diff(group, prepend=-1) != 0) | (np.diff(logs[:, 0], prepend=np.inf) > SAME_INTENT)) - 1
    count = np.bincount(part)
    mean = np.column_stack([np.bincount(part, logs[:, i]) / count for i in (0, 1)])
    several = count[part] > 1
    return (logs - mean[part])[several], (1 - 1 / count[part])[several], setup[several]


def _about_targets(rows: pd.DataFrame) -> Floats:
    """Log ratio and log time about the written targets (n, 2); NaN where there are none or the grind was wrong."""
    with np.errstate(all="ignore"):
        ratio = np.log(rows["beverage_g"].to_numpy(dtype=float) / rows["target_beverage_g"].to_numpy(dtype=float))
        time = np.log(rows["shot_time_s"].to_numpy(dtype=float) / rows["target_time_s"].to_numpy(dtype=float))
    return np.column_stack([ratio, np.where(np.abs(time) <= WRONG_GRIND, time, np.nan)])


# --- extraction -----------------------------------------------------------------------------------------------------


def _extraction_lines(shots: pd.DataFrame) -> dict[int, ExtractionLine]:
    """Log extraction on log ratio and log time: slopes shared by the bench, a level by setup that shrinks.

    A shot weighs by the variance of its own extraction about the line plus that of its reading.
    """
    rows = shots[ran(shots)]
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
