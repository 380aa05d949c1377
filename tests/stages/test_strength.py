"""Readings in Brix and refractive index: to TDS by the calibration that is given, with its doubt, or not at all."""

import numpy as np
import pandas as pd
import pytest

from tastefield.config import RefractometerConfig, SetupsConfig
from tastefield.errors import ConfigError
from tastefield.loading import load
from tastefield.records import Records, Taste
from tastefield.stages.derive import derive
from tastefield.stages.strength import strength
from tastefield.stats import sucrose

LINE = {"compensated": True, "intercept": 0.1, "slope": 0.85, "u_intercept": 0.05, "u_slope": 0.01}
PAIRS = {
    "compensated": True,
    "u_brix_pct": 0.05,
    "u_tds_pct": 0.05,
    "pairs": [{"brix_pct": brix, "tds_pct": 0.1 + 0.85 * brix} for brix in (6.0, 8.0, 10.0, 12.0)],
}


@pytest.fixture
def read(make_table):
    def build(readings, **meter):
        rows = [{"shot_id": f"s{i}", "reading_no": 1, **row} for i, row in enumerate(readings)]
        shots = [
            {"shot_id": row["shot_id"], "machine": "A", "coffee": "house", "dose_g": 18, "beverage_g": 36}
            for row in rows
        ]
        shots = [dict(pairs) for pairs in dict.fromkeys(tuple(shot.items()) for shot in shots)]
        tables = {
            "shots": make_table("shots", shots),
            "readings": make_table("readings", rows),
            "scores": make_table("scores", []),
        }
        return strength(Records(tables, pd.DataFrame(), (), Taste()), RefractometerConfig(**meter))

    return build


def codes(records):
    return {finding.code: finding for finding in records.findings}


def test_without_a_calibration_brix_is_never_taken_for_dissolved_solids(read):
    """Published factors disagree (0.83-0.91 in hobby write-ups, above 1.1 by a handbook point): none is used."""
    records = read([{"brix_pct": 11.2}, {"refractive_index": 1.35}])
    assert records.tables["readings"]["tds_pct"].isna().all()
    assert "[refractometer]" in codes(records)["reading_without_calibration"].do
    assert "2" in codes(records)["reading_without_calibration"].message


def test_a_line_that_is_given_makes_tds_with_its_uncertainty(read):
    readings = read([{"brix_pct": 10.2}], **LINE).tables["readings"]
    assert readings["tds_pct"][0] == pytest.approx(0.1 + 0.85 * 10.2)
    display = 0.85 * 0.1 / np.sqrt(12)
    assert readings["u_calibration_pct"][0] == pytest.approx(np.sqrt(0.05**2 + (0.01 * 10.2) ** 2 + display**2))


def test_pairs_of_dried_samples_give_the_line_and_its_doubt(read):
    records = read([{"brix_pct": 10.2}], **PAIRS)
    assert records.tables["readings"]["tds_pct"][0] == pytest.approx(0.1 + 0.85 * 10.2)
    assert "TDS = 0.1 + 0.85 x Brix" in codes(records)["readings_calibrated"].message


def test_the_doubt_of_the_line_reaches_tds_and_extraction_and_no_repeat_lessens_it(read):
    """Second route: the line drawn at random, both readings through the same one (JCGM 101:2008)."""
    twice = [{"shot_id": "s0", "reading_no": 1, "brix_pct": 10.2}, {"shot_id": "s0", "reading_no": 2, "brix_pct": 10.2}]
    big = {**LINE, "u_intercept": 0.3, "u_slope": 0.02, "correlation": -0.8}
    shot = derive(read(twice, **big), SetupsConfig()).shots.iloc[0]
    cov = [[0.09, -0.8 * 0.006], [-0.8 * 0.006, 0.0004]]
    lines = np.random.default_rng(1).multivariate_normal([0.1, 0.85], cov, 10**5)
    of_line = (lines @ [1, 10.2]).std()
    rest = np.hypot(0.05 * np.sqrt(4 / 5) / np.sqrt(2), 0.85 * 0.1 / np.sqrt(12))
    assert shot["u_tds_pct"] == pytest.approx(np.hypot(of_line, rest), rel=0.02)
    assert shot["u_extraction_pct"] > 2.0 * of_line


def test_a_meter_that_shows_tds_keeps_its_own_reading_and_doubt(read):
    with_both = read([{"tds_pct": 8.9, "brix_pct": 10.2}, {"brix_pct": 10.2}], **LINE).tables["readings"]
    assert with_both["tds_pct"][0] == 8.9
    assert np.isnan(with_both["u_calibration_pct"][0])


def test_refractive_index_goes_by_the_scale_of_sucrose_to_the_same_tds(read):
    readings = read([{"refractive_index": 1.3478}, {"brix_pct": 10.0}], **LINE).tables["readings"]
    assert readings["tds_pct"][0] == pytest.approx(readings["tds_pct"][1], abs=0.85 * 0.07)
    assert readings["u_calibration_pct"][0] > 0


def test_pairs_read_as_refractive_index_give_the_same_line(read):
    index = [
        {"refractive_index": float(sucrose.index_of(p["brix_pct"])), "tds_pct": p["tds_pct"]} for p in PAIRS["pairs"]
    ]
    meter = {"compensated": True, "u_refractive_index": 0.0001, "u_tds_pct": 0.05, "pairs": index}
    assert read([{"brix_pct": 9.0}], **meter).tables["readings"]["tds_pct"][0] == pytest.approx(7.75, abs=0.01)


def test_temperature_is_corrected_by_the_published_table_unless_the_meter_does_it(read):
    warm = {**LINE, "compensated": False}
    readings = read([{"brix_pct": 10.0, "sample_temp_c": 25.0}, {"brix_pct": 10.0, "sample_temp_c": 20.0}], **warm)
    tds = readings.tables["readings"]["tds_pct"]
    assert tds[0] - tds[1] == pytest.approx(0.85 * 0.32)
    itself = read([{"brix_pct": 10.0, "sample_temp_c": 25.0}], **LINE).tables["readings"]
    assert itself["tds_pct"][0] == pytest.approx(tds[1])


@pytest.mark.parametrize(
    ("reading", "meter", "why", "do"),
    [
        ({"brix_pct": 10.0}, {"compensated": False}, "how warm", "sample_temp_c"),
        ({"brix_pct": 10.0, "sample_temp_c": 41.0}, {"compensated": False}, "above 30 C", "cool"),
        ({"refractive_index": 1.31}, {}, "outside the table", "Correct the reading"),
        ({"brix_pct": 50.0}, {}, "impossible", "Correct the reading"),
    ],
)
def test_a_reading_that_cannot_be_converted_is_kept_and_told(read, reading, meter, why, do):
    records = read([reading], **{**LINE, **meter})
    assert np.isnan(records.tables["readings"]["tds_pct"][0])
    told = codes(records)["readings_not_corrected"]
    assert why in told.message
    assert do in told.do
    assert "readings_calibrated" not in codes(records)


def test_readings_beyond_the_dried_samples_are_told(read):
    told = codes(read([{"brix_pct": 13.0}, {"brix_pct": 9.0}], **PAIRS))["readings_beyond_calibration"]
    assert "(6 to 12 Brix): 1." in told.message


def test_dried_samples_that_stray_are_told_and_widen_the_doubt(read):
    strayed = [{**pair, "tds_pct": pair["tds_pct"] + 0.4 * (-1) ** n} for n, pair in enumerate(PAIRS["pairs"])]
    records = read([{"brix_pct": 9.0}], **{**PAIRS, "pairs": strayed})
    assert codes(records)["calibration_scatters"].severity == "warn"
    tight = read([{"brix_pct": 9.0}], **PAIRS).tables["readings"]["u_calibration_pct"][0]
    assert records.tables["readings"]["u_calibration_pct"][0] > 5 * tight


@pytest.mark.parametrize(
    ("lines", "why"),
    [
        ("slope = 0.85", "compensated is missing"),
        ("compensated = true", "either pairs or the line"),
        ("compensated = true\nslope = 0.85", "the line lacks intercept, u_intercept, u_slope"),
        ("compensated = true\nslope = 0.8\nintercept = 0\npairs = [{ brix_pct = 9, tds_pct = 8 }]", "either pairs or"),
        ("compensated = true\npairs = [{ brix_pct = 9, tds_pct = 8 }]", "needs three pairs"),
        ("compensated = true\npairs = [{ brix_pct = 9, tds_pct = 8 }]", "lack u_tds_pct, u_brix_pct"),
        ("compensated = true\npairs = [{ tds_pct = 8 }]", "pair 1 needs one reading"),
        ("compensated = false\npairs = [{ brix_pct = 9, tds_pct = 8 }]", "pair 1 lacks sample_temp_c"),
        ("compensated = true\nfactor = 0.85", 'no key "factor"'),
        ("compensated = true\nslope = -1", "cannot be used"),
    ],
)
def test_a_calibration_that_cannot_be_used_is_refused(tmp_path, lines, why):
    (tmp_path / "log.csv").write_text("machine,coffee,dose\nA,house,18\n")
    (tmp_path / "bench.toml").write_text(f'[[source]]\npath = "log.csv"\n[refractometer]\n{lines}\n')
    with pytest.raises(ConfigError) as refused:
        load(tmp_path / "bench.toml")
    assert why in str(refused.value)


def test_a_calibration_in_the_configuration_reaches_the_report(tmp_path):
    from tastefield.workflow import check

    (tmp_path / "log.csv").write_text("machine,coffee,dose,out,time,brix\nA,house,18,36,27,10.2\n")
    pairs = ", ".join(f"{{ brix_pct = {p['brix_pct']}, tds_pct = {p['tds_pct']:.3f} }}" for p in PAIRS["pairs"])
    (tmp_path / "bench.toml").write_text(
        '[[source]]\npath = "log.csv"\n[refractometer]\ncompensated = true\nu_brix_pct = 0.05\nu_tds_pct = 0.05\n'
        f"pairs = [{pairs}]\n"
    )
    assert check(tmp_path / "bench.toml").tables["readings"]["tds_pct"][0] == pytest.approx(8.77, abs=0.01)
