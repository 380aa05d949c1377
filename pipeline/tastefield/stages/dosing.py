"""Dosing: the timer of a grinder that doses, and the button that ends the shot: what they gave, what to set them to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
from scipy import stats as distributions

from tastefield.records import ONE_DOSE_G, Aim, Button, Dosing, Settings, Setup, Timer
from tastefield.stats import dose_line
from tastefield.tables.dial import in_force, not_ours, periods
from tastefield.tables.outcome import ran
from tastefield.tables.timer import timer_as_written, timer_of, written_step
from tastefield.words.dosing import REPROGRAMMED
from tastefield.words.findings import Finding, finding

LEVEL = 0.9
OFF_G, OFF_OUT_G = 0.5, 2.0
"""A dose or a weight out farther off than this is worth setting anew. Common practice, no source."""
BEYOND_CHANCE = 0.95
"""And it must be told from chance so surely (Student's t)."""
FARTHEST = 0.25
"""How far past the timers tried one may be named, in logs."""
FEWEST = 2
NEW_DOSE_G, NEW_OUT_G = 0.6, 3.0
"""A dose or a weight out that jumps by more was set anew, or went wrong. Common practice, no source."""
MOST = 5
"""Shots that a button is told from."""
PROGRAMMES = ("basket", "basket_g", "basket_kind", "target_beverage_g", "target_time_s")
"""What a button is programmed for: where one of these changes it was set anew."""


def dosing(setup: Setup, aim: Aim, settings: Settings) -> Dosing:
    """What the dose timer and the button gave, what to set them to for the recipe, and what has strayed."""
    timer, (button, doubts) = _timer(setup, aim, settings), _button(setup)
    return Dosing(timer, button, (*doubts, *_strayed(setup, aim, button)))


def _timer(setup: Setup, aim: Aim, settings: Settings) -> Timer | None:
    """The timer for the dose of the recipe at its grind; ``None`` where no timer is written, or no dose wanted."""
    shots = setup.shots[["dose_g", "dose_setting", "dial_position"]]  # of all columns rows are slow to choose
    shots = shots[in_force(setup.shots) & shots["dose_g"].notna()]
    shots = shots.assign(timer=[timer_of(str(text))[0] for text in shots["dose_setting"].fillna("")])
    shots = shots[shots["timer"] > 0]
    if shots.empty or aim.dose_g is None:
        return None
    line, slope = setup.bench.dial, 0.0
    position = settings.position if aim.position is None else aim.position
    if line is not None and settings.line is not None and position is not None:
        slope = line.slope
        shots = shots[shots["dial_position"].notna()]
    fine = slope * shots["dial_position"].to_numpy(dtype=float) if slope else np.zeros(len(shots))
    timers = shots["timer"].to_numpy(dtype=float)
    if not len(shots):
        return None
    fitted = dose_line.fit(shots["dose_g"].to_numpy(dtype=float), timers, fine)
    here = slope * position if slope and position is not None else 0.0
    step = written_step(shots["dose_setting"].astype(str))
    wanted = fitted.timer_for(aim.dose_g, here)
    wanted = float(np.clip(wanted, timers.min() * np.exp(-FARTHEST), timers.max() * np.exp(FARTHEST)))
    value = max(round(wanted / step), 1) * step
    log_dose, sd = fitted.log_dose(value, here)
    half = float(distributions.t.ppf(0.5 + LEVEL / 2, fitted.df)) * sd
    unit = timer_of(str(shots["dose_setting"].iloc[-1]))[1]
    dose = (float(np.exp(log_dose)), float(np.exp(log_dose - half)), float(np.exp(log_dose + half)))
    return Timer(timer_as_written(value, step, unit), dose, len(shots))


def _button(setup: Setup) -> tuple[Button | None, list[Finding]]:
    """What the button gave in the last shots that it ended as it is programmed now; and where that cannot be told."""
    if not (setup.shots["stopped_by"].astype("object") == "button").any():
        return None, []
    shots = setup.shots.assign(visit=periods(setup.shots)["visit"], anew=_set_anew(setup.shots).cumsum())
    shots = shots[~not_ours(shots)]
    pressed = shots[ran(shots) & (shots["stopped_by"].astype("object") == "button") & shots["beverage_g"].notna()]
    if pressed.empty:
        return None, []
    marked = _last_run(pressed, ("visit", "anew", *PROGRAMMES))
    marked = marked.tail(_consistent(marked["dose_g"], ONE_DOSE_G))
    shots = marked.tail(min(_consistent(marked["beverage_g"], NEW_OUT_G), MOST))
    doubts, before = [], pressed["beverage_g"].iloc[:-1].tail(1)
    noted = len(before) and pressed["anew"].iloc[-1] != pressed["anew"].iloc[-2]
    near = len(before) and abs(float(before.iloc[0]) - float(shots["beverage_g"].iloc[-1])) <= NEW_OUT_G
    if len(shots) < FEWEST and (len(marked) > 1 or (noted and near)):
        last = f"{shots['beverage_g'].iloc[-1]:.0f}"
        doubts = [finding("button_not_told", last=last, before=f"{before.iloc[0]:.0f}")]
    out, dose = shots["beverage_g"].to_numpy(dtype=float), shots["dose_g"].median()
    found = Button(
        beverage_g=(float(out.mean()), float(out.min()), float(out.max())),
        dose_g=None if pd.isna(dose) else float(dose),
        coffee=str(shots["coffee"].iloc[-1]),
        shots=len(shots),
        error_g=float(out.std(ddof=1) / np.sqrt(len(out))) if len(out) >= FEWEST else None,
    )
    return found, doubts


def _set_anew(shots: pd.DataFrame) -> pd.Series:
    """Which shots say in their notes that the button was set anew."""
    return shots["notes"].fillna("").astype(str).str.casefold().str.contains(REPROGRAMMED)


def _last_run(shots: pd.DataFrame, marks: Sequence[str]) -> pd.DataFrame:
    """The last shots in a row that agree in all the marks; what is not written stays as it was."""
    if shots.empty:
        return shots
    said = shots[list(marks)].ffill()
    differs = (said.ne(said.iloc[-1]) & ~(said.isna() & said.iloc[-1].isna())).any(axis=1).to_numpy(dtype=bool)
    start = int(np.flatnonzero(differs).max(initial=-1)) + 1
    return shots.iloc[start:]


def _consistent(values: pd.Series, most: float) -> int:
    """How many of the last values are alike: each within ``most`` of the median of those after it; unknown ones are."""
    known = values.to_numpy(dtype=float)
    for at in range(len(known) - 2, -1, -1):
        later = known[at + 1 :]
        if np.isfinite(later).any() and abs(known[at] - np.nanmedian(later)) > most + 1e-9:
            return len(known) - 1 - at
    return len(known)


def _strayed(setup: Setup, aim: Aim, button: Button | None) -> Iterator[Finding]:
    needed = ["stage", "dose_g", "dose_setting", "basket", "basket_g", "basket_kind"]
    ours = setup.shots[needed][~not_ours(setup.shots)]
    confirm = ours["stage"].astype("object") == "confirm"
    weighed = ours["dose_g"].notna()
    last = _last_run(ours[confirm & weighed], ("basket", "basket_g", "basket_kind", "dose_setting"))
    alike = last["dose_g"].tail(_consistent(last["dose_g"], NEW_DOSE_G))
    if len(alike) < FEWEST <= len(last) and ours["dose_setting"].notna().any():
        yield finding("dose_not_told", last=f"{alike.iloc[-1]:.1f}", before=f"{last['dose_g'].iloc[-2]:.1f}")
    found_with = _in_basket(ours[~confirm & weighed], last)
    found_with = _last_run(found_with, ("dose_setting",))
    before, after = found_with["dose_g"].tail(5), alike.tail(3)
    if len(before) and len(after) >= FEWEST and ours["dose_setting"].notna().any():
        off, df = float(after.mean() - before.median()), len(before) + len(after) - 2
        spread = float(((before - before.mean()) ** 2).sum() + ((after - after.mean()) ** 2).sum()) / df
        error = np.sqrt(spread * (1 / len(before) + 1 / len(after)))
        if abs(off) > max(OFF_G, _chance(df) * error):
            yield finding(
                "dose_strayed",
                got=f"{after.mean():.1f}",
                dose=f"{before.median():.1f}",
                off=f"{abs(off):.1f} g {'over' if off > 0 else 'under'}",
                to=_instead(last["dose_setting"], before.median() / after.mean()),
            )
    if button is not None and aim.dose_g is not None and button.error_g is not None:
        off = button.beverage_g[0] - aim.dose_g * aim.ratio
        if abs(off) > max(OFF_OUT_G, _chance(button.shots - 1) * button.error_g):
            out = f"{aim.dose_g * aim.ratio:.0f}"
            yield finding("button_strayed", got=f"{button.beverage_g[0]:.0f}", count=button.shots, out=out)


def _instead(written: pd.Series, part: float) -> str:
    """What to set the timer to for this part of the dose that it gave: as much of the time."""
    value, unit = timer_of(str(written.dropna().iloc[-1])) if written.notna().any() else (0.0, "")
    if not value > 0:
        return ""
    step = written_step(written.dropna().astype(str))
    return f" (about {timer_as_written(max(round(value * part / step), 1) * step, step, unit)})"


def _in_basket(shots: pd.DataFrame, last: pd.DataFrame) -> pd.DataFrame:
    """The shots pulled in the basket of the last of others, as far as both say which."""
    same = np.ones(len(shots), dtype=bool)
    for name in ("basket", "basket_g", "basket_kind"):
        said = last[name].dropna()
        if len(said):
            same &= (shots[name].isna() | (shots[name] == said.iloc[-1])).to_numpy(dtype=bool)
    return shots[same]


def _chance(df: int) -> float:
    return float(distributions.t.ppf(0.5 + BEYOND_CHANCE / 2, df))
