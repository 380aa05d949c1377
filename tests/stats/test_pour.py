"""Recordings made from a flow that is known, disturbed as on a bench; and scipy's own smoothing as a second route."""

import numpy as np
import pytest
from scipy.signal import savgol_filter

from tastefield.errors import FitError
from tastefield.stats import pour


def recording(seed, noise=0.05, rate=10, bench=True, pressure=False, drift=0.03):
    """A shot of 16 to 30 s whose flow swells, drifts and dies away, on a scale that shows tenths of a gram.

    On a bench the scale is tared first, the cup is touched once, three samples are wild, drips fall after the stop and
    the cup is taken away 8 s later.

    :returns: times, masses, pressures or ``None``, and the truth.
    """
    rng = np.random.default_rng(seed)
    drip = rng.uniform(4, 9)
    stop = drip + rng.uniform(16, 30)
    start, swelling, dying = rng.uniform(1.0, 1.8), rng.uniform(0.3, 1.5), rng.uniform(0.1, 1.2)
    t = np.arange(0, stop + 12, 1 / rate)
    t = np.sort(t + rng.uniform(-0.2, 0.2, len(t)) / rate)
    t = t - t[0]
    fine = np.arange(0, stop + 13, 0.005)
    since = np.maximum(np.minimum(fine, stop) - drip, 0)
    flow = (1 - np.exp(-since / swelling)) * (start + drift * since) * np.exp(-np.maximum(fine - stop, 0) / dying)
    mass = np.concatenate([[0], np.cumsum((flow[1:] + flow[:-1]) / 2 * 0.005)])
    at_stop = np.interp(stop, fine, mass)
    if bench:
        mass = mass + sum(0.1 * (fine > stop + rng.uniform(2, 5)) for _ in range(4))
    shown = np.interp(t, fine, mass)
    if bench:
        touched = rng.uniform(drip + 3, stop - 3)
        shown = shown + np.where(t < 1.0, 150.0, 0.0)
        shown = shown + ((t > touched) & (t < touched + rng.uniform(0.3, 1.2))) * rng.choice([-1, 1]) * rng.uniform(
            2, 8
        )
        shown[rng.integers(0, len(t), 3)] += rng.normal(0, 20, 3)
        shown = np.where(t > stop + 8, -160.0, shown)
    shown = np.round((shown + rng.normal(0, noise, len(t))) / 0.1) * 0.1
    bar = None
    if pressure:
        rise = 9 * -np.expm1(-np.maximum(t - 1.0, 0))
        bar = np.where(t > stop, 9 * np.exp(-np.maximum(t - stop, 0) / 0.3), rise) + rng.normal(0, 0.05, len(t))
    truth = {"drip": drip, "stop": stop, "out": mass[-1], "at_stop": at_stop, "flow": at_stop / (stop - drip)}
    return t, shown, bar, truth


def errors(**how):
    """Errors over 40 shots: rows of first drip, stop, weight out, mass at the stop, mean flow (relative), drift."""
    rows = []
    for seed in range(40):
        t, mass, bar, truth = recording(seed, **how)
        found = pour.read(t, mass, bar)
        drip = np.nan if found.first_drip_s is None else found.first_drip_s
        rows.append(
            [
                drip - truth["drip"],
                found.stop_s - truth["stop"],
                found.beverage_g - truth["out"],
                found.mass_at_stop_g - truth["at_stop"],
                found.flow_g_per_s / truth["flow"] - 1,
                found.flow_drift_g_per_s2 - how.get("drift", 0.03),
            ]
        )
    rows = np.array(rows)
    assert np.isnan(rows[:, 0]).sum() <= 2  # where noise hides the flat beginning, no first drip is claimed
    return rows[~np.isnan(rows[:, 0])]


# Least bias and spread promised: s, s, g, g, share, g/s2. Measured ones are about two thirds of these.
@pytest.mark.parametrize(
    ("how", "bias", "spread"),
    [
        ({"noise": 0.02}, [0.10, 0.15, 0.05, 0.2, 0.01, 0.01], [0.2, 0.4, 0.1, 0.7, 0.01, 0.03]),
        ({"noise": 0.2}, [0.15, 0.25, 0.15, 0.4, 0.02, 0.01], [0.4, 0.6, 0.4, 1.0, 0.05, 0.03]),
        ({"noise": 0.5}, [0.30, 0.35, 0.20, 0.6, 0.02, 0.01], [0.7, 0.9, 0.6, 1.7, 0.05, 0.05]),
        ({"rate": 4}, [0.15, 0.25, 0.10, 0.4, 0.02, 0.01], [0.4, 0.7, 0.2, 1.2, 0.03, 0.03]),
        ({"pressure": True}, [0.10, 0.10, 0.05, 0.2, 0.01, 0.01], [0.2, 0.1, 0.1, 0.3, 0.02, 0.03]),
        ({"drift": -0.02}, [0.10, 0.30, 0.05, 0.4, 0.01, 0.01], [0.2, 0.6, 0.1, 0.8, 0.02, 0.03]),
        ({"rate": 1, "bench": False}, [0.25, 0.30, 0.10, 0.6, 0.02, 0.01], [0.4, 0.6, 0.2, 1.1, 0.03, 0.02]),
    ],
)
@pytest.mark.slow
def test_first_drip_stop_mass_flow_and_drift_come_out_of_disturbed_recordings(how, bias, spread):
    found = errors(**how)
    assert (np.abs(found.mean(axis=0)) <= bias).all(), found.mean(axis=0)
    assert (found.std(axis=0) <= spread).all(), found.std(axis=0)


def test_the_clock_of_the_pump_starts_where_pressure_rises():
    t, mass, bar, _ = recording(3, pressure=True)
    assert pour.read(t, mass, bar).pump_on_s == pytest.approx(1.0, abs=0.2)
    assert pour.read(t, mass).pump_on_s is None


@pytest.mark.parametrize("seed", range(8))
def test_smoothing_by_scipy_finds_the_same_flow_first_drip_and_stop(seed):
    """Second route: slopes of a Savitzky-Golay filter (Savitzky and Golay, 1964), with none of our code."""
    t, mass, _, _ = recording(seed, bench=False)
    even = np.arange(0, t[-1], 0.1)
    flow = savgol_filter(np.interp(even, t, mass), window_length=15, polyorder=2, deriv=1, delta=0.1)
    usual = np.median(flow[flow > 0.5])
    running = even[flow > usual / 2]
    found = pour.read(t, mass)
    assert -0.3 < running[0] - found.first_drip_s < 1.7  # half the flow comes a while after the first drip
    assert -0.3 < running[-1] - found.stop_s < 1.7  # and goes a while after the stop
    assert found.beverage_g == pytest.approx(np.trapezoid(flow, even), abs=0.5)
    inner = (even > found.first_drip_s + 5) & (even < found.stop_s - 1)
    assert found.flow_drift_g_per_s2 == pytest.approx(np.polyfit(even[inner], flow[inner], 1)[0], abs=0.015)


def test_neither_a_shift_of_the_clock_nor_of_the_scale_changes_the_pour():
    t, mass, _, _ = recording(5, bench=False)
    found, moved = pour.read(t, mass), pour.read(t + 40, mass + 183.5)
    assert moved.first_drip_s - 40 == pytest.approx(found.first_drip_s, abs=0.02)
    assert moved.stop_s - 40 == pytest.approx(found.stop_s, abs=0.02)
    assert moved.beverage_g == pytest.approx(found.beverage_g, abs=0.02)


def test_the_order_of_samples_does_not_matter():
    t, mass, _, _ = recording(6)
    shuffled = np.random.default_rng(0).permutation(len(t))
    assert pour.read(t[shuffled], mass[shuffled]) == pour.read(t, mass)


def test_a_cup_lifted_and_put_back_while_coffee_runs_costs_what_missed_it():
    t, mass, _, truth = recording(7, bench=False)
    lifted = (t > truth["drip"] + 6) & (t < truth["drip"] + 8)
    assert pour.read(t, np.where(lifted, -165.0, mass)).beverage_g == pytest.approx(truth["out"], abs=0.7)


def test_a_scale_tared_in_the_middle_of_the_pour_loses_nothing():
    t, mass, _, truth = recording(8, bench=False)
    tared = truth["drip"] + 7
    zero = np.interp(tared, t, mass)
    assert pour.read(t, np.where(t > tared, mass - zero, mass)).beverage_g == pytest.approx(truth["out"], abs=0.7)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    "place",
    [
        lambda t, mass: np.where(t < 0.6, 0.0, np.where(t < 2.0, 212.3, mass)),  # cup set down, then tared
        lambda t, mass: np.where(t < 2.0, 0.0, mass + 212.3),  # cup set down, never tared
        lambda t, mass: np.where(t < 2.0, -212.3, mass),  # tared with the cup, which came back late
    ],
)
def test_how_the_cup_came_onto_the_scale_does_not_matter(seed, place):
    t, mass, _, truth = recording(seed, bench=False)
    found = pour.read(t, place(t, mass))
    assert found.first_drip_s == pytest.approx(truth["drip"], abs=0.3)
    assert found.stop_s == pytest.approx(truth["stop"], abs=0.5)
    assert found.beverage_g == pytest.approx(truth["out"], abs=0.2)


@pytest.mark.parametrize("seed", range(5))
def test_a_cup_taken_right_after_the_stop_holds_what_had_run_till_then(seed):
    t, mass, _, truth = recording(seed, bench=False)
    taken = truth["stop"] + 0.8
    found = pour.read(t, np.where(t > taken, -160.0, mass))
    assert found.beverage_g == pytest.approx(np.interp(taken, t, mass), abs=1.5)
    assert found.stop_s == pytest.approx(truth["stop"], abs=0.8)


@pytest.mark.parametrize(("flow", "drip", "stop"), [(8.0, 5.0, 11.0), (0.3, 12.0, 52.0), (1.4, 9.0, 100.0)])
def test_gushers_and_shots_that_barely_run_are_read_too(flow, drip, stop):
    t = np.arange(0, stop + 8, 0.1)
    noise = np.random.default_rng(0).normal(0, 0.05, len(t))
    found = pour.read(t, np.round(flow * np.clip(t - drip, 0, stop - drip) + noise, 1))
    assert (found.first_drip_s, found.stop_s) == pytest.approx((drip, stop), abs=0.8)
    assert found.beverage_g == pytest.approx(flow * (stop - drip), abs=0.2)


def test_a_second_pour_into_the_same_cup_is_not_part_of_the_first():
    t, mass, _, truth = recording(9, bench=False)
    later = t[-1] + 6 + np.arange(0, 8, 0.1)
    rinsed = mass[-1] + np.minimum((later - later[0]) * 2.5, 15.0)
    between = np.arange(t[-1] + 0.1, later[0], 0.1)
    found = pour.read(
        np.concatenate([t, between, later]), np.concatenate([mass, np.full(len(between), mass[-1]), rinsed])
    )
    assert found.beverage_g == pytest.approx(truth["out"], abs=0.3)
    assert found.stop_s == pytest.approx(truth["stop"], abs=1.0)


def test_a_recording_that_ends_with_the_pump_says_that_it_did():
    t, mass, _, truth = recording(10, bench=False)
    cut = t <= truth["stop"]
    found = pour.read(t[cut], mass[cut])
    assert not found.ended
    assert found.stop_s == pytest.approx(truth["stop"], abs=0.3)
    assert found.beverage_g == pytest.approx(truth["at_stop"], abs=0.5)


@pytest.mark.parametrize(
    ("t", "mass", "why"),
    [
        ([0, 1, 2], [0, 1, 2], "3 samples"),
        (np.arange(0, 100, 5), np.arange(20), "s apart"),
        (np.arange(0, 30, 0.1), np.zeros(300), "nothing rises"),
        (np.append(np.arange(0, 30, 0.1), 1e12), np.arange(301), "1e+12 s"),
        (np.arange(0, 30, 0.1), np.where(np.arange(300) > 150, 40.0, 0.0), "nothing rises"),  # a cup set down
        (np.arange(0, 30, 0.1), np.full(300, np.nan), "0 samples"),
        (np.zeros(300), np.arange(300), "1 samples"),
    ],
)
def test_what_is_no_pour_is_refused_with_its_reason(t, mass, why):
    with pytest.raises(FitError, match="no pour") as refused:
        pour.read(t, mass)
    assert why in refused.value.problems[0].why
    assert refused.value.problems[0].do


@pytest.mark.parametrize("seed", range(150))
def test_whatever_is_recorded_a_pour_or_a_reason_comes_out(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 120))
    t = np.cumsum(rng.exponential(rng.choice([0.01, 0.2, 1.5]), n)) if seed % 3 else rng.uniform(-5, 60, n)
    mass = rng.choice([rng.normal(0, 50, n), np.cumsum(rng.normal(0.2, 1, n)), rng.integers(-100, 2000, n)])
    mass[rng.random(n) < 0.1] = np.nan
    bar = rng.uniform(-1, 12, n)
    bar[rng.random(n) < 0.3] = np.nan
    try:
        found = pour.read(t, mass, bar)
    except FitError:
        return
    assert np.isfinite([found.stop_s, found.beverage_g, found.mass_at_stop_g, found.flow_g_per_s]).all()
