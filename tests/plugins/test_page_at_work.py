"""The page used in a real browser: lines sorted and found, recipes tried, read by those who cannot see it."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from tastefield.records import Context, Lattice, RunResult
from tastefield_plugins.write_page import PageWriter

from . import sample_run
from .browser import axe, chromium

pytestmark = pytest.mark.browser

TRY = """([slug, points]) => {
  const box = document.querySelector(`[id="${slug}"] [data-trial]`);
  const at = (name) => box.querySelector(`[data-out=${name}]`);
  return points.map(([ratio, time]) => {
    for (const [name, value] of [["ratio", ratio], ["time", time]]) {
      const slider = box.querySelector(`[name=${name}]`);
      slider.value = value;
      slider.dispatchEvent(new Event("input"));
    }
    const told = {};
    for (const each of box.querySelectorAll("[data-out]"))
      told[each.dataset.out] = [each.textContent.replaceAll("\\u00a0", " "), each.dataset.value];
    told.interval = [at("expected").dataset.lower, at("expected").dataset.upper];
    told.guess = box.classList.contains("is-guess");
    return told;
  });
}"""
"""What the sliders tell at points, in one go."""


@pytest.fixture(scope="module")
def run() -> RunResult:
    return sample_run.page()[0]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("work") / "page.html"
    file.write_text(sample_run.page()[1], encoding="utf-8")
    return file


@pytest.fixture
def page(browser: Any, page_file: Path) -> Iterator[Any]:
    """The page, opened anew; no complaint may have been seen at the end."""
    seen: list[str] = []
    opened = browser.new_page(viewport={"width": 1280, "height": 800})
    opened.on("console", lambda message: seen.append(message.text))
    opened.on("pageerror", lambda error: seen.append(str(error)))
    opened.goto(page_file.as_uri())
    yield opened
    opened.close()
    assert seen == []


def machines(page: Any) -> list[str]:
    shown = "row => row.offsetParent !== null"
    name = "row => row.cells[0].querySelector('bdi').textContent"
    return list(page.evaluate(f"[...document.querySelectorAll('[data-sorts] tbody tr')].filter({shown}).map({name})"))


def sorting(page: Any) -> list[str | None]:
    return list(page.evaluate("[...document.querySelectorAll('[data-sorts] th[scope=col]')].map(h => h.ariaSort)"))


# --- the bench table ------------------------------------------------------------------------------------------------


def test_a_heading_sorts_up_then_down_and_says_so(page: Any) -> None:
    before = machines(page)
    page.get_by_role("button", name="Machine").click()
    up = machines(page)
    assert up != before
    assert sorted(up) == sorted(before)
    bench = [name for name in up if name.startswith("Bench")]
    assert bench == sorted(bench)
    assert sorting(page) == ["ascending", None, None, None, None, None]
    page.get_by_role("button", name="Machine").click()
    assert [name for name in machines(page) if name.startswith("Bench")] == bench[::-1]
    assert sorting(page)[0] == "descending"


def test_lines_come_back_to_the_readiest_first(page: Any, run: RunResult) -> None:
    before = machines(page)
    assert before[0] == next(one.entry["key"]["machine"] for one in run.setups if one.entry["status"] == "confirmed")
    page.get_by_role("button", name="Coffee").click()
    assert machines(page) != before
    page.set_viewport_size({"width": 390, "height": 844})
    page.get_by_label("Sort by").select_option("")
    assert machines(page) == before
    assert sorting(page) == [None] * 6


def test_the_keyboard_alone_sorts(page: Any) -> None:
    button = page.get_by_role("button", name="How sure")
    button.focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    assert sorting(page)[4] == "descending"


def test_how_sure_sorts_by_the_chance_and_leaves_the_unknown_last(page: Any, run: RunResult) -> None:
    page.get_by_role("button", name="How sure").click()
    chances = page.evaluate(
        "[...document.querySelectorAll('[data-sorts] tbody tr')].map(row => row.cells[4].dataset.sort)"
    )
    known = [float(chance) for chance in chances if chance]
    assert known == sorted(known)
    assert len(known) == sum(result.entry["assurance"] is not None for result in run.setups)
    assert all(not chance for chance in chances[len(known) :])


def test_lines_are_found_by_any_word_and_by_what_is_ready(page: Any, run: RunResult) -> None:
    page.get_by_label("Find").fill("morning BENCH 02")
    assert machines(page) == ["Bench 02"]
    assert page.get_by_role("status").first.inner_text() == f"1 of {len(run.setups)} lines"
    page.get_by_label("Find").fill("")
    page.get_by_label("Show").select_option("ready")
    ready = [result for result in run.setups if result.entry["status"] in ("window", "confirmed")]
    assert len(machines(page)) == len(ready)


def test_a_phone_sorts_by_a_list_and_hidden_lines_stay_hidden(page: Any) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    page.get_by_label("Sort by").select_option(label="Machine, down")
    page.get_by_label("Find").fill("bench 0")
    assert machines(page) == [f"Bench 0{number}" for number in (6, 5, 4, 3, 2, 1)]


def test_without_script_the_page_reads_whole(browser: Any, page_file: Path, run: RunResult) -> None:
    context = browser.new_context(java_script_enabled=False)
    plain = context.new_page()
    plain.goto(page_file.as_uri())
    assert plain.locator("[data-sorts] tbody tr").count() == len(run.setups)
    assert plain.locator("#tools").is_hidden()
    assert plain.locator("[data-trial]").first.is_hidden()
    assert plain.locator("[data-fold='out']").first.is_visible()
    context.close()


# --- try a recipe ---------------------------------------------------------------------------------------------------


def points(lattice: Lattice) -> list[list[float]]:
    """Recipes all over a surface, its corners, its own points and places where nothing speaks among them."""
    rng = np.random.default_rng(5)
    ratio = np.exp(rng.uniform(*np.log(lattice.ratio[[0, -1]]), 200))
    time_s = np.exp(rng.uniform(*np.log(lattice.shot_time_s[[0, -1]]), 200))
    on = np.array([[r, t] for r in lattice.ratio[::8] for t in lattice.shot_time_s[::8]])
    return [*np.column_stack([ratio, time_s]).tolist(), *on.tolist()]


@pytest.mark.parametrize("number", [0, 3, 5])
def test_sliders_tell_what_the_stored_surface_tells_to_three_digits(page: Any, run: RunResult, number: int) -> None:
    """Against SciPy's interpolation on a regular grid, over the logs of both axes."""
    result = run.setups[number]
    lattice, aim = result.lattice, result.entry["aim"]
    assert lattice is not None
    assert lattice.expected is not None
    told = page.evaluate(TRY, [result.slug, points(lattice)])
    at = np.array([[float(one["ratio"][1]), float(one["time"][1])] for one in told])
    axes = (np.log(lattice.ratio), np.log(lattice.shot_time_s))
    inside = np.clip(np.log(at), [axis[0] for axis in axes], [axis[-1] for axis in axes])

    def expected(values: Any) -> Any:
        return RegularGridInterpolator(axes, np.asarray(values, dtype=float))(inside)

    def shown(name: str, which: int = 1) -> Any:
        return np.array([float(one[name][which]) for one in told])

    assert np.abs(at[:200] - points(lattice)[:200]).max() < 0.75, "the sliders went where they were sent"
    np.testing.assert_allclose(shown("expected"), expected(lattice.expected), atol=5e-4)
    np.testing.assert_allclose(shown("interval", 0), expected(lattice.lower), atol=5e-4)
    np.testing.assert_allclose(shown("interval", 1), expected(lattice.upper), atol=5e-4)
    np.testing.assert_allclose(shown("chance"), expected(lattice.chance), atol=5e-4)
    np.testing.assert_allclose(shown("out"), aim["dose_g"] * at[:, 0], rtol=1e-6)
    if lattice.extraction_pct is not None:
        np.testing.assert_allclose(shown("extraction"), expected(lattice.extraction_pct), atol=5e-4)
        np.testing.assert_allclose(shown("tds"), expected(lattice.extraction_pct) / at[:, 0], atol=5e-4)
    else:
        assert "extraction" not in told[0]
    guess = expected(lattice.supported) < 0.5
    assert 30 < guess.sum() < len(guess) - 30
    assert [one["guess"] for one in told] == guess.tolist()
    for one, unknown in zip(told, guess, strict=True):
        assert ("Nobody tasted a shot near this" in one["known"][0]) == bool(unknown)
        assert (one["chance"][0] == "cannot say here") == bool(unknown)


def test_sliders_begin_at_the_recipe_and_say_what_the_page_says(page: Any, run: RunResult) -> None:
    result = run.setups[0]
    aim = result.entry["aim"]
    told = page.evaluate(TRY, [result.slug, [[aim["ratio"], aim["shot_time_s"]]]])[0]
    assert told["out"][0] == f"{aim['beverage_g']:.1f} g"
    expected = result.entry["expected_score"]
    assert told["expected"][0] == f"{expected['mean']:.1f} ({expected['lower']:.1f} to {expected['upper']:.1f})"
    assert told["chance"][0] == "about 4 in 5"
    assert not told["guess"]
    assert told["dial"][0] == aim["grind_setting"]
    assert told["time"][0].endswith("from pressing the button")


def test_chances_are_told_in_tenths_and_of_few_tasted_shots_not_at_all(page: Any, run: RunResult) -> None:
    for number, pattern in ((0, r"about \d in \d+|less than 1 in 20|more than 19 in 20"), (2, "")):
        result = run.setups[number]
        if result.lattice is None:
            assert page.locator(f"[id='{result.slug}'] [data-trial]").count() == 0
            continue
        aim = result.entry["aim"]
        told = page.evaluate(TRY, [result.slug, [[aim["ratio"], aim["shot_time_s"]]]])[0]
        assert re.fullmatch(pattern, told["chance"][0])


def test_the_dial_follows_time_and_ratio_and_never_leaves_its_safe_marks(page: Any, run: RunResult) -> None:
    result = run.setups[0]
    assert result.dial is not None
    aim, marks = result.entry["aim"], result.dial
    slope = result.entry["settings"]["line"]["per_log_ratio"]
    told = page.evaluate(TRY, [result.slug, points(result.lattice)])  # type: ignore[arg-type]
    for one in told:
        ratio, time_s = float(one["ratio"][1]), float(one["time"][1])
        gives = marks["shot_time_s"] * (ratio / aim["ratio"]) ** slope
        nearest = marks["grind_setting"][(np.log(gives) - np.log(time_s)).abs().idxmin()]
        text, mark = one["dial"]
        assert mark == nearest
        assert ("stop if nothing drips" in text) == (float(mark) < float(aim["grind_setting"]))
        if time_s > 1.2 * gives.max():
            assert "the nearest safe mark" in text


def test_arrow_keys_move_a_slider_and_the_button_brings_the_recipe_back(page: Any, run: RunResult) -> None:
    box = page.locator(f"[id='{run.setups[0].slug}'] [data-trial]")
    before = box.locator("[data-out=expected]").inner_text()
    slider = box.get_by_label("Ratio")
    slider.focus()
    for _ in range(12):
        page.keyboard.press("ArrowRight")
    assert "1:2.34" in box.locator("[data-out=ratio]").inner_text()
    assert str(slider.get_attribute("aria-valuetext")).startswith("1 to 2.34, 42")
    assert box.locator("[data-out=expected]").inner_text() != before
    box.get_by_role("button").click()
    assert box.locator("[data-out=expected]").inner_text() == before


@pytest.mark.parametrize(("own", "said"), [(True, "Your own tasted shots"), (False, "What was tasted elsewhere")])
def test_sliders_say_whose_tasted_shots_speak(browser: Any, tmp_path: Path, own: bool, said: str) -> None:
    result = sample_run.setup(sample_run.CASES[0])
    assert result.lattice is not None
    lattice = dataclasses.replace(result.lattice, own=result.lattice.supported & own)
    PageWriter().write_setup(dataclasses.replace(result, lattice=lattice), tmp_path, Context(PageWriter.Options()))
    page = browser.new_page()
    page.goto((tmp_path / "setups" / f"{result.slug}.html").as_uri())
    assert page.locator("[data-out=known]").inner_text().startswith(said)
    page.close()


def test_a_large_bench_prints_its_table_and_a_setup_its_section_without_what_paper_cannot_do(
    browser: Any, tmp_path: Path
) -> None:
    run = sample_run.run(sample_run.CASES[:2])
    writer, context = PageWriter(), Context(PageWriter.Options(one_file=0), setups=2)
    for result in run.setups:
        writer.write_setup(result, tmp_path, context)
    writer.write_run(run, tmp_path, context)
    page = browser.new_page()
    page.emulate_media(media="print")
    page.goto((tmp_path / "page.html").as_uri())
    assert page.locator("[data-sorts] tbody tr").first.is_visible()
    assert page.locator("#tools").is_hidden()
    page.emulate_media(media="screen")
    page.get_by_role("link", name="Bench 01").click()
    page.emulate_media(media="print")
    assert page.locator("[data-fold='out']").is_visible()
    assert page.locator("[data-trial]").is_hidden()
    assert page.locator(".card").is_visible()
    page.close()


# --- for everybody --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def every_case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a run with every kind of setup."""
    folder, run = tmp_path_factory.mktemp("every"), sample_run.run(sample_run.CASES)
    writer, context = PageWriter(), Context(PageWriter.Options(), setups=len(run.setups))
    for result in run.setups:
        writer.write_setup(result, folder, context)
    writer.write_run(run, folder, context)
    return folder / "page.html"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_no_serious_fault_of_accessibility_is_found(browser: Any, every_case: Path, scheme: str, width: int) -> None:
    """Rules of WCAG 2.2, A and AA, as axe-core checks them."""
    script = axe()
    page = browser.new_page(viewport={"width": width, "height": 800}, color_scheme=scheme, bypass_csp=True)
    page.goto(every_case.as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
    page.evaluate(script)
    found = page.evaluate(
        "axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'], "
        "resultTypes: ['violations'], selectors: false})"  # of what passes its name is enough: the rest takes long
    )
    page.close()
    assert len(found["passes"]) > 15
    told = [
        (fault["id"], fault["impact"], [node["html"][:120] for node in fault["nodes"][:3]])
        for fault in found["violations"]
        if fault["impact"] in ("serious", "critical")
    ]
    assert told == [], json.dumps(told, indent=1)
