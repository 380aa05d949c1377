"""Compare: what was handed over beside what the new owner pulls, and where the difference points."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pandas as pd

from tastefield.errors import Problem, TastefieldError
from tastefield.records import Comparison, DialLine, Pulled, Setup, Visit
from tastefield.slug import shortened
from tastefield.stats.dial_line import TIME_PER_OUT
from tastefield.tables.dial import last_position, mesh, periods, since_zero, towards_finer
from tastefield.tables.notation import as_written, position
from tastefield.tables.numbers import plain
from tastefield.tables.outcome import ran
from tastefield.words.calls import DIAL_ENDS, FINER, NO_FINER, advice, grind_to, not_beyond, turn
from tastefield.words.findings import Finding
from tastefield.words.ladder import MOVE_G
from tastefield.words.phrases import printable

SAME_DOSE_G = 0.5
"""Doses this near are called the same. Common practice, no source."""
SAME_OUT_G = 2.0
"""And weights out, where shots scatter by less: a button ends them no better. Common practice, no source."""
TIMES_SD = 2.0
"""A shot that lies within so many standard deviations of the scatter is no different from what was handed over."""
OPTIONS = {
    "dose_g": ("the dose", "--dose 18"),
    "shot_time_s": ("the time", "--time 15"),
    "grind_setting": ("the grind", "--grind 12"),
    "coffee": ("the coffee", '--coffee "house"'),
}
SLOWER_HELPS, FASTER_HELPS = ("sour", "weak"), ("bitter", "heavy", "harsh")
"""Tastes that go with a short shot, and with a long one. Common practice, no source."""
MORE_OUT_HELPS = ("sour", "heavy")
"""Tastes that more weight out helps at the time handed over; less out helps the others. Common practice, no source."""


def pulled(shots: pd.DataFrame, scores: pd.DataFrame) -> Pulled:
    """Some shots of one kind as one: medians, the last grind and coffee, the mean score; chokes only if all choked."""
    if shots.empty:
        return Pulled()
    choked = shots["outcome"].astype("object") == "choked"
    score = scores.loc[scores["shot_id"].isin(set(shots["shot_id"])), "score"].mean()
    return Pulled(
        dose_g=_median(shots["dose_g"]),
        beverage_g=_median(shots.loc[~choked, "beverage_g"]),
        shot_time_s=_median(shots.loc[~choked, "shot_time_s"]),
        grind_setting=_last(shots["grind_setting"]),
        coffee=_last(shots["coffee"]),
        score=None if pd.isna(score) else float(score),
        choked=bool(choked.all()),
    )


def told_over(told: Pulled, logged: Pulled) -> Pulled:
    """What the owner tells goes before what is in the log; told a time or a weight out, something came out."""
    values = {one.name: getattr(told, one.name) for one in fields(Pulled)}
    values = {name: getattr(logged, name) if value is None else value for name, value in values.items()}
    came_out = told.shot_time_s is not None or told.beverage_g is not None
    return Pulled(**{**values, "choked": logged.choked and not came_out})


def compare(call: Visit, entry: Mapping[str, Any], setup: Setup, theirs: Pulled) -> Comparison:
    """Put what was handed over beside what the owner pulls.

    Handed over are the last shots pulled to confirm, since the last burr zero or repair; without any, the recipe.

    :param entry: the setup's object in the results file, of all shots but those of the return.
    :param setup: that setup, the last one that was pulled by us on the machine before its return.
    :param theirs: what the owner pulls, log and options together.
    :raises TastefieldError: there is no recipe.
    """
    aim, machine = entry["aim"], call.machine
    if aim is None:
        why = "; ".join(note["message"] for note in entry["findings"] if note["severity"] == "stop")
        where = printable(shortened(machine))
        raise TastefieldError(Problem("there is no recipe to compare with", where, why, "taste shots and run again"))
    confirm = _confirm(setup, machine)
    recipe = Pulled(
        dose_g=aim["dose_g"],
        beverage_g=aim["beverage_g"],
        shot_time_s=aim["shot_time_s"],
        grind_setting=aim["grind_setting"],
        coffee=str(setup.shots["coffee"].iloc[-1]),
        score=None if len(confirm) else entry["expected_score"]["mean"],
    )
    ours = told_over(pulled(confirm, setup.all_scores()), recipe)
    time_s, sd = ours.shot_time_s or aim["shot_time_s"], float(np.sqrt(setup.bench.scatter.cov[1, 1]))
    usual = (float(time_s * np.exp(-TIMES_SD * sd)), float(time_s * np.exp(TIMES_SD * sd)))
    found = tuple(_Call(ours, theirs, setup, call.choked).advice())
    return Comparison(machine, ours, theirs, aim["clock"], len(confirm), len(call.returned), usual, found)


class _Call:
    """One call: both sides, and what follows from them."""

    def __init__(self, ours: Pulled, theirs: Pulled, setup: Setup, choked: Sequence[str]) -> None:
        self.ours, self.theirs, self.setup = ours, theirs, setup
        self.line = _never_finer(setup.bench.dial, [at for at in map(self._at, choked) if at is not None])
        here = since_zero(setup.shots)
        before = here.loc[here["outcome"].astype("object") == "choked", "grind_setting"].dropna()
        self.choked = list(dict.fromkeys([*before, *choked]))
        self.sd_out, self.sd_time = np.sqrt(np.diag(setup.bench.scatter.cov))
        self.other_coffee = _differ(ours.coffee, theirs.coffee)

    def advice(self) -> Iterator[Finding]:
        """The first thing first: weights, for nothing else can be judged before; then time; taste at the right time."""
        ours, theirs = self.ours, self.theirs
        if theirs == Pulled():
            yield advice("nothing_told")
            return
        if theirs.choked:
            dose = f"{_grams(ours.dose_g, 1)} g" if ours.dose_g else "the usual dose"
            yield advice("choked", dose=dose, turn=self._turn(-2 * self.sd_time, careful=False))
            return
        more_in = (theirs.dose_g or np.nan) - (ours.dose_g or np.nan)
        dose_off = abs(more_in) > SAME_DOSE_G + 1e-9
        if dose_off:
            words = {"less": "less", "faster": "faster"} if more_in < 0 else {"less": "more", "faster": "slower"}
            yield advice("dose_differs", theirs=_grams(theirs.dose_g, 1), ours=_grams(ours.dose_g, 1), **words)
        if ours.beverage_g and theirs.beverage_g:
            band = max(SAME_OUT_G, TIMES_SD * self.sd_out * ours.beverage_g)
            if abs(theirs.beverage_g - ours.beverage_g) > band + 1e-9:
                yield advice("out_differs", theirs=_grams(theirs.beverage_g), ours=_grams(ours.beverage_g))
        if not dose_off:
            yield from self._time()

    # --- time -----------------------------------------------------------------------------------------------------

    def _time(self) -> Iterator[Finding]:
        ours, theirs = self.ours, self.theirs
        if theirs.shot_time_s is None:
            yield from self._without_time()
            return
        expected = self._expected()
        off = float(np.log(theirs.shot_time_s / expected))
        if abs(off) <= TIMES_SD * self.sd_time:
            yield from self._taste(off)
            return
        if self.setup.pressurised():
            yield advice("basket_sets_time")
        elif self.other_coffee:
            yield self._coffee_differs(self._turn(-off))
        else:
            missing = self._missing()
            yield from self._ask(missing)
            moved = self._moved()
            if self._grind_differs() and (moved is None or moved * off > 0):
                yield self._grind_moved(-off)
            else:
                given = ", if these are as handed over" if missing else ""
                usual = expected * np.exp(moved or 0.0)
                seconds = {"seconds": f"{theirs.shot_time_s:.0f}", "expected": f"{usual:.0f}"}
                yield advice("runs_fast" if off < 0 else "runs_slow", given=given, **seconds)
                if theirs.coffee is None:
                    yield advice("coffee_perhaps", ours=_name(ours.coffee), turn=self._turn(-off))
        yield from self._taste_of(off)

    def _without_time(self) -> Iterator[Finding]:
        """Nothing can be told of the time: what is known of grind and coffee, and what to ask."""
        ours = self.ours
        if self.other_coffee and not self.setup.pressurised():
            dose, out = f"{_grams(ours.dose_g, 1)} g", f"{_grams(ours.beverage_g)} g"
            yield self._coffee_differs(grind_to(dose, out, ours.shot_time_s or np.nan))
        elif self._grind_differs():
            yield self._grind_moved(0.0)
        yield from self._ask(self._missing())

    def _expected(self) -> float:
        """Seconds that what was handed over takes to their weight out."""
        ours, theirs, line = self.ours, self.theirs, self.line
        time_s = ours.shot_time_s or np.nan
        if not (ours.beverage_g and theirs.beverage_g):
            return time_s
        power = TIME_PER_OUT if line is None or line.recipe is None else float(line.recipe[0][0])
        return float(time_s * (theirs.beverage_g / ours.beverage_g) ** power)

    def _moved(self) -> float | None:
        """Change of log time that their setting makes of ours by the dial; ``None`` where it cannot be told."""
        here, there = (self._at(side.grind_setting) for side in (self.theirs, self.ours))
        line = self.line
        if line is None or here is None or there is None:
            return None
        return line.slope * (here - there)

    def _missing(self) -> list[str]:
        return [name for name in OPTIONS if getattr(self.theirs, name) is None and getattr(self.ours, name) is not None]

    def _ask(self, missing: Sequence[str]) -> Iterator[Finding]:
        if missing:
            what, options = zip(*(OPTIONS[name] for name in missing), strict=True)
            yield advice("ask", what=", ".join(what), options=" ".join(options))

    def _coffee_differs(self, turning: str) -> Finding:
        return advice("coffee_differs", theirs=_name(self.theirs.coffee), ours=_name(self.ours.coffee), turn=turning)

    def _grind_moved(self, change: float) -> Finding:
        """Back to where it stood, unless that choked; with care where that may be finer."""
        names = {"theirs": _name(self.theirs.grind_setting), "ours": _name(self.ours.grind_setting)}
        moved, line, there = self._moved(), self.line, self._at(self.ours.grind_setting)
        finer, choked = moved is None or moved < 0, self.ours.grind_setting in self.choked
        if line is not None and line.choke is not None and there is not None:
            choked |= (there - line.choke) * towards_finer(line.higher_is) > -1e-9
        if finer and choked:
            return advice("grind_moved_choked", **names, turn=self._turn(change))
        return advice("grind_moved", **names, care=FINER if finer else "")

    # --- taste ----------------------------------------------------------------------------------------------------

    def _taste_of(self, off: float) -> Iterator[Finding]:
        """Whether the taste is the one a short or a long shot has."""
        taste = self.theirs.taste
        if taste in SLOWER_HELPS + FASTER_HELPS:
            follows = taste in (SLOWER_HELPS if off < 0 else FASTER_HELPS)
            yield advice(
                "taste_follows" if follows else "taste_against", taste=taste, fast="fast" if off < 0 else "slow"
            )

    def _taste(self, off: float) -> Iterator[Finding]:
        """The time is right: what to change for the taste. Grind where the time lies on its side, else weight out."""
        ours, theirs, taste, differs = self.ours, self.theirs, self.theirs.taste, False
        if self.other_coffee:
            yield advice("coffee_differs_fits", theirs=_name(theirs.coffee), ours=_name(ours.coffee))
        elif differs := self._grind_differs() and not self.setup.pressurised():
            yield advice("grind_differs_fits", theirs=_name(theirs.grind_setting), ours=_name(ours.grind_setting))
        if taste is None:
            if theirs.score is not None and theirs.score >= self.setup.taste.good:
                yield advice("tastes_good", score=f"{theirs.score:.1f}")
            elif not (self.other_coffee or differs) or theirs.score is not None:
                yield advice("as_handed_over")
            return
        on_its_side = off < -0.5 * self.sd_time if taste in SLOWER_HELPS else off > 0.5 * self.sd_time
        if taste == "flat":
            yield advice("taste_flat")
        elif on_its_side and taste != "harsh" and not self.setup.pressurised():
            short = "short" if off < 0 else "long"
            seconds = {"seconds": f"{theirs.shot_time_s:.0f}", "ours": f"{self._expected():.0f}", "short": short}
            yield advice("taste_grind", taste=taste, turn=self._turn(-off), **seconds)
        elif out := theirs.beverage_g or ours.beverage_g:
            more = taste in MORE_OUT_HELPS
            values = {"grams": _grams(MOVE_G), "out": _grams(out + (MOVE_G if more else -MOVE_G))}
            code = "taste_harsh" if taste == "harsh" else "taste_more_out" if more else "taste_less_out"
            yield advice(code, taste=taste, **values)

    # --- the grinder ----------------------------------------------------------------------------------------------

    def _turn(self, change: float, careful: bool = True) -> str:
        """How to turn the grinder for this change of log time, at least a step; never at or finer than a choke.

        Without a line that is trusted it is one step. Farther than shots of ours ran it goes a step at a time.
        """
        if self.setup.pressurised():
            return ""
        line, finer = self.line, change > 0
        care = f" {FINER}" if finer and careful else ""
        here = self._at(self.theirs.grind_setting)
        if line is None:
            choked = ", ".join(_name(setting) for setting in self.choked)
            bound = f" {not_beyond(choked, True)}" if finer and choked else ""
            return turn(1, finer, None, None, None) + bound + care
        step, towards = line.step or 1.0, towards_finer(line.higher_is) * (1 if finer else -1)
        per_step = abs(line.slope * step)
        steps = max(1, round(abs(change) / per_step))
        time_s = self.theirs.shot_time_s or self.ours.shot_time_s or np.nan
        end_of_ours = float((line.settable * towards).max())
        limit = last_position(line.ends, towards, line.choke if finer else None, step)
        bound = f" {self._bound(line, step, min(end_of_ours, limit) * towards)}" if finer else ""
        if here is None:
            return turn(steps, finer, _each(time_s, per_step, steps, finer), None, None) + bound + care
        at = here * towards
        to = min(at + steps * step, max(end_of_ours, at + step), limit)
        if not finer and line.choke is not None:
            to = max(to, line.choke * towards + step)
        if to < at + step - 1e-9:
            if finer and line.choke is not None:
                return NO_FINER.format(setting=self._text(line.choke, step))
            return DIAL_ENDS.format(setting=self._text(limit * towards, step))
        start, end = self._text(here, step), self._text(to * towards, step)
        bound = bound if to < at + steps * step - 1e-9 else ""
        steps = round((to - at) / step)
        return turn(steps, finer, _each(time_s, per_step, steps, finer), start, end) + bound + care

    def _bound(self, line: DialLine, step: float, finest: float) -> str:
        """Where to stop on the way to finer: short of a choke, or where shots of ours ran."""
        if line.choke is not None and abs(finest - line.choke) < 1.5 * step:
            return not_beyond(self._text(line.choke, step), True)
        return not_beyond(self._text(finest, step), False)

    def _at(self, setting: str | None) -> float | None:
        """Position of a setting in the notation of its grinder; ``None`` where it cannot be read."""
        at = np.nan if setting is None else position(setting, self.setup.bench.notation)
        return at if np.isfinite(at) else None

    def _text(self, at: float, step: float) -> str:
        """A position as the owner of the grinder writes it."""
        notation = self.setup.bench.notation
        apart = mesh(step, notation)
        return as_written(round(at / apart) * apart, step, notation)

    def _grind_differs(self) -> bool:
        """Whether the grinder stands elsewhere; 12 and 12.0 are one setting."""
        ours, theirs = self.ours.grind_setting, self.theirs.grind_setting
        here = self._at(theirs)
        return _differ(ours, theirs) and (here is None or here != self._at(ours))


# --- small things ---------------------------------------------------------------------------------------------------


def _never_finer(line: DialLine | None, choked: Sequence[float]) -> DialLine | None:
    """The line, where it is trusted to say which way is finer and what a step does, with these chokes among its own."""
    if line is None or not line.tells_steps:
        return None
    known = [*choked, *([] if line.choke is None else [line.choke])]
    coarsest = min if line.higher_is == "finer" else max
    return replace(line, choke=coarsest(known, default=None))


def _each(time_s: float, per_step: float, steps: int, finer: bool) -> float:
    """Seconds that each of some steps is worth, on average."""
    return float(abs(time_s * np.expm1(steps * (per_step if finer else -per_step))) / steps)


def _confirm(setup: Setup, machine: str) -> pd.DataFrame:
    """The last shots in a row that were pulled to confirm and ran, since the last burr zero or repair."""
    shots = setup.shots[(setup.shots["machine"] == machine) & periods(setup.shots)["in_force"]]
    confirm = shots["stage"].astype("object") == "confirm"
    spell = (confirm != confirm.shift(fill_value=False)).cumsum()
    last = shots[confirm & (spell == spell[confirm].max())]
    return last[ran(last)]


def _median(values: pd.Series) -> float | None:
    return float(values.median()) if values.notna().any() else None


def _last(values: pd.Series) -> str | None:
    return None if pd.isna(values.iloc[-1]) else str(values.iloc[-1])


def _differ(ours: str | None, theirs: str | None) -> bool:
    return ours is not None and theirs is not None and plain(ours).casefold() != plain(theirs).casefold()


def _grams(value: float | None, digits: int = 0) -> str:
    return "?" if value is None else f"{value:.{digits}f}"


def _name(text: str | None) -> str:
    return printable(shortened(text or ""))
