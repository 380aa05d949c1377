"""The page in a real browser: silent, self-contained, no sideways scroll, and what matters above the fold."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tastefield.hooks import NoOptions
from tastefield.records import Context, RunResult
from tastefield_plugins.write_page import PageWriter

from . import sample_run

pytestmark = pytest.mark.browser

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
SIZES = [(1280, 800), (390, 844)]
FOLD = ("in", "out", "time", "dial", "sure", "next")


@pytest.fixture(scope="module")
def run() -> RunResult:
    return sample_run.run()


@pytest.fixture(scope="module")
def page_file(run: RunResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("page")
    writer = PageWriter()
    for result in run.setups:
        writer.write_setup(result, folder, Context(NoOptions()))
    writer.write_run(run, folder, Context(NoOptions()))
    return folder / "page.html"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    missing = "" if CHROMIUM else "Chromium (Debian: apt-get install chromium)"
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing = missing or "playwright (pip install playwright)"
    if missing:
        if "browser" in os.environ.get("TASTEFIELD_REQUIRE", ""):
            pytest.fail(f"missing: {missing}")
        pytest.skip(f"to run this, install {missing}")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture
def open_page(browser: Any, page_file: Path) -> Iterator[Any]:
    """Opens the page at a size and an anchor; at the end no complaint and no request may have been seen."""
    seen: list[str] = []
    context = browser.new_context()

    def opened(size: tuple[int, int], anchor: str = "") -> Any:
        page = context.new_page()
        page.set_viewport_size({"width": size[0], "height": size[1]})
        page.on("console", lambda message: seen.append(f"console: {message.text}"))
        page.on("pageerror", lambda error: seen.append(f"error: {error}"))
        page.on("dialog", lambda dialog: seen.append(f"dialog: {dialog.message}"))
        page.on("request", lambda request: None if request.url == page_file.as_uri() else seen.append(request.url))
        page.goto(page_file.as_uri() + (f"#{anchor}" if anchor else ""))
        return page

    yield opened
    context.close()
    assert seen == []


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_scrolls_sideways(open_page: Any, size: tuple[int, int], scheme: str) -> None:
    page = open_page(size)
    page.emulate_media(color_scheme=scheme)
    page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    beyond = page.evaluate(
        "[...document.querySelectorAll('main *')].filter(each => !each.closest('.scroll, svg')"
        " && each.getBoundingClientRect().right > innerWidth + 1).map(each => each.outerHTML.slice(0, 80))"
    )
    assert beyond == []


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("number", [0, 1, 3, 5, 6, 7, 13])
def test_recipe_how_sure_and_what_to_pull_next_lie_above_the_fold(
    open_page: Any, run: RunResult, size: tuple[int, int], number: int
) -> None:
    slug = run.setups[number].slug
    page = open_page(size, slug)
    for part in FOLD:
        box = page.locator(f"[id='{slug}'] [data-fold='{part}']").bounding_box()
        assert box is not None, part
        assert box["width"] > 60, part
        assert box["y"] >= 0, part
        assert box["y"] + box["height"] <= size[1], part


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("number", [2, 4])
def test_without_a_recipe_the_best_shot_and_the_next_lie_above_the_fold(
    open_page: Any, run: RunResult, size: tuple[int, int], number: int
) -> None:
    slug = run.setups[number].slug
    page = open_page(size, slug)
    for part in (".best-instead", "[data-fold='sure']", "[data-fold='next']"):
        box = page.locator(f"[id='{slug}'] {part}").bounding_box()
        assert box is not None
        assert 0 <= box["y"] <= box["y"] + box["height"] <= size[1]


@pytest.mark.parametrize("size", SIZES)
def test_the_first_line_of_the_bench_table_is_on_the_first_screen(open_page: Any, size: tuple[int, int]) -> None:
    page = open_page(size)
    box = page.locator(".bench tbody tr").first.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= size[1]


def test_figures_follow_the_page_into_the_dark(open_page: Any) -> None:
    page = open_page((1280, 800))
    inks = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        inks.append(page.evaluate("getComputedStyle(document.querySelector('figure svg text')).fill"))
    assert inks[0] != inks[1]


def test_print_gives_one_card_a_page_or_the_one_that_was_picked(open_page: Any, run: RunResult) -> None:
    cards = [result.slug for result in run.setups if result.entry["aim"] is not None]
    assert _pages(open_page((1280, 800)).pdf(format="A4")) == len(cards)
    assert _pages(open_page((1280, 800), f"card-{cards[2]}").pdf(format="A4")) == 1


def _pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf))
