"""The catalogue of findings: every doubt the pipeline can voice, with its severity, its sentence and its remedy."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

Severity = Literal["note", "warn", "stop"]


@dataclass(frozen=True)
class Finding:
    """One doubt, in plain words.

    :param code: name in the catalogue (guests may use codes of their own).
    :param severity: ``note`` (good to know), ``warn`` (changes how far to trust), ``stop`` (this part was not computed).
    :param where: what it is about, e.g. ``{"machine": "A", "row": 7}``.
    :param message: one sentence for a person.
    :param do: what to do about it.
    """

    code: str
    severity: Severity
    where: Mapping[str, Any] = field(default_factory=dict)
    message: str = ""
    do: str = ""

    def as_dict(self) -> dict[str, Any]:
        """The finding as it stands in the results file."""
        return {
            "code": self.code,
            "severity": self.severity,
            "where": dict(self.where),
            "message": self.message,
            "do": self.do,
        }


@dataclass(frozen=True)
class Entry:
    """A line of the catalogue; ``message`` and ``do`` are format strings filled with the values of the finding."""

    severity: Severity
    message: str
    do: str


# Kept in the order of the pipeline; each stage has its block. A code is never reused for another meaning.
CATALOGUE: dict[str, Entry] = {
    # --- statistics ---------------------------------------------------------------------------------------------
    "variance_at_zero": Entry(
        "note",
        "The estimated variance of {part} is zero: the data show no difference there beyond chance.",
        "Nothing; with few shots this is common.",
    ),
    "fit_not_converged": Entry(
        "warn",
        "The fit stopped before its optimum was certain ({detail}).",
        "Treat the numbers of this setup as rough; more shots usually cure it.",
    ),
    "lack_of_fit": Entry(
        "warn",
        "The surface misses the shots by more than repeats differ from each other (p = {p}, {repeats} repeats).",
        "Trust the best real shot more than the fitted optimum; pull more shots around it.",
    ),
    "rank_deficient": Entry(
        "warn",
        "The shots cannot tell these terms apart: {terms}.",
        "Vary ratio and time separately in the next shots.",
    ),
}


def finding(code: str, where: Mapping[str, Any] | None = None, **values: Any) -> Finding:
    """Make a finding of the catalogue.

    :param code: a key of :data:`CATALOGUE`; an unknown code raises ``KeyError`` (a defect of ours, not of the data).
    :param where: what it is about.
    :param values: what the format strings of the entry need.
    """
    entry = CATALOGUE[code]
    return Finding(code, entry.severity, dict(where or {}), entry.message.format(**values), entry.do.format(**values))
