"""Reader ``trace``: recordings beside a log, alone, in one long table; what they give the shots."""

import contextlib
import math

import numpy as np
import pytest
from pydantic import ValidationError

from tastefield.errors import ReadError, TastefieldError
from tastefield.records import Context
from tastefield.workflow import check
from tastefield_plugins.read_trace import TraceOptions, TraceReader


def pour(flow=1.5, drip=6.0, stop=30.0, rate=5, first=0.0):
    """Times and grams of a shot that starts at full flow and stops at once."""
    t = np.arange(0, stop + 8, 1 / rate)
    return t + first, np.round(flow * np.clip(t - drip, 0, stop - drip), 1)


def written(t, mass, head="time,weight", above=""):
    return above + head + "\n" + "".join(f"{a:.2f},{b:.1f}\n" for a, b in zip(t, mass, strict=True))


def read(files, **options):
    ctx = Context(TraceOptions(**options))
    return list(TraceReader().read(files, ctx)), ctx.findings


def bench(folder, toml, **files):
    for name, text in files.items():
        (folder / name.replace("__", ".")).write_text(text)
    (folder / "bench.toml").write_text(toml)
    return check(folder / "bench.toml")


LOG = "shot_id,machine,coffee,dose,out,time\n7,A,house,18,,\n8,A,house,18,40.0,33\n"
TOML = """
[[source]]
path = "log.csv"
[[source]]
reader = "trace"
path = "pour-*.csv"
shot = "pour-*"
clock = "pump"
"""


def codes(records):
    return {finding.code: finding for finding in records.findings}


def test_a_recording_fills_what_the_log_left_empty(tmp_path):
    records = bench(tmp_path, TOML, log__csv=LOG, **{"pour-7__csv": written(*pour())})
    shot = records.tables["shots"].set_index("shot_id").loc["7"]
    assert shot["beverage_g"] == pytest.approx(36.0, abs=0.2)
    assert (shot["shot_time_s"], shot["first_drip_s"]) == pytest.approx((30.0, 6.0), abs=0.3)
    assert shot["clock"] == "pump"
    assert shot["time_from_first_drip_s"] == pytest.approx(24.0, abs=0.4)
    assert shot["pour_flow_g_per_s"] == pytest.approx(1.5, abs=0.03)
    assert shot["flow_drift_g_per_s2"] == pytest.approx(0.0, abs=0.01)
    assert math.isnan(records.tables["shots"].set_index("shot_id").loc["8", "pour_flow_g_per_s"])
    assert "weights out 1, shot times from pump-on 1" in codes(records)["recordings_read"].message


def test_without_a_clock_or_pressure_the_time_runs_from_the_first_drip(tmp_path):
    toml = TOML.replace('clock = "pump"\n', "")
    records = bench(tmp_path, toml, log__csv=LOG, **{"pour-7__csv": written(*pour(first=100.0))})
    shot = records.tables["shots"].set_index("shot_id").loc["7"]
    assert shot["shot_time_s"] == pytest.approx(24.0, abs=0.4)
    assert shot["clock"] == "first_drip"
    assert np.isnan(shot["first_drip_s"])


def test_pressure_tells_when_the_pump_came_on(tmp_path):
    t, mass = pour(first=50.0)
    text = "time,weight,pressure\n" + "".join(
        f"{a:.2f},{b:.1f},{9.0 if 52.0 < a < 80.0 else 0.0}\n" for a, b in zip(t, mass, strict=True)
    )
    toml = TOML.replace('clock = "pump"\n', "")
    records = bench(tmp_path, toml, log__csv=LOG, **{"pour-7__csv": text})
    shot = records.tables["shots"].set_index("shot_id").loc["7"]
    assert shot["clock"] == "pump"
    assert (shot["shot_time_s"], shot["first_drip_s"]) == pytest.approx((28.0, 4.0), abs=0.5)


def test_what_the_log_says_stays_and_a_difference_is_told(tmp_path):
    records = bench(tmp_path, TOML, log__csv=LOG, **{"pour-8__csv": written(*pour())})
    shot = records.tables["shots"].set_index("shot_id").loc["8"]
    assert (shot["beverage_g"], shot["shot_time_s"]) == (40.0, 33.0)
    told = codes(records)["recording_disagrees"]
    assert "shot 8: 40 g in the log, 36.0 g in its recording" in told.message


def test_a_recording_without_a_shot_in_the_log_is_set_aside_whole(tmp_path):
    t, mass = pour()
    records = bench(tmp_path, TOML, log__csv=LOG, **{"pour-9__csv": written(t, mass)})
    (count,) = [count for count in records.counts if count.table == "traces"]
    assert (count.read, count.kept, count.set_aside) == (len(t), 0, len(t))
    assert set(records.set_aside["reason"]) == {"there is no shot 9"}


def test_a_recording_of_nothing_is_told_and_changes_no_shot(tmp_path):
    t, _ = pour()
    records = bench(tmp_path, TOML, log__csv=LOG, **{"pour-7__csv": written(t, np.zeros(len(t)))})
    assert "of shot 7: nothing rises" in codes(records)["recording_not_read"].message
    assert np.isnan(records.tables["shots"]["beverage_g"].iloc[0])


def test_a_recording_that_stops_with_the_pump_is_told(tmp_path):
    t, mass = pour()
    records = bench(tmp_path, TOML, log__csv=LOG, **{"pour-7__csv": written(t[t < 29], mass[t < 29])})
    assert "first of shot 7" in codes(records)["recording_cut_short"].message
    assert records.tables["shots"]["beverage_g"].iloc[0] == pytest.approx(34.2, abs=0.4)


def test_recordings_alone_are_shots_with_what_stands_above_their_headings(tmp_path):
    toml = '[[source]]\nreader = "trace"\npath = "*.csv"\nclock = "pump"\nshots = true\nfill = { machine = "A" }\n'
    above = "# Coffee: house\nDose,18.2\n\n"
    records = bench(tmp_path, toml, a1__csv=written(*pour(), above=above), a2__csv=written(*pour(1.8), above=above))
    shots = records.tables["shots"].set_index("shot_id")
    assert shots.loc[["a1", "a2"], "dose_g"].tolist() == [18.2, 18.2]
    assert shots.loc["a2", "beverage_g"] == pytest.approx(43.2, abs=0.3)
    assert set(shots["coffee"]) == {"house"}


def test_lines_above_the_headings_are_told_of_where_they_are_not_read(tmp_path):
    records = bench(tmp_path, TOML, log__csv=LOG, **{"pour-7__csv": written(*pour(), above="Dose: 18.2\n")})
    assert "shots = true" in codes(records)["recording_described"].do


def test_one_long_table_holds_many_shots(tmp_path):
    rows = "Shot ID;Time (ms);Weight (g)\n"
    for shot, flow in (("7", 1.5), ("8", 1.8)):
        rows += "".join(f"{shot};{a * 1000:.0f};{b:.1f}\n" for a, b in zip(*pour(flow), strict=True))
    toml = TOML.replace("pour-*.csv", "all.csv").replace('shot = "pour-*"\n', "")
    records = bench(tmp_path, toml, log__csv=LOG, all__csv=rows.replace(".", ","))
    shots = records.tables["shots"].set_index("shot_id")
    assert shots.loc["7", "beverage_g"] == pytest.approx(36.0, abs=0.3)
    assert shots.loc["7", "shot_time_s"] == pytest.approx(30.0, abs=0.3)
    assert shots.loc["8", "pour_flow_g_per_s"] == pytest.approx(1.8, abs=0.03)


def test_a_whole_run_needs_no_weights_or_times_but_those_recorded(tmp_path):
    from tastefield.workflow import run

    rng = np.random.default_rng(1)
    log = "shot_id,machine,coffee,dose,grind,taste\n"
    for number in range(8):
        stop = 24 + 2 * number
        (tmp_path / f"pour-{number}.csv").write_text(written(*pour(rng.uniform(1.4, 1.7), stop=stop)))
        log += f"{number},A,house,18,{12 - number / 2},{7 - abs(number - 3)}\n"
    (tmp_path / "log.csv").write_text(log)
    (tmp_path / "bench.toml").write_text(TOML + '[[report]]\nwriter = "data"\n')
    found = run(tmp_path / "bench.toml", tmp_path / "out")
    assert found.setups[0].entry["aim"]["shot_time_s"] > 15
    assert (tmp_path / "out" / "tables" / "traces.csv").is_file()


@pytest.mark.parametrize(
    ("name", "text", "why"),
    [
        ("pour-7.csv", "", "empty"),
        ("pour-7.csv", "0,0\n1,1\n", "no row of headings"),
        ("pour-7.csv", "time,weight\n", "no row of headings"),
        ("pour-7.csv", "time,time\n1,2\n", "several columns are called time"),
        ("pour-7.csv", 'time,weight\n1,"' + "2" * 150_000 + '"\n', "row 2 is longer than 100000 characters"),
        ("other.csv", "time,weight\n0,0\n", "does not fit"),
        ("pour-7.csv", 'time,"weight\n0,0\n', "quotes"),
        ("pour-7.csv", "time\0,weight\n0,0\n", "zero byte"),
    ],
)
def test_what_is_no_recording_is_refused_with_a_remedy(tmp_path, name, text, why):
    (tmp_path / name).write_text(text)
    with pytest.raises(ReadError) as refused:
        read([tmp_path / name], shot="pour-*")
    assert why in refused.value.why
    assert refused.value.do


@pytest.mark.parametrize(
    "options",
    [{"shot": "pour"}, {"shot": "*-*"}, {"encoding": "klingon"}, {"encoding": "base64"}, {"sheet": "1"}],
)
def test_options_that_cannot_be_are_refused(options):
    with pytest.raises(ValidationError):
        TraceOptions(**options)


def test_a_log_with_time_and_weight_is_not_taken_for_a_recording(tmp_path):
    (tmp_path / "log.csv").write_text("machine,coffee,dose,weight,time\nA,house,18,36,27\n")
    records = check(tmp_path / "log.csv")
    assert len(records.tables["shots"]) == 1


@pytest.mark.parametrize("seed", range(60))
def test_nothing_but_our_own_errors_comes_of_broken_recordings(tmp_path, seed):
    """A good recording with bytes changed, cut, doubled or put in at random places."""
    rng = np.random.default_rng(seed)
    data = bytearray(written(*pour(rate=2), above="Dose: 18\n").encode())
    for _ in range(int(rng.integers(1, 12))):
        at = int(rng.integers(0, len(data)))
        kind = int(rng.integers(0, 4))
        if kind == 0:
            data[at] = int(rng.integers(0, 256))
        elif kind == 1:
            del data[at : at + int(rng.integers(1, 40))]
        elif kind == 2:
            data[at:at] = data[at : at + int(rng.integers(1, 200))]
        else:
            data[at:at] = rng.choice([b'"', b"\n", b",", b";", b"nan", b"-1e999", b"\xff\xfe", b"\x00", b"=1+1"])
        data = data or bytearray(b"x")
    (tmp_path / "pour-7.csv").write_bytes(bytes(data))
    (tmp_path / "log.csv").write_text(LOG)
    (tmp_path / "bench.toml").write_text(TOML.replace('clock = "pump"', 'clock = "pump"\nshots = true'))
    with contextlib.suppress(TastefieldError):
        check(tmp_path / "bench.toml")


def test_a_tared_cup_that_is_lifted_and_a_clock_that_starts_anywhere_set_nothing_aside(tmp_path):
    t, mass = pour(first=1_764_230_000.0)
    mass = np.where(t > t[0] + 35, -210.0, mass)
    toml = TOML.replace('clock = "pump"\n', "")
    records = bench(tmp_path, toml, log__csv=LOG, **{"pour-7__csv": written(t, mass)})
    assert records.set_aside.empty
    assert records.tables["shots"]["shot_time_s"].iloc[0] == pytest.approx(24.0, abs=0.4)


def test_many_recordings_of_one_kind_are_told_of_once(tmp_path):
    texts = {f"pour-{shot}__csv": written(*pour(), above="Dose: 18\n") for shot in (7, 8)}
    records = bench(tmp_path, TOML, log__csv=LOG, **texts)
    told = [finding.message for finding in records.findings]
    assert sum('t_s = "time"' in message for message in told) == 1
    assert sum("above the headings" in message for message in told) == 1
