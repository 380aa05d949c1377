"""What is packed: whoever installs the wheel gets every file that a run needs, with the licence of the fonts."""

from __future__ import annotations

import importlib.util
import os
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def test_the_wheel_holds_every_file_of_both_packages_that_is_no_python(tmp_path):
    if importlib.util.find_spec("hatchling") is None:
        if "build" in os.environ.get("TASTEFIELD_REQUIRE", "").split(","):
            pytest.fail("hatchling is missing: pip install hatchling")
        pytest.skip("needs the build backend: pip install hatchling")
    from hatchling.builders.wheel import WheelBuilder

    (built,) = WheelBuilder(str(ROOT)).build(directory=str(tmp_path), versions=["standard"])
    packed = set(zipfile.ZipFile(built).namelist())
    card = "tastefield_plugins/write_card"
    assert {
        "tastefield/words/card.toml",
        f"{card}/card.typ",
        f"{card}/fonts/DejaVuSansCondensed.ttf",
        f"{card}/fonts/DejaVuSansCondensed-Bold.ttf",
        f"{card}/fonts/LICENSE",
    } <= packed
    for top, package in (("pipeline", "tastefield"), ("plugins", "tastefield_plugins")):
        files = [
            file for file in (ROOT / top / package).rglob("*") if file.is_file() and "__pycache__" not in file.parts
        ]
        assert {file.relative_to(ROOT / top).as_posix() for file in files} <= packed
