"""What a run learned of all its setups, as a file that another run may start from: ``population.json``.

It holds sums that many setups share, never a record and no name of a machine, a coffee or a person. Each tasted shot
behind it leaves a salted hash, so that nobody counts a shot twice.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import reduce
from pathlib import Path
from typing import Annotated, Any, Literal

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
KINDS = ("machines", "coffees", "tasters")

Count = Annotated[int, Field(ge=0, le=10_000_000)]
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


class Names(BaseModel):
    """Salted hashes of the names behind a file, sorted: benches that share machines or coffees are no strangers."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    machines: tuple[Mark, ...]
    coffees: tuple[Mark, ...]
    tasters: tuple[Mark, ...]


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
    names: Names
    learned: Population


@dataclass(frozen=True, eq=False)
class Prior:
    """What a run starts from: files that have no shot in common, by name, the largest first.

    :param left_out: findings on files whose shots stand in another one.
    """

    documents: Mapping[str, Document]
    left_out: tuple[Finding, ...] = ()

    @property
    def names(self) -> dict[str, set[str]]:
        """Hashes of the names behind the files, by kind."""
        return {kind: {mark for one in self.documents.values() for mark in getattr(one.names, kind)} for kind in KINDS}

    @property
    def counts(self) -> Counts:
        """Of all files together; a machine that stands in two is one."""
        first, *others = (document.counts for document in self.documents.values())
        alike = {kind: len(hashes) for kind, hashes in self.names.items()}
        return reduce(Counts.plus, others, first).model_copy(update=alike)

    @property
    def marks(self) -> frozenset[str]:
        """Of all shots behind the files."""
        return frozenset(mark for document in self.documents.values() for mark in document.marks)

    @property
    def learned(self) -> tuple[Population, ...]:
        """What the surface model of each run shared."""
        return tuple(document.learned for document in self.documents.values())

    def weights(self, here: Mapping[str, frozenset[str]]) -> tuple[float, ...]:
        """How much of each file counts: all of it where its machines and coffees stand nowhere else.

        What a machine or a coffee adds is drawn once, though two files tell of it; counted whole in each, a level would
        be surer than it is. So k files of the same machines count for one together, and one beside these records for
        half.

        :param here: hashes of the names in the records, by kind.
        """
        kin = [{*one.names.machines, *one.names.coffees} for one in self.documents.values()]
        all_kin = [*kin, {*here["machines"], *here["coffees"]}]
        shares = [
            sum(len(mine & other) for at, other in enumerate(all_kin) if at != number) / max(len(mine), 1)
            for number, mine in enumerate(kin)
        ]
        return tuple(1.0 / (1.0 + share) for share in shares)

    def as_dict(self) -> dict[str, Any]:
        """As it stands in the results file."""
        return {"files": list(self.documents), **self.counts.model_dump()}


@dataclass(frozen=True, eq=False)
class Teaching:
    """What of a run teaches, and what it starts from.

    :param setups: as they were, without the scores of shots that stand in the prior. :param own: how much is in them.
    :param marks: of the shots that teach. :param names: hashes of the names in them, by kind.
    """

    setups: tuple[Setup, ...]
    prior: Prior | None
    own: Counts
    marks: frozenset[str]
    names: Mapping[str, frozenset[str]]
    findings: tuple[Finding, ...]


def read(file: Path, place: str, model: str, shared: type[BaseModel], attribute: str, salt: str) -> Document:
    """Read and validate one file.

    :param place: what to call it. :param shared: validates what the surface model shares.
    :raises ConfigError: with every problem of the file.
    """
    anew = "make it anew: run the records it came from"
    try:
        if (size := file.stat().st_size) > MOST_BYTES:
            why = f"{size} bytes, at most {MOST_BYTES}"
            raise ConfigError(Problem("is too large", place, why, f"name a {NAME} that a run wrote"))
        text = file.read_text(encoding="utf-8")
        raw = json.loads(text)
    except (OSError, ValueError, RecursionError) as error:
        raise ConfigError(Problem("cannot be read", place, str(error), f"name a {NAME} that a run wrote")) from error
    if not isinstance(raw, dict) or raw.get("schema") != SCHEMA:
        found = repr(raw.get("schema") if isinstance(raw, dict) else None)[:40]
        why = f"its schema is {found}, this version reads {SCHEMA!r}"
        raise ConfigError(Problem("is no population of this version", place, why, anew))
    if isinstance(raw.get("counts"), dict) and raw["counts"].get("setups") in range(LEAST_SETUPS):
        why = f"it was learned from {raw['counts']['setups']} setups; fewer than {LEAST_SETUPS} tell little of others"
        why = f"{why} and too much of each"
        raise ConfigError(Problem("holds too few setups to be shared", place, why, "record more setups"))
    problems, document = [], None
    try:
        document = Document.model_validate_json(text, strict=True)
    except ValidationError as error:
        problems += [_told(detail, place, anew) for detail in error.errors(include_url=False)]
    if raw.get("model") != model:
        why = f'it is of the surface model {str(raw.get("model"))[:40]!r}, here model = "{model}"'
        problems.append(Problem("was learned by another model", place, why, "change the model or the file"))
    elif isinstance(raw.get("learned"), dict):
        most = document.counts.shots * document.counts.tasters if document else None
        try:
            told = shared.model_validate_json(json.dumps(raw["learned"]), strict=True, context={"scores": most})
        except ValidationError as error:
            problems += [_told(detail, place, anew, "learned") for detail in error.errors(include_url=False)]
        else:
            document = document and document.model_copy(update={"learned": told.model_dump()})
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
    if not document.counts.setups <= document.counts.shots == len(document.marks) == len(set(document.marks)):
        why = f"{document.counts.shots} shots are counted, {len(set(document.marks))} different hashes are there"
        yield Problem("counts its shots wrongly", place, why, "make it anew: run the records it came from")
    for kind in KINDS:
        counted, hashes = getattr(document.counts, kind), getattr(document.names, kind)
        if counted != len(hashes) or len(set(hashes)) != len(hashes):
            why = f"{counted} are counted, {len(set(hashes))} different hashes are there"
            yield Problem(f"counts its {kind} wrongly", place, why, "make it anew: run the records it came from")


def joined(documents: Mapping[str, Document]) -> Prior | None:
    """What several files tell together; a file whose shots stand in a larger one is left out.

    :param documents: by name of the file.
    """
    taken: dict[str, Document] = {}
    left, marks = [], set[str]()
    for name in sorted(documents, key=lambda name: (-documents[name].counts.shots, documents[name].marks, name)):
        if shared := marks & set(documents[name].marks):
            left.append(finding("population_overlaps", {"file": name}, file=name, count=len(shared)))
            continue
        taken[name] = documents[name]
        marks |= set(documents[name].marks)
    return Prior(taken, tuple(left)) if taken else None


def salted(salt: str, text: str) -> str:
    """Hash of a text under a salt: whoever does not hold the text cannot read it from the hash."""
    return hashlib.sha256(f"{SCHEMA}\x1f{salt}\x1f{text}".encode()).hexdigest()[:MARK_LENGTH]


def document(
    model: str, attribute: str, salt: str, shared: type[BaseModel], learned: Population, told: Teaching
) -> dict[str, Any]:
    """What the file of a run holds: of what was learned only what the model shares.

    Of fewer than :data:`LEAST_SETUPS` setups it holds nothing that was learned; beside a prior it would show in the
    difference what they told, so that then the counts alone are kept.
    """
    enough = told.own.setups >= LEAST_SETUPS
    counts, marks, names = told.own, set(told.marks), {kind: set(hashes) for kind, hashes in told.names.items()}
    if told.prior is not None:
        marks |= told.prior.marks
        names = {kind: hashes | told.prior.names[kind] for kind, hashes in names.items()}
        counts = told.prior.counts.plus(counts)
    counts = counts.model_copy(update={kind: len(hashes) for kind, hashes in names.items()})
    return {
        "schema": SCHEMA,
        "model": model,
        "attribute": attribute,
        "salt": salted(salt, "salt"),
        "counts": (counts if enough else told.own).model_dump(),
        "marks": sorted(marks) if enough else [],
        "names": {kind: sorted(hashes) if enough else [] for kind, hashes in names.items()},
        "learned": {name: learned[name] for name in shared.model_fields} if enough else {},
    }


def write(folder: Path, content: Mapping[str, Any]) -> None:
    """Write the file of a run."""
    (folder / NAME).write_text(json.dumps(content, allow_nan=False) + "\n", encoding="utf-8")
