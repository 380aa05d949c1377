"""Write panel/shots.csv, readings.csv and scores.csv: a small roaster's panel of six, with the dirt of three exports.

    python configs/demo/make_panel.py

Same seed, same files. Machines, coffees, people and numbers are invented; the shots come from world.py.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from pathlib import Path

import numpy as np
from world import Coffee, Grinder, Machine, Taster, brew, faults, liking, resistance, score, size_for, soak_s
from world import truth as best_of

SEED = 20261005
FOLDER = Path(__file__).parent / "panel"
FIRST_DAY = dt.date(2026, 10, 5)

COFFEES = [
    Coffee("autumn blend", "medium", 30.0, 1.00, 20.0, 17.4, 8.7, 8.1, 10.6, 2.4),
    Coffee("lot 31 washed", "light", 28.5, 0.92, 23.0, 18.4, 9.5, 7.3, 9.8, 2.4),
    Coffee("lot 34 natural", "medium", 29.5, 0.96, 20.5, 17.8, 8.9, 7.8, 10.2, 2.5),
    Coffee("dark no. 2", "dark", 31.0, 1.12, 19.5, 16.2, 8.0, 8.4, 11.0, 2.3),
    Coffee("decaf lot 7", "medium", 28.0, 1.25, 21.5, 16.9, 8.0, 7.9, 10.3, 1.6),
]
MACHINES = [
    Machine("bar left", 58, 9.0, 3.0, 93.0, puck_sd=0.06, stop_sd=0.025),
    Machine("bar right", 58, 9.2, 3.0, 94.5, puck_sd=0.07, stop_sd=0.03),
    Machine("lab", 58, 8.6, 4.0, 92.0, puck_sd=0.05, stop_sd=0.015),
    Machine("training room", 54, 9.0, 4.5, 91.5, puck_sd=0.09, stop_sd=0.04),
]
DOSES_G = [18.0, 18.0, 18.5, 17.0]
SHARED = Grinder("bar grinder", 0, 100, 1, 200, 460)
GRINDERS = [
    SHARED,
    SHARED,
    Grinder("lab grinder", 0, 50, 0.5, 190, 450, higher_is="finer"),
    Grinder("training grinder", 1, 40, 0.5, 190, 470),
]
TASTERS = [
    Taster("Ada", 0.0, 1.0, 1.0, 1.0, noise_sd=0.6),
    Taster("Ben", 0.5, 0.8, 0.8, 1.2, noise_sd=0.8),
    Taster("Cleo", -0.4, 1.2, 1.2, 1.0, noise_sd=0.6),
    Taster("Dev", 0.2, 0.9, 1.4, 0.8, noise_sd=0.7),
    Taster("Eva", -0.2, 1.1, 0.7, 1.3, noise_sd=0.7),
    Taster("Finn", 0.3, 0.7, 1.0, 1.0, noise_sd=1.0),
]
# Setups by place in MACHINES and COFFEES; the two thin ones were added late.
SETUPS = [(0, 0), (0, 1), (0, 2), (0, 3), (1, 0), (1, 2), (1, 3), (1, 4), (2, 0), (2, 1), (2, 2), (3, 0)]
THIN = [(3, 3), (2, 4)]

# Ratio and time aimed for: a centre repeated, corners, and points beyond the sides. One corner is pulled twice.
CENTRE = (2.0, 27.0)
CORNERS = [(1.6, 21.0), (1.6, 34.0), (2.5, 21.0), (2.5, 34.0)]
SIDES = [(1.45, 27.0), (2.75, 27.0), (2.0, 18.5), (2.0, 40.0)]
FULL_PLAN = [CENTRE] * 6 + CORNERS * 2 + SIDES + [(1.8, 24.0)]
THIN_PLAN = [CENTRE] * 2 + CORNERS
SHOTS_A_PART = 4

# What goes wrong in each file, by shot (and reading; taster and attribute): heading, and what stands in the cell.
ODD_SHOTS = [
    ("P-014", "Cup g", ""),
    ("P-052", "Time s", ""),
    ("P-077", "Dose g", ""),
    ("P-101", "Cup g", "n/a"),
    ("P-101", "Time s", "-"),  # neither out nor time, and no result that explains it
    ("P-101", "Result", ""),
    ("P-010", "Result", "choked"),
    ("P-010", "Cup g", ""),
    ("P-010", "Time s", "50.0"),
    ("P-140", "Result", "spilled"),
    ("P-140", "Cup g", ""),
    ("P-066", "Dose g", "0.0"),
    ("P-088", "Cup g", "-3.2"),  # the cup was not tared
    ("P-020", "Time s", "0:18"),
    ("P-021", "Time s", "25s"),
    ("P-045", "Time s", "27,1"),
    ("P-046", "Dose g", "18,6"),
    ("P-011", "Pulled", "06.10.2026 09:30"),
    ("P-091", "Pulled", "tues"),
    ("P-070", "Machine", " bar right "),
    ("P-150", "Coffee", "autumn  blend"),
    ("P-163", "Dial", "n/a"),
    ("P-005", "Remarks", 'stirred, then split; "very" hot'),
    ("P-170", "Remarks", "first line\nsecond line"),
    ("P-171", "Remarks", "=same as before"),
]
SECOND_ROW = ("P-118", "Time s", "26.0")  # the same shot number given to a second shot
ODD_READINGS = [  # by place in the file, from 0
    (1, "TDS %", "91.5"),  # the point one place too far right
    (2, "TDS %", "19.09"),  # 9.09 mistyped: more would be extracted than coffee can give
    (25, "TDS %", "7,89"),
    (33, "TDS %", "10.92 %"),
    (41, "TDS %", ""),
    (52, "TDS %", "lo"),  # what the meter showed
    (60, "Sample °C", "warm"),
    (71, "Sample °C", "215"),
    (80, "Filtered", ""),
    (90, "Shot", " P-{} "),
    (100, "Shot", "P-312"),  # no such shot
]
READING_TWICE = 110
ODD_SCORES = [  # by place in the file, from 0
    (12, "points", "12"),
    (38, "points", "0"),
    (74, "points", "75"),  # 7,5 without its comma
    (108, "points", ""),
    (150, "points", "n.a."),
    (188, "points", "7,5?"),
    (230, "points", "6.5"),  # a point where the others have a comma
    (269, "shot", "P-999"),
    (308, "shot", "P-0251"),
    (359, "taster", ""),
    (390, "taster", "Ben "),
    (430, "attribute", "Liking"),
    (470, "cup no.", "?"),
    (510, "blind", "no"),
]
SCORE_TWICE = 548
LOWER_CASE = (600, 640)  # two rows whose taster is typed in small letters
NOT_TASTED = ("P-010", "P-130")  # the choked one, and one nobody got to


def sittings() -> list[list[tuple[int, int, tuple[float, float]]]]:
    """The plan cut into sittings of about eight cups on one machine, two coffees at a time where there are two."""
    rng = np.random.default_rng([SEED, 1])
    parts: dict[int, list] = {}
    for machine, coffee in SETUPS + THIN:
        plan = THIN_PLAN if (machine, coffee) in THIN else FULL_PLAN
        order = rng.permutation(len(plan))
        cut = [order[start : start + SHOTS_A_PART] for start in range(0, len(plan), SHOTS_A_PART)]
        parts.setdefault(machine, []).append([[(machine, coffee, plan[k]) for k in part] for part in cut])
    planned = []
    for machine in sorted(parts):
        queue = [part for turn in range(9) for setup in parts[machine] if turn < len(setup) for part in [setup[turn]]]
        planned += [[*queue[k], *(queue[k + 1] if k + 1 < len(queue) else [])] for k in range(0, len(queue), 2)]
    return [planned[k] for k in rng.permutation(len(planned))]


def roasted_on(coffee: int, day: dt.date) -> dt.date:
    """The batch in use: each coffee is roasted every second week and opened after six days."""
    first = FIRST_DAY - dt.timedelta(days=14 + 6 - 2 * coffee)
    return first + dt.timedelta(days=14 * (((day - first).days - 6) // 14))


def pull(machine_no: int, coffee_no: int, aim: tuple[float, float], age: int, rng) -> dict:
    """One shot at an aim: the dial believed right for it, what ran, and the cup."""
    machine, grinder, coffee = MACHINES[machine_no], GRINDERS[machine_no], COFFEES[coffee_no]
    dose_g = round(DOSES_G[machine_no] + rng.normal(0.0, 0.1), 1)
    right = float(size_for(coffee, machine, dose_g, aim[0] * dose_g, aim[1], age))
    dial = grinder.nearest(right * np.exp(rng.normal(0.0, 0.012)))
    spurts = rng.random() < 0.025
    puck = float(np.exp(rng.normal(0.0, machine.puck_sd)) * (0.72 if spurts else 1.0))
    out_g = aim[0] * dose_g * float(np.exp(rng.normal(0.0, machine.stop_sd)))
    cup = brew(coffee, machine, dose_g, out_g, grinder.size_um(dial), age, puck, channel=0.15 if spurts else 0.0)
    wet = soak_s(machine, dose_g, resistance(coffee, machine, dose_g, grinder.size_um(dial), age) * puck)
    return {"dose_g": dose_g, "dial": dial, "out_g": out_g, "drip_s": float(wet), "cup": cup, "spurts": spurts}


def clean_tables() -> tuple[list[dict], list[dict], list[dict]]:
    """Shots, readings and scores as they should have been kept."""
    shots, readings, scores = [], [], []
    for number, sitting in enumerate(sittings(), start=1):
        rng = np.random.default_rng([SEED, 2, number])
        day = np.busday_offset(FIRST_DAY, number - 1).astype(dt.date)
        present = rng.permutation(len(TASTERS))[: rng.integers(4, 6)]
        mood = dict(zip(present, rng.normal(0.0, 0.2, len(present)), strict=True))
        for place, k in enumerate(rng.permutation(len(sitting)), start=1):
            machine_no, coffee_no, aim = sitting[k]
            coffee, age = COFFEES[coffee_no], (day - roasted_on(coffee_no, day)).days
            shot = pull(machine_no, coffee_no, aim, age, rng)
            shot_id = f"P-{len(shots) + 1:03d}"
            shots.append(
                {
                    "Shot": shot_id,
                    "Pulled": f"{day.isoformat()} {9 + (place - 1) // 4:02d}:{(place - 1) % 4 * 15:02d}",
                    "Session": f"S{number:02d}",
                    "Machine": MACHINES[machine_no].name,
                    "Grinder": GRINDERS[machine_no].name,
                    "Coffee": coffee.name,
                    "Roast": coffee.roast,
                    "Roasted on": roasted_on(coffee_no, day).isoformat(),
                    "Dial": str(GRINDERS[machine_no].written(shot["dial"])),
                    "Dose g": f"{shot['dose_g']:.1f}",
                    "Cup g": f"{shot['out_g']:.1f}",
                    "Time s": f"{float(shot['cup']['shot_time_s']):.1f}",
                    "First drip s": f"{shot['drip_s']:.1f}",
                    "Plan cup g": f"{aim[0] * DOSES_G[machine_no]:.1f}",
                    "Plan time s": f"{aim[1]:g}",
                    "Result": "spurted" if shot["spurts"] else "ok",
                    "Pulled by": ["Zoë", "Ben"][int(rng.random() < 0.3)],
                    "Remarks": "",
                }
            )
            if rng.random() < 0.6:
                for reading in range(1, 3 if rng.random() < 0.25 else 2):
                    tds = float(shot["cup"]["tds_pct"]) + rng.normal(0.0, 0.09)
                    sample_c = rng.normal(21.5, 0.8)
                    readings.append(
                        {
                            "Shot": shot_id,
                            "No": str(reading),
                            "TDS %": f"{tds:.2f}",
                            "Sample °C": f"{sample_c:.1f}",
                            "Filtered": "yes" if rng.random() < 0.8 else "no",
                        }
                    )
            wrong = faults(coffee, shot["cup"])
            for who in sorted(rng.permutation(present)[: rng.integers(2, 5)]):
                taster = TASTERS[who]
                given = {
                    "liking": float(liking(coffee, shot["cup"], age, taster)),
                    "bitterness": 3.0 + 1.1 * float(wrong["harsh"]) + 0.4 * taster.level,
                    "sweetness": 6.2 - 0.8 * float(wrong["sour"]) - 0.5 * float(wrong["harsh"]) + 0.4 * taster.level,
                }
                for attribute in ["liking"] if number % 2 else given:
                    points = score(given[attribute], taster, mood[who], place, rng, step=0.5)
                    scores.append(
                        {
                            "shot": shot_id,
                            "taster": taster.name,
                            "attribute": attribute,
                            "points": f"{points:g}".replace(".", ","),
                            "cup no.": str(place),
                            "blind": "yes",
                        }
                    )
    return shots, readings, scores


def truths() -> list[dict]:
    """What each setup could do at best with coffee of 12 days; for judging recommendations, never written out."""
    return [
        {"machine": MACHINES[m].name, "grinder": GRINDERS[m].name, "coffee": COFFEES[c].name, "dose_g": DOSES_G[m]}
        | best_of(COFFEES[c], MACHINES[m], GRINDERS[m], DOSES_G[m], 12.0, TASTERS)
        for m, c in SETUPS + THIN
    ]


def dirty_tables() -> tuple[list[dict], list[dict], list[dict]]:
    """The three tables as they were exported."""
    shots, readings, scores = clean_tables()
    by_id = {row["Shot"]: row for row in shots}
    for shot_id, heading, value in ODD_SHOTS:
        by_id[shot_id][heading] = value
    shot_id, heading, value = SECOND_ROW
    shots.append({**by_id[shot_id], heading: value})
    shots.extend([dict.fromkeys(shots[0], "")] * 2)

    for place, heading, value in ODD_READINGS:
        readings[place][heading] = value.format(readings[place]["Shot"][2:])
    readings.insert(READING_TWICE + 1, {**readings[READING_TWICE], "TDS %": "9.99"})
    readings.insert(120, dict.fromkeys(readings[0], ""))

    scores = [row for row in scores if row["shot"] not in NOT_TASTED]
    for place, heading, value in ODD_SCORES:
        scores[place][heading] = value
    for place in LOWER_CASE:
        scores[place]["taster"] = scores[place]["taster"].lower()
    scores.insert(SCORE_TWICE + 1, {**scores[SCORE_TWICE], "points": "2"})
    scores.append({**dict.fromkeys(scores[0], ""), "shot": "end of export"})
    return shots, readings, scores


def as_csv(rows: list[dict], separator: str = ",", line_end: str = "\n") -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), delimiter=separator, lineterminator=line_end)
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def write(folder: Path = FOLDER) -> None:
    """Write the three files: plain UTF-8; cp1252; and a spreadsheet's, with BOM, semicolons and decimal commas."""
    folder.mkdir(parents=True, exist_ok=True)
    shots, readings, scores = dirty_tables()
    (folder / "shots.csv").write_bytes(as_csv(shots).encode())
    (folder / "readings.csv").write_bytes(as_csv(readings).encode("cp1252"))
    (folder / "scores.csv").write_bytes(as_csv(scores, ";", "\r\n").encode("utf-8-sig"))


if __name__ == "__main__":
    write()
