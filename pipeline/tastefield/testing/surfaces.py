"""The contract of surface models and of the surfaces they answer with."""

from __future__ import annotations

import json
import pickle
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats as distributions

from tastefield.contract import KINDS
from tastefield.errors import NotEnough
from tastefield.records import Floats, Setup, Surface
from tastefield.testing.contract import Breach, Check, Contract, require
from tastefield.testing.samples import empty_setup, sample_setups
from tastefield.words import statistics

DRAWS = 4000
TOLERANCE = 1e-6
"""Answers that must not depend on order or names may differ by this much, in points of score."""
GRID: Floats = np.array(
    [[ratio, time] for ratio in (0.5, 1.7, 2.1, 2.5, 6.0) for time in (5.0, 24.0, 28.0, 33.0, 90.0)]
)


def the_population_is_plain_data(kept: SurfaceContract, folder: Path) -> None:
    """What was learned over all setups is the same after a trip through JSON."""
    population = kept.population(kept.setups())
    try:
        back = json.loads(json.dumps(population, allow_nan=False))
    except (TypeError, ValueError) as error:
        raise Breach(f"JSON cannot hold the population: {error}") from error
    require(back == population, "the population changes on its way through JSON: use strings, numbers, lists, dicts")


def what_leaves_the_run_is_declared_and_names_nobody(kept: SurfaceContract, folder: Path) -> None:
    """The keys of ``Shared`` hold what was learned, and no name of a machine, a coffee, a taster or a setup."""
    if kept.subject.Shared is None:
        return
    setups = kept.setups()
    text = json.dumps(_shared(kept, kept.population(setups)))
    names = {str(name) for setup in setups for name in (*setup.key.values(), *setup.tasters, setup.name)}
    told = sorted(name for name in names if name and json.dumps(name) in text)
    require(not told, f"what leaves the run names {', '.join(told)}")


def another_run_can_start_from_it(kept: SurfaceContract, folder: Path) -> None:
    """What the other setups taught makes the first one surer than it is alone."""
    if kept.subject.Shared is None:
        return
    first, *others = kept.setups()
    shared = [_shared(kept, kept.population(others))]
    prior = kept.subject.join(shared, [1.0], kept.context())
    alone = kept.fit(first, kept.population([first]))
    gathered = [sums for sums in [kept.subject.gather([first], kept.context())] if sums is not None]
    known = kept.fit(first, kept.subject.learn(gathered, prior, kept.context()))
    points = kept.seen()
    require(bool(known.sd(points).mean() < alone.sd(points).mean()), "a prior does not make the first setup surer")


def answers_have_the_right_shape(kept: SurfaceContract, folder: Path) -> None:
    """Means, doubts, draws and support come in the shape and type of the contract, for one point and for many."""
    surface = kept.fitted()
    for points in (GRID, GRID[:1]):
        n = len(points)
        shapes = {
            "mean": (np.shape(surface.mean(points)), (n,)),
            "sd": (np.shape(surface.sd(points)), (n,)),
            "draws": (np.shape(surface.draws(points, 7, 1)), (7, n)),
            "directions": (np.shape(surface.directions(points, 1))[:1], (n,)),
            "speaks_for": (np.shape(surface.speaks_for(points)), (n,)),
        }
        wrong = [
            f"{name} of {n} points has shape {got}, not {due}" for name, (got, due) in shapes.items() if got != due
        ]
        require(not wrong, "; ".join(wrong))
    kind = np.asarray(surface.speaks_for(GRID)).dtype
    require(kind == np.dtype(bool), f"speaks_for answers {kind}, not bool")


def speaks_only_in_numbers(kept: SurfaceContract, folder: Path) -> None:
    """Where it speaks, means and draws are finite and no doubt is negative; NaN is for points it does not speak for."""
    surface = kept.fitted()
    speaks = _speaks(surface, kept.seen())
    require(bool(speaks.any()), "it speaks for none of the shots it was fitted to")
    points = kept.seen()[speaks]
    for name, values in {
        "mean": surface.mean(points),
        "sd": surface.sd(points),
        "draws": surface.draws(points, 50, 1),
    }.items():
        require(bool(np.isfinite(values).all()), f"{name} is not finite at points it speaks for")
    require(bool((np.asarray(surface.sd(points)) >= 0).all()), "sd is negative")


def a_point_is_answered_alone(kept: SurfaceContract, folder: Path) -> None:
    """The answer for a point does not depend on the points asked with it."""
    surface = kept.fitted()
    for name, answer in {"mean": surface.mean, "sd": surface.sd, "speaks_for": surface.speaks_for}.items():
        same = np.allclose(answer(GRID[:7]), np.asarray(answer(GRID))[:7], rtol=0, atol=1e-9, equal_nan=True)
        require(same, f"{name} of the first points differs when more are asked")


def draws_agree_with_mean_and_doubt(kept: SurfaceContract, folder: Path) -> None:
    """Draws spread about the mean as widely as sd (and ``draw_df`` for their tails) says."""
    surface = kept.fitted()
    points = kept.seen()[_speaks(surface, kept.seen())]
    mean, sd = np.asarray(surface.mean(points)), np.asarray(surface.sd(points))
    draws = np.asarray(surface.draws(points, DRAWS, 1))
    due = sd * distributions.t.ppf(0.841, surface.draw_df)
    known = np.isfinite(mean) & np.isfinite(due)
    low, middle, high = np.quantile(draws[:, known], [0.159, 0.5, 0.841], axis=0)
    mean, due = mean[known], due[known]
    # a median of n draws strays by 1.25 sd / sqrt(n), these quantiles by less than 1.6 sd / sqrt(n): 0.1 is 4 of them
    slack = 0.1 * due + 1e-9
    require(bool((np.abs(middle - mean) <= slack).all()), "the middle of the draws is not the mean")
    require(bool((np.abs((high - low) / 2 - due) <= slack).all()), "the draws spread wider or narrower than sd says")


def directions_agree_with_draws(kept: SurfaceContract, folder: Path) -> None:
    """The doubt that points share, by their directions, is the doubt that draws share (its tails left out)."""
    surface = kept.fitted()
    points = kept.seen()[_speaks(surface, kept.seen())]
    directions = np.asarray(surface.directions(points, 1))
    known = np.isfinite(directions).all(axis=1) & (np.asarray(surface.sd(points)) > 0)
    draws = np.asarray(surface.draws(points[known], DRAWS, 1))
    together = np.corrcoef(draws.T)
    cov = directions[known] @ directions[known].T
    sd = np.sqrt(np.diag(cov))
    # correlations of 4000 draws stray by 0.016 and those of 500 by 0.045: 0.2 is 4 of both together
    alike = np.abs(cov / np.outer(sd, sd) - together) <= 0.2
    require(bool(np.all(alike)), "directions do not correlate as draws do")
    near = np.abs(np.log(sd / draws.std(axis=0))) <= 0.2 + _wider(surface.draw_df)
    require(bool(np.all(near)), "directions spread wider or narrower than draws do")


def the_same_seed_gives_the_same_draws(kept: SurfaceContract, folder: Path) -> None:
    """Draws depend on the seed alone."""
    surface = kept.fitted()
    first, second = surface.draws(GRID, 20, 7), surface.draws(GRID, 20, 7)
    require(np.array_equal(first, second, equal_nan=True), "two calls with one seed differ")


def leaves_the_setup_untouched(kept: SurfaceContract, folder: Path) -> None:
    """Gathering and fitting change nothing of the setups they were given."""
    setups = kept.setups()
    before = [_frames(setup) for setup in setups]
    copies = [{name: frame.copy(deep=True) for name, frame in frames.items()} for frames in before]
    kept.fit(setups[0], kept.population(setups))
    for frames, copied in zip(before, copies, strict=True):
        changed = [name for name in frames if not frames[name].equals(copied[name])]
        require(not changed, f"fitting changed {', '.join(changed)} of the setup")


def the_order_of_rows_does_not_matter(kept: SurfaceContract, folder: Path) -> None:
    """Shots and scores in another order give the same surface."""
    _same(kept, [_turned(setup) for setup in kept.setups()], "rows in another order")


def names_of_tasters_do_not_matter(kept: SurfaceContract, folder: Path) -> None:
    """Tasters under other names, sorted the other way round, give the same surface."""
    _same(kept, [_renamed(setup) for setup in kept.setups()], "tasters under other names")


def says_not_enough_of_nothing(kept: SurfaceContract, folder: Path) -> None:
    """A setup without shots raises NotEnough, which says why and what to do."""
    try:
        kept.fit(empty_setup(), kept.population(kept.setups()))
    except NotEnough as lack:
        require(bool(lack.why and lack.do), "NotEnough must say why and what to do")
        return
    except Exception as error:
        raise Breach(f"no shots raised {type(error).__name__}: {error}; raise NotEnough(why, do)") from error
    raise Breach("a surface was fitted to no shots at all: raise NotEnough(why, do)")


def answers_with_three_tables(kept: SurfaceContract, folder: Path) -> None:
    """Terms, exactly one row of fit, one row an observation; column names from the glossary only."""
    tables = kept.fitted().tables
    require(len(tables.fit) == 1, f"fit has {len(tables.fit)} rows, not 1")
    require(len(tables.terms) > 0 and tables.terms["term"].is_unique, "terms must be named, each once")
    require(len(tables.observations) > 0, "observations is empty")
    for name in statistics.SURFACE_TABLES:
        unknown = sorted(set(getattr(tables, name).columns) - set(statistics.names(name)))
        require(not unknown, f"{name} has columns that no glossary knows: {', '.join(unknown)}")


def the_surface_can_be_sent_to_another_process(kept: SurfaceContract, folder: Path) -> None:
    """A surface survives pickling and answers the same afterwards."""
    surface = kept.fitted()
    try:
        again = pickle.loads(pickle.dumps(surface))
    except Exception as error:
        raise Breach(f"the surface cannot be pickled: {type(error).__name__}: {error}") from error
    require(np.array_equal(surface.mean(GRID), again.mean(GRID), equal_nan=True), "pickled, it answers differently")


RULES: tuple[Check, ...] = (
    the_population_is_plain_data,
    what_leaves_the_run_is_declared_and_names_nobody,
    another_run_can_start_from_it,
    answers_have_the_right_shape,
    speaks_only_in_numbers,
    a_point_is_answered_alone,
    draws_agree_with_mean_and_doubt,
    directions_agree_with_draws,
    the_same_seed_gives_the_same_draws,
    leaves_the_setup_untouched,
    the_order_of_rows_does_not_matter,
    names_of_tasters_do_not_matter,
    says_not_enough_of_nothing,
    answers_with_three_tables,
    the_surface_can_be_sent_to_another_process,
)


class SurfaceContract(Contract):
    """What every surface model must hold. Derive from it, set ``plugin``, and run pytest.

    The setups are made up; override :meth:`setups` to bring your own. The first must have enough shots for a surface.
    """

    kind = KINDS[1]
    rules = RULES

    def setups(self) -> Sequence[Setup]:
        """The setups of the bench, made anew at each call."""
        return sample_setups()

    def population(self, setups: Sequence[Setup]) -> Mapping[str, Any]:
        """What the model learns over all setups, as a run would let it."""
        gathered = [sums for sums in [self.subject.gather(setups, self.context())] if sums is not None]
        learned: Mapping[str, Any] = self.subject.learn(gathered, None, self.context())
        return learned

    def fit(self, setup: Setup, population: Mapping[str, Any]) -> Surface:
        """Fit one setup."""
        surface: Surface = self.subject.fit(setup, population, self.context())
        return surface

    def fitted(self) -> Surface:
        """The surface of the first setup."""
        setups = self.setups()
        return self.fit(setups[0], self.population(setups))

    def seen(self) -> Floats:
        """Ratio and time of the first setup's shots, shape (n, 2)."""
        return self.setups()[0].shots[["ratio", "shot_time_s"]].dropna().to_numpy(dtype=float)

    def exercise(self, folder: Path) -> None:
        """Learn, fit and ask."""
        self.fitted().mean(GRID)


def _shared(kept: SurfaceContract, population: Mapping[str, Any]) -> Mapping[str, Any]:
    """What leaves the run, validated as the run that starts from it would."""
    declared = kept.subject.Shared
    missing = sorted(set(declared.model_fields) - set(population))
    require(not missing, f"Shared declares {', '.join(missing)}, which learn does not give")
    shared = {name: population[name] for name in declared.model_fields}
    try:
        declared.model_validate(json.loads(json.dumps(shared)))
    except ValueError as error:
        raise Breach(f"Shared refuses what learn gives: {error}") from error
    return shared


def _wider(df: float) -> float:
    """How much wider in logs a t distribution is than its scale; a third where it has no variance."""
    return float(-0.5 * np.log1p(-2 / df)) if df > 4 else 0.35


def _speaks(surface: Surface, points: Floats) -> np.ndarray[Any, np.dtype[np.bool_]]:
    return np.asarray(surface.speaks_for(points), dtype=bool)


def _frames(setup: Setup) -> dict[str, pd.DataFrame]:
    return {"shots": setup.shots, "scores": setup.scores, "readings": setup.readings}


def _turned(setup: Setup) -> Setup:
    turned: dict[str, Any] = {name: frame[::-1].reset_index(drop=True) for name, frame in _frames(setup).items()}
    return replace(setup, **turned)


def _renamed(setup: Setup) -> Setup:
    names = {name: f"{len(setup.tasters) - number} of us" for number, name in enumerate(sorted(setup.tasters))}
    scores = setup.scores.assign(taster=setup.scores["taster"].map(names).astype("str"))
    return replace(setup, scores=scores, tasters=tuple(sorted(names.values())))


def _same(kept: SurfaceContract, changed: Sequence[Setup], what: str) -> None:
    points = kept.seen()
    before = kept.fitted()
    after = kept.fit(changed[0], kept.population(changed))
    for name, old, new in (("mean", before.mean, after.mean), ("sd", before.sd, after.sd)):
        same = np.allclose(old(points), new(points), rtol=0, atol=TOLERANCE, equal_nan=True)
        require(same, f"{what} change {name} by more than {TOLERANCE:g}")
