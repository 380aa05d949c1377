"""The scores of a whole bench as arrays, in an order that depends on neither names nor the order they came in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tastefield.stats.pooled import basis

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

COVARIATES = ("dose", "order", "age")
"""Small effects told apart where they were written down: log dose about the usual, place in the serving, coffee age."""
KINDS = ("machine_model", "grinder_model")


@dataclass(frozen=True, eq=False)
class SetupRows:
    """What one setup brings: its names and one row a score.

    :param name: unique name. :param machine: and ``coffee``: names that setups may share.
    :param roast: "" where unknown. :param kinds: machine model and grinder model; "" where unknown.
    :param score: (n,) on a scale from 1 to 9. :param points: (n, 2) coded.
    :param shot: (n,) number of the shot within the setup. :param taster: n names. :param session: n names, "" for none.
    :param covariates: (n, 3) as in :data:`COVARIATES`, 0 where unknown.
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

    def canonical(self) -> SetupRows:
        """Rows sorted by their numbers, shots numbered in that order."""
        numbers = np.column_stack([self.points, self.covariates, self.score])
        order = np.lexsort(numbers.T[::-1])
        _, first, shot = np.unique(self.shot[order], return_index=True, return_inverse=True)
        shot = np.argsort(np.argsort(first))[shot]
        return SetupRows(
            self.name,
            self.machine,
            self.coffee,
            self.roast,
            self.kinds,
            self.score[order],
            self.points[order],
            np.asarray(shot, dtype=np.int64),
            tuple(self.taster[i] for i in order),
            tuple(self.session[i] for i in order),
            self.covariates[order],
        )

    def content(self) -> tuple[float, ...]:
        """What setups are ordered by: their size and numbers, never their names."""
        return (-float(len(self.score)), *self.score.tolist(), *self.points.ravel().tolist())


@dataclass(frozen=True, eq=False)
class Bench:
    """All scores, row by row; setups in canonical order, each setup's rows together.

    Codes of a setup: ``machine``, ``coffee``, ``roast`` and ``kinds`` (S, 2), the last two -1 where unknown. Codes of a
    row: ``setup``, ``taster``, ``shot``, ``session`` (-1 for none).
    """

    names: tuple[str, ...]
    machine_names: tuple[str, ...]
    coffee_names: tuple[str, ...]
    machine: Codes
    coffee: Codes
    roast: Codes
    kinds: Codes
    kind_count: int
    score: Array
    points: Array
    covariates: Array
    setup: Codes
    taster: Codes
    shot: Codes
    session: Codes
    taster_count: int

    @property
    def shot_points(self) -> Array:
        """Points (m, 2) of the distinct tasted shots."""
        return self.points[np.unique(self.shot, return_index=True)[1]]

    def only(self, setups: Codes) -> Bench:
        """The bench of these setups (increasing) alone, as if no other had been recorded; tasters keep their codes."""
        kept = np.isin(self.setup, setups)
        kinds, kind_count = _renumbered(self.kinds[setups])
        return Bench(
            names=tuple(self.names[setup] for setup in setups),
            machine_names=self.machine_names,
            coffee_names=self.coffee_names,
            machine=_renumbered(self.machine[setups])[0],
            coffee=_renumbered(self.coffee[setups])[0],
            roast=_renumbered(self.roast[setups])[0],
            kinds=kinds,
            kind_count=kind_count,
            score=self.score[kept],
            points=self.points[kept],
            covariates=self.covariates[kept],
            setup=np.searchsorted(setups, self.setup[kept]),
            taster=self.taster[kept],
            shot=self.shot[kept],
            session=self.session[kept],
            taster_count=self.taster_count,
        )


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
    taster = [tasters[name] for part in setups for name in part.taster]
    session = [
        sessions[session, name] if session else -1
        for part in setups
        for session, name in zip(part.session, part.taster, strict=True)
    ]
    shots = np.cumsum([0, *(int(part.shot.max(initial=-1)) + 1 for part in setups)])
    return Bench(
        names=tuple(part.name for part in setups),
        machine_names=tuple(dict.fromkeys(part.machine for part in setups)),
        coffee_names=tuple(dict.fromkeys(part.coffee for part in setups)),
        machine=np.array(machine, dtype=np.int64),
        coffee=np.array(coffee, dtype=np.int64),
        roast=np.array(roast, dtype=np.int64),
        kinds=np.array(kind, dtype=np.int64).reshape(len(setups), len(KINDS)),
        kind_count=len(kinds),
        score=np.concatenate([np.empty(0), *(part.score for part in setups)]),
        points=basis.inside(np.concatenate([np.empty((0, 2)), *(part.points for part in setups)])),
        covariates=np.concatenate([np.empty((0, len(COVARIATES))), *(part.covariates for part in setups)]),
        setup=np.repeat(np.arange(len(setups)), [len(part.score) for part in setups]),
        taster=np.array(taster, dtype=np.int64),
        shot=np.concatenate(
            [np.empty(0, dtype=np.int64), *(part.shot + start for part, start in zip(setups, shots, strict=False))]
        ),
        session=np.array(session, dtype=np.int64),
        taster_count=len(tasters),
    )


class Numbered(dict[object, int]):
    """Numbers things in the order they are first asked for."""

    def __missing__(self, key: object) -> int:
        self[key] = len(self)
        return self[key]
