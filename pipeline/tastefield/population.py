"""What a run learned of all its setups, as a file that another run may start from: ``population.json``.

It holds sums that many setups share, never a record and no name of a machine, a coffee or a person. Each tasted shot
behind it leaves a salted hash, so that nobody counts a shot twice.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from tastefield.errors import ConfigError, Problem
from tastefield.records import Population, Setup
from tastefield.words.findings import Finding, finding

NAME = "population.json"
SCHEMA = "tastefield/population/1"
LEAST_SETUPS = 5
"""From fewer setups than this a file tells little of others and too much of each: nothing starts from it."""
MARK_LENGTH = 16
MOST_BYTES = 50_000_000
SAME = ("machine", "coffee", "grinder", "grind_setting", "dose_g", "beverage_g", "shot_time_recorded_s", "pulled_at")
"""What makes a shot the same shot, in whichever file it stands."""
DOUBLED = 0.5
"""Where more than this share of the tasted shots (of six or more) has a twin, the log was doubled."""
LEAST_DOUBLED = 6

Count = Annotated[int, Field(ge=0)]
Mark = Annotated[str, Field(pattern=f"^[0-9a-f]{{{MARK_LENGTH}}}$")]


class Counts(BaseModel):
    """How much is behind it; ``shots`` are tasted ones."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    setups: Count
    machines: Count
    coffees: Count
    tasters: Count
    shots: Count

    def plus(self, other: Counts) -> Counts:
        """Of two that share no shot."""
        mine, theirs = self.model_dump(), other.model_dump()
        return Counts(**{name: mine[name] + theirs[name] for name in mine})


class Document(BaseModel):
    """The file.

    :param salt: hash of the salt, so that files made with different ones are told apart; not the salt itself.
    :param marks: salted hash of every tasted shot behind it, sorted.
    :param learned: what the surface model shares; validated by its ``Shared``.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    schema_: Literal["tastefield/population/1"] = Field(alias="schema")
    model: str
    attribute: str
    salt: Mark
    counts: Counts
    marks: tuple[Mark, ...]
    learned: Population


@dataclass(frozen=True, eq=False)
class Prior:
    """What a run starts from.

    :param files: names of the files that were taken. :param marks: of all shots behind them.
    :param left_out: files whose shots stand in another one.
    """

    files: tuple[str, ...]
    counts: Counts
    marks: frozenset[str]
    learned: tuple[Population, ...]
    left_out: tuple[Finding, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """As it stands in the results file."""
        return {"files": list(self.files), **self.counts.model_dump()}


def read(file: Path, where: str, model: str, shared: type[BaseModel], attribute: str, salt: str) -> Document:
    """Read and validate one file.

    :param where: the key that names it. :param shared: validates what the surface model shares.
    :raises ConfigError: with every problem of the file.
    """
    place = f"{where}, {file.name}"
    anew = "make it anew: run the records it came from"
    try:
        if (size := file.stat().st_size) > MOST_BYTES:
            why = f"{size} bytes, at most {MOST_BYTES}"
            raise ConfigError(Problem("is too large", place, why, f"name a {NAME} that a run wrote"))
        raw = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise ConfigError([Problem("cannot be read", place, str(error), f"name a {NAME} that a run wrote")]) from error
    if isinstance(raw, dict) and raw.get("schema") != SCHEMA:
        why = f"its schema is {str(raw.get('schema'))[:40]!r}, this version reads {SCHEMA!r}"
        raise ConfigError([Problem("is no population of this version", place, why, anew)])
    problems, document = [], None
    try:
        document = Document.model_validate(raw)
    except ValidationError as error:
        problems += [_told(detail, place, anew) for detail in error.errors(include_url=False)]
    if isinstance(raw, dict) and isinstance(raw.get("learned"), dict):
        if raw.get("model") != model:
            why = f'it is of the surface model {str(raw.get("model"))[:40]!r}, here model = "{model}"'
            problems.append(Problem("was learned by another model", place, why, "change the model or the file"))
        else:
            try:
                shared.model_validate(raw["learned"])
            except ValidationError as error:
                problems += [_told(detail, place, anew, "learned") for detail in error.errors(include_url=False)]
    if document is not None:
        problems += _unfit(document, place, attribute, salt)
    if problems or document is None:
        raise ConfigError(problems)
    return document


def _told(detail: Any, place: str, do: str, below: str = "") -> Problem:
    key = ".".join(str(part) for part in ([below] if below else []) + list(detail["loc"]))
    return Problem(f"{key or 'its content'} cannot be used", place, detail["msg"].replace("Value error, ", ""), do)


def _unfit(document: Document, place: str, attribute: str, salt: str) -> Iterable[Problem]:
    if document.attribute != attribute:
        why = f'it speaks of "{document.attribute[:40]}", here attribute = "{attribute}"'
        yield Problem("is about another attribute", place, why, "change [taste] attribute or the file")
    if document.salt != salted(salt, "salt"):
        why = "its shots were hashed with another salt, so that shots it shares with others cannot be recognised"
        yield Problem("was made with another salt", place, why, "write the same [surface] salt as its makers")
    if document.counts.setups < LEAST_SETUPS:
        why = f"it was learned from {document.counts.setups} setups; fewer than {LEAST_SETUPS} tell little of others"
        yield Problem("holds too few setups to be shared", place, f"{why} and too much of each", "record more setups")
    if len(set(document.marks)) != len(document.marks) or len(document.marks) != document.counts.shots:
        why = f"{document.counts.shots} shots are counted, {len(set(document.marks))} different hashes are there"
        yield Problem("counts its shots wrongly", place, why, "make it anew: run the records it came from")


def joined(documents: Mapping[str, Document]) -> Prior | None:
    """What several files tell together; a file whose shots stand in a larger one is left out.

    :param documents: by name of the file.
    """
    taken: list[str] = []
    marks: set[str] = set()
    left = []
    by_size = sorted(documents, key=lambda name: (-documents[name].counts.shots, documents[name].marks, name))
    for name in by_size:
        shared = marks & set(documents[name].marks)
        if shared:
            left.append(finding("population_overlaps", {"file": name}, file=name, count=len(shared)))
            continue
        taken.append(name)
        marks |= set(documents[name].marks)
    if not taken:
        return None
    counts = documents[taken[0]].counts
    for name in taken[1:]:
        counts = counts.plus(documents[name].counts)
    learned = tuple(documents[name].learned for name in taken)
    return Prior(tuple(taken), counts, frozenset(marks), learned, tuple(left))


def salted(salt: str, text: str) -> str:
    """Hash of a text under a salt: whoever does not hold the text cannot read it from the hash."""
    return hashlib.sha256(f"{SCHEMA}\x1f{salt}\x1f{text}".encode()).hexdigest()[:MARK_LENGTH]


@dataclass(frozen=True, eq=False)
class Telling:
    """Which tasted shots of a run may teach.

    :param setups: as they were, without the scores of shots that may not. :param prior: what to start from.
    :param marks: of the shots that teach.
    """

    setups: tuple[Setup, ...]
    prior: Prior | None
    marks: frozenset[str]
    findings: tuple[Finding, ...]


def telling(setups: Sequence[Setup], known: Prior | None, salt: str) -> Telling:
    """Leave out what would be counted twice.

    A log that was doubled teaches once. Shots that stand in the prior are left out of the run; where most of the
    prior's shots stand here, the prior is left out instead: these records say all of it, and setup by setup.
    """
    notes: list[Finding] = []
    marks, twins = _marks(setups, salt)
    distinct = len(marks) - len(twins)
    if distinct >= LEAST_DOUBLED and len(twins) > DOUBLED * distinct:
        notes.append(finding("log_doubled", count=len(twins), tasted=len(marks)))
        marks = {shot: mark for shot, mark in marks.items() if shot not in twins}
    else:
        twins = set()
    away = set(twins)
    if known is not None:
        notes += known.left_out
        again = {shot for shot, mark in marks.items() if mark in known.marks}
        if len(again) > 0.5 * len(known.marks):
            notes.append(finding("population_is_here", count=len(again), shots=len(known.marks)))
            known = None
        elif again:
            notes.append(finding("shots_in_population", count=len(again), tasted=len(marks)))
            away |= again
            marks = {shot: mark for shot, mark in marks.items() if shot not in again}
    if known is not None:
        notes.append(finding("population_used", setups=known.counts.setups, shots=known.counts.shots))
    kept = tuple(_without(setup, away) for setup in setups)
    return Telling(kept, known, frozenset(marks.values()), tuple(notes))


def _without(setup: Setup, shots: set[str]) -> Setup:
    of = setup.scores["shot_id"].isin(shots)
    return replace(setup, scores=setup.scores[~of].reset_index(drop=True)) if of.any() else setup


def _marks(setups: Sequence[Setup], salt: str) -> tuple[dict[str, str], set[str]]:
    """Mark of every tasted shot, the n-th of its like with its number; and those that repeat one score and all."""
    marks, twins = {}, set()
    seen: Counter[str] = Counter()
    twice: Counter[str] = Counter()
    for setup in setups:
        scores = setup.scores.groupby("shot_id")["score"].agg(lambda values: sorted(values))
        tasted = setup.shots[setup.shots["shot_id"].isin(scores.index)]
        columns = [tasted[name] if name in tasted else pd.Series("", index=tasted.index) for name in SAME]
        for shot, *cells in zip(tasted["shot_id"], *columns, strict=True):
            text = "\x1f".join(_cell(cell) for cell in cells)
            seen[text] += 1
            marks[str(shot)] = salted(salt, f"{text}\x1f{seen[text]}")
            with_score = f"{text}\x1f{scores[shot]}"
            twice[with_score] += 1
            if twice[with_score] > 1:
                twins.add(str(shot))
    return marks, twins


def _cell(value: Any) -> str:
    if pd.isna(value):
        return ""
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def document(
    model: str, attribute: str, salt: str, shared: type[BaseModel], learned: Population, told: Telling
) -> dict[str, Any]:
    """What the file holds: of what was learned only what the model shares."""
    counts = _counts(told.setups)
    marks = told.marks
    if told.prior is not None:
        counts, marks = counts.plus(told.prior.counts), marks | told.prior.marks
    return {
        "schema": SCHEMA,
        "model": model,
        "attribute": attribute,
        "salt": salted(salt, "salt"),
        "counts": counts.model_dump(),
        "marks": sorted(marks),
        "learned": {name: learned[name] for name in shared.model_fields},
    }


def _counts(setups: Sequence[Setup]) -> Counts:
    tasted = [setup for setup in setups if len(setup.scores)]
    return Counts(
        setups=len(tasted),
        machines=len({setup.machine for setup in tasted}),
        coffees=len({str(setup.shots["coffee"].iloc[0]) for setup in tasted}),
        tasters=len({str(taster) for setup in tasted for taster in setup.scores["taster"]}),
        shots=sum(setup.scores["shot_id"].nunique() for setup in tasted),
    )


def write(folder: Path, content: Mapping[str, Any]) -> None:
    """Write the file of a run."""
    (folder / NAME).write_text(json.dumps(content, allow_nan=False) + "\n", encoding="utf-8")
