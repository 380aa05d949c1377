"""The writer ``figures``: the figures of the page as files that stand alone, in the formats that were asked for."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pydantic import ValidationError

from tastefield.figures import gallery, style
from tastefield.records import Context
from tastefield_plugins.write_figures import FigureOptions, FigureWriter

from . import sample_run


def written(folder: Path, case: sample_run.Case = sample_run.CASES[3], **options: object) -> dict[str, bytes]:
    """Files of one setup's figures by name."""
    result, context = sample_run.setup(case), Context(FigureOptions(**options))
    FigureWriter().write_setup(result, folder, context)
    return {file.name.removeprefix(f"{result.slug}-"): file.read_bytes() for file in (folder / "figures").iterdir()}


def test_every_figure_there_may_be_is_named_in_the_gallery():
    drawn = [set(gallery.pictures(sample_run.setup(case))) for case in sample_run.CASES]
    assert set().union(*drawn) == set(gallery.NAMES)


def test_a_setup_leaves_its_figures_in_both_formats_named_by_its_slug(tmp_path):
    files = written(tmp_path)
    assert set(files) == {f"{name}.{ending}" for name in gallery.NAMES for ending in ("svg", "png")}
    assert set(written(tmp_path / "few", sample_run.CASES[2])) == {"dial.svg", "dial.png"}, "nothing tasted, no map"


def test_only_what_is_asked_for_is_written(tmp_path):
    assert set(written(tmp_path, formats=["svg"], which=["dial"])) == {"dial.svg"}


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"which": ["mapp"]}, "no figure is called mapp; there are: map"),
        ({"formats": []}, "at least 1"),
        ({"formats": ["pdf"]}, "svg"),
        ({"dpi": 5000}, "600"),
        ({"colour": "red"}, "colour"),
    ],
)
def test_an_option_that_means_nothing_is_refused_with_what_it_may_be(options, told):
    with pytest.raises(ValidationError, match=told):
        FigureOptions(**options)


def test_an_svg_file_needs_no_page_around_it(tmp_path):
    svg = written(tmp_path, formats=["svg"], which=["map"])["map.svg"].decode("utf-8")
    root = ET.fromstring(svg)
    assert "var(" not in svg
    assert "<style" not in svg
    assert style.INK in svg
    _, _, *box = (float(part) for part in root.attrib["viewBox"].split())
    assert [float(root.attrib[side].removesuffix("pt")) for side in ("width", "height")] == pytest.approx(box)
    assert "set this" in ["".join(text.itertext()) for text in root.iter("{http://www.w3.org/2000/svg}text")]
    assert not re.search(r"20\d\d-\d\d-\d\dT|https?://(?!www\.w3\.org)", svg), "no date, nothing to load"


def test_a_png_has_the_pixels_asked_for_and_shows_what_the_svg_shows(tmp_path):
    # the W3C's PNG specification, third edition: eight-byte signature, then IHDR; read by an independent library
    image = Image.open(io.BytesIO(written(tmp_path, which=["map"], formats=["png"], dpi=100)["map.png"]))
    assert image.format == "PNG"
    assert image.size == (530, 440)
    assert not {"Software", "Creation Time", "date"} & set(image.info)
    pixels = np.asarray(image.convert("RGB")).astype(int)
    for ink in (style.PAPER, style.ACCENT, style.INK):
        rgb = [int(ink[at : at + 2], 16) for at in (1, 3, 5)]
        assert (np.abs(pixels - rgb).max(axis=2) <= 8).any(), f"{ink} is drawn"


@pytest.mark.parametrize("case", sample_run.HOSTILE_CASES)
def test_hostile_names_stay_words_in_files_of_harmless_names(case, tmp_path):
    for name, content in written(tmp_path, case, dpi=50).items():
        assert re.fullmatch(r"[a-z_]+\.(svg|png)", name)
        if name.endswith(".svg"):
            root = ET.fromstring(content)
            assert not [node for node in root.iter() if node.tag.endswith(("}script", "}image", "}foreignObject"))]
            assert b"\xe2\x80\xae" not in content, "nothing turns the reading direction"


def test_figures_are_the_same_bytes_every_time(tmp_path):
    first = written(tmp_path / "one")
    written(tmp_path / "other", sample_run.CASES[0])
    assert written(tmp_path / "two") == first
