"""Settings: the dial position that gives the aim's time, on the dial's own steps and never finer than a known choke."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats as distributions

from tastefield.config import GrinderConfig
from tastefield.records import Aim, DialLine, Settings, Setup
from tastefield.stats import inverse
from tastefield.tables.dial import as_written, choke_position, since_zero, step_of
from tastefield.words.findings import Finding, finding

LEVEL = 0.9
SURE_OF_DIRECTION = 0.95
"""Below this chance that a dial turns the way its line says, no number of our own is given."""
SAME_TIME = 0.10
"""A recorded setting whose shots ran within this of the aim's log time is repeated as written."""


def settings(setup: Setup, aim: Aim, grinders: Sequence[GrinderConfig]) -> Settings:
    """Turn the aim's time into a grind setting.

    With a usable line of log time on the dial, by inverse prediction with Fieller limits, snapped to the dial's steps;
    without one, the recorded setting that ran nearest to the aim's time; else none: grind until the time is right.
    """
    name = setup.key.get("grinder") or str(setup.shots["grinder"].iloc[0])
    grinder = next((entry for entry in grinders if entry.name == name), GrinderConfig(name=name))
    if (setup.shots["basket_kind"].astype("object") == "pressurised").any():
        return _nothing(name, "The basket sets the time itself: use the grind it was sold for.", "pressurised_basket")
    line = setup.bench.dial
    step = grinder.step or (line.step if line else None)
    step = step or step_of(setup.shots["dial_position"].to_numpy(dtype=float))
    if line is None:
        return _repeat(setup, aim, grinder, step, None, ())
    intercept, cov = line.at(aim.ratio, aim.dose_g)
    line = replace(line, intercept=intercept, cov=cov)
    goal = float(np.log(aim.shot_time_s))
    found = inverse.fieller(line.intercept, line.slope, line.cov, goal, line.df, LEVEL, new_shot_var=0.0)
    higher_is = "finer" if line.slope > 0 else "coarser"
    if grinder.higher_is is not None and grinder.higher_is != higher_is:
        return _repeat(setup, aim, grinder, step, found.kind, (finding("dial_against_grinder", grinder=name),))
    if found.kind != "interval" or found.estimate is None or line.sign_chance < SURE_OF_DIRECTION:
        return _repeat(setup, aim, grinder, step, found.kind, (finding("dial_unclear", grinder=name),))
    return _on_line(setup, aim, grinder, step, line, found.estimate, found.limits)


def _on_line(
    setup: Setup,
    aim: Aim,
    grinder: GrinderConfig,
    step: float | None,
    line: DialLine,
    estimate: float,
    limits: tuple[float, float],
) -> Settings:
    findings: list[Finding] = []
    higher_is = "finer" if line.slope > 0 else "coarser"
    size = step or 1.0
    position = round(estimate / size) * size
    low = -np.inf if grinder.lowest is None else grinder.lowest
    high = np.inf if grinder.highest is None else grinder.highest
    if not low <= position <= high:
        position = float(np.clip(position, low, high))
        findings.append(finding("off_the_dial", grinder=grinder.name))
    fewest, most = line.tried or (float(line.positions.min()), float(line.positions.max()))
    if not fewest - size <= position <= most + size:
        position = float(np.clip(position, fewest - size, most + size))
        findings.append(finding("beyond_tried_settings", grinder=grinder.name))
    shots = since_zero(setup.shots)
    choke = choke_position(shots["outcome"], shots["dial_position"], higher_is)
    towards_finer = 1.0 if higher_is == "finer" else -1.0
    if choke is not None and (position - choke) * towards_finer >= -1e-9:  # last, so that nothing moves it back
        position = choke - towards_finer * size
        findings.append(finding("held_off_choke", choke=as_written(choke, step)))
        if not low <= position <= high:
            say = "No setting on the dial is coarse enough to be safe from the choke: use less dose."
            return _nothing(grinder.name, say, None, "interval", step, tuple(findings))
    text = as_written(position, step)
    change = aim.shot_time_s * size
    spread = float(np.sqrt(line.cov[1, 1]) * distributions.t.ppf(0.5 + LEVEL / 2, line.df))
    per_step = tuple(sorted((change * (line.slope - spread), change * (line.slope + spread))))
    seconds = abs(change * line.slope)
    worth = f"{seconds:.0f}" if seconds >= 2 else f"{seconds:.1f}"
    return Settings(
        grinder=grinder.name,
        grind_setting=text,
        position=float(position),
        kind="interval",
        interval=(float(limits[0]), float(limits[1])),
        seconds_per_step=(change * line.slope, float(per_step[0]), float(per_step[1])),
        step=step,
        higher_is=higher_is,
        line=(line.intercept, line.slope),
        say=f"Set {text}; a step of {as_written(size, step)} is about {worth} s, higher numbers are {higher_is}.",
        findings=tuple(findings),
        estimate=float(estimate),
        time_chance=_time_chance(line, float(position), aim),
    )


def _time_chance(line: DialLine, position: float, aim: Aim) -> float | None:
    """Chance that the next shot at a position runs within the window's times; ``None`` without window."""
    if aim.window is None:
        return None
    low, high = np.log(aim.window[1])
    one_shot = line.residual_var + line.walk_var
    return inverse.chance_between(line.intercept, line.slope, line.cov, position, low, high, line.df, one_shot)


def _repeat(
    setup: Setup,
    aim: Aim,
    grinder: GrinderConfig,
    step: float | None,
    kind: str | None,
    findings: tuple[Finding, ...],
) -> Settings:
    """The recorded setting that ran nearest to the aim's time, as written, if any ran near enough."""
    here = since_zero(setup.shots)
    shots = here[here["grind_setting"].notna() & here["shot_time_s"].notna()]
    shots = shots[shots["outcome"].astype("object").fillna("ok") != "choked"]
    bound = set(here.loc[here["outcome"].astype("object") == "choked", "grind_setting"].dropna())
    log_time = pd.Series(np.log(shots["shot_time_s"].to_numpy(dtype=float)), index=shots.index)
    means = log_time.groupby(shots["grind_setting"].astype(str), sort=True).mean()
    means = means[[label not in bound for label in means.index]]
    off = (means - np.log(aim.shot_time_s)).abs()
    if off.empty or off.min() > SAME_TIME:
        say = "Grind until the time is right: the shots do not yet tell which setting gives it."
        return _nothing(grinder.name, say, None, kind, step, findings)
    text = str(off.idxmin())
    position = shots.loc[shots["grind_setting"].astype(str) == text, "dial_position"].iloc[0]
    return Settings(
        grinder=grinder.name,
        grind_setting=text,
        position=float(position) if np.isfinite(position) else None,
        kind=kind,
        interval=None,
        seconds_per_step=None,
        step=step,
        higher_is=grinder.higher_is,
        line=None,
        say=f"Set {text}: shots at this setting ran about {np.exp(means[text]):.0f} s.",
        findings=findings,
    )


def _nothing(
    grinder: str,
    say: str,
    code: str | None,
    kind: str | None = None,
    step: float | None = None,
    findings: tuple[Finding, ...] = (),
) -> Settings:
    notes = (*findings, finding(code)) if code else findings
    return Settings(grinder, None, None, kind, None, None, step, None, None, say, notes)
