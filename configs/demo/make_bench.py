"""Write bench/bench-log.xlsx: two months of one technician's shot log, 30 machines, with the dirt such logs have.

    python configs/demo/make_bench.py

Same seed, same file. Machines, coffees, people and numbers are invented; the shots come from world.py.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import xlsxwriter
from world import Coffee, Grinder, Machine, Taster, beverage_by, brew, faults, liking, resistance, score, size_for
from world import truth as best_of

SEED = 20260901
FILE = Path(__file__).parent / "bench" / "bench-log.xlsx"
HEADINGS = ["Date", "Job", "Machine", "Grinder", "Basket", "Rated", "Kind", "Coffee", "Roast", "Roasted", "Grind", "In"]
HEADINGS += ["Out", "Secs", "Aim out", "Aim secs", "Went", "Stage", "TDS", "Taste", "Who", "Notes"]
# Written on the first row of a block of shots and left blank below it.
ONCE = ["Date", "Job", "Machine", "Basket", "Rated", "Kind", "Coffee", "Roast", "Roasted"]
FIRST_DAY, WORKING_DAYS = dt.date(2026, 9, 1), 44

#             name            roast     soluble open kernel sour harsh thin heavy top
COFFEES = [
    Coffee("house medium", "medium", 30.0, 1.00, 20.0, 17.5, 8.6, 8.2, 10.6, 2.2),
    Coffee("house dark", "dark", 31.0, 1.15, 20.0, 16.0, 7.9, 8.4, 11.2, 2.0),
    Coffee("trade blend", "dark", 30.0, 1.05, 19.5, 16.5, 8.0, 8.0, 10.8, 1.6),
    Coffee("decaf", "medium", 28.0, 1.30, 21.0, 16.8, 8.2, 7.8, 10.4, 1.5),
    Coffee("washed light", "light", 28.5, 0.90, 24.0, 18.6, 9.6, 7.2, 9.8, 2.1),
    Coffee("natural medium", "medium", 29.5, 0.95, 20.5, 17.8, 8.9, 7.9, 10.2, 2.3),
    Coffee("customer's own", "medium", 29.0, 1.10, 22.0, 17.2, 8.0, 8.1, 10.5, 1.6),
]
TASTERS = [
    Taster("me", level=0.0, spread=1.0, minds_harsh=1.0, noise_sd=0.6),
    Taster("Jo", level=0.25, spread=0.9, minds_harsh=1.35, minds_thin=0.8, noise_sd=0.8),
]
SHARED = {
    "bench flat": Grinder("bench flat", 0, 60, 1, 180, 480),
    "bench conical": Grinder("bench conical", 0, 49, 1, 200, 470, letters=True),
    "loan grinder": Grinder("loan grinder", 0, 30, 0.5, 170, 520, higher_is="finer"),
}
# name, basket mm, rated dose g, bar, ramp s, water, and the grinder: a shared one by name, or the machine's own as
# (lowest, highest, step, finest um, coarsest um, what higher is)
STOCK = [
    ("single boiler 01", 58, 16, 9.5, 2.0, 92.0, "bench flat"),
    ("dual boiler 02 / blue", 58, 18, 9.0, 3.0, 93.0, (1, 30, 1, 190, 430, "coarser")),
    ("heat exchanger 03 / steel", 58, 18, 9.2, 2.0, 95.0, "bench flat"),
    ("lever 04", 51, 14, 7.5, 6.0, 91.0, "bench conical"),
    ("thermoblock 05 / red", 54, 18, 9.0, 4.5, 92.5, (1, 16, 1, 200, 440, "coarser")),
    ("thermoblock 06 / black", 54, 18, 9.3, 4.5, 93.5, (1, 16, 1, 190, 430, "coarser")),
    ("dual boiler 07 / blue", 58, 18, 9.0, 3.0, 93.0, (1, 30, 1, 185, 425, "coarser")),
    ("single boiler 08 / white", 51, 14, 8.5, 1.5, 90.5, "loan grinder"),
    ("heat exchanger 09", 58, 18, 9.0, 2.0, 94.5, "bench conical"),
    ("thermoblock 10 / steel", 54, 18, 8.8, 5.0, 92.0, (0, 20, 1, 180, 460, "finer")),
    ("dual boiler 11 / cream", 58, 20, 9.0, 3.5, 93.0, (1, 30, 0.5, 190, 430, "coarser")),
    ("single boiler 12 / small", 51, 14, 9.0, 1.5, 91.0, (1, 8, 1, 330, 590, "coarser")),
    ("heat exchanger 13 / chrome", 58, 18, 9.4, 2.0, 95.5, "bench flat"),
    ("lever 14 / brass", 51, 14, 7.0, 7.0, 90.0, "bench conical"),
    ("thermoblock 15 / red", 54, 18, 9.0, 4.5, 92.5, (1, 16, 1, 205, 445, "coarser")),
    ("dual boiler 16", 58, 18, 8.7, 3.0, 93.5, (1, 30, 1, 180, 420, "coarser")),
    ("single boiler 17", 58, 16, 9.8, 2.0, 94.0, "loan grinder"),
    ("thermoblock 18 / grey", 54, 16, 9.0, 4.0, 91.5, (1, 8, 0.5, 190, 430, "coarser")),
    ("heat exchanger 19 / two-handled", 58, 18, 9.1, 2.0, 95.0, "bench flat"),
    ("dual boiler 20 / black", 58, 18, 9.0, 3.0, 92.5, (0, 20, 1, 170, 450, "finer")),
    ("thermoblock 21 / small", 51, 14, 9.0, 3.0, 92.0, (1, 8, 1, 340, 580, "coarser")),
    ("single boiler 22 / green", 58, 16, 9.2, 2.0, 92.5, "loan grinder"),
    ("lever 23", 58, 18, 8.0, 6.0, 92.0, "bench flat"),
    ("thermoblock 24 / black", 54, 18, 9.3, 4.5, 93.0, (1, 16, 1, 195, 435, "coarser")),
    ("dual boiler 25 / blue", 58, 18, 9.0, 3.0, 93.0, (1, 30, 1, 190, 430, "coarser")),
    ("heat exchanger 26", 58, 18, 9.6, 2.0, 96.0, "bench conical"),
    ("single boiler 27 / white", 58, 16, 8.9, 2.0, 91.0, "bench flat"),
    ("thermoblock 28 / steel", 54, 18, 9.0, 5.0, 92.0, (0, 20, 1, 185, 465, "finer")),
    ("dual boiler 29 / cream", 58, 20, 9.0, 3.5, 93.5, (1, 30, 0.5, 185, 425, "coarser")),
    ("heat exchanger 30 / steel", 58, 18, 9.2, 2.0, 95.0, (1, 40, 1, 180, 480, "coarser")),
]
PRESSURISED = {"single boiler 12 / small", "thermoblock 21 / small"}
TWO_COFFEES = {1: 1, 4: 3, 9: 4, 15: 1, 19: 5, 24: 4, 28: 0}  # machine by place in the stock: its second coffee
FIRST_COFFEE = [0, 0, 1, 1, 2, 0, 5, 2, 0, 0, 5, 2, 1, 0, 0, 0, 6, 5, 1, 0, 2, 3, 1, 5, 0, 0, 4, 0, 5, 6]
TOP_SHOTS = 8

COFFEE_CELLS = ("Coffee", "Roast", "Roasted")

# What goes wrong, by machine number and its shot. Heading, and what stands in the cell instead of what was meant.
READ = [(2, 3), (9, 4), (11, 5), (25, 8)]  # the only shots the borrowed refractometer saw
ODD_CELLS = [
    # times
    (1, 5, "Secs", "15s"),
    (3, 1, "Secs", "26 s"),
    (4, 2, "Secs", "0:28"),
    (12, 2, "Secs", "25,5"),
    (8, 4, "Secs", dt.time(0, 27)),  # typed 0:27, the spreadsheet made it a time of day
    (23, 4, "Secs", "about 26"),
    (24, 2, "Secs", "?"),
    (2, 1, "Secs", "choked"),  # and the word is missing where it belongs
    (2, 1, "Went", None),
    # weights
    (5, 3, "In", "17,9"),
    (9, 2, "In", "18,2"),
    (20, 6, "In", "18.0"),  # a number stored as text
    (6, 2, "In", 0),  # impossible
    (19, 1, "In", None),  # never written down
    (22, 2, "Out", "34,7"),
    (14, 6, "Out", "25.9g"),
    (17, 4, "Out", dt.time(1, 2)),  # the ratio typed as 1:2, made a time of day
    # dials, dates, names
    (18, 2, "Grind", dt.date(2026, 5, 6)),  # between 6 and 5, typed 6-5, made a date
    (11, 1, "Date", "22.9.2026"),
    (3, 3, "Coffee", "House Dark"),
    (16, 2, "Coffee", "house medium "),
    (14, 4, "Machine", "Lever 14 / Brass"),
    # words
    (13, 1, "Went", "Choked "),
    (17, 2, "Went", "gusher"),
    (21, 1, "Taste", "Nearly "),
    (27, 2, "Taste", "nealry"),
    (10, 1, "Taste", "ok, bit thin"),
    (30, 3, "Taste", 10),  # the scale ends at 9
    (28, 2, "Who", None),
    # notes, and one outside every column
    (2, 1, "Notes", "set like this when it came in"),
    (7, 3, "Notes", "spurted at the side"),
    (9, 3, "Notes", "warmed up longer"),
    (13, 1, "Notes", "left it to settle, opened slowly"),
    (21, 1, "Notes", "cleaned the hole of the basket first"),
    (15, 2, "_aside", "ring the owner Thursday"),
]
DOSE_TYPED_AS_WEIGHT = 16  # every dose of this machine reads exactly its rated dose
PASTED_TWICE = (25, 4)
NOTE_AFTER = 12
LAST_IN_SEPTEMBER = 15
BLANK_ROWS_AFTER = {3: 1, 7: 1, 10: 2, 15: 1, 18: 1, 22: 1, 26: 3}


def blocks():
    """Each machine with each coffee it met, in order: (place in stock, machine, grinder, dose, coffee, day)."""
    for place, (name, basket_mm, dose_g, bar, ramp_s, water_c, grinder) in enumerate(STOCK):
        hole = 5.0 if name in PRESSURISED else 0.0
        machine = Machine(name, basket_mm, bar, ramp_s, water_c, hole, puck_sd=0.06 + 0.02 * (place % 3))
        day = np.busday_offset(FIRST_DAY, round(place * WORKING_DAYS / len(STOCK))).astype(dt.date)
        own = SHARED[grinder] if isinstance(grinder, str) else Grinder(name, *grinder)
        for coffee in [FIRST_COFFEE[place], *([TWO_COFFEES[place]] if place in TWO_COFFEES else [])]:
            yield place, machine, own, float(dose_g), COFFEES[coffee], day


def roasted_on(coffee: Coffee, day: dt.date) -> dt.date:
    """The bag in use: each coffee is roasted every third week and its bag opened five days later."""
    first = FIRST_DAY - dt.timedelta(days=26 - 2 * COFFEES.index(coffee))
    return first + dt.timedelta(days=21 * (((day - first).days - 5) // 21))


def pull(machine: Machine, coffee: Coffee, size_um: float, dose_g: float, aim_g: float, age: int, rng) -> dict:
    """One real shot: what happened, and the cup where there is one."""
    spurts = rng.random() < 0.04
    puck = np.exp(rng.normal(0.0, machine.puck_sd)) * (0.7 if spurts else 1.0)
    out_g = aim_g * np.exp(rng.normal(0.0, machine.stop_sd))
    cup = brew(coffee, machine, dose_g, out_g, size_um, age, puck, channel=0.15 if spurts else 0.0)
    went, time_s = "spurted" if spurts else None, float(cup["shot_time_s"])
    if time_s > 58.0:
        went, time_s = "choked", float(rng.integers(42, 58))
        out_g = beverage_by(machine, dose_g, time_s, resistance(coffee, machine, dose_g, size_um, age) * puck)
    elif time_s < 12.0:
        went = "gushed"
        out_g *= 1.15  # the cup overtakes the hand
        time_s *= 1.1
    return {"out_g": out_g, "time_s": time_s, "went": went, "cup": cup}


def verdict(points: float, wrong: dict, taster: Taster, rng) -> float | str:
    """A number, or a word as people write them: what is wrong if one thing stands out, else whether to serve it."""
    if rng.random() < (0.6 if taster.name == "me" else 0.25):
        return int(points)
    words = {"sour": "sour", "harsh": "harsh" if rng.random() < 0.5 else "bitter", "thin": "weak", "heavy": "heavy"}
    worst, next_worst = sorted(wrong, key=wrong.get)[:-3:-1]
    if points < 6 and wrong[worst] > 1.4 * wrong[next_worst]:
        return words[worst]
    return "serve" if points >= 7 else "nearly" if points >= 5 else "no"


def search(
    place: int, machine: Machine, grinder: Grinder, dose_g: float, coffee: Coffee, day: dt.date, most: int
) -> list[dict]:
    """Dial in as people do: toward 27 s first, pour away what is far off, taste what is close, then mend by taste."""
    rng = np.random.default_rng([SEED, place, COFFEES.index(coffee)])
    age = (day - roasted_on(coffee, day)).days
    aim_g = dose_g * {"light": 2.3, "medium": 2.0, "dark": 1.9}[coffee.roast] * rng.uniform(0.88, 1.12)
    writes_aim, mood = rng.random() < 0.4, {taster.name: rng.normal(0.0, 0.25) for taster in TASTERS}
    who = TASTERS[int(rng.random() < 0.25)]
    other = TASTERS[1 - TASTERS.index(who)] if rng.random() < 0.25 else who
    typical = size_for(COFFEES[0], machine, dose_g, 2 * dose_g, 27.0, 12) if machine.hole_resistance == 0 else 400.0
    dial = grinder.nearest(float(typical) * np.exp(rng.normal(0.0, 0.11)))
    intake = rng.random() < 0.6  # the first shot at the dial as the machine came in
    if intake:
        dial = grinder.nearest(float(typical) * np.exp(rng.choice([-1, 1]) * rng.uniform(0.2, 0.6)))
    step_log = 3.1 * np.log(grinder.size_um(dial + grinder.step) / grinder.size_um(dial)) * np.exp(rng.normal(0.0, 0.4))
    rows, tasted, served = [], 0, False
    while len(rows) < most:
        shot_dose = round(dose_g + rng.normal(0.0, 0.15), 1)
        shot = pull(machine, coffee, grinder.size_um(dial), shot_dose, aim_g, age, rng)
        time_s, went = shot["time_s"], shot["went"]
        row = {"Grind": grinder.written(dial), "In": shot_dose, "Out": round(shot["out_g"], 1), "Secs": round(time_s)}
        row |= {"Went": went, "_tds_pct": float(shot["cup"]["tds_pct"])}
        if went == "choked" and rng.random() < 0.6:
            row["Out"] = None
        if writes_aim:
            row |= {"Aim out": round(aim_g, 1), "Aim secs": 27}
        if served or (intake and not rows):
            row["Stage"] = "confirm" if served else "intake"
        taste_it = went in (None, "spurted") and (21 <= time_s <= 34 or served)
        if taste_it:
            by = other if tasted == 1 else who
            expected = float(liking(coffee, shot["cup"], age, by))
            points = score(expected, by, mood[by.name], tasted + 1, rng)
            row |= {"Taste": verdict(points, faults(coffee, shot["cup"]), by, rng), "Who": by.name}
            tasted += 1
        rows.append(row)
        if len(rows) >= 3 and (served or tasted >= 3):
            break
        served = served or (taste_it and points >= 7 and len(rows) >= 2)
        if served:
            if len(rows) >= 3 and rng.random() < 0.5:
                break
        elif went == "choked" or went == "gushed" or abs(time_s - 27) > 4:
            off = 0.9 if went == "choked" else np.log(time_s / 27.0)
            steps = round(off / step_log) or int(np.sign(off * step_log))
            dial = grinder.nearest(grinder.size_um(dial + grinder.step * np.clip(steps, -6, 6)))
        elif taste_it:
            wrong = faults(coffee, shot["cup"])
            under = wrong["sour"] + wrong["heavy"] > wrong["harsh"] + wrong["thin"]
            if rng.random() < 0.5:
                aim_g = min(aim_g * 1.1, 2.6 * dose_g) if under else max(aim_g * 0.92, 1.5 * dose_g)
            else:
                finer = -1 if grinder.higher_is == "coarser" else 1
                dial = min(max(dial + grinder.step * (finer if under else -finer), grinder.lowest), grinder.highest)
    return rows


def clean_log() -> list[dict]:
    """Every shot with every cell filled in, before anything is left out or goes wrong.

    "_machine" (1-30) and "_shot" (1- within the machine) say which is meant; names with _ are never written.
    """
    log, counted = [], {}
    for place, machine, grinder, dose_g, coffee, day in blocks():
        second = place in counted
        most = TOP_SHOTS - counted[place] if second else 5 if place in TWO_COFFEES else TOP_SHOTS
        rows = search(place, machine, grinder, dose_g, coffee, day, most)
        for nth, row in enumerate(rows, start=counted.get(place, 0) + 1):
            log.append(
                {
                    "_machine": place + 1,
                    "_shot": nth,
                    "_second": second,
                    "Date": day,
                    "Job": f"J-{310 + place}",
                    "Machine": machine.name,
                    "Grinder": grinder.name if grinder.name in SHARED else None,
                    "Basket": f"{'double' if dose_g > 15 else 'small double'} {dose_g:.0f}",
                    "Rated": dose_g,
                    "Kind": "pressurised" if machine.hole_resistance else "plain",
                    "Coffee": coffee.name,
                    "Roast": coffee.roast,
                    "Roasted": roasted_on(coffee, day),
                    **row,
                }
            )
        counted[place] = counted.get(place, 0) + len(rows)
    return log


def dirty_log() -> list[dict]:
    """The log as it was kept: a few readings, cells left out, typed oddly or in the wrong place, rows added."""
    log = clean_log()
    at = {(row["_machine"], row["_shot"]): row for row in log}
    rng = np.random.default_rng([SEED, 99])
    for key in READ:
        at[key]["TDS"] = round(at[key]["_tds_pct"] + rng.normal(0.0, 0.1), 1)
    for row in log:  # the first row of a block says it all; a second coffee the same day repeats only what is new
        if row["_shot"] > 1:
            first_of_second = row["_second"] and not at[row["_machine"], row["_shot"] - 1]["_second"]
            row |= dict.fromkeys(name for name in ONCE if not (first_of_second and name in COFFEE_CELLS))
        if row["_machine"] == DOSE_TYPED_AS_WEIGHT:
            row["In"] = row["Rated"] or at[row["_machine"], 1]["Rated"]
    for machine, shot, heading, value in ODD_CELLS:
        at[machine, shot][heading] = value
    kept: list[dict] = []
    for place, row in enumerate(log):
        kept.append(row)
        if row is at[PASTED_TWICE]:
            kept.append(dict(row))
        if place + 1 < len(log) and log[place + 1]["_machine"] == row["_machine"]:
            continue
        if row["_machine"] == NOTE_AFTER:
            kept.append({"Notes": "new water filter from here on"})
        if row["_machine"] == LAST_IN_SEPTEMBER:
            kept.append({"Machine": "September total", "_sum": True})
        kept.extend([{}] * BLANK_ROWS_AFTER.get(row["_machine"], 0))
    return [*kept, {}, {"Machine": "Total", "_sum": True}]


def write(path: Path = FILE) -> None:
    """Write the workbook: sheet "log" and, for people, sheet "grinders"."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with xlsxwriter.Workbook(path) as book:
        book.set_properties({"created": dt.datetime(2026, 10, 31), "author": "bench"})
        as_date, as_time = book.add_format({"num_format": "dd/mm/yyyy"}), book.add_format({"num_format": "h:mm"})
        sheet = book.add_worksheet("log")
        sheet.freeze_panes(1, 0)
        sheet.write_row(0, 0, HEADINGS, book.add_format({"bold": True}))
        doses = 0.0
        for line, row in enumerate(dirty_log(), start=1):
            for place, heading in enumerate([*HEADINGS, "_aside"]):
                value = row.get(heading)
                if isinstance(value, dt.time):
                    sheet.write_datetime(line, place, value, as_time)
                elif isinstance(value, dt.date):
                    sheet.write_datetime(line, place, value, as_date)
                elif isinstance(value, str):
                    sheet.write_string(line, place, value)
                elif value is not None:
                    sheet.write_number(line, place, value)
            if row.get("_sum"):
                letter = chr(65 + HEADINGS.index("In"))
                sum_of_all = f"=SUM({letter}2:{letter}{line})"  # the last one counts September twice, as such sums do
                sheet.write_formula(line, HEADINGS.index("In"), sum_of_all, None, round(doses, 1))
                doses *= 2.0
            elif isinstance(row.get("In"), (int, float)):
                doses += row["In"]
        sheet.set_column(2, 2, 30)
        dials = book.add_worksheet("grinders")
        dials.write_row(0, 0, ["Name", "Lowest", "Highest", "Step", "Higher is", "Note"])
        for line, grinder in enumerate(SHARED.values(), start=1):
            ends = [grinder.written(grinder.lowest), grinder.written(grinder.highest)]
            note = "ten letters a number, A to J" if grinder.letters else ""
            dials.write_row(line, 0, [grinder.name, *ends, grinder.step, grinder.higher_is, note])


def truths() -> list[dict]:
    """What each setup could do at best; for judging recommendations, never written to the log."""
    return [
        {"machine": machine.name, "grinder": grinder.name, "coffee": coffee.name, "dose_g": dose_g}
        | best_of(coffee, machine, grinder, dose_g, (day - roasted_on(coffee, day)).days, TASTERS)
        for _, machine, grinder, dose_g, coffee, day in blocks()
    ]


if __name__ == "__main__":
    write()
