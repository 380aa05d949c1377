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
    :param severity: ``note`` (good to know), ``warn`` (changes how far to trust), ``stop`` (was not computed).
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
    # --- reading ------------------------------------------------------------------------------------------------
    "headings_understood": Entry(
        "note",
        "Headings taken from the list of common ones: {list}.",
        "Check them; to say otherwise, name the heading under [source.columns].",
    ),
    "columns_unused": Entry(
        "note",
        "Nothing was made of these headings: {list}.",
        "If one of them is needed, name it under [source.columns], for example {example}.",
    ),
    "volumes_unused": Entry(
        "warn",
        "Headings that name a volume were not taken for weights: {list}.",
        "Weigh the drink: foam makes its volume say little about its weight.",
    ),
    "heading_missing_here": Entry(
        "note",
        "This place has no heading {heading}, which other places of its source have for {column}.",
        "Nothing, if it was never written down there.",
    ),
    "ditto_marks": Entry(
        "note",
        "Ditto marks in {column}, each taken for the cell above it, first in row {row}: {count}.",
        "Nothing, if that is what they mean.",
    ),
    "dittos_of_measurements": Entry(
        "warn",
        "Ditto marks in {column}, each taken for the number above it, first in row {row}: {count}. Two shots seldom "
        "measure alike.",
        "If these were not measured, leave the cells empty.",
    ),
    "headings_twice": Entry(
        "warn",
        "Several columns have the same heading: {list}. The later ones were given a number.",
        "Give each column a heading of its own.",
    ),
    "rows_above_headings": Entry(
        "note",
        "Filled rows above the headings, which were taken from row {row}: {count}.",
        "Nothing, if they are a title; else set header_row.",
    ),
    "formulas_without_values": Entry(
        "warn",
        "Cells with a formula saved without its value, so that they are empty here: {count}, the first {first}.",
        "Open the workbook in a spreadsheet program and save it again.",
    ),
    "formulas_with_errors": Entry(
        "warn",
        "Cells whose formula has no answer, such as #DIV/0!, so that they are empty here: {count}, the first {first}.",
        "Mend the formulas in a spreadsheet program and save the workbook again.",
    ),
    "sheets_not_read": Entry(
        "note",
        "Only the sheet {sheet} was read; these hold cells too: {others}.",
        'If one of them is wanted, give it a [[source]] of its own with sheet = "...".',
    ),
    "sheet_found": Entry(
        "note",
        "The first sheet does not look like a log of shots, so the sheet {sheet} was read instead. Not read: {others}.",
        'If another sheet is wanted, name it in its [[source]]: sheet = "...".',
    ),
    "file_skipped": Entry("note", "{file} was skipped: an open office program leaves it there.", "Nothing."),
    "rows_renumbered": Entry(
        "warn",
        "The reader gave rows no numbers that differ, so they were numbered anew from 1 as they were read: rows told "
        "of {place} are not the numbers of its owner.",
        "Mend the reader: the index of a chunk is the row number as its owner counts, each once in its place.",
    ),
    "place_read_twice": Entry(
        "warn",
        "Two sources read {table} from the same place; every row may now stand there twice.",
        "Remove one of the two [[source]] blocks, or give them different sheets.",
    ),
    "not_named": Entry(
        "note",
        "No column names the {what}, so all rows were taken for one {what}, called {name}.",
        'Add a column {what}, or write fill = {{ {what} = "..." }} in its [[source]].',
    ),
    "perhaps_named": Entry(
        "warn",
        "No heading was understood as the {what}, so all rows were taken for one {what}, called {name}. One of these "
        "headings may name it: {list}.",
        'If one does, write under [source.columns] of its [[source]]: {what} = "{first}"; if all rows are of one '
        '{what}, write fill = {{ {what} = "..." }}.',
    ),
    "rows_set_aside": Entry(
        "warn",
        "Set aside: {count} of {read} {table}. The first, row {row}: {reason}.",
        "{do}.",
    ),
    "cells_set_aside": Entry(
        "warn",
        "Cells of {column} set aside while their rows stay: {count}. The first, row {row}, holds {value}: {reason}.",
        "{do}.",
    ),
    "cells_asked_about": Entry(
        "warn",
        "Cells of {column} that can mean two things, set aside until you say which: {count}. The first, row {row}, "
        "holds {value}: {reason}.",
        "{do}.",
    ),
    "cells_not_measured": Entry(
        "note",
        'Cells of {column} that say, as "{value}" in row {row} does, that nobody measured it: {count}.',
        "Nothing; they count as empty.",
    ),
    "cells_about": Entry(
        "note",
        'Cells of {column} that say "about", such as {value} in row {row}, taken as the number they name: {count}.',
        "Nothing, if it is near enough; else write what the scale or clock showed.",
    ),
    "cells_range": Entry(
        "note",
        "Cells of {column} that give a range, such as {value} in row {row}, taken as its middle: {count}.",
        "Nothing, if that is near enough; else write one number.",
    ),
    "cells_converted": Entry(
        "note",
        "Cells of {column} that name another unit, such as {value} in row {row}, converted to {unit}: {count}.",
        "Nothing; what was written stays in your file.",
    ),
    "units_converted": Entry(
        "note",
        "The column {heading} is in {theirs} and was converted to {unit} for {column}.",
        "Nothing, if it is; else correct the heading, or say the unit under [source.units].",
    ),
    "zones_mixed": Entry(
        "warn",
        "Times of shots name different time zones ({list}); each was kept as the clock on the wall showed it.",
        "If they are not all of one place, export them in the local time of the bench.",
    ),
    "cells_combined": Entry(
        "warn",
        "Cells with three numbers, such as {value} in row {row}, taken as in, out and time: {count}.",
        "If they mean something else, give each number a column of its own.",
    ),
    "described_not_measured": Entry(
        "note",
        "Cells that describe {table} in rows that have none: {count} ({columns}).",
        "Nothing, if those shots were not {verb}.",
    ),
    "outcome_from_words": Entry(
        "note",
        "Cells that should hold a number or a taste say how the shot went and were read as that: {count} ({words}).",
        "Nothing; a column outcome would hold it too.",
    ),
    "scale_inferred": Entry(
        "note",
        "Nobody says which scale the scores are on; they were taken to run from {low} to {high}, with {good} as good.",
        "Write scale = [lowest, highest] and good under [taste] to say so for certain.",
    ),
    "scores_from_words": Entry(
        "note",
        "Scores given in words: {count}. They stand for numbers by our own convention: {list}.",
        "Change the numbers under [taste.words] if yours differ.",
    ),
    "names_folded": Entry(
        "note",
        "Names written with different spaces were taken as one each: {count} ({list}).",
        "Nothing, if they are; else tell them apart by a letter or number.",
    ),
    "names_differ_only_in_case": Entry(
        "warn",
        "These names of a {what} differ only in capitals or spaces and were kept apart: {list}.",
        "If they are one, write {first} everywhere.",
    ),
    "name_damaged": Entry(
        "warn",
        'The {what} "{name}" has characters that could not be read, and was taken for one of its own{maybe}: {count} '
        "({list}).",
        "{do}.",
    ),
    "dates_far_off": Entry(
        "warn",
        "Shots dated {years} years or more from all others ({first} to {last}): {count} ({list}). They are kept, and "
        "the latest counts as pulled last.",
        "If they are right, nothing. If not, correct them or leave the cells empty; a clock that stood still often "
        "goes on from an old date.",
    ),
    "scores_unused": Entry(
        "warn",
        "Scores not used, because their shots lack a weight out or a time and no outcome says why: {count} ({list}).",
        "Write what is missing, or the outcome.",
    ),
    "targets_typed_as_weights": Entry(
        "warn",
        "Every dose is exactly the same for {list}{also}. These look like targets, not weights.",
        "Weigh, and write what the scale shows: how far shots stray decides how sure a recipe can be.",
    ),
    "rows_identical": Entry(
        "warn",
        "{rows} the same in every cell as the row above, and kept.",
        "If a row was pasted twice, delete it: it counts as a shot of its own.",
    ),
    "tds_looks_like_fraction": Entry(
        "warn",
        "The highest of {count} TDS values is {high} %, which looks like a fraction of 1.",
        'If so, write tds_pct = "fraction" under [source.units].',
    ),
    # --- tasting sheets -----------------------------------------------------------------------------------------
    "attributes_understood": Entry(
        "note",
        "Columns taken for attributes, each cell a score: {list}.",
        "Check them; to say otherwise, name them: attributes = [...] in its [[source]].",
    ),
    "codes_resolved": Entry(
        "note",
        "Codes of cups that {key} gives a shot: {count} of {all} cups.",
        "Nothing.",
    ),
    "codes_not_resolved": Entry(
        "warn",
        "Cups whose code {key} does not give one shot: {count} ({list}). Their scores are set aside.",
        "Add them to {key}, each code once in a session, or correct them on the sheet.",
    ),
    # --- recordings ---------------------------------------------------------------------------------------------
    "recording_described": Entry(
        "note",
        "Filled lines above the headings of recordings, which may describe their shots: {count}. They were not read.",
        "If no log lists these shots, write shots = true in its [[source]].",
    ),
    "recordings_read": Entry(
        "note",
        "Recordings that a pour was read from: {count}. Filled in from them: weights out {weights}, shot times from "
        "pump-on {pump}, from the first drip {drip}.",
        "Nothing; what the log itself says was kept.",
    ),
    "recording_not_read": Entry(
        "warn",
        "Recordings that no pour could be read from: {count}. The first, of shot {shot}: {why}.",
        "{do}.",
    ),
    "recording_cut_short": Entry(
        "note",
        "Recordings that end while coffee still ran: {count}, the first of shot {shot}. Their weight and time are "
        "those of their last sample.",
        "Let the recording run until the last drip has fallen.",
    ),
    "recording_disagrees": Entry(
        "warn",
        "Shots whose log and recording differ by more than {grams} g or {seconds} s: {count}. The first, shot {shot}: "
        "{log} in the log, {recorded} in its recording. The log was believed.",
        "Check that recording and log are of the same shot, and which clock each ran on.",
    ),
    # --- statistics ---------------------------------------------------------------------------------------------
    "variance_at_zero": Entry(
        "note",
        "The estimated variance of {part} is zero: the data show no difference there beyond chance.",
        "Nothing; with few shots this is common.",
    ),
    "variances_confounded": Entry(
        "note",
        "The data cannot tell the spread of {part} from that of {others}; it is counted there.",
        "Serve some shots to more than one taster, or twice to the same one.",
    ),
    "fit_not_converged": Entry(
        "warn",
        "The fit stopped before its optimum was certain ({detail}).",
        "Treat the numbers of this setup as rough; more shots usually cure it.",
    ),
    "not_fitted": Entry(
        "stop",
        "No mixed model could be fitted: {why}.",
        "More shots, or shots that differ more, or fewer terms.",
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
    "check_not_understood": Entry(
        "warn",
        "Bench checks that are not understood, so that nobody knows whether they failed: {checks}.",
        "Say yes or no, how many, or where: none, 2, drips at the head. Until then do not hand it over.",
    ),
    "check_failed": Entry(
        "warn",
        "A bench check of this machine failed: {checks}.",
        "Do not hand it over: have it mended by somebody qualified, check again and write that down.",
    ),
    # --- cards --------------------------------------------------------------------------------------------------
    "card_words_left": Entry(
        "note",
        "The words of your own for the card leave {count} texts as they are, in English: {names}.",
        "Copy them from the file of the card's texts and say them in your words, if they should be.",
    ),
    "card_machine_unknown": Entry(
        "warn",
        'The configuration gives a {key} for the card of "{machine}", but no machine in the log is called so.',
        "Write the name as it stands in the log.",
    ),
    # --- deriving and bench -------------------------------------------------------------------------------------
    "first_drip_not_shifted": Entry(
        "warn",
        "Shot times that start at the first drip while nothing says how long that took: {count}.",
        'Measure pump-on to first drip once and write it for the source: fill = {{ first_drip_s = "6" }}.',
    ),
    "two_clocks": Entry(
        "warn",
        "Times of two clocks that nothing brings together: {pump} from pump-on, {drip} from the first drip. The {left} "
        "from {which} were left out; weights and scores of those shots count.",
        'Write first_drip_s beside them, or for their whole source: fill = {{ first_drip_s = "6" }}.',
    ),
    "milk_beside_black": Entry(
        "warn",
        "Shots tasted with milk: {milk}; black, or not said: {black}. One recipe cannot answer for both, so the scores "
        "of the {left} tasted {which} were left out.",
        "Name them apart in the column coffee, or taste every shot of a coffee the same way.",
    ),
    "decaf_beside_plain": Entry(
        "warn",
        "Shots of decaf: {decaf}; of plain coffee, or not said: {plain}. They run and taste unlike, so times and "
        "scores of the {left} {which} ones were left out.",
        "Give the decaf a name of its own in the column coffee.",
    ),
    "setting_not_in_notation": Entry(
        "warn",
        "Grind settings of {grinder} that do not fit its notation, {notation}: {count} ({list}). They are kept as "
        "written and have no place on its dial.",
        "Write them as the dial shows them, for example {example}, or correct notation in its [[grinder]].",
    ),
    "setting_off_steps": Entry(
        "warn",
        "Grind settings of {grinder} between the steps of {step} that nearly all others lie on: {count} ({list}). They "
        "are kept, and no recipe is set between those steps.",
        "Correct them; if the dial has finer steps, write them in its [[grinder]]: step = ...",
    ),
    "setting_below_zero": Entry(
        "warn",
        "Grind settings of {grinder} below zero, where all others are above it: {count} ({list}). They are kept as "
        "written, but of what the dial does nothing is learned from them, unless the shot choked.",
        "Correct them, or leave the cells empty; if its dial starts below zero, write where in its [[grinder]]: "
        'lowest = "...".',
    ),
    "notation_suggested": Entry(
        "note",
        "Grind settings of {grinder} are no plain numbers but look like the notation {kind}, for example {first}, so "
        "nothing is computed on its dial: {count}.",
        'If they are, write in a [[grinder]]: name = "{grinder}", notation = "{kind}"{more}.',
    ),
    "names_shortened": Entry(
        "note",
        "Very long names, told by their beginning and a mark, whole in the tables: {count}. The first: {first}.",
        "Shorter names are easier to tell apart; long remarks belong in the column notes.",
    ),
    "no_repeat_readings": Entry(
        "note",
        "No shot was read twice, so the error of one reading is taken as {sd} % TDS.",
        "Read one shot twice now and then.",
    ),
    "too_few_readings": Entry(
        "note",
        "Shots with a reading, and so an extraction of their own: {count}. Recipes are told without extraction: "
        "that takes {needed} such shots of differing weight out and time.",
        "Read more shots, or leave it: taste does not need it.",
    ),
    "reading_without_calibration": Entry(
        "note",
        "Readings in Brix or refractive index, kept and not used because nothing says what TDS they mean: {count}.",
        "Brix is not TDS: write TDS where the meter shows it, or calibrate the meter under [refractometer].",
    ),
    "readings_calibrated": Entry(
        "note",
        "Readings turned into TDS by the calibration of the refractometer: {count}. TDS = {intercept} + {slope} x "
        "Brix, known to {u} % TDS at {at} Brix (standard uncertainty).",
        "Nothing; {more}.",
    ),
    "calibration_scatters": Entry(
        "warn",
        "The dried samples stray from one line by {times} times their stated errors (p = {p}), which has widened the "
        "doubt about every TDS.",
        "Check u_tds_pct and the reading's own error; coffees that differ may not share one line.",
    ),
    "readings_beyond_calibration": Entry(
        "warn",
        "Readings outside those that were calibrated ({low} to {high} Brix): {count}. They were turned into TDS by the "
        "same line.",
        "Dry a sample there, or dilute stronger ones and write the dilution.",
    ),
    "readings_not_corrected": Entry(
        "warn",
        "Readings in Brix or refractive index, kept and not used: {count}. The first, of shot {shot}: {why}.",
        "{do}.",
    ),
    "attribute_not_scored": Entry(
        "warn",
        'No score is of "{attribute}"; scored were: {found}.',
        "Name the attribute to model in the configuration: [taste] attribute.",
    ),
    "choked_shots": Entry(
        "warn",
        "Shots that choked: {count}, at grind setting {settings}. Nothing as fine or finer is recommended.",
        "A choked shot leaves pressure behind the puck: stop, wait, undo slowly.",
    ),
    "burrs_zeroed_since": Entry(
        "warn",
        "Its marks are of burr zero {zero}; {grinder} was zeroed anew since ({since}), so they mean another grind now.",
        "Find the mark of this recipe again by its time, coming from the coarse side, and write the new grinder_zero.",
    ),
    "gushed_shots": Entry(
        "note",
        "Shots that gushed: {count}, at grind setting {settings}.",
        "Nothing; it bounds the dial on the coarse side.",
    ),
    # --- population ---------------------------------------------------------------------------------------------
    "log_doubled": Entry(
        "warn",
        "Of {tasted} tasted shots {count} repeat others in a row, every number and score alike: they seem to have been "
        "pasted in again, and taught nothing a second time.",
        "Remove the copies. If they are shots of their own, write when each was pulled.",
    ),
    "population_overlaps": Entry(
        "warn",
        "The population {file} was left out: {count} of its shots stand in another one that is named too.",
        "Name one of the two.",
    ),
    "population_is_here": Entry(
        "warn",
        "The population {file} was left out: {count} of the {shots} shots behind it are read here, and counted once.",
        "Leave it away, or read only what came after it.",
    ),
    "shots_in_population": Entry(
        "warn",
        "Of {tasted} tasted shots {count} stand in the population already, and taught nothing again: their setups are "
        "answered without them.",
        "Read only shots that came after it, or leave [surface] population away.",
    ),
    "population_related": Entry(
        "note",
        "Machines or coffees of the populations stand elsewhere too, in another population or here, so that they count "
        "for less: what a machine or a coffee adds was drawn once.",
        "Nothing, if they are the same ones.",
    ),
    "population_used": Entry(
        "note",
        "Everything starts from what {setups} setups with {shots} tasted shots taught elsewhere.",
        "To see what these shots say alone, leave [surface] population away.",
    ),
    # --- surface ------------------------------------------------------------------------------------------------
    "not_enough": Entry("stop", "No recipe can be given: {why}.", "First {do}."),
    "setup_failed": Entry(
        "stop",
        "This setup could not be worked out ({error}).",
        "Run again with --fail-fast to see where, and report it.",
    ),
    "shape_is_borrowed": Entry(
        "note",
        "Tasted shots: {shots}. They do not show the whole shape of taste by themselves; it leans on other setups "
        "and on usual recipes (1:2 in 27 s, common practice, no source).",
        "More tasted shots, with other times and weights out, let this setup speak for itself.",
    ),
    "surface_is_a_mean": Entry(
        "warn",
        "Tasted shots that differ: {shots}. No direction can be told from them: only their mean score is known.",
        "Pull and taste more shots, with other times and weights out.",
    ),
    "fewer_terms": Entry(
        "note",
        "{shots} tasted shots do not carry the full surface; left out: {terms}.",
        "More tasted shots, spread over ratio and time, bring them back.",
    ),
    "shot_and_noise_together": Entry(
        "note",
        "Hardly any shot was scored twice, so luck of the shot and of the tasting cannot be told apart.",
        "Let a second person taste the same cup, or taste it twice.",
    ),
    # --- window -------------------------------------------------------------------------------------------------
    "dose_over_basket": Entry(
        "warn",
        "The usual dose is more than 1 g over the rating of the basket: the recipe is held to {most} g, and no range "
        "is promised because few shots were pulled there.",
        "Use a larger basket, or pull and taste shots at this dose.",
    ),
    "time_flattered": Entry(
        "note",
        "Scores on this bench seem to flatter shots that ran about 27 s, by {points} points beyond what they are liked "
        "for. The recipes leave that out.",
        "Taste without seeing the clock.",
    ),
    "unscored_are_poor": Entry(
        "note",
        "Shots that ran here and were not scored: {count}. On this bench it is rather the poor shots that nobody "
        "scores, so each of these counts as a poorer one.",
        "Score poor shots too: a low score says more than none.",
    ),
    "few_tasted": Entry(
        "note",
        "Tasted shots: {tasted}. No range is promised from fewer than three.",
        "Pull the recipe again and taste it.",
    ),
    "aim_moved_for_chance": Entry(
        "note",
        "A safer recipe was preferred: it gives up {given_up} points of expected score for the chance asked for.",
        "Nothing; ask for a lower assurance to aim at the highest score.",
    ),
    "doses_of_two_kinds": Entry(
        "note",
        "Recent doses are of two kinds; the recipe keeps to the commoner ({dose} g).",
        "Write down the basket, so that each has a recipe of its own.",
    ),
    "window_too_narrow": Entry(
        "note",
        "The recipe reaches the chance asked for, but the range around it is narrower than the shots scatter.",
        "Pull it again and taste it; more shots widen the range, or show that it is no better than a guess.",
    ),
    "best_at_edge": Entry(
        "note",
        "The best recipe lies at the edge of what was tried; better may lie beyond.",
        "Pull a shot a little past it.",
    ),
    "expected_score_too_wide": Entry(
        "warn",
        "The expected score may be anything from {lower} to {upper}: too wide to promise a window.",
        "Pull and taste more shots near the best one.",
    ),
    "confirm_shots_disagree": Entry(
        "warn",
        "The shots pulled to confirm scored {got}, where about {expected} was expected; good is {good}. Purge, dose or "
        "warm-up may be why.",
        "Check the purge after the last turn of the dial, dose and warm-up, then confirm again: the recipe stays until "
        "then{stays}.",
    ),
    "recipe_denied_twice": Entry(
        "warn",
        "Shots pulled to confirm {recipe} missed what was expected twice ({got}): they count like any other shot now, "
        "and may have moved the recipe.",
        "Pull the next shots; where one thing was wrong all the time, mend it and take these scores out.",
    ),
    "recipe_not_confirmed": Entry(
        "note",
        "Shots pulled to confirm scored {got} and were not pulled again within a week: they count like any other shot "
        "now, and may have moved the recipe.",
        "Pull the recipe again and write stage confirm; where something was wrong with them, take these scores out.",
    ),
    "confirm_shots_held_again": Entry(
        "warn",
        "The shots first pulled to confirm scored {got} and teach nothing, because the next scored {again}.",
        "Nothing, if something was wrong with the first; else write stage dial-in for them, so that they count.",
    ),
    "confirm_shots_leave_it_open": Entry(
        "note",
        "The shots pulled to confirm scored {got}; good is {good}: that may be bad luck.",
        "Pull one more at the recipe, and write stage confirm.",
    ),
    "confirm_shots_not_good": Entry(
        "warn",
        "Three shots pulled to confirm scored {got}; good is {good}: so it tastes, and it is not good enough.",
        "Pull the next shots where some are named; else hand it over for what it is.",
    ),
    "confirm_shots_elsewhere": Entry(
        "note",
        "The last shot pulled to confirm ran {got}, the recipe says {asked}: it confirms nothing.",
        "Set the recipe, purge after turning the dial, check dose and warm-up, then confirm again.",
    ),
    # --- handover -----------------------------------------------------------------------------------------------
    "coffee_not_known": Entry(
        "note",
        "Which coffee comes next is not known, so this is only where to start with it.",
        "Pull the first shots, taste them and write the scores down: then there is a recipe for that coffee.",
    ),
    "card_changed": Entry(
        "note",
        "Its card says something else than after the last run: {changes}.",
        "If it has left already, the card that left with it still stands: shots pulled since, here or elsewhere on the "
        "bench, moved this one.",
    ),
    # --- writing ------------------------------------------------------------------------------------------------
    "findings_left_out": Entry(
        "note",
        "Findings about this setup that found no room here: {count}.",
        "Read them in tables/findings.csv or on the page.",
    ),
    # --- settings -----------------------------------------------------------------------------------------------
    "pressurised_basket": Entry(
        "note",
        "The basket is pressurised: it sets the time itself, so no dial setting is computed.",
        "Use a plain basket to dial in by time.",
    ),
    "dial_against_grinder": Entry(
        "warn",
        "On grinder {grinder} the times move against the configured direction of the dial.",
        "Check higher_is of the grinder, or the settings written for these shots.",
    ),
    "dial_unclear": Entry(
        "note",
        "The shots do not show how far the dial of {grinder} moves the time.",
        "Pull one shot two steps away and write down its time.",
    ),
    "held_off_choke": Entry(
        "warn",
        "The time asks for a finer grind, but setting {choke} choked: held one step coarser.",
        "Do not go finer on this coffee, or it will choke again; accept a shorter shot.",
    ),
    "dose_strayed": Entry(
        "warn",
        "The shots pulled to confirm weighed {got} g in, {off}: the recipe was found with {dose} g.",
        "At this grind weigh the dose and re-program the grinder{to} until it gives {dose} g; then confirm again.",
    ),
    "button_strayed": Entry(
        "warn",
        "The button gave {got} g out on average of {count} shots; the recipe is {out} g.",
        "Weigh the cup and re-program the button to {out} g, with this coffee, dose and grind in place.",
    ),
    "button_not_told": Entry(
        "note",
        "The button last gave {last} g out, {before} g the time before: whether it was re-programmed before that shot, "
        "after it or not at all cannot be told.",
        'Weigh two more; whenever it is set anew, write "re-programmed" in the notes of the first shot after.',
    ),
    "dose_not_told": Entry(
        "note",
        "The last shot pulled to confirm weighed {last} g in, {before} g the one before: whether the dose was set anew "
        "in between cannot be told.",
        "Weigh one more dose, and write what the timer is set to in dose_setting.",
    ),
    # --- drift --------------------------------------------------------------------------------------------------
    "dose_creeps": Entry(
        "warn",
        "The dose crept {way} by {change} g over the last {count} shots, to {last} g, more than chance does.",
        "Weigh every dose; look for old grounds, warm burrs or a timer that has to be set anew.",
    ),
    "first_shots_cold": Entry(
        "warn",
        "The first shot of a sitting was brewed {degrees} C colder than the next ones, on average of {count} sittings.",
        "Let the machine warm through longer, or pull one blank shot before the first.",
    ),
    "first_shots_differ": Entry(
        "note",
        "The first shot of a sitting ran {percent} % {how} than the next ones at its setting, on average of {count}.",
        "Pull one shot to warm machine and grinder before you judge; leave the first out of a recipe.",
    ),
    "old_grounds": Entry(
        "note",
        "After a change of grind without purge the first shot still ran like the old setting: {percent} % short of the "
        "next one, on average of {count} changes.",
        "After each change grind a few grams away before the dose, or time the second shot.",
    ),
    "held_short_of_choke": Entry(
        "warn",
        "A longer shot than {longest} s looks better, but a shot choked and none is known to have run longer: held to "
        "{longest} s at most.",
        "Do not grind for a longer time with this coffee; write the dial setting of every shot down, and how far finer "
        "is safe can be told.",
    ),
    "coffee_ages": Entry(
        "note",
        "This coffee runs {percent} % {how} with every week {since}, told from {count} days at the same settings.",
        "Time the first shot of each day, and turn the grinder a step when it has strayed; tell the next owner so.",
    ),
    "off_the_dial": Entry(
        "warn",
        "The time lies beyond the end of the dial of {grinder}; the nearest setting on it is given.",
        "Change the dose a little, or check the burr zero.",
    ),
    "beyond_tried_settings": Entry(
        "warn",
        "The time lies more than one step beyond the settings tried on {grinder}; held one step beyond them.",
        "Pull a shot there before going further.",
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
