"""Reconcile: every cell read by its kind, every row keyed and joined, nothing lost.

Set aside is only what is physically impossible or cannot be read or keyed; unusual shots stay, and so do shots without
a weight, a time or a taste. What is set aside is written out whole with its reason and what to do.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
import pandas as pd

from tastefield.config import SourceConfig, TasteConfig
from tastefield.errors import PluginError, Problem
from tastefield.records import ColumnCount, RawTable, Records, SourceCount, Taste
from tastefield.tables import account, aside, doubts, headings, judge, plain, taste, typed
from tastefield.tables.cells import counted
from tastefield.tables.typed import Part
from tastefield.words.columns import SET_ASIDE, TABLES, column
from tastefield.words.findings import Finding, finding
from tastefield.words.tastes import TASTES, VERDICTS


def reconcile(raw: Sequence[RawTable], sources: Sequence[SourceConfig], taste_config: TasteConfig) -> Records:
    """Read every cell, set aside what cannot be used, join readings, scores and traces to their shots.

    :param raw: at most one for each place and table.
    :param sources: the ``[[source]]`` blocks that ``raw.source`` counts.
    :returns: typed tables; for every place and table, rows and cells read = kept + set aside.
    :raises PluginError: two rows of one place have the same number.
    :raises tastefield.tables.account.NotBalanced: something was lost; a defect.
    """
    _refuse_unnumbered(raw)
    findings: list[Finding] = []
    read_parts = _read_cells(raw, sources)
    doubts.ask_about_fractions(read_parts)
    doubts.ask_about_ounces(read_parts)
    doubts.ask_about_days(read_parts)
    used_taste = _read_scores(read_parts, taste_config, findings)
    findings += _outcomes_told(read_parts)

    kept: dict[str, pd.DataFrame] = {}
    pieces: list[pd.DataFrame] = []
    lost = judge.Lost()
    for table in TABLES:
        of_table = [part for part in read_parts if part.raw.table == table]
        verdicts = judge.judge(table, of_table, kept.get("shots"), lost, used_taste.attribute)
        good = verdicts.good
        kept[table] = verdicts.frame if good.all() else verdicts.frame[good].reset_index(drop=True)
        pieces += aside.written_out(table, verdicts, of_table)
        if table == "shots":
            lost = judge.lost_shots(verdicts, of_table)
            _outcomes_without_shot(read_parts, lost)
    told = aside.in_order(pieces, raw)
    set_aside = told[list(SET_ASIDE)]
    findings += aside.set_aside_told(told, kept) + aside.described_told(read_parts)
    findings += doubts.taken_otherwise(read_parts) + doubts.zones_mixed(read_parts)
    alike = doubts.names_alike(kept, raw)
    findings += alike + doubts.about(kept) + doubts.names_folded(raw, alike) + doubts.identical_rows(raw)
    tallied = account.tally(raw, kept, set_aside)
    account.check_balance(tallied, kept)
    counts = tuple(SourceCount(*count) for count in tallied)
    columns = tuple(ColumnCount(*count) for count in account.by_column(raw, set_aside))
    return Records(kept, set_aside, counts, used_taste, tuple(findings), columns)


def _refuse_unnumbered(raw: Sequence[RawTable]) -> None:
    """Row numbers name what is set aside, so they must be unique in their place."""
    places = Counter((one.place, one.table) for one in raw)
    do = "the index of a chunk is the row number as its owner counts, each once in its place"
    problems = [
        Problem("two rows have the same number", one.place, do=do) for one in raw if not one.rows.index.is_unique
    ]
    problems += [
        Problem(f"{table} were handed on in {count} pieces", place, do="join them into one raw table")
        for (place, table), count in places.items()
        if count > 1
    ]
    if problems:
        raise PluginError(problems)


def _read_cells(raw: Sequence[RawTable], sources: Sequence[SourceConfig]) -> list[Part]:
    by_place: dict[str, list[RawTable]] = {}
    for one in raw:
        by_place.setdefault(one.place, []).append(one)
    read = []
    for one in raw:
        source = sources[one.source]
        marks = typed.decimal_marks(by_place[one.place], source.decimal)
        units = {name: headings.unit_of(theirs, column(one.table, name)) for name, theirs in one.headings.items()}
        units |= source.units
        read.append(typed.read(one, marks, units, source.day_first, source.clock))
    return read


def _read_scores(read_parts: Sequence[Part], config: TasteConfig, findings: list[Finding]) -> Taste:
    """Hear every score cell, settle the scale, then turn what was said into scores."""
    words = tuple(dict.fromkeys((*VERDICTS, *TASTES, *(word.casefold() for word in config.words))))
    scored = [part for part in read_parts if part.raw.table == "scores" and "score" in part.raw.rows]
    modelled: list[pd.Series] = []
    heard = []
    for part in scored:
        cells_ = part.raw.rows["score"]
        written = typed.take_outcomes(part, cells_) if part.raw.together else cells_
        listened = taste.listen(written, words, part.marks.get("score", ""))
        typed.note(part, "score", listened)
        named = part.frame["attribute"]
        wanted = config.attribute.casefold()
        if named.notna().any():
            part.frame["attribute"] = named.str.casefold().fillna(wanted)
            modelled.append(part.frame["attribute"] == wanted)
        else:
            part.frame["attribute"] = plain.repeated(wanted, named.index)
            modelled.append(pd.Series(True, index=named.index))
        heard.append(listened.values)

    every = Counter[taste.Said]()
    for said, ours in zip(heard, modelled, strict=True):
        every.update(counted(said if ours.all() else said[ours]))
    scale = config.scale or taste.infer_scale(list(every))
    good = config.good if config.good is not None else taste.default_good(scale)
    used = Taste(config.attribute, scale, good, taste.word_scores(scale, good, config.words), config.scale is None)
    for part, said, ours in zip(scored, heard, modelled, strict=True):
        for mask, limits in ((ours, config.scale), (~ours, None)):
            if not mask.any():
                continue
            scores = taste.scores(said if mask.all() else said[mask], limits, used.words)
            if mask.all():
                part.frame["score"] = scores.values
            else:
                part.frame.loc[mask, "score"] = scores.values
            typed.note_problems(part, "score", scores.problems)
    findings += _taste_told(every, used)
    return used


def _taste_told(every: Counter[taste.Said], used: Taste) -> list[Finding]:
    told = []
    if every and used.inferred:
        low, high = used.scale
        told.append(finding("scale_inferred", low=f"{low:g}", high=f"{high:g}", good=f"{used.good:g}"))
    in_words = {said: count for said, count in every.items() if said.value is None}
    if in_words:
        words = {word for said in in_words for word in said.words}
        in_order = sorted(words, key=lambda word: (used.words[word], word))
        listed = ", ".join(f"{word} {used.words[word]:.3g}" for word in in_order)
        told.append(finding("scores_from_words", count=sum(in_words.values()), list=listed))
    return told


def _outcomes_told(read_parts: Sequence[Part]) -> list[Finding]:
    """Hand outcome words found among the tastes to the shots of their rows, and tell of all that were found."""
    shots = {part.raw.place: part for part in read_parts if part.raw.table == "shots"}
    told = []
    for part in read_parts:
        if part.raw.table == "scores" and part.outcomes:
            _outcomes_from_tastes(part, shots.get(part.raw.place))
        if part.outcomes:
            words = ", ".join(sorted(set(part.outcomes.values())))
            where = {"place": part.raw.place, "table": part.raw.table}
            told.append(finding("outcome_from_words", where, count=len(part.outcomes), words=words))
    return told


def _outcomes_from_tastes(part: Part, shots: Part | None) -> None:
    """Outcome words found in score cells become the outcome of the shot in their row, unless that says otherwise."""
    rows = part.raw.rows.index
    lead = {} if shots is None else shots.lead_rows()
    of_shots = {lead[row]: outcome for row, outcome in part.outcomes.items() if row in lead}
    against = set() if shots is None else set(typed.give_outcomes(shots, of_shots))
    refused = [row not in lead or lead[row] in against for row in rows]
    typed.refuse_outcome(part, "score", np.array(refused, dtype=bool))


def _outcomes_without_shot(read_parts: Sequence[Part], lost: judge.Lost) -> None:
    """Outcome words in score cells go the way of their shot."""
    for part in read_parts:
        if part.raw.table == "scores" and part.outcomes:
            gone = np.array([(part.raw.place, row) in lost.rows for row in part.raw.rows.index.tolist()], dtype=bool)
            typed.refuse_outcome(part, "score", gone, "its shot was set aside", "mend the shot")
