"""The scores of a whole bench as arrays, in an order that depends on neither names nor the order they came in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from tastefield.stats.pooled import basis
from tastefield.stats.pooled.parts import CENTRE, TIME_FELT

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

COVARIATES = ("dose", "order", "age")
"""Small effects told apart where they were written down: log dose about the usual, place in the serving, coffee age."""
KINDS = ("machine_model", "grinder_model")
USUAL_EXTRACTION_PCT, EXTRACTION_UNIT = 19.0, 0.1
"""Extractions are told as natural logs about the first, in units of the second: 1 is about a tenth more."""

NOTHING_TOLD = 1e6
"""Error variance of a row that says whether a shot was served, as long as nothing is made of it."""
OF_A_ROW = (
    *("value", "read", "served", "turn", "error_var", "points", "covariates"),
    *("setup", "taster", "shot", "session", "slope", "off"),
)
"""Fields of a bench that have an entry a row."""

Kind = TypeVar("Kind", np.float64, np.int64)


@dataclass(frozen=True, eq=False)
class Readings:
    """Extraction of some shots of a setup, one row a reading.

    :param extraction: (m,) natural log of the extraction over :data:`USUAL_EXTRACTION`, in units of EXTRACTION_UNIT.
    :param points: (m, 2) coded. :param shot: (m,) number of the shot, as its scores have it.
    :param off: (m,) coded time, as in :class:`SetupRows`.
    :param error_var: (m,) variance of the reading, :param departure_var: and of what shots at one ratio and time differ
        by, in the same unit.
    """

    extraction: Array
    points: Array
    shot: Codes
    error_var: Array
    off: Array
    departure_var: float

    def sorted(self) -> Readings:
        """Rows sorted by their numbers."""
        order = np.lexsort(np.column_stack([self.extraction, self.error_var, self.points, self.off]).T)
        return Readings(
            self.extraction[order],
            self.points[order],
            self.shot[order],
            self.error_var[order],
            self.off[order],
            self.departure_var,
        )


@dataclass(frozen=True, eq=False)
class Pulled:
    """Shots of a setup that ran, served or not, one row each.

    :param points: (k, 2) coded. :param shot: (k,) number of the shot, as its scores have it.
    :param served: (k,) whether anybody scored it. :param turn: (k,) place among the setup's shots, from -0.5 to 0.5.
    :param off: (k,) and :param covariates: (k, 3) as in :class:`SetupRows`.
    """

    points: Array
    shot: Codes
    served: NDArray[np.bool_]
    turn: Array
    off: Array
    covariates: Array

    def sorted(self) -> Pulled:
        """Rows sorted by their numbers."""
        order = np.lexsort(np.column_stack([self.turn, self.served, self.covariates, self.off, self.points]).T)
        return Pulled(
            self.points[order],
            self.shot[order],
            self.served[order],
            self.turn[order],
            self.off[order],
            self.covariates[order],
        )


@dataclass(frozen=True, eq=False)
class SetupRows:
    """What one setup brings: its names and one row a score.

    :param name: unique name. :param machine: and ``coffee``: names that setups may share.
    :param roast: "" where unknown. :param kinds: machine model and grinder model; "" where unknown.
    :param score: (n,) on a scale from 1 to 9. :param points: (n, 2) coded.
    :param shot: (n,) number of the shot within the setup. :param taster: n names. :param session: n names, "" for none.
    :param covariates: (n, 3) as in :data:`COVARIATES`, 0 where unknown.
    :param off: (n,) coded time beyond what is expected of the shot's setting of the dial; 0 where nothing is known.
    :param readings: of the shots whose extraction was read; ``None`` where none was.
    :param pulled: all shots that ran, where some were scored; ``None`` where none was.
    """

    name: str
    machine: str
    coffee: str
    roast: str
    kinds: tuple[str, ...]
    score: Array
    points: Array
    shot: Codes
    taster: tuple[str, ...]
    session: tuple[str, ...]
    covariates: Array
    off: Array
    readings: Readings | None = None
    pulled: Pulled | None = None

    def canonical(self) -> SetupRows:
        """Rows sorted by their numbers, shots numbered in that order."""
        numbers = np.column_stack([self.points, self.covariates, self.score, self.off])
        order = np.lexsort(numbers.T[::-1])
        readings = None if self.readings is None else self.readings.sorted()
        shots = Numbered()
        score_shot = [shots[shot] for shot in self.shot[order].tolist()]
        if readings is not None:
            read = [shots[shot] for shot in readings.shot.tolist()]
            readings = replace(readings, shot=np.array(read, dtype=np.int64))
        pulled = None if self.pulled is None else self.pulled.sorted()
        if pulled is not None:
            pulled = replace(pulled, shot=np.array([shots[shot] for shot in pulled.shot.tolist()], dtype=np.int64))
        return replace(
            self,
            score=self.score[order],
            points=self.points[order],
            shot=np.array(score_shot, dtype=np.int64),
            taster=tuple(self.taster[i] for i in order),
            session=tuple(self.session[i] for i in order),
            covariates=self.covariates[order],
            off=self.off[order],
            readings=readings,
            pulled=pulled,
        )

    @property
    def shots(self) -> int:
        """Shots that were tasted, read or pulled, numbered from 0 up."""
        also = [part.shot for part in (self.readings, self.pulled) if part is not None]
        return max(int(shot.max(initial=-1)) for shot in (self.shot, *also)) + 1

    def content(self) -> tuple[float, ...]:
        """What setups are ordered by: their size and numbers, never their names."""
        pulled = [] if self.pulled is None else [*self.pulled.points.ravel(), *self.pulled.turn, *self.pulled.served]
        numbers = [*self.score, *self.points.ravel(), *self.off, *pulled]
        return (-float(len(self.score)), *(float(number) for number in numbers))


@dataclass(frozen=True, eq=False)
class Bench:
    """All scores and readings, row by row; setups in canonical order, each setup's rows together, readings last.

    A row may also say whether a shot was served at all: see :mod:`~tastefield.stats.pooled.served`.

    Codes of a setup: ``machine``, ``coffee``, ``roast`` and ``kinds`` (S, 2), the last two -1 where unknown. Codes of a
    row: ``setup``, ``taster``, ``shot``, ``session`` (-1 for none; only a score has a taster).

    :param value: (N,) score from 1 to 9, or extraction where ``read`` says so, with ``error_var``, 0 for a score.
    :param served: (N,) 1 for a row that says that its shot was served, -1 that it was not, 0 for a score or a reading.
    :param turn: (N,) place of that shot among its setup's, from -0.5 to 0.5; 0 for the others.
    :param departure_var: of extraction between shots at one ratio and time; 0 where nothing was read.
    :param shift: (S, 2) how far a setup's best lies from that of all, coded, as far as it is taken: its surfaces run
        over points less this.
    :param off: (N,) coded time beyond what the dial line expects of the shot's setting; 0 where nothing is known.
    :param time_felt: share of it that taste shows; see :mod:`~tastefield.stats.pooled.felt`.
    :param slope: (N,) points of score that a point of appeal adds at what is expected of the row; 1 for a reading.
    """

    names: tuple[str, ...]
    machine_names: tuple[str, ...]
    coffee_names: tuple[str, ...]
    machine: Codes
    coffee: Codes
    roast: Codes
    kinds: Codes
    kind_count: int
    value: Array
    read: NDArray[np.bool_]
    served: Codes
    turn: Array
    error_var: Array
    points: Array
    covariates: Array
    setup: Codes
    taster: Codes
    shot: Codes
    session: Codes
    taster_count: int
    departure_var: float
    slope: Array
    shift: Array
    off: Array
    time_felt: float

    @property
    def tasted(self) -> NDArray[np.bool_]:
        """Which rows (N,) are scores."""
        return np.asarray(~self.read & (self.served == 0))

    @property
    def shot_points(self) -> Array:
        """Points (m, 2) of the distinct tasted shots."""
        return self._of_shots(self.points)

    @cached_property
    def shown(self) -> Array:
        """Points (N, 2) as taste shows them: of what a shot's time was off at its setting of the dial a share only."""
        return self.points - np.column_stack([np.zeros(len(self.off)), (1.0 - self.time_felt) * self.off])

    @cached_property
    def moved(self) -> Array:
        """Points (N, 2) as surfaces see them: as taste shows them, less the shift of their setup."""
        return basis.inside(self.shown - self.shift[self.setup])

    @property
    def moved_shots(self) -> Array:
        """The same of the distinct tasted shots, (m, 2)."""
        return self._of_shots(self.moved)

    @property
    def coffee_shots(self) -> Array:
        """Distinct tasted shots of every coffee."""
        setup = self._of_shots(self.setup)
        return np.bincount(self.coffee[setup], minlength=len(self.coffee_names)).astype(float)

    def _of_shots(self, points: NDArray[Kind]) -> NDArray[Kind]:
        tasted = self.tasted
        return np.asarray(points[tasted][np.unique(self.shot[tasted], return_index=True)[1]])

    def only(self, setups: Codes) -> Bench:
        """The bench of these setups (increasing) alone, as if no other had been recorded; tasters keep their codes."""
        kinds, kind_count = _renumbered(self.kinds[setups])
        some = self._rows(np.isin(self.setup, setups))
        return replace(
            some,
            names=tuple(self.names[setup] for setup in setups),
            machine=_renumbered(self.machine[setups])[0],
            coffee=_renumbered(self.coffee[setups])[0],
            roast=_renumbered(self.roast[setups])[0],
            kinds=kinds,
            kind_count=kind_count,
            setup=np.searchsorted(setups, some.setup),
            shift=self.shift[setups],
        )

    def without_served(self) -> Bench:
        """The bench without the rows that say whether a shot was served."""
        return self._rows(self.served == 0)

    def _rows(self, kept: NDArray[np.bool_]) -> Bench:
        return replace(self, **{name: getattr(self, name)[kept] for name in OF_A_ROW})


def _renumbered(codes: Codes) -> tuple[Codes, int]:
    """Codes from 0 up without gaps, -1 kept; and how many there are."""
    found = np.unique(codes[codes >= 0])
    return np.where(codes >= 0, np.searchsorted(found, codes), -1), len(found)


def gathered(parts: Sequence[SetupRows]) -> Bench:
    """One bench of all setups. :param parts: in any order."""
    setups = sorted((part.canonical() for part in parts), key=lambda part: (part.content(), part.name))
    machines, coffees, tasters = Numbered(), Numbered(), Numbered()
    sessions, roasts, kinds = Numbered(), Numbered(), Numbered()
    machine = [machines[part.machine] for part in setups]
    coffee = [coffees[part.coffee] for part in setups]
    roast = [roasts[part.roast] if part.roast else -1 for part in setups]
    kind = [[kinds[which, word] if word else -1 for which, word in enumerate(part.kinds)] for part in setups]
    rows = [_Rows.of(part, tasters, sessions) for part in setups]
    starts = np.cumsum([0, *(part.shots for part in setups)])
    departures = [part.readings.departure_var for part in setups if part.readings is not None]
    return Bench(
        names=tuple(part.name for part in setups),
        machine_names=tuple(dict.fromkeys(part.machine for part in setups)),
        coffee_names=tuple(dict.fromkeys(part.coffee for part in setups)),
        machine=np.array(machine, dtype=np.int64),
        coffee=np.array(coffee, dtype=np.int64),
        roast=np.array(roast, dtype=np.int64),
        kinds=np.array(kind, dtype=np.int64).reshape(len(setups), len(KINDS)),
        kind_count=len(kinds),
        value=np.concatenate([np.empty(0), *(part.value for part in rows)]),
        read=np.concatenate([np.empty(0, dtype=bool), *(part.read for part in rows)]),
        served=np.concatenate([np.empty(0, dtype=np.int64), *(part.served for part in rows)]),
        turn=np.concatenate([np.empty(0), *(part.turn for part in rows)]),
        error_var=np.concatenate([np.empty(0), *(part.error_var for part in rows)]),
        points=basis.inside(np.concatenate([np.empty((0, 2)), *(part.points for part in rows)])),
        covariates=np.concatenate([np.empty((0, len(COVARIATES))), *(part.covariates for part in rows)]),
        setup=np.repeat(np.arange(len(setups)), [len(part.value) for part in rows]),
        taster=np.concatenate([np.empty(0, dtype=np.int64), *(part.taster for part in rows)]),
        shot=np.concatenate(
            [np.empty(0, dtype=np.int64), *(part.shot + start for part, start in zip(rows, starts, strict=False))]
        ),
        session=np.concatenate([np.empty(0, dtype=np.int64), *(part.session for part in rows)]),
        taster_count=len(tasters),
        departure_var=float(np.mean(departures)) if departures else 0.0,
        slope=np.ones(sum(len(part.value) for part in rows)),
        shift=np.zeros((len(setups), 2)),
        off=np.concatenate([np.empty(0), *(part.off for part in rows)]),
        time_felt=TIME_FELT[0],
    )


@dataclass(frozen=True, eq=False)
class _Rows:
    """Scores and readings of one setup, and which shots were served, below one another."""

    value: Array
    read: NDArray[np.bool_]
    served: Codes
    turn: Array
    error_var: Array
    points: Array
    covariates: Array
    taster: Codes
    shot: Codes
    session: Codes
    off: Array

    @classmethod
    def of(cls, part: SetupRows, tasters: Numbered, sessions: Numbered) -> _Rows:
        none = np.empty(0)
        nobody, nowhere = np.empty(0, dtype=np.int64), np.empty((0, 2))
        read = part.readings or Readings(none, nowhere, nobody, none, none, 0.0)
        pulled = part.pulled or Pulled(nowhere, nobody, nobody > 0, none, none, np.empty((0, len(COVARIATES))))
        n, m, k = len(part.score), len(read.extraction), len(pulled.shot)
        given = zip(part.session, part.taster, strict=True)
        sitting = [sessions[session, name] if session else -1 for session, name in given]
        return cls(
            value=np.concatenate([part.score, read.extraction, np.full(k, CENTRE[0])]),
            read=np.repeat([False, True, False], [n, m, k]),
            served=np.concatenate([np.zeros(n + m, dtype=np.int64), np.where(pulled.served, 1, -1)]),
            turn=np.concatenate([np.zeros(n + m), pulled.turn]),
            error_var=np.concatenate([np.zeros(n), read.error_var, np.full(k, NOTHING_TOLD)]),
            points=np.concatenate([part.points, read.points, pulled.points]),
            covariates=np.concatenate([part.covariates, np.zeros((m, len(COVARIATES))), pulled.covariates]),
            taster=np.array([*(tasters[name] for name in part.taster), *[-1] * (m + k)], dtype=np.int64),
            shot=np.concatenate([part.shot, read.shot, pulled.shot]),
            session=np.array([*sitting, *[-1] * (m + k)], dtype=np.int64),
            off=np.concatenate([part.off, read.off, pulled.off]),
        )


class Numbered(dict[object, int]):
    """Numbers things in the order they are first asked for."""

    def __missing__(self, key: object) -> int:
        self[key] = len(self)
        return self[key]
