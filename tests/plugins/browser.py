"""Chromium for tests that look at a page, or the reason why there is none."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]


def lacking(what: str) -> None:
    """Skip for want of something, or fail where the surroundings say that it must be there."""
    if "browser" in os.environ.get("TASTEFIELD_REQUIRE", ""):
        pytest.fail(f"missing: {what}")
    pytest.skip(f"to run this, install {what}")


@contextmanager
def chromium() -> Iterator[Any]:
    """The distribution's Chromium, started by playwright."""
    if CHROMIUM is None:
        lacking("Chromium (Debian: apt-get install chromium)")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        lacking("playwright (pip install playwright)")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


def axe() -> str:
    """The rules of accessibility as a script; they come with a package that is installed for tests alone."""
    try:
        import axe_playwright_python
    except ImportError:
        lacking("axe-playwright-python (pip install axe-playwright-python)")
    return (Path(str(axe_playwright_python.__file__)).parent / "axe.min.js").read_text("utf-8")
