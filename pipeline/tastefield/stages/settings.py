"""Settings: the dial position that gives the aim's time, on the dial's own steps and never finer than a known choke."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from scipy import stats as distributions

from tastefield.config import GrinderConfig
from tastefield.records import Aim, DialLine, Scatter, Settings, Setup
from tastefield.slug import shortened
from tastefield.stats import inverse
from tastefield.tables.dial import mesh, recorded, step_of
from tastefield.tables.notation import Notation, as_written, move_is, upwards
from tastefield.words.findings import Finding, finding
from tastefield.words.ladder import STOP

LEVEL = 0.9
PRESSURISED = "The basket sets the time itself: use the grind it was sold for."
ZEROED = "The burrs were zeroed since: find the mark again by the time, from the coarse side."
SAME_TIME = 0.01
"""A recorded setting gives the aim's time when its shots' log time is that of the aim within this."""


def settings(setup: Setup, aim: Aim, grinders: Sequence[GrinderConfig]) -> Settings:
    """Turn the aim's time into a grind setting.

    With a usable line of log time on the dial, the position that the aim was put on, with Fieller limits; without one,
    the recorded setting whose time the aim took; else none: grind until the time is right.
    """
    name, grinder = _grinder(setup, grinders)
    leaves = not setup.bench.shared_grinder if grinder.leaves is None else grinder.leaves
    found = _settings(setup, aim, name, grinder)
    if setup.bench.zeroed_since and found.grind_setting is not None:
        found = replace(found, say=f"{found.say} {ZEROED}")
    return replace(found, leaves=leaves)


def _settings(setup: Setup, aim: Aim, name: str, grinder: GrinderConfig) -> Settings:
    if setup.pressurised():
        return _nothing(name, PRESSURISED, "pressurised_basket")
    line = setup.bench.dial
    step = grinder.step or (line.step if line else None)
    notation = setup.bench.notation
    step = step or step_of(setup.shots["dial_position"].to_numpy(dtype=float), notation)
    if line is None:
        return _repeat(setup, aim, grinder, step, None, ())
    intercept, cov = line.at(aim.ratio, aim.dose_g)
    line = replace(line, intercept=intercept, cov=cov)
    found = inverse.fieller(intercept, line.slope, cov, float(np.log(aim.shot_time_s)), line.df, LEVEL)
    if grinder.higher_is is not None and grinder.higher_is != line.higher_is:
        return _repeat(setup, aim, grinder, step, found.kind, (finding("dial_against_grinder", grinder=name),))
    if found.kind != "interval" or not line.is_clear:
        return _repeat(setup, aim, grinder, step, found.kind, (finding("dial_unclear", grinder=name),))
    notes = tuple(_bound(aim, name, notation, line, step or 1.0))
    if aim.position is None:
        notes = tuple(note for note in notes if note.code != "held_off_choke")  # nothing is set, so nothing is held
        say = "Grind until the time is right: no setting of the dial that is safe and tried gives it."
        if not len(line.settable):
            say = "No setting on the dial is coarse enough to be safe from the choke: use less dose."
        return _nothing(name, say, None, "interval", step, notes)
    found_there = _on_line(aim, aim.position, name, notation, step, line, found.limits, notes)
    return replace(found_there, time_chance=_time_chance(line, aim.position, aim, setup.bench.scatter))


def to_start(setup: Setup, aim: Aim, grinders: Sequence[GrinderConfig]) -> Settings:
    """How to grind a coffee that was never on this grinder: until the time is right, from where another one ran.

    No setting of the dial is computed: coffees differ by more than a dial moves in several steps.

    :param setup: the setup last pulled with this grinder. :param aim: the recipe for the new coffee.
    """
    name, grinder = _grinder(setup, grinders)
    if setup.pressurised():
        return _nothing(name, PRESSURISED, "pressurised_basket")
    line = setup.bench.dial
    higher_is = grinder.higher_is or (line.higher_is if line and line.is_clear else None)
    dose = "the dose" if aim.dose_g is None else f"{aim.dose_g:.1f} g"
    out = f"1:{aim.ratio:.1f}" if aim.dose_g is None else f"{aim.dose_g * aim.ratio:.0f} g"
    say = f"Grind until {dose} gives {out} in {aim.shot_time_s:.0f} s"
    means = recorded(setup.shots, higher_is)
    if len(means) and not setup.bench.zeroed_since:
        start = str((means - np.log(aim.shot_time_s)).abs().idxmin())
        coffee = shortened(str(setup.shots["coffee"].iloc[-1]))
        say += f"; start from {start}, where {coffee} ran about {np.exp(means[start]):.0f} s"
    per_step = None
    if line is not None and line.is_clear and higher_is == line.higher_is and aim.dose_g is not None:
        per_step, worth = _per_step(line, aim.shot_time_s, step := grinder.step or line.step or 1.0)
        notation = setup.bench.notation
        move = move_is(step, notation)
        say += f". {move[0].upper()}{move[1:]} about {worth} s, {_way(notation, line.higher_is)}"
    return replace(_nothing(name, f"{say}.", None), seconds_per_step=per_step, higher_is=higher_is)


def _grinder(setup: Setup, grinders: Sequence[GrinderConfig]) -> tuple[str, GrinderConfig]:
    name = setup.key.get("grinder") or str(setup.shots["grinder"].iloc[0])
    return name, next((entry for entry in grinders if entry.name == name), GrinderConfig(name=name))


def _way(notation: Notation, higher_is: str) -> str:
    """Which way the dial turns; beside finer how a choke is minded."""
    return f"{upwards(notation)} {higher_is}{f' ({STOP})' if higher_is == 'finer' else ''}"


def _per_step(line: DialLine, time_s: float, step: float) -> tuple[tuple[float, float, float], str]:
    """Seconds that a step up the dial adds at a time, with limits; and how many either way, as said."""
    change = time_s * step
    spread = float(np.sqrt(line.cov[1, 1]) * distributions.t.ppf(0.5 + LEVEL / 2, line.df))
    low, high = sorted((change * (line.slope - spread), change * (line.slope + spread)))
    seconds = abs(change * line.slope)
    return (change * line.slope, float(low), float(high)), f"{seconds:.0f}" if seconds >= 2 else f"{seconds:.1f}"


def _bound(aim: Aim, grinder: str, notation: Notation, line: DialLine, step: float) -> Iterator[Finding]:
    """What kept the dial from the time that would be best, if anything did."""
    wanted = aim.shot_time_s if aim.wanted_time_s is None else aim.wanted_time_s
    apart = mesh(step, notation)
    ideal = round((np.log(wanted) - line.intercept) / line.slope / apart) * apart
    reached = line.settable
    if len(reached) and reached.min() - 1e-9 <= ideal <= reached.max() + 1e-9:
        return
    choke = line.choke
    low, high = line.ends
    if choke is not None and (ideal - choke) * (1.0 if line.higher_is == "finer" else -1.0) >= -1e-9:
        yield finding("held_off_choke", choke=as_written(choke, step, notation))
    elif (low is not None and ideal < low) or (high is not None and ideal > high):
        yield finding("off_the_dial", grinder=grinder)
    else:
        yield finding("beyond_tried_settings", grinder=grinder)


def _on_line(
    aim: Aim,
    position: float,
    grinder: str,
    notation: Notation,
    step: float | None,
    line: DialLine,
    limits: tuple[float, float],
    findings: tuple[Finding, ...],
) -> Settings:
    size, text = step or 1.0, as_written(position, step, notation)
    per_step, worth = _per_step(line, aim.shot_time_s, size)
    return Settings(
        grinder=grinder,
        grind_setting=text,
        position=position,
        kind="interval",
        interval=(float(limits[0]), float(limits[1])),
        seconds_per_step=per_step,
        step=step,
        higher_is=line.higher_is,
        line=(line.intercept, line.slope),
        say=f"Set {text}; {move_is(size, notation)} about {worth} s, {_way(notation, line.higher_is)}.",
        findings=findings,
        marks=_marks(line, step, notation),
        per_log_ratio=0.0 if line.recipe is None else float(line.recipe[0][0]),
    )


def _marks(line: DialLine, step: float | None, notation: Notation) -> tuple[tuple[float, str, float], ...]:
    """What may be set: position, as written, seconds.

    :param line: told at the ratio and dose of the aim.
    """
    seconds = np.exp(line.intercept + line.slope * line.settable)
    return tuple(
        (float(at), as_written(float(at), step, notation), float(time))
        for at, time in zip(line.settable, seconds, strict=True)
    )


def _time_chance(line: DialLine, position: float, aim: Aim, scatter: Scatter) -> float | None:
    """Chance that the next shot at a position runs within the window's times; ``None`` without window.

    Of what is not known of the line, and of how far times of the machine's shots lie from what was meant.
    """
    if aim.window is None:
        return None
    low, high = np.log(aim.window[1])
    one_shot = float(scatter.cov[1, 1])
    return inverse.chance_between(line.intercept, line.slope, line.cov, position, low, high, line.df, one_shot)


def _repeat(
    setup: Setup,
    aim: Aim,
    grinder: GrinderConfig,
    step: float | None,
    kind: str | None,
    findings: tuple[Finding, ...],
) -> Settings:
    """The recorded setting whose time the aim took, as written, if there is one."""
    means = recorded(setup.shots, setup.bench.dial.higher_is if setup.bench.dial else grinder.higher_is)
    off = (means - np.log(aim.shot_time_s)).abs()
    if off.empty or off.min() > SAME_TIME:
        say = "Grind until the time is right: the shots do not yet tell which setting gives it."
        return _nothing(grinder.name, say, None, kind, step, findings)
    text = str(off.idxmin())
    position = setup.shots.loc[setup.shots["grind_setting"].astype("object") == text, "dial_position"].iloc[0]
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
