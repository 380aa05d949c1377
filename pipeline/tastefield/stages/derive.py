"""Derive: ratio, strength, extraction, flow and coffee age of every shot, with standard uncertainties; setups."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tastefield.config import GrinderConfig, SetupsConfig
from tastefield.records import Derived, Floats, Records
from tastefield.slug import shortened
from tastefield.stats import uncertainty
from tastefield.tables.dial import below_zero, off_steps, step_of
from tastefield.tables.notation import DIVIDED, Notation, example, likely, positions
from tastefield.tables.unlike import unlike
from tastefield.words.findings import Finding, finding

TDS_REPEAT_SD = 0.05
"""Standard deviation of one reading of an espresso where no shot was read twice, % TDS. An assumption: no published
figure for repeat readings of espresso was at hand; hand refractometers state 0.03 % below 5 % TDS and more above."""
FEW = 5
"""Settings that are told one by one before the rest are only counted."""


def derive(records: Records, setups: SetupsConfig, grinders: Sequence[GrinderConfig] = ()) -> Derived:
    """Compute what follows from the kept records alone.

    :param grinders: how the settings of each are written, where configured.
    """
    shots = records.tables["shots"].copy().reset_index(drop=True)
    readings = records.tables["readings"].copy().reset_index(drop=True)
    scores = records.tables["scores"].copy().reset_index(drop=True)
    findings: list[Finding] = []
    _from_coffees(shots, records.tables.get("coffees"))
    shots["grinder"] = shots["grinder"].fillna(shots["machine"])
    _from_pump(shots, findings)
    keys = _key(shots, setups, findings)
    shots["scored"] = shots["shot_id"].isin(set(scores["shot_id"]))
    scores = _modelled(scores, records, findings)
    apart = unlike(shots, shots["shot_id"].isin(set(scores["shot_id"])).to_numpy(dtype=bool))
    shots.loc[apart.times, "shot_time_s"] = np.nan
    scores = scores[~scores["shot_id"].isin(set(shots.loc[apart.scores, "shot_id"]))]
    _mass_and_flow(shots)
    readings = _strength(shots, readings, findings)
    shots["coffee_age_days"] = (shots["pulled_at"] - shots["roast_date"]).dt.total_seconds() / 86400.0
    # the roast is known to the day, and so is the shot where no time of day was written: rectangular, as any display
    day = 1.0 / math.sqrt(12.0)
    to_the_day = shots["pulled_at"].dt.normalize() == shots["pulled_at"]
    u_age = np.where(to_the_day, math.hypot(day, day), day)
    shots["u_coffee_age_days"] = np.where(shots["coffee_age_days"].notna(), u_age, np.nan)
    position, stray = _on_the_dial(shots, grinders, findings)
    # a choke of what is left out still binds: whatever choked once is not proposed again
    choked = shots["outcome"].eq("choked").fillna(False).to_numpy(dtype=bool)
    shots["dial_position"] = np.where((apart.decaf | stray) & ~choked, np.nan, position)
    own = {number: tuple(why for at, why in apart.findings if at == number) for number, _ in apart.findings}
    return Derived(shots, scores, readings, keys, tuple(findings), own)


def resolution(values: Floats) -> float:
    """Step of the display the values were read from: 1, 0.1 or 0.01, whichever is the coarsest that shows them all."""
    finite = values[np.isfinite(values)]
    for step in (1.0, 0.1):
        if np.allclose(finite / step, np.round(finite / step), atol=1e-6):
            return step
    return 0.01


def reading_error(values: Floats) -> float:
    """Standard uncertainty of a display: half a step, rectangular (JCGM 100:2008, 4.3.7)."""
    return resolution(values) / math.sqrt(12.0)


def _from_pump(shots: pd.DataFrame, findings: list[Finding]) -> None:
    """Shift times counted from the first drip to pump-on where the delay was measured (or filled in for the source)."""
    shots["shot_time_recorded_s"] = shots["shot_time_s"]
    late = shots["clock"].eq("first_drip").fillna(False).to_numpy(dtype=bool)
    if not late.any():
        return
    delay = shots["first_drip_s"].to_numpy(dtype=float)
    shift = late & np.isfinite(delay)
    shots.loc[shift, "shot_time_s"] = shots["shot_time_s"].to_numpy(dtype=float)[shift] + delay[shift]
    shots.loc[shift, "clock"] = "pump"
    left = int((late & ~shift).sum())
    if left:
        findings.append(finding("first_drip_not_shifted", count=left))


def _on_the_dial(
    shots: pd.DataFrame, grinders: Sequence[GrinderConfig], findings: list[Finding]
) -> tuple[Floats, NDArray[np.bool_]]:
    """Position of each shot by the notation of its grinder, NaN where its setting does not fit; which are strays.

    A stray below zero would bend the whole line of its dial and stretch how far that may be set.
    """
    configured = {entry.name: entry for entry in grinders}
    found, stray = np.full(len(shots), np.nan), np.zeros(len(shots), dtype=bool)
    for name, rows in shots.groupby("grinder", sort=True).indices.items():
        grinder = configured.get(str(name), GrinderConfig(name=str(name)))
        settings = shots["grind_setting"].iloc[rows]
        found[rows] = positions(settings, grinder.written_as)
        if grinder.notation is None:
            findings.extend(_notation_suggested(shortened(grinder.name), settings.dropna()))
        else:
            unread = settings[settings.notna() & np.isnan(found[rows])]
            findings.extend(_not_in_notation(shortened(grinder.name), unread, grinder.written_as))
        stray[rows] = below_zero(found[rows], grinder.written_as)
        findings.extend(_strays(shots.iloc[rows], found[rows], stray[rows], grinder))
    return found, stray


def _strays(
    shots: pd.DataFrame, position: Floats, below: NDArray[np.bool_], grinder: GrinderConfig
) -> Iterator[Finding]:
    """Settings that are likely slips, each told once with its row."""
    name, notation = shortened(grinder.name), grinder.written_as
    off = off_steps(position, grinder.step, notation) & ~below
    step = grinder.step or step_of(position, notation)
    for code, mask in (("setting_below_zero", below), ("setting_off_steps", off)):
        if mask.any():
            rows = shots.loc[mask, ["grind_setting", "row", "place"]].itertuples(index=False, name=None)
            told = [f"{shortened(str(text))} in row {row} of {place}" for text, row, place in rows]
            listed = ", ".join(told[:FEW]) + (", ..." if len(told) > FEW else "")
            values = {"grinder": name, "count": len(told), "list": listed}
            yield finding(code, {"grinder": name}, step=f"{step or 0:g}", **values)


def _not_in_notation(grinder: str, unread: pd.Series, notation: Notation) -> Iterator[Finding]:
    if len(unread):
        texts = [shortened(text) for text in dict.fromkeys(unread.astype(str))]
        told = ", ".join(texts[:FEW]) + (", ..." if len(texts) > FEW else "")
        values = {"notation": notation.kind, "count": len(unread), "list": told, "example": example(notation)}
        yield finding("setting_not_in_notation", {"grinder": grinder}, grinder=grinder, **values)


def _notation_suggested(grinder: str, settings: pd.Series) -> Iterator[Finding]:
    found = likely(settings.astype(str).tolist())
    if found is not None:
        kind, first = found
        more = f", per = ... ({DIVIDED[kind]})" if kind in DIVIDED else ', lowest = "..." (where its dial starts)'
        values = {"kind": kind, "count": len(settings), "first": shortened(first), "more": more}
        yield finding("notation_suggested", {"grinder": grinder}, grinder=grinder, **values)


def _from_coffees(shots: pd.DataFrame, coffees: pd.DataFrame | None) -> None:
    """What the list of coffees says of a coffee, where its shots do not say it themselves."""
    if coffees is None or coffees.empty:
        return
    by_name = coffees.set_index("coffee")
    for name in ("roast", "roast_date", "decaf"):
        said = by_name[name].reindex(shots["coffee"]).set_axis(shots.index)
        shots[name] = shots[name].fillna(said)


def _mass_and_flow(shots: pd.DataFrame) -> None:
    dose, out, time = (shots[name].to_numpy(dtype=float) for name in ("dose_g", "beverage_g", "shot_time_s"))
    u_dose, u_out, u_time = reading_error(dose), reading_error(out), reading_error(time)
    with np.errstate(all="ignore"):
        shots["ratio"] = out / dose
        shots["u_ratio"] = shots["ratio"] * np.hypot(u_out / out, u_dose / dose)
        shots["mean_flow_g_per_s"] = out / time
        shots["u_mean_flow_g_per_s"] = shots["mean_flow_g_per_s"] * np.hypot(u_out / out, u_time / time)


def _strength(shots: pd.DataFrame, readings: pd.DataFrame, findings: list[Finding]) -> pd.DataFrame:
    """Mean TDS of the repeat readings of each shot; the spread of one reading is pooled over all shots read twice."""
    readings = readings[readings["tds_pct"].notna()].copy()
    dilution = readings["dilution"].fillna(1.0)
    readings["tds_pct"] = readings["tds_pct"] * dilution
    shown = readings["tds_pct"] if "u_calibration_pct" not in readings else _as_shown(readings)
    by_shot = readings.groupby("shot_id", sort=True)["tds_pct"]
    mean, count = by_shot.mean(), by_shot.count()
    df = float((count - 1).sum())
    squares = float(((readings["tds_pct"] - readings["shot_id"].map(mean).astype(float)) ** 2).sum())
    repeat_sd = np.sqrt((squares + 4 * TDS_REPEAT_SD**2) / (df + 4))
    u_display = reading_error(shown.to_numpy(dtype=float)) if shown.notna().any() else 0.0
    shots["tds_pct"] = shots["shot_id"].map(mean).astype(float)
    variance = repeat_sd**2 / shots["shot_id"].map(count).astype(float) + u_display**2
    if "u_calibration_pct" in readings:  # one line serves all readings of a shot, so repeats do not lessen its doubt
        common = (readings["u_calibration_pct"] * dilution).groupby(readings["shot_id"]).mean()
        variance += shots["shot_id"].map(common).fillna(0.0).astype(float) ** 2
    shots["u_tds_pct"] = np.sqrt(variance)
    dose, out = (shots[name].to_numpy(dtype=float) for name in ("dose_g", "beverage_g"))
    known = np.isfinite(dose) & np.isfinite(out) & shots["tds_pct"].notna().to_numpy()
    shots["extraction_pct"] = np.nan
    shots["u_extraction_pct"] = np.nan
    if known.any():
        result = uncertainty.extraction(
            out[known],
            shots["tds_pct"].to_numpy(dtype=float)[known],
            dose[known],
            reading_error(out),
            shots["u_tds_pct"].to_numpy(dtype=float)[known],
            reading_error(dose),
        )
        shots.loc[known, "extraction_pct"] = result.value
        shots.loc[known, "u_extraction_pct"] = result.u
        if df == 0:
            findings.append(finding("no_repeat_readings", sd=f"{TDS_REPEAT_SD:.2f}"))
    return readings


def _as_shown(readings: pd.DataFrame) -> pd.Series:
    """TDS that a meter showed as such; those that a calibration gave carry the error of their display already."""
    return readings["tds_pct"].where(readings["u_calibration_pct"].isna())


def _key(shots: pd.DataFrame, setups: SetupsConfig, findings: list[Finding]) -> tuple[dict[str, str], ...]:
    """Number the setups by sorted key; a column nobody fills does not split setups.

    A name that would swamp every line it is told on is shortened in the key, and whole in the tables.
    """
    by = [name for name in (*setups.by, "head") if shots[name].notna().any()]
    by = list(dict.fromkeys(by)) or ["machine"]
    words = shots[by].astype("object").where(shots[by].notna(), "not recorded").astype(str)
    tuples = list(words.itertuples(index=False, name=None))
    ordered = sorted(set(tuples))
    number = {key: index for index, key in enumerate(ordered)}
    shots["setup"] = [number[key] for key in tuples]
    long = {name: shortened(name) for key in ordered for name in key if shortened(name) != name}
    if long:
        findings.append(finding("names_shortened", count=len(long), first=next(iter(long.values()))))
    return tuple({column: shortened(name) for column, name in zip(by, key, strict=True)} for key in ordered)


def _modelled(scores: pd.DataFrame, records: Records, findings: list[Finding]) -> pd.DataFrame:
    """Scores of the configured attribute; a score without an attribute counts as that."""
    wanted = records.taste.attribute
    named = scores["attribute"].astype("object").map(lambda value: str(value).casefold() if pd.notna(value) else "")
    chosen = scores[(named == "") | (named == wanted.casefold())].copy()
    if chosen.empty and len(scores):
        findings.append(finding("attribute_not_scored", attribute=wanted, found=", ".join(sorted(set(named) - {""}))))
    return chosen
