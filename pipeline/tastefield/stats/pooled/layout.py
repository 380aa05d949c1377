"""Which unknowns are solved for together, and which are taken out beforehand, block by block.

Setups cross machines and coffees. The scores of one machine (or of one coffee, whichever makes the smaller blocks) are
a *unit*: its own parts are in the covariance V of its scores. What units share is in the unknowns u: the *hub*, which
is the same for every bench (level, fall, shared surface), then tasters, slopes, kinds, taster x coffee, and for every
coffee (or machine) and roast a level and the leading directions of its surface:

    y = D u + e,   e ~ N(0, V),   V = sum of parts,   u ~ N(0, prior)

What a surface has beyond its leading directions stays with the unit: its variance is never lost.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tastefield.stats.pooled import basis, parts
from tastefield.stats.pooled.rows import COVARIATES, Bench, Codes

Array = NDArray[np.float64]

HUB = 2 + basis.COUNT
"""Level, fall and the shared surface."""
MOST_DIRECTIONS = 15
MOST_UNKNOWNS = 2000
"""Beyond so many unknowns surfaces of coffees keep fewer directions together; the rest stays with the units."""
MOST_ROWS = 400
"""A unit with more scores than this is parted, setup by setup: one block of thousands would cost minutes."""
BATCH_ROOM = 4_000_000
"""Numbers in one batch of padded units: bounds the memory."""


@dataclass(frozen=True, eq=False)
class Layout:
    """Columns of u and units of rows; depends on the length, not on the variances.

    :param unit_factor: ``machine`` or ``coffee``, whose parts are in V; the other has columns.
    :param unit: (S,) unit of each setup; a machine of very many scores is parted.
    :param directions: (K, k) of a surface that has columns. :param left: (K, K) covariance of what they leave.
    :param size: number of unknowns. :param group: (size,) number of the log sd that rules each, -1 where it is fixed.
    :param scale: (size,) fixed factor of the prior SD, the SD itself where the group is -1.
    :param mean: (size,) prior mean.
    """

    bench: Bench
    length: basis.Length
    unit_factor: str
    unit: Codes
    directions: Array
    left: Array
    weights: Array
    size: int
    group: Codes
    scale: Array
    mean: Array
    starts: Mapping[str, int]
    pairs: Mapping[tuple[int, int], int]

    @property
    def column_factor(self) -> str:
        """The factor that has columns: the one whose parts are not in V."""
        return "coffee" if self.unit_factor == "machine" else "machine"

    @property
    def common(self) -> int:
        """Columns that every unit touches: the hub, all tasters, the slopes."""
        return self.starts["kind"]

    @property
    def width(self) -> int:
        """Columns of one block: a level and the directions."""
        return 1 + int(self.directions.shape[1])

    def block(self, factor: str, code: int) -> int:
        """First column of a block."""
        return self.starts[factor] + code * self.width

    def prior_sd(self, theta: Array) -> Array:
        """(size,) prior SD of the unknowns."""
        return self.scale * np.where(self.group >= 0, np.exp(theta)[self.group], 1.0)


def laid_out(bench: Bench, length: basis.Length) -> Layout:
    """Lay out the unknowns of a bench for surfaces of this length."""
    index = {name: number for number, name in enumerate(parts.NAMES)}
    rows_of = np.bincount(bench.setup, minlength=len(bench.names))
    unit_factor = min(("machine", "coffee"), key=lambda factor: _work(getattr(bench, factor), rows_of))
    other = "coffee" if unit_factor == "machine" else "machine"
    group: list[int] = [-1, -1, *[index["shared"]] * basis.COUNT]
    weights = basis.weights(length)
    scale: list[float] = [parts.CENTRE[1], parts.FALL[1], *np.sqrt(weights)]
    starts: dict[str, int] = {}

    def add(name: str, count: int, part: str | None, sd: float = 1.0) -> None:
        starts[name] = len(group)
        group.extend([-1 if part is None else index[part]] * count)
        scale.extend([sd] * count)

    add("taster", bench.taster_count, "taster")
    for name in COVARIATES:
        add(name, 1, None, parts.SLOPE_SD[name])
    add("extraction", 3 if bench.read.any() else 0, None, parts.EXTRACTION_LINE_SD)
    add("kind", bench.kind_count, "kind level")
    pairs: dict[tuple[int, int], int] = {}
    if unit_factor == "machine":
        tasted = np.column_stack([bench.coffee[bench.setup], bench.taster])[bench.tasted]
        for coffee, taster in np.unique(tasted, axis=0).tolist():
            pairs[coffee, taster] = len(group) + len(pairs)
    add("taster x coffee", len(pairs), "taster x coffee")
    counts = {other: int(getattr(bench, other).max(initial=-1)) + 1, "roast": int(bench.roast.max(initial=-1)) + 1}
    room = max((MOST_UNKNOWNS - len(group)) // max(sum(counts.values()), 1) - 1, 1)
    directions = basis.leading(bench.moved_shots, length, min(MOST_DIRECTIONS, room))
    for factor, count in counts.items():
        starts[factor] = len(group)
        for _ in range(count):
            group.extend([index["kind level" if factor == "roast" else f"{factor} level"]])
            group.extend([index[factor]] * directions.shape[1])
            scale.extend([1.0] * (1 + directions.shape[1]))
    mean = np.zeros(len(group))
    mean[:2] = parts.CENTRE[0], parts.FALL[0]
    return Layout(
        bench=bench,
        length=length,
        unit_factor=unit_factor,
        unit=_units(getattr(bench, unit_factor), rows_of),
        directions=directions,
        left=np.diag(weights) - directions @ directions.T,
        weights=weights,
        size=len(group),
        group=np.array(group, dtype=np.int64),
        scale=np.array(scale),
        mean=mean,
        starts=starts,
        pairs=pairs,
    )


def _work(codes: Codes, rows_of: Codes) -> float:
    """Work of taking a factor out unit by unit and keeping columns for nothing else."""
    units = _units(codes, rows_of)
    of_unit = np.bincount(units, rows_of, minlength=1)
    return float((of_unit**3).sum()) - 1e-3 * (int(codes.max(initial=0)) + 1)


def _units(codes: Codes, rows_of: Codes) -> Codes:
    """Unit of each setup: its machine (or coffee), parted where the scores are too many."""
    units, size, current = np.empty(len(codes), dtype=np.int64), 0, -1
    for code in range(int(codes.max(initial=-1)) + 1):
        current, size = current + 1, 0
        for setup in np.flatnonzero(codes == code):
            if size and size + rows_of[setup] > MOST_ROWS:
                current, size = current + 1, 0
            units[setup] = current
            size += int(rows_of[setup])
    return units


@dataclass(frozen=True, eq=False)
class Unit:
    """Rows of one unit.

    :param rows: (n,) rows of the bench. :param columns: (d,) columns of u, first the common ones. :param D: (n, d).
    """

    rows: Codes
    columns: Codes
    D: Array


def unit_of(plan: Layout, rows: Codes) -> Unit:
    """The unit of these rows."""
    bench = plan.bench
    setup, tasted = bench.setup[rows], (~bench.read[rows]).astype(float)  # or served or not: for its taste
    x, moved = bench.shown[rows], bench.moved[rows]
    felt = tasted * bench.slope[rows]  # how much of the appeal the score shows
    phi = basis.functions(moved) * felt[:, None]
    tasters = (bench.taster[rows][:, None] == np.arange(bench.taster_count)).astype(float)
    # what they share is of the appeal; whether a shot is served hangs on them all
    by_all = felt - tasted + (bench.served[rows] != 0)
    tasters += (by_all / max(bench.taster_count, 1))[:, None]
    line = np.column_stack([np.ones(len(rows)), x])[:, : plan.starts["kind"] - plan.starts["extraction"]]
    blocks = [
        np.column_stack([felt, basis.fall(moved) * felt, phi, tasters, bench.covariates[rows]]),
        line * (1 - tasted)[:, None],
    ]
    columns: list[Codes] = [np.arange(plan.common)]

    def put(values: Array, at: Codes) -> None:
        blocks.append(values)
        columns.append(at)

    kinds = np.unique(bench.kinds[setup])
    kinds = kinds[kinds >= 0]
    of_kind = (bench.kinds[setup][:, :, None] == kinds).any(axis=1)
    put(of_kind * felt[:, None], plan.starts["kind"] + kinds)
    if plan.pairs:
        pairs = zip(bench.coffee[setup].tolist(), bench.taster[rows].tolist(), strict=True)
        at = np.array([plan.pairs.get(pair, -1) for pair in pairs], dtype=np.int64)
        found = np.unique(at[at >= 0])
        put((at[:, None] == found) * tasted[:, None], found)
    features = np.column_stack([felt, phi @ plan.directions])
    for factor in (plan.column_factor, "roast"):
        codes = getattr(bench, factor)[setup]
        for code in np.unique(codes[codes >= 0]):
            put(features * (codes == code)[:, None], plan.block(factor, int(code)) + np.arange(plan.width))
    return Unit(rows, np.concatenate(columns), np.hstack(blocks))


def local_parts(plan: Layout) -> tuple[str, ...]:
    """Names of the parts that are in V, in the order of :func:`local_masks`."""
    unit, column = plan.unit_factor, plan.column_factor
    return (
        *(unit, f"{unit} level", "setup", "setup level"),
        *(column, "roast"),  # what their leading directions leave
        *("taster x coffee", "session", "shot", "noise"),
    )


def local_masks(plan: Layout, rows: Codes) -> Array:
    """Covariance (P, n, n) of each local part at standard deviation 1."""
    bench = plan.bench
    setup, read = bench.setup[rows], bench.read[rows]
    felt = ~read * bench.slope[rows]
    phi = basis.functions(bench.moved[rows]) * felt[:, None]
    level = np.outer(felt, felt)
    whole = (phi * plan.weights) @ phi.T
    left = phi @ plan.left @ phi.T
    same_setup = setup[:, None] == setup
    column = getattr(bench, plan.column_factor)[setup]
    roast = bench.roast[setup]
    pair = bench.taster[rows] if not plan.pairs else np.full(len(rows), -1)
    return np.stack(
        [
            whole,
            level,
            whole * same_setup,
            level * same_setup,
            left * (column[:, None] == column),
            left * _same(roast),
            _same(pair),
            _same(bench.session[rows]),
            level * (bench.shot[rows][:, None] == bench.shot[rows]),
            np.diag(bench.tasted[rows].astype(float)),
        ]
    )


@dataclass(frozen=True, eq=False)
class Extraction:
    """How extraction enters V: ``fixed`` + effect ``slope`` + effect^2 ``square``, each (n, n).

    ``fixed`` has the known errors of rows, also of those that say whether a shot was served.
    """

    fixed: Array
    slope: Array
    square: Array


def extraction(plan: Layout, rows: Codes) -> Extraction:
    """Covariance of readings with one another and with the scores of their shots."""
    bench = plan.bench
    setup, read, x = bench.setup[rows], bench.read[rows], bench.shown[rows]
    both = np.outer(read, read).astype(float)
    same_setup = setup[:, None] == setup
    shot = bench.departure_var * (bench.shot[rows][:, None] == bench.shot[rows])
    sd = parts.EXTRACTION_SD
    fixed = both * (sd["unit"] ** 2 + same_setup * (sd["setup"] ** 2 + sd["tilt"] ** 2 * (x @ x.T)) + shot)
    fixed += np.diag(bench.error_var[rows])
    felt = ~read * bench.slope[rows]
    return Extraction(fixed, shot * (np.outer(read, felt) + np.outer(felt, read)), shot * np.outer(felt, felt))


def _same(codes: Codes) -> Array:
    """(n, n) whether two rows share a code; -1 is shared with nothing."""
    return np.asarray((codes[:, None] == codes) & (codes >= 0)[:, None], dtype=float)


@dataclass(frozen=True, eq=False)
class Batch:
    """Units of about one size, padded with rows that say nothing.

    :param masks: (P, g, n, n). :param extraction: (g, n, n) each; ``None`` where all rows are scores.
    :param D: (g, n, common + r). :param y: (g, n) less the prior mean.
    :param columns: (g, r) columns of u beyond the common ones; padding points at column ``size``.
    :param padding: (g, n) 1 for a row that says nothing.
    """

    masks: Array
    extraction: Extraction | None
    D: Array
    y: Array
    columns: Codes
    padding: Array


def batches(plan: Layout) -> Iterator[Batch]:
    """All units with rows, in batches of about one size, the largest first."""
    bench = plan.bench
    unit_of_row = plan.unit[bench.setup]
    order = np.argsort(unit_of_row, kind="stable")
    edges = np.searchsorted(unit_of_row[order], np.arange(int(plan.unit.max(initial=-1)) + 2))
    rows = [order[start:end] for start, end in pairwise(edges) if end > start]
    rows.sort(key=len, reverse=True)
    while rows:
        largest = len(rows[0])
        most = max(BATCH_ROOM // (largest**2 * len(local_parts(plan))), 1)
        taken = [mine for mine in rows[:most] if len(mine) >= 0.7 * largest - 2]
        rows = rows[len(taken) :]
        yield _batch(plan, [unit_of(plan, mine) for mine in taken])


def _batch(plan: Layout, members: list[Unit]) -> Batch:
    n = max(len(unit.rows) for unit in members)
    d = max(len(unit.columns) for unit in members)
    masks = np.zeros((len(local_parts(plan)), len(members), n, n))
    D, y = np.zeros((len(members), n, d)), np.zeros((len(members), n))
    columns = np.full((len(members), d), plan.size, dtype=np.int64)
    padding = np.ones((len(members), n))
    read = [np.zeros((len(members), n, n)) for _ in range(3)] if not plan.bench.tasted.all() else []
    for at, unit in enumerate(members):
        size, wide = len(unit.rows), len(unit.columns)
        masks[:, at, :size, :size] = local_masks(plan, unit.rows)
        D[at, :size, :wide] = unit.D
        if read:
            found = extraction(plan, unit.rows)
            for whole, mine in zip(read, (found.fixed, found.slope, found.square), strict=True):
                whole[at, :size, :size] = mine
        y[at, :size] = plan.bench.value[unit.rows] - unit.D @ plan.mean[unit.columns]
        columns[at, :wide], padding[at, :size] = unit.columns, 0.0
    return Batch(masks, Extraction(*read) if read else None, D, y, columns[:, plan.common :], padding)
