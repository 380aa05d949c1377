"""The page in a real browser: silent, self-contained, no sideways scroll, and what matters above the fold."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tastefield.records import RunResult

from . import sample_run
from .browser import chromium

pytestmark = pytest.mark.browser

SIZES = [(1280, 800), (390, 844)]
FOLD = ("in", "out", "time", "dial", "sure", "next")


@pytest.fixture(scope="module")
def run() -> RunResult:
    return sample_run.page()[0]


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "page.html"
    file.write_text(sample_run.page()[1], encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def pages(browser: Any, page_file: Path) -> Iterator[dict[tuple[int, int], Any]]:
    """The page opened at each size; at the end no complaint and no request but the page itself may have been seen."""
    seen: list[str] = []
    opened = {}
    for size in SIZES:
        page = opened[size] = browser.new_page(viewport={"width": size[0], "height": size[1]})
        page.on("console", lambda message: seen.append(f"console: {message.text}"))
        page.on("pageerror", lambda error: seen.append(f"error: {error}"))
        page.on("dialog", lambda dialog: seen.append(f"dialog: {dialog.message}"))
        page.on("request", lambda request: None if request.url == page_file.as_uri() else seen.append(request.url))
        page.goto(page_file.as_uri())
        assert page.evaluate("document.querySelectorAll('thead button').length") == 6, "the script runs"
    yield opened
    assert seen == []


def boxes(page: Any, slug: str, parts: tuple[str, ...]) -> dict[str, dict[str, float]]:
    """Boxes of some parts of a setup after going to it by its anchor."""
    page.goto(f"{page.url.split('#')[0]}#{slug}")
    return {part: page.locator(f"[id='{slug}'] {part}").bounding_box() for part in parts}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_nothing_scrolls_sideways(pages: Any, size: tuple[int, int], scheme: str) -> None:
    page = pages[size]
    page.emulate_media(color_scheme=scheme)
    page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    beyond = page.evaluate(
        "[...document.querySelectorAll('main *')].filter(each => !each.closest('.scroll, svg')"
        " && each.getBoundingClientRect().right > innerWidth + 1).map(each => each.outerHTML.slice(0, 80))"
    )
    assert beyond == []


@pytest.mark.parametrize("size", SIZES)
def test_recipe_how_sure_and_what_to_pull_next_lie_above_the_fold(
    pages: Any, run: RunResult, size: tuple[int, int]
) -> None:
    with_recipe = [result.slug for result in run.setups if result.entry["aim"] is not None]
    assert len(with_recipe) > 10
    for slug in with_recipe:
        for part, box in boxes(pages[size], slug, tuple(f"[data-fold='{part}']" for part in FOLD)).items():
            assert box is not None, (slug, part)
            assert box["width"] > 60, (slug, part)
            assert 0 <= box["y"] <= box["y"] + box["height"] <= size[1], (slug, part)


@pytest.mark.parametrize("size", SIZES)
def test_without_a_recipe_the_best_shot_and_the_next_lie_above_the_fold(
    pages: Any, run: RunResult, size: tuple[int, int]
) -> None:
    for number in (2, 4):
        slug = run.setups[number].slug
        for box in boxes(pages[size], slug, (".best-instead", "[data-fold='sure']", "[data-fold='next']")).values():
            assert 0 <= box["y"] <= box["y"] + box["height"] <= size[1]


@pytest.mark.parametrize("size", SIZES)
def test_the_first_line_of_the_bench_table_is_on_the_first_screen(pages: Any, size: tuple[int, int]) -> None:
    pages[size].evaluate("scrollTo(0, 0)")
    box = pages[size].locator(".bench tbody tr").first.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= size[1]


def test_figures_follow_the_page_into_the_dark(pages: Any) -> None:
    page = pages[SIZES[0]]
    inks = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        inks.append(page.evaluate("getComputedStyle(document.querySelector('figure svg text')).fill"))
    assert inks[0] != inks[1]


def test_print_gives_one_card_a_page_or_the_one_that_was_picked(pages: Any, run: RunResult) -> None:
    page = pages[SIZES[0]]
    cards = [result.slug for result in run.setups if result.entry["aim"] is not None]
    page.goto(page.url.split("#")[0])
    assert _pages(page.pdf(format="A4")) == len(cards)
    page.goto(f"{page.url}#card-{cards[2]}")
    assert _pages(page.pdf(format="A4")) == 1


def _pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf))
