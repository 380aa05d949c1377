"""Dial: its steps and ends, the bound a choke sets, and the positions that may be set."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tastefield.errors import Problem
from tastefield.tables.notation import (
    COUNTED,
    DIVIDED,
    LETTERS,
    MARKS,
    Ends,
    Kind,
    Notation,
    as_written,
    example,
    with_ends,
)
from tastefield.tables.numbers import plain
from tastefield.words.columns import NOT_OURS

STEPS = (1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.01)
CLOCK_STEPS = (60.0, 30.0, 15.0, 10.0, 5.0, 1.0)
"""Usual steps of a clock dial, in minutes."""


FEW, ENOUGH = 20, 8
"""Of so many settings one may be a slip; one of fewer, where at least so many others agree. Ours, no source."""


def step_of(dial_positions: NDArray[np.float64], notation: Notation = MARKS) -> float | None:
    """Largest usual step that all but a few stray positions are multiples of; ``None`` without positions.

    A position is stray where it was set once, stands among few (one in ``FEW``, or one beside ``ENOUGH`` others), and
    would make the step less than half of what all others agree to: half marks are set now and then, and one reading
    tells of them, but no single slip may cut the steps of a dial finer than that. So is one below zero where nearly all
    others are above.

    Of a stepless dial: the usual move from one shot to the next, ``None`` where it was never moved.

    >>> step_of(np.array([8, 8.25, 8.5, 8.75, 9, 9.25, 9.5, 9.75, 9.05])), step_of(np.array([8, 8.25, 9.05]))
    (0.25, 0.05)
    """
    finite = dial_positions[np.isfinite(dial_positions)]
    if notation.kind == "stepless":
        moves = np.abs(np.diff(finite))
        return float(np.median(moves[moves > 0])) if (moves > 0).any() else None
    finite = finite[~below_zero(finite, notation)]
    if not len(finite):
        return None
    steps = CLOCK_STEPS if notation.kind == "clock" else STEPS
    every = next((step for step in steps if not _between(finite, step).any()), steps[-1])
    for step in (step for step in steps if step > 2 * every + 1e-9):
        stray = _between(finite, step)
        if _is_few(stray) and all((finite == position).sum() == 1 for position in finite[stray]):
            return step
    return every


def off_steps(
    dial_positions: NDArray[np.float64], step: float | None = None, notation: Notation = MARKS
) -> NDArray[np.bool_]:
    """Which settings lie between the steps that nearly all others lie on.

    :param step: of the dial, where its owner says it; else :func:`step_of`.
    """
    step = None if notation.kind == "stepless" else step or step_of(dial_positions, notation)
    off = np.zeros(len(dial_positions), dtype=bool)
    finite = np.isfinite(dial_positions)
    if step is not None:
        off[finite] = _between(dial_positions[finite], step)
    return off if _is_few(off[finite]) else np.zeros_like(off)


def below_zero(dial_positions: NDArray[np.float64], notation: Notation = MARKS) -> NDArray[np.bool_]:
    """Which few settings are below zero where all others are above it; where one is zero the dial may count through.

    None are where its owner says that the dial starts below zero.

    >>> below_zero(np.array([8.0, 8.5, 9.0] * 3 + [-0.05])).sum(), below_zero(np.array([-1.0, 0.0, 1.0] * 3)).sum()
    (np.int64(1), np.int64(0))
    """
    below = dial_positions < 0
    few = _is_few(below[np.isfinite(dial_positions)]) and not (dial_positions == 0).any()
    return below if few and (notation.ends[0] or 0) >= 0 else np.zeros_like(below)


def _between(finite: NDArray[np.float64], step: float) -> NDArray[np.bool_]:
    return np.asarray(~np.isclose(finite / step, np.round(finite / step), atol=1e-6))


def _is_few(stray: NDArray[np.bool_]) -> bool:
    """Whether so few of all are that they may be slips."""
    return int(stray.sum()) <= max(len(stray) // FEW, int(len(stray) > ENOUGH))


def mesh(step: float, notation: Notation = MARKS) -> float:
    """How near to each other positions may be set: a step; on a stepless dial a decimal well inside a usual move.

    >>> mesh(0.5), mesh(0.3, Notation("stepless"))
    (0.5, 0.1)
    """
    return float(10.0 ** np.floor(np.log10(step / 2))) if notation.kind == "stepless" else step


def problems(
    kind: Kind | None,
    per: int | None,
    labels: Sequence[str],
    lowest: str | None,
    highest: str | None,
    step: float | None,
) -> Iterator[Problem]:
    """All that is wrong with a dial as its owner describes it; ``where`` is the key. No ``kind``: plain numbers.

    :param lowest: its ends, in its notation.
    """
    kind = kind or "marks"
    folded = [plain(label).casefold() for label in labels]
    unread = list(_unreadable(kind, per, folded, lowest))
    yield from unread
    if kind == "stepless" and step is not None:
        yield Problem("belongs to no stepless dial", "step", f"found {step:g}", "remove it, or change notation")
    if kind in COUNTED and step is not None and step != round(step):
        why = f"found {step:g}; notation {kind} counts whole moves"
        yield Problem("must be a whole number", "step", why, "write how many of them the smallest move is")
    if unread:
        return
    notation = Notation(kind, per or len(LETTERS), tuple(labels))
    low, high = with_ends(notation, lowest, highest).ends
    for key, written, end in (("lowest", lowest, low), ("highest", highest, high)):
        if written is not None and end is not None and not np.isfinite(end):
            do = f"write it as the dial shows it, for example {example(notation)}"
            yield Problem(f'"{written}" does not fit the notation {kind}', key, "it is a setting of this dial", do)
    if highest is None or low is None or high is None or not np.isfinite([low, high]).all():
        return
    if not low < high:
        why = f"lowest is {lowest or as_written(low, step, notation)}, highest is {highest}"
        yield Problem("must be greater than lowest", "highest", why, "swap the two or correct one")
    elif step is not None and step > high - low:
        why = f"the dial runs from {lowest or as_written(low, step, notation)} to {highest}"
        yield Problem("is longer than the dial", "step", why, "write the smallest move the dial can make")


def _unreadable(kind: Kind, per: int | None, folded: Sequence[str], lowest: str | None) -> Iterator[Problem]:
    """What keeps any setting of a notation from being read."""
    if per is None and kind in DIVIDED and kind != "letters":
        why = f"notation {kind} counts {DIVIDED[kind]}"
        yield Problem("is missing", "per", why, "write how many: per = 10")
    if per is not None and kind not in DIVIDED:
        yield Problem(f"has no meaning in the notation {kind}", "per", f"it counts {_either(DIVIDED)}", "remove it")
    if per is not None and kind == "letters" and per > len(LETTERS):
        yield Problem(f"{per} letters are too many", "per", f"there are {len(LETTERS)}", "count them from A")
    if kind == "list" and len(folded) < 2:
        do = 'write them in order: labels = ["fine", "espresso", "moka"]'
        yield Problem("are missing", "labels", f"a list needs two at least, found {len(folded)}", do)
    if folded and kind != "list":
        do = 'remove them, or write notation = "list"'
        yield Problem(f"have no meaning in the notation {kind}", "labels", "they are the settings of a list", do)
    if "" in folded:
        yield Problem("one is empty", "labels", "every setting needs a name", "write a name for it, or remove it")
    for label in dict.fromkeys(label for label in folded if label and folded.count(label) > 1):
        why = "one label can stand for one place only, whatever its capitals"
        yield Problem(f'"{label}" stands here twice', "labels", why, "rename one or remove it")
    if kind == "clock" and lowest is None:
        why = "a clock dial may pass 12, so its settings are counted from where it starts"
        yield Problem("is missing", "lowest", why, 'write where it starts: lowest = "7:00"')


def _either(counted: dict[str, str]) -> str:
    return " or ".join(f"{what} ({kind})" for kind, what in counted.items())


def since_zero(shots: pd.DataFrame) -> pd.DataFrame:
    """The shots not written under another burr zero than the last one named.

    Positions under another zero mean another grind. A shot without a label stays: a choke must not be forgotten because
    nobody wrote the zero down.
    """
    zero = shots["grinder_zero"].astype("object").fillna("")
    named = zero[zero != ""]
    if named.empty:
        return shots
    return shots[zero.isin(["", named.iloc[-1]]).to_numpy(dtype=bool)]


def zeros_in_force(shots: pd.DataFrame) -> dict[str, str]:
    """The burr zero named last of each grinder, by the time its shots were pulled; else by the order of the log."""
    named = shots[shots["grinder_zero"].astype("object").fillna("") != ""]
    named = named.sort_values(["pulled_at", "place", "row"], na_position="first", kind="stable")
    last = named.groupby(named["grinder"].astype(str))["grinder_zero"].last()
    return {str(grinder): str(zero) for grinder, zero in last.items()}


def not_ours(shots: pd.DataFrame) -> pd.Series:
    """Which shots were pulled at somebody else's settings: as the machine came in, or came back."""
    return shots["stage"].astype("object").isin(NOT_OURS)


def periods(shots: pd.DataFrame, setup: pd.Series | None = None) -> pd.DataFrame:
    """Of every shot the burr zero, carried on from the last one named, and the visit; with them the dial may change.

    Shots as a machine came in or came back are a visit of their own: between them and the next there may be a repair.

    :param shots: in the order they were pulled, at least those of each setup.
    :param setup: number of the setup of each shot; ``None`` where all are of one.
    :returns: ``zero``; ``visit``, counted within the setup; ``in_force``, whether the dial still stands as it did.
    """
    zero, visit, held = _periods(shots, None if setup is None else setup.to_numpy())
    zeros = pd.Series(zero, index=shots.index, dtype="str")
    return pd.DataFrame({"zero": zeros, "visit": visit, "in_force": held}, index=shots.index)


def in_force(shots: pd.DataFrame) -> NDArray[np.bool_]:
    """Of every shot of one setup whether the dial still stands as it did: :func:`periods` without the rest."""
    return _periods(shots, None)[2]


def _periods(shots: pd.DataFrame, of: NDArray[Any] | None) -> tuple[NDArray[Any], NDArray[np.int64], NDArray[np.bool_]]:
    """Columns of :func:`periods`, of shots of these setups."""
    guest, written = not_ours(shots).to_numpy(dtype=bool), shots["grinder_zero"].astype("object")
    zero = np.where(written.isna(), "", written).astype("object")
    visit, held = np.zeros(len(shots), dtype=np.int64), np.zeros(len(shots), dtype=bool)
    setups: Iterable[Any] = [np.arange(len(shots))]  # rows of each
    if of is not None:
        setups = pd.Series(of).groupby(of).indices.values()
    for rows in setups if len(shots) else ():
        named = np.maximum.accumulate(np.where(zero[rows] != "", np.arange(len(rows)), 0))
        zero[rows] = zero[rows][named]
        visit[rows] = np.cumsum(np.diff(guest[rows], prepend=False))
        last = zero[rows] == zero[rows[-1]]
        ours = last & ~guest[rows]
        told = ours if ours.any() else last
        held[rows] = told & (visit[rows] == visit[rows][told].max())
    return zero, visit, held


def positions_in_force(shots: pd.DataFrame) -> pd.Series:
    """Dial positions that still mean the same grind; NaN for those before a new burr zero or a repair."""
    return shots["dial_position"].where(in_force(shots))


def towards_finer(higher_is: str | None) -> int:
    """1 where a higher position is finer, -1 where it is coarser."""
    return 1 if higher_is == "finer" else -1


def last_position(ends: Ends, towards: int, choke: float | None, step: float) -> float:
    """The last position in a direction, counted that way: the end of the dial, or a step short of a choke.

    :param towards: 1 up the dial, -1 down. :returns: position x ``towards``; infinite where nothing ends it.

    >>> last_position((0.0, 20.0), 1, None, 1.0), last_position((0.0, 20.0), -1, 4.0, 1.0)
    (20.0, -5.0)
    """
    end = ends[1 if towards > 0 else 0]
    limits = [] if end is None else [end * towards]
    if choke is not None:
        limits.append(choke * towards - step)
    return min(limits, default=np.inf)


def choke_position(outcome: pd.Series, dial_position: pd.Series, higher_is: str) -> float | None:
    """The coarsest position that choked; nothing at it or finer may be proposed. ``None`` where nothing choked."""
    choked = dial_position[outcome.astype("object") == "choked"].dropna()
    if choked.empty:
        return None
    return float(choked.min() if higher_is == "finer" else choked.max())


def longest_run(shots: pd.DataFrame) -> float:
    """Longest time in seconds that any shot since the burr zero ran without choking; NaN where none is known to.

    Where no dial line tells how far finer is safe, nobody is told to grind until a longer one once something choked.
    """
    here = since_zero(shots[["grinder_zero", "outcome", "shot_time_s"]])
    stuck = here["outcome"].astype("object").isin(["choked", "gushed"])
    return float(here["shot_time_s"].where(~stuck).max())


def settable(
    step: float,
    tried: tuple[float, float],
    beyond: float,
    ends: Ends,
    choke: float | None,
    higher_is: str,
    stepless: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Positions that may be recommended, increasing: whole steps, a little beyond what was tried, clear of a choke.

    :param tried: lowest and highest position at which shots ran. :param beyond: how far past them.
    :param ends: ends of the dial; ``None`` where unknown.
    :param choke: see :func:`choke_position`.
    :param stepless: of a stepless dial, the positions that ran: they may be set again exactly, whatever lies between
        them on a fine mesh.

    >>> settable(1.0, (6.0, 8.0), 1.0, (None, 8.0), 5.0, "coarser")
    array([6., 7., 8.])
    """
    low, high = tried[0] - beyond, tried[1] + beyond
    if choke is not None and higher_is == "coarser":
        low, high = max(low, choke + step), max(high, choke + step)  # a choke binds even where finer settings ran
    if choke is not None and higher_is == "finer":
        low, high = min(low, choke - step), min(high, choke - step)
    low = low if ends[0] is None else max(low, ends[0])
    high = high if ends[1] is None else min(high, ends[1])
    apart = step if stepless is None else mesh(step, Notation("stepless"))
    first, last = int(np.ceil(low / apart - 1e-6)), int(np.floor(high / apart + 1e-6))
    found = np.arange(first, last + 1) * apart
    if stepless is not None:
        found = np.concatenate([found, stepless[(stepless >= low) & (stepless <= high)]])
    return np.asarray(np.unique(np.round(found, 9)), dtype=float)  # as read: 3 x 0.1 is 0.3


def recorded(shots: pd.DataFrame, higher_is: str | None = None) -> pd.Series:
    """Mean log time of each setting that ran, as written; without those that choked or ran before a zero or a repair.

    :param higher_is: where given, settings finer than a choke are left out too, whatever ran there.
    """
    needed = ["grinder_zero", "stage", "outcome", "grind_setting", "dial_position", "shot_time_s"]
    shots = shots[needed]  # a few columns: rows of all are slow to choose
    here = since_zero(shots)
    outcome = here["outcome"].astype("object").fillna("ok")
    choked = here[outcome == "choked"]
    bound = here["grind_setting"].isin(set(choked["grind_setting"].dropna()))
    bound |= here["dial_position"].isin(set(choked["dial_position"].dropna()))  # 4-2 and 4+2 are one
    if higher_is is not None:
        choke = choke_position(here["outcome"], here["dial_position"], higher_is)
        if choke is not None:
            bound |= (here["dial_position"] - choke) * towards_finer(higher_is) >= -1e-9
    ran = here[here["grind_setting"].notna() & here["shot_time_s"].notna() & (outcome != "choked") & ~bound]
    ran = ran[pd.Series(in_force(shots), index=shots.index).reindex(ran.index)]
    log_time = pd.Series(np.log(ran["shot_time_s"].to_numpy(dtype=float)), index=ran.index)
    return log_time.groupby(ran["grind_setting"].astype(str), sort=True).mean()
