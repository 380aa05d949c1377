"""A blank workbook and a configuration for a bench that starts from nothing: fill in, run, read."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from tastefield.scaffold import write_new
from tastefield.words.columns import CHECKS, COFFEES, GRINDERS, READINGS, SCORES, SHOTS, Column

ROWS = 1000
"""Rows with drop-downs; more may be filled in."""

LOG = (
    "pulled_at",
    "machine",
    "coffee",
    "grinder",
    "grind_setting",
    "dose_g",
    "beverage_g",
    "shot_time_s",
    "outcome",
    "taster",
    "score",
    "stage",
    "tds_pct",
    "target_beverage_g",
    "target_time_s",
    "basket",
    "basket_kind",
    "roast",
    "roast_date",
    "session",
    "notes",
)
"""Columns of the log, in the order in which they come up at the bench."""

_HINTS = {
    "outcome": "Leave it empty when the shot ran as it should.",
    "grind_setting": "Write it exactly as the dial shows it.",
    "score": "A number on your scale, or a word: serve, nearly, no; sour, bitter, weak, heavy, harsh, flat.",
    "shot_time_s": "Seconds from pump-on: 27.5. Leave it empty for a shot that choked.",
    "coffee": "Choose from the sheet coffees, so that one coffee always has one name.",
    "grinder": "Choose from the sheet grinders. Leave it empty where the machine grinds.",
    "value": "A number or words. Write what was found; this is no safety certificate.",
    "tds_pct": "Only if you own a refractometer.",
}

CONFIGURATION = """\
# Run it with: tastefield run tastefield.toml
# A line that starts with # is switched off; what stands in it is the default or an example.

title = "My bench"

[[source]]                                # where the shots are: one row a shot, with its score
path = "log.xlsx"
sheet = "log"
holds = ["shots", "readings", "scores"]
clock = "pump"                            # the clock starts at "pump" or at "first_drip"
# fill = { taster = "me" }                # what is the same on every row and not written down
# fill_down = ["machine", "coffee"]       # where an empty cell means "as above"
# [source.columns]                        # only for a log with headings of its own: ours = yours
# dose_g = "In"
# [source.units]
# dose_g = "oz"

[[source]]                                # roast, roast date and decaf of each coffee, for shots that do not say
path = "log.xlsx"
sheet = "coffees"
holds = ["coffees"]

[[source]]                                # the dial of each grinder, so that settings stay on it
path = "log.xlsx"
sheet = "grinders"
holds = ["grinders"]

[[source]]                                # what was checked on each machine, by whom
path = "log.xlsx"
sheet = "checks"
holds = ["checks"]

# [setups]                                # what belongs together: a recipe is worked out for each
# by = ["machine", "grinder", "basket", "coffee"]

# [taste]
# attribute = "liking"
# scale = [1, 9]                          # lowest and highest score
# good = 6.5                              # the score that counts as good

# [window]
# assurance = 0.8                         # how sure a good shot must be: 0.8 is 4 in 5

# [next]
# worth = 0.015                           # points of score that a further shot must be expected to gain

# [[grinder]]                             # a grinder can stand here too; this goes before its row in the sheet
# name = "bench-3"
# notation = "marks"                      # plain numbers; or letters, two_part, clock, turns, list, stepless
# lowest = 1
# highest = 16
# step = 1
# higher_is = "coarser"                   # or "finer"
# leaves = false                          # it stays here: the card that leaves names no setting of its dial

# [card]                                  # the card that leaves with each machine
# size = "A5"                             # or "half_letter"
# contact = "the workshop, 0000 000000"   # whom to call
# [card.buyer]                            # by machine; a buyer's name stands on the card alone
# "machine A" = "their name"
# [card.serial]
# "machine A" = "0042"
# [card.warm_up]                          # minutes
# "machine A" = 20
"""


def start(folder: Path) -> list[Path]:
    """Write ``log.xlsx`` and ``tastefield.toml`` into a folder, which is made if need be.

    :returns: the files written.
    :raises ConfigError: one of them is there already; nothing is overwritten.
    """
    return write_new({folder / "log.xlsx": blank_workbook(), folder / "tastefield.toml": CONFIGURATION.encode()})


def blank_workbook() -> bytes:
    """The workbook: log, coffees, grinders, checks, with drop-downs and a comment on every heading."""
    stream = BytesIO()
    with xlsxwriter.Workbook(stream, {"in_memory": True}) as book:
        head = book.add_format({"bold": True, "bottom": 1, "bg_color": "#EFEAE4"})
        known = {column.name: column for table in (READINGS, SCORES, SHOTS) for column in table}
        log = _sheet(book, head, "log", [known[name] for name in LOG])
        _sheet(book, head, "coffees", list(COFFEES))
        _sheet(book, head, "grinders", list(GRINDERS))
        _sheet(book, head, "checks", list(CHECKS))
        for sheet, name in (("coffees", "coffee"), ("grinders", "grinder")):
            _choose(log, LOG.index(name), f"={sheet}!$A$2:$A$200")
    return stream.getvalue()


def _sheet(book: Workbook, head: Format, name: str, columns: list[Column]) -> Worksheet:
    sheet = book.add_worksheet(name)
    sheet.freeze_panes(1, 0)
    for place, column in enumerate(columns):
        sheet.write_string(0, place, column.name, head)
        hint = "" if name in ("coffees", "grinders") else _HINTS.get(column.name, "")
        sheet.write_comment(0, place, _comment(column, hint), {"x_scale": 1.6})
        sheet.set_column(place, place, max(len(column.name) + 2, 10), _format(book, column))
        choices = ("yes", "no") if column.kind == "boolean" else column.choices
        if choices:
            _choose(sheet, place, list(choices))
    return sheet


def _comment(column: Column, hint: str) -> str:
    parts = [f"{column.meaning}{f' ({column.unit})' if column.unit else ''}."]
    if column.required:
        parts.append("Needed.")
    if column.choices:
        parts.append(f"One of: {', '.join(column.choices)}.")
    return " ".join([*parts, hint]).strip()


def _format(book: Workbook, column: Column) -> Format:
    """How cells of a column look. Words are text, or a spreadsheet would turn the setting 4-2 into a date."""
    shapes = {"date": "yyyy-mm-dd", "datetime": "yyyy-mm-dd hh:mm", "text": "@", "category": "@", "score": "General"}
    return book.add_format({"num_format": "General" if column.name == "value" else shapes.get(column.kind, "General")})


def _choose(sheet: Worksheet, column: int, source: str | list[str]) -> None:
    """A drop-down that asks, but never forbids, another word."""
    sheet.data_validation(
        1,
        column,
        ROWS,
        column,
        {
            "validate": "list",
            "source": source,
            "error_type": "warning",
            "error_title": "Not in the list",
            "error_message": "Keep it anyway?",
        },
    )
