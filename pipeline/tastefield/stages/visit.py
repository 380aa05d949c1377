"""Visit: which machine is meant, which of its shots are of its return, and what was last set on it before."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from tastefield.errors import ConfigError, Problem, TastefieldError
from tastefield.records import Pulled, Setup, Visit
from tastefield.slug import shortened
from tastefield.tables.dial import not_ours
from tastefield.tables.numbers import plain
from tastefield.words.nearest import suggestion
from tastefield.words.phrases import printable


def machine_called(wanted: str, names: Iterable[str]) -> str:
    """The machine meant by a name, a beginning or a part of one, letter case and spaces aside.

    :raises ConfigError: none is called so, or several are.
    """
    known = sorted(set(names))
    said = _folded(wanted)
    for fits in (
        [name for name in known if name == wanted],
        [name for name in known if _folded(name) == said],
        [name for name in known if _folded(name).startswith(said)],
        [name for name in known if said in _folded(name)],
    ):
        if len(fits) == 1:
            return fits[0]
        if fits:
            several = "; ".join(printable(shortened(name)) for name in fits)
            raise ConfigError(Problem("several machines are called so", printable(wanted), several, "write more of it"))
    do = suggestion(printable(wanted), [printable(shortened(name)) for name in known])
    raise ConfigError(Problem("no machine is called so", printable(wanted), do=do))


def visit(shots: pd.DataFrame, machine: str, told: Pulled) -> Visit:
    """Part the shots at the latest return of a machine.

    Where we pulled shots after it and the owner's numbers are told, the call is about what was handed over after it.

    :param shots: all shots of the run, derived columns included.
    :raises TastefieldError: nothing was handed over before.
    """
    mine = _in_order(shots[shots["machine"] == machine])
    back = mine["stage"].astype("object") == "return"
    guest = not_ours(mine)
    ours_since = ~guest & (back.cumsum() == back.sum())
    cut = len(mine)
    if back.any() and not (ours_since.any() and told != Pulled()):
        spell = (guest != guest.shift(fill_value=False)).cumsum()
        cut = int(np.argmax((spell == spell[back].iloc[-1]).to_numpy()))
    if not (~guest.iloc[:cut]).any():
        where = printable(shortened(machine))
        why = "before its last return there is no shot but those of stage intake and return" if back.any() else ""
        why = why or "all its shots are of stage intake"
        do = "pull and taste shots on it (stage dial-in, then confirm); then there is a recipe to hand over"
        raise TastefieldError(Problem("nothing was handed over yet", where, why, do))
    every_return, choke = shots["stage"].astype("object") == "return", shots["outcome"].astype("object") == "choked"
    later = shots["shot_id"].isin(set(mine["shot_id"].iloc[cut:]))
    left = shots.loc[(every_return & ~choke) | (later & ~every_return), "shot_id"]
    returned = mine.iloc[cut:]
    returned = returned[back.iloc[cut:]]
    choked = returned.loc[returned["outcome"].astype("object") == "choked", "grind_setting"].dropna()
    if len(returned):
        same = [returned[name].astype("object").fillna("") for name in ("coffee", "grinder", "grind_setting")]
        returned = returned[np.logical_and.reduce([column == column.iloc[-1] for column in same])]
    return Visit(machine, frozenset(left.astype(str)), returned, tuple(choked.astype(str)))


def last_setup(setups: Sequence[Setup], machine: str) -> Setup:
    """The setup that was last pulled by us on a machine."""
    numbered = [setup.shots.assign(of=number) for number, setup in enumerate(setups)]
    shots = pd.concat(numbered, ignore_index=True)
    shots = shots[(shots["machine"] == machine) & ~not_ours(shots)]
    return setups[int(_in_order(shots)["of"].iloc[-1])]


def _in_order(shots: pd.DataFrame) -> pd.DataFrame:
    """Shots as they were pulled: by time, where no time was written by place and row."""
    return shots.sort_values(["pulled_at", "place", "row"], na_position="last", kind="stable")


def _folded(name: str) -> str:
    return plain(name).casefold()
