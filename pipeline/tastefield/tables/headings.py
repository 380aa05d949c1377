"""Headings: which canonical column each heading of a sheet names. Matched exactly once tidied, never by likeness."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from tastefield.tables import units
from tastefield.words.columns import TABLES, Column

COMMON: dict[str, tuple[str, ...]] = {
    "shot_id": ("shot id", "shot name", "shot code"),
    "machine": ("machine", "machine name", "machine id", "espresso machine"),
    "coffee": ("coffee", "coffee name", "coffee beans", "beans", "bean", "blend"),
    "dose_g": ("dose", "dose in", "dose weight", "dry dose", "in", "coffee in", "weight in", "grams in"),
    "beverage_g": (
        *("out", "weight out", "yield", "dose out", "coffee out", "grams out", "yield out", "beverage"),
        *("beverage weight", "beverage mass", "drink weight", "cup weight", "liquid out"),
    ),
    "shot_time_s": (
        *("shot time", "time", "seconds", "secs", "sec", "time taken", "brew time", "extraction time", "duration"),
    ),
    "outcome": ("outcome", "result", "what happened", "went"),
    "target_beverage_g": ("target out", "target yield", "target weight out", "aim out"),
    "target_time_s": ("target time", "aim time", "aim secs"),
    "first_drip_s": ("first drip", "first drop", "first drops"),
    "preinfusion_s": ("preinfusion", "pre infusion", "preinfusion time", "pre infusion time"),
    "grinder": ("grinder", "grinder name"),
    "grind_setting": (
        *("grind setting", "grind", "grinder setting", "grind size", "grind number", "dial", "dial setting"),
        "setting",
    ),
    "basket": ("basket", "basket name"),
    "basket_g": ("basket size", "basket rating", "rated dose"),
    "basket_kind": ("basket kind", "basket type"),
    "head": ("head", "brew head", "group", "group head"),
    "machine_model": ("machine model", "model"),
    "roast": ("roast", "roast level"),
    "roast_date": ("roast date", "roasted", "roasted on", "date roasted"),
    "served_as": ("served as", "served"),
    "stage": ("stage", "purpose"),
    "pulled_at": ("pulled at", "pulled", "date", "date and time", "date time", "datetime", "timestamp", "day"),
    "session": ("session", "sitting"),
    "operator": ("operator", "barista", "pulled by"),
    "temp_set_c": ("temp set", "set temp", "temp", "temperature", "brew temp", "brew temperature", "water temp"),
    "temp_measured_c": ("temp measured", "measured temp", "measured temperature"),
    "pressure_bar": ("pressure", "brew pressure", "bar", "bars"),
    "notes": ("notes", "note", "comments", "comment", "remarks", "remark"),
    "tds_pct": ("tds", "total dissolved solids"),
    "brix_pct": ("brix",),
    "refractive_index": ("refractive index",),
    "taster": ("taster", "tasted by", "who tasted", "who"),
    "score": ("score", "taste", "rating", "liking", "verdict", "points", "taste score"),
    "attribute": ("attribute",),
    "serving_order": ("serving order", "order", "cup no", "cup number"),
    "t_s": ("t", "time", "elapsed", "elapsed time", "seconds"),
    "mass_g": ("mass", "weight", "grams", "scale"),
}
"""Headings in common use, in order of preference where a sheet has several for one column."""

_BRACKET = re.compile(r"[\[(](?P<unit>[^\])]*)[\])]\s*$")
_AFTER_SIGN = re.compile(r"(?:,|/| in)\s*(?P<unit>[^\s,/]+)\s*$", re.IGNORECASE)


@dataclass(frozen=True)
class Understood:
    """How the headings of one place were taken.

    :param columns: canonical column -> heading as its owner wrote it.
    :param common: those of them that only the list of common headings explains.
    :param unused: headings that name nothing we know.
    """

    columns: Mapping[str, str]
    common: tuple[str, ...]
    unused: tuple[str, ...]


def tidy(heading: str) -> str:
    """A heading without case, width, punctuation and doubled spaces."""
    text = unicodedata.normalize("NFKC", heading).casefold()
    return " ".join(re.sub(r"[^\w%]+|_", " ", text).split())


def split_unit(heading: str) -> list[tuple[str, str]]:
    """A heading and its unit, in every way they can be cut: "In (g)", "Time, s", "dose oz", "dose_oz". Whole first."""
    return list(dict.fromkeys((name, units.tidy(unit)) for name, unit in _cut(heading)))


def _cut(heading: str) -> list[tuple[str, str]]:
    """The same, with units as they are written."""
    ways = [(tidy(heading), "")]
    normal = unicodedata.normalize("NFKC", heading.replace("º", "°")).strip()  # else it becomes the letter o
    for pattern in (_BRACKET, _AFTER_SIGN):
        found = pattern.search(normal)
        if found and found["unit"].strip():
            ways.append((tidy(normal[: found.start()]), found["unit"].strip()))
    words = normal.replace("_", " ").split()
    if len(words) > 1:
        ways.append((tidy(" ".join(words[:-1])), words[-1]))
    return [(name, unit) for name, unit in ways if name]


def unit_of(heading: str, column: Column) -> str:
    """The unit a heading names for its column, as it is written there; a volume in place of a weight too; else empty.

    The f of temp_set_f is told as F, which is how its unit is written.

    >>> from tastefield.words.columns import column
    >>> shot_time = column("shots", "shot_time_s")
    >>> [unit_of(heading, shot_time) for heading in ("shot_time_s (ms)", "shot_time_ms", "Time, Sec", "shot_time_s")]
    ['ms', 'ms', 'Sec', '']
    >>> unit_of("temp_set_f", column("shots", "temp_set_c"))
    'F'
    """
    if heading == column.name:
        return ""
    for _, unit in _cut(heading):
        if unit and (units.is_unit(column, unit) or units.is_volume(column, unit)):
            return {"f": "F", "c": "C"}.get(unit, unit)
    return ""


def is_ours(heading: str, column: Column) -> bool:
    """Whether a heading is the name of a column itself, or that with another unit, as readers give them.

    >>> from tastefield.words.columns import column
    >>> shot_time = column("shots", "shot_time_s")
    >>> [is_ours(heading, shot_time) for heading in ("shot_time_s", "shot_time_ms", "shot_time_s (ms)", "Time (ms)")]
    [True, True, True, False]
    """
    unit = unit_of(heading, column).casefold()
    return heading == column.name or (
        bool(unit) and heading.casefold() in (f"{column.name} ({unit})", f"{_bare(column)}_{unit}")
    )


def volumes(headings: Iterable[str]) -> tuple[str, ...]:
    """Headings that name a volume: "Out (ml)"."""
    return tuple(heading for heading in headings if any(unit in units.VOLUMES for _, unit in split_unit(heading)))


def understand(headings: Sequence[str], tables: Iterable[str], configured: Mapping[str, str]) -> Understood:
    """Say which heading stands for which canonical column.

    First what the configuration says; then headings that are a canonical name; then headings in common use. Of the
    last two either may name another unit: "shot_time_s (ms)", "shot_time_ms".

    :param tables: names of the tables the place may hold.
    :param configured: canonical column -> heading.
    """
    columns = {column.name: column for table in reversed(list(tables)) for column in TABLES[table]}
    taken: dict[str, str] = {}
    for name, theirs in configured.items():
        match = [heading for heading in headings if heading == theirs] or [
            heading for heading in headings if heading.strip() == theirs.strip()
        ]
        if name in columns and match:
            taken[name] = match[0]
    free = [heading for heading in headings if heading not in taken.values()]
    canonical = {tidy(name): name for name in columns}
    for heading in free:
        name = canonical.get(tidy(heading), "")
        if name and name not in taken and name not in configured:
            taken[name] = heading
    common = []
    cut = {heading: split_unit(heading) for heading in free if heading not in taken.values()}
    for name, column in columns.items():
        if name in taken or name in configured:
            continue
        named = (tidy(name), *_names(column))
        match = [heading for words in named for heading, ways in cut.items() if _fits(words, ways, column)]
        if match:
            taken[name] = match[0]
            if not is_ours(match[0], column):
                common.append(name)
            del cut[match[0]]
    used = set(taken.values())
    return Understood(taken, tuple(common), tuple(heading for heading in headings if heading not in used))


LIKE = 0.8
"""From this likeness on a heading is suggested for a column: tried on misspelt headings, no source."""


def suggest(understood: Understood, tables: Iterable[str]) -> dict[str, str]:
    """Headings that look like a column nobody named, each for one column: canonical column -> heading. Never taken.

    >>> suggest(Understood({}, (), ("Grind seting", "Dose of coffee", "Crema")), ["shots"])
    {'dose_g': 'Dose of coffee', 'grind_setting': 'Grind seting'}
    """
    columns = {column.name: column for table in tables for column in TABLES[table]}
    free = {name: column for name, column in columns.items() if name not in understood.columns}
    pairs = []
    for at, heading in enumerate(understood.unused):
        ways = split_unit(heading)
        for name, column in free.items():
            if column.unit == "g" and volumes([heading]):
                continue
            like = max(_likeness(words, way) for words in _names(column) for way, _ in ways)
            if like >= LIKE:
                pairs.append((-like, column.kind == "text", list(columns).index(name), at, name, heading))
    taken: dict[str, str] = {}
    for *_, name, heading in sorted(pairs):  # of two alike the measured one: "coffee dose" is a dose
        if name not in taken and heading not in taken.values():
            taken[name] = heading
    return {name: taken[name] for name in columns if name in taken}


def _likeness(words: str, heading: str) -> float:
    """How alike two headings are, 0 to 1; one that holds every word of ours, in any order, nearly wholly."""
    if len(words) > 3 and set(words.split()) <= set(heading.split()):
        return 0.9
    same = difflib.SequenceMatcher(None, words, heading)
    return same.ratio() if len(words) > 3 and same.quick_ratio() >= LIKE else 0.0


def _names(column: Column) -> tuple[str, ...]:
    """The words for a column: its name without the unit first, then those in common use."""
    return tuple(dict.fromkeys((*COMMON.get(column.name, ()), _bare(column).replace("_", " "))))


def _bare(column: Column) -> str:
    """The name of a column without its unit."""
    return re.sub(r"_(g|s|c|pct|bar)$", "", column.name)


def _fits(words: str, ways: Iterable[tuple[str, str]], column: Column) -> bool:
    return any(name == words and (not unit or units.is_unit(column, unit)) for name, unit in ways)
