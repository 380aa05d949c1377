"""The glossary of canonical columns: name, table, kind, unit, physical limits, meaning.

Every column that crosses a stage is named here and nowhere else. Limits are physical impossibilities, not opinions:
a value outside is set aside, a value inside is kept however unusual it looks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "number", "duration", "integer", "category", "boolean", "date", "datetime", "score"]


@dataclass(frozen=True)
class Column:
    """One canonical column of one table.

    :param name: canonical name; the unit stands at its end.
    :param meaning: one sentence for the column table of the README.
    :param kind: how its cells are parsed.
    :param unit: unit of the canonical value; empty for words.
    :param low: smallest possible value (``low_open``: must be greater than it).
    :param high: largest possible value.
    :param choices: the words a category may hold.
    :param required: a row without it is set aside (whether the table as a whole needs it is checked at reading).
    """

    name: str
    meaning: str
    kind: Kind = "text"
    unit: str = ""
    low: float | None = None
    high: float | None = None
    low_open: bool = False
    choices: tuple[str, ...] = ()
    required: bool = False


OUTCOMES = ("ok", "choked", "gushed", "spurted", "stopped", "spilled")
NOTATIONS = ("marks", "letters", "two_part", "clock", "turns", "list", "stepless")
STAGES = ("intake", "dial-in", "confirm", "return")
NOT_OURS = ("intake", "return")
"""Stages of shots pulled at somebody else's settings, before anything was repaired or set."""

SHOTS: tuple[Column, ...] = (
    Column("shot_id", "Name of the shot; made from place and row where a sheet holds shots and scores together"),
    Column("machine", "Machine the shot was pulled on", required=True),
    Column("coffee", "Coffee that was ground", required=True),
    Column("dose_g", "Dry coffee in the basket", "number", "g", 0, 100, low_open=True, required=True),
    Column("beverage_g", "Weight out: mass of the drink in the cup", "number", "g", 0, 1000, low_open=True),
    Column("shot_time_s", "Shot time, on the clock named in `clock`", "duration", "s", 0, 600, low_open=True),
    Column("outcome", "How the shot went", "category", choices=OUTCOMES),
    Column("target_beverage_g", "Weight out that was aimed for", "number", "g", 0, 1000, low_open=True),
    Column("target_time_s", "Shot time that was aimed for", "duration", "s", 0, 600, low_open=True),
    Column("stopped_by", "What ended the shot", "category", choices=("hand", "button", "scale")),
    Column("clock", "When the clock starts", "category", choices=("pump", "first_drip", "unknown")),
    Column("first_drip_s", "Time from pump-on to the first drip", "duration", "s", 0, 300),
    Column("preinfusion_s", "Time of low-pressure wetting before full pressure", "duration", "s", 0, 300),
    Column("grinder", "Grinder used; the machine itself where it grinds"),
    Column("grind_setting", "Grind setting as its owner writes it"),
    Column("grinder_zero", "Label of the burr zero; a new label means the burrs were moved or reset"),
    Column("dose_setting", "Dose setting of a timed grinder, as written"),
    Column("basket", "Name of the basket"),
    Column("basket_g", "Rated dose of the basket", "number", "g", 0, 60, low_open=True),
    Column("basket_kind", "Kind of basket", "category", choices=("plain", "pressurised")),
    Column("head", "Brew head, where a machine has several"),
    Column("machine_model", "Model of the machine"),
    Column("grinder_model", "Model of the grinder"),
    Column("roast", "Roast level of the coffee", "category", choices=("light", "medium", "dark")),
    Column("roast_date", "Day the coffee was roasted", "date"),
    Column("decaf", "Whether the coffee is decaffeinated", "boolean"),
    Column("served_as", "How it was tasted", "category", choices=("black", "milk")),
    Column("stage", "Why the shot was pulled", "category", choices=STAGES),
    Column("pulled_at", "When the shot was pulled", "datetime"),
    Column("session", "Sitting in which it was pulled or tasted"),
    Column("operator", "Who pulled it"),
    Column("temp_set_c", "Brew temperature set", "number", "C", 0, 150),
    Column("temp_measured_c", "Brew temperature measured", "number", "C", 0, 150),
    Column("pressure_bar", "Brew pressure", "number", "bar", 0, 30),
    Column("purged", "Whether old grounds were purged after a change of grind", "boolean"),
    Column("notes", "Anything else"),
)

READINGS: tuple[Column, ...] = (
    Column("shot_id", "Shot that was read", required=True),
    Column("reading_no", "Number of the reading of this shot, 1 for the first", "integer", "", 1, 1000),
    Column("tds_pct", "Dissolved solids by mass", "number", "%", 0, 30),
    Column("brix_pct", "Reading on the sugar scale; turned into TDS by [refractometer] alone", "number", "%", 0, 95),
    Column(
        "refractive_index",
        "Refractive index at 589 nm; turned into TDS by [refractometer] alone",
        "number",
        "",
        1.3,
        1.6,
    ),
    Column("sample_temp_c", "Temperature of the sample when read", "number", "C", 0, 100),
    Column("dilution", "Mass after dilution over mass before", "number", "", 1, 1000),
    Column("filtered", "Whether the sample was filtered", "boolean"),
)

SCORES: tuple[Column, ...] = (
    Column("shot_id", "Shot that was tasted", required=True),
    Column("taster", "Who tasted"),
    Column("score", "Score on the configured scale, or a verdict or taste word", "score", "", required=True),
    Column("attribute", "What was scored; the configured attribute where empty"),
    Column("session", "Sitting in which it was tasted"),
    Column("serving_order", "Place of this cup in the sitting, 1 for the first", "integer", "", 1, 1000),
    Column("blind", "Whether the taster did not know the settings", "boolean"),
)

TRACES: tuple[Column, ...] = (
    Column("shot_id", "Shot that was recorded", required=True),
    Column("t_s", "Time on the recording's own clock", "duration", "s", required=True),
    Column(
        "mass_g", "Mass on the scale; below 0 where a tared cup was lifted", "number", "g", -5000, 5000, required=True
    ),
    Column("pressure_bar", "Pressure at that time", "number", "bar", -1, 30),
    Column("clock", "What `t_s` counts from", "category", choices=("pump", "first_drip", "unknown")),
)

CHECKS: tuple[Column, ...] = (
    Column("machine", "Machine that was checked", required=True),
    Column("check", "What was checked", required=True),
    Column("value", "What was found, number or words", required=True),
    Column("unit", "Unit of the value"),
    Column("when", "When it was checked", "datetime"),
    Column("by", "Who checked"),
    Column("method", "How it was checked"),
)

COFFEES: tuple[Column, ...] = (
    Column("coffee", "Coffee, named as among the shots", required=True),
    Column("roast", "Roast level, for shots that name none", "category", choices=("light", "medium", "dark")),
    Column("roast_date", "Day it was roasted, for shots that name none", "date"),
    Column("decaf", "Whether it is decaffeinated, for shots that do not say", "boolean"),
    Column("notes", "Anything else"),
)

GRINDERS: tuple[Column, ...] = (
    Column("grinder", "Grinder, named as among the shots", required=True),
    Column("notation", "How its settings are written; plain numbers where empty", "category", choices=NOTATIONS),
    Column("per", "How many letters in a number, small steps in a mark or clicks in a turn", "integer", low=1),
    Column("labels", "Settings of a dial whose notation is a list, in order, with commas between"),
    Column("lowest", "Lowest setting of its dial, in its notation"),
    Column("highest", "Highest setting of its dial, in its notation"),
    Column(
        "step",
        "Smallest move of its dial: in numbers, letters, small steps, clicks, labels or minutes of a clock",
        "number",
        low=0,
        low_open=True,
    ),
    Column(
        "higher_is",
        "What a higher number, a later letter or label, or clockwise does",
        "category",
        choices=("coarser", "finer"),
    ),
    Column(
        "leaves", "Whether it goes with the machine that is handed over; a grinder of several machines stays", "boolean"
    ),
    Column("notes", "Anything else"),
)

DERIVED: tuple[Column, ...] = (
    Column("shot_time_recorded_s", "Shot time as recorded, whatever its clock", "duration", "s"),
    Column("ratio", "Weight out over dose", "number", "g/g"),
    Column("u_ratio", "Standard uncertainty of the ratio", "number", "g/g"),
    Column("mean_flow_g_per_s", "Weight out over shot time", "number", "g/s"),
    Column("u_mean_flow_g_per_s", "Standard uncertainty of the mean flow", "number", "g/s"),
    Column("tds_pct", "Dissolved solids by mass: mean of the readings", "number", "%"),
    Column("u_tds_pct", "Standard uncertainty of it", "number", "%"),
    Column("extraction_pct", "Extraction: weight out times TDS over dose", "number", "%"),
    Column("u_extraction_pct", "Standard uncertainty of the extraction", "number", "%"),
    Column("coffee_age_days", "Days from roasting to the shot", "number", "d"),
    Column("u_coffee_age_days", "Standard uncertainty of the age", "number", "d"),
    Column("dial_position", "Grind setting as a number, by the notation of its grinder", "number"),
    Column("time_from_first_drip_s", "Time from the first drip to the stop, from the recording", "duration", "s"),
    Column("mass_at_stop_g", "Mass on the scale when the shot was stopped, from the recording", "number", "g"),
    Column("pour_flow_g_per_s", "Mean flow from first drip to stop, from the recording", "number", "g/s"),
    Column("flow_drift_g_per_s2", "Change of the flow from first drip to stop, from the recording", "number", "g/s^2"),
)
"""What is worked out of each shot and stands beside its own columns wherever shots are written."""

TABLES: dict[str, tuple[Column, ...]] = {
    "shots": SHOTS,
    "readings": READINGS,
    "scores": SCORES,
    "traces": TRACES,
    "checks": CHECKS,
    "coffees": COFFEES,
    "grinders": GRINDERS,
}

KEYS: dict[str, tuple[str, ...]] = {
    "shots": ("shot_id",),
    "readings": ("shot_id", "reading_no"),
    "scores": ("shot_id", "taster", "attribute", "session", "serving_order"),
    "traces": ("shot_id", "t_s"),
    "checks": ("machine", "check", "when", "by", "method"),
    "coffees": ("coffee",),
    "grinders": ("grinder",),
}
"""What makes a row of each table one of a kind: of two rows with the same key the first is kept."""

PROVENANCE = ("place", "row")
"""Columns every kept table carries beside its own: the place it was read from and the row as its owner counts."""

SET_ASIDE = ("place", "table", "row", "column", "value", "reason", "do")
"""Columns of the set-aside table; ``column`` is empty where the whole row is set aside."""


def column(table: str, name: str) -> Column:
    """Look up one column; raises ``KeyError`` where the table has none of that name."""
    for entry in TABLES[table]:
        if entry.name == name:
            return entry
    raise KeyError(f"{table} has no column {name}")


def names(table: str) -> tuple[str, ...]:
    """Canonical column names of a table, in order."""
    return tuple(entry.name for entry in TABLES[table])
