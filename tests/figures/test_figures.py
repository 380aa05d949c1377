"""Figures: clean SVG text, the same bytes every time, every number where it belongs, readable without colour."""

from __future__ import annotations

import dataclasses
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from tastefield.figures import curves, dial, extraction, pours, strength, style, taste_map, tasters
from tastefield.records import Lattice

SVG = "{http://www.w3.org/2000/svg}"
HREF = "{http://www.w3.org/1999/xlink}href"
WORDS = {"scale": (1.0, 9.0), "good": 6.5, "attribute": "liking"}
RATIO = np.array([1.7, 2.0, 2.3, 2.6, 2.1])
TIME = np.array([22.0, 27.0, 33.0, 30.0, 25.0])
SCORE = np.array([5.0, 7.0, 6.0, np.nan, 7.5])
POSITION = np.array([9.0, 8.0, 6.5, 7.0, np.nan])
HARSH = ["$x^2$", "<b>&\"'", "\u65e5\u672c", "\U0001f600", "a\x00b\u202e", "n" * 300]


def lattice(extraction_too: bool = True) -> Lattice:
    ratio, time = np.linspace(1.2, 3.4, 31), np.linspace(14.0, 50.0, 33)
    across, along = np.meshgrid(ratio, time, indexing="ij")
    mean = 7.5 - 2.0 * np.log(across / 2.1) ** 2 / 0.1 - 1.5 * np.log(along / 27) ** 2 / 0.12
    supported = np.hypot(np.log(across / 2.1) / 0.3, np.log(along / 27) / 0.4) < 1
    read = 19 + 3 * np.log(across / 2) + np.log(along / 27) if extraction_too else None
    return Lattice(ratio, time, mean, mean * 0 + 0.4, mean * 0 + 0.5, supported, read)


def a_map(name: str = "map", **more: object) -> str:
    return taste_map.draw(
        lattice(), (RATIO, TIME, SCORE), clock="from pressing the button", name=name, **{**WORDS, **more}
    ).inline()


def test_the_edge_of_what_was_tried_is_drawn_smooth_and_moves_by_less_than_a_step_of_the_lattice() -> None:
    """Each point whose neighbours are all on its side stays there; an edge along an axis does not move at all."""
    rng = np.random.default_rng(3)
    for _ in range(20):
        middle, wide = rng.uniform(8, 32, 2), rng.uniform(2, 12, 2)
        where = (((np.indices((41, 41)).transpose(1, 2, 0) - middle) / wide) ** 2).sum(axis=2) < 1
        near = np.array([np.roll(where, (down - 1, right - 1), (0, 1)) for down, right in np.ndindex(3, 3)])
        inner = near.all(axis=0) | ~near.any(axis=0)
        assert inner.sum() > 1_200
        np.testing.assert_array_equal((taste_map.smoothed(where) >= 0.5)[inner], where[inner])
    half = np.repeat(np.arange(41)[:, None] < 20, 41, axis=1)
    np.testing.assert_array_equal(taste_map.smoothed(half) >= 0.5, half)


def an_extraction(name: str = "extraction", **more: object) -> str:
    read = np.array([18.0, 19.0, 20.0, 21.0, np.nan])
    return extraction.draw(lattice(), read, SCORE, aim_pct=19.4, name=name, **{**WORDS, **more}).inline()


def a_dial(name: str = "dial", **more: object) -> str:
    return dial.draw(POSITION, TIME, clock="from the first drip", line=(4.2, -0.12), name=name, **more).inline()


def some_tasters(name: str = "tasters", **more: object) -> str:
    scores = {"ana": np.array([5.0, 6.0, 7.5]), "ben": np.array([6.0])}
    return tasters.draw(scores, name=name, **{**WORDS, **more}).inline()


def a_curve(name: str = "curve", **more: object) -> str:
    along = np.linspace(20.0, 50.0, 31)
    expected = 7.2 - 0.01 * (along - 36) ** 2
    given = {"what": "grams out", "written": "{:.0f} g".format, "aim": 36.0, "pulled": np.array([30.0, 36.0])}
    spoken = np.abs(along - 36) < 10
    around = (expected, expected - 1, expected + 1, spoken)
    return curves.draw(along, *around, name=name, **{**WORDS, **given, **more}).inline()


def some_pours(name: str = "pours", **more: object) -> str:
    seconds = np.arange(0.0, 30.0, 0.1)
    recorded = {f"shot {n}": (seconds, (30 + n) * np.clip((seconds - 7) / 22, 0, 1)) for n in range(3)}
    given = {"clock": "from pressing the button", "aim": (28.0, 36.0)}
    return pours.draw(recorded, {"shot 1": 7.0, "shot 2": np.nan}, name=name, **{**WORDS, **given, **more}).inline()


def a_strength(name: str = "strength", **more: object) -> str:
    tds, read = np.array([8.0, 9.0, 10.0, 11.0, np.nan]), np.array([22.0, 20.0, 19.0, 18.0, np.nan])
    return strength.draw(tds, read, SCORE, name=name, **{**WORDS, "aim": (9.2, 19.4), **more}).inline()


FIGURES = [a_map, an_extraction, a_dial, some_tasters, a_curve, some_pours, a_strength]


def texts(svg: str) -> list[str]:
    return ["".join(element.itertext()) for element in ET.fromstring(svg).iter(f"{SVG}text")]


@pytest.mark.parametrize("figure", FIGURES)
def test_a_figure_is_the_same_text_every_time(figure: Callable[..., str]) -> None:
    first = figure()
    a_dial("another")
    assert figure() == first
    assert not re.search(r"20\d\d-\d\d-\d\dT", first)


@pytest.mark.parametrize("figure", FIGURES)
def test_a_figure_is_small_well_formed_and_says_what_it_is(figure: Callable[..., str]) -> None:
    svg = figure()
    root = ET.fromstring(svg)
    assert len(svg.encode()) < 60_000
    assert root.get("role") == "img"
    assert root.get("aria-label")
    assert not list(root.iter(f"{SVG}image")), "nothing is rasterised"
    assert not list(root.iter(f"{SVG}style")), "a style element would restyle the whole page"


@pytest.mark.parametrize("figure", FIGURES)
def test_two_figures_in_one_page_share_no_id_and_every_reference_is_met(figure: Callable[..., str]) -> None:
    ids = [re.findall(r' id="([^"]+)"', figure(name)) for name in ("one", "two")]
    assert ids[0]
    assert len({*ids[0], *ids[1]}) == len(ids[0]) + len(ids[1])
    used = set(re.findall(r'(?:url\(#|href="#)([^")]+)', figure("one")))
    assert used == set(ids[0])


@pytest.mark.parametrize("figure", FIGURES)
def test_inks_follow_the_page_into_the_dark(figure: Callable[..., str]) -> None:
    svg = figure()
    for ink, variable in ((style.INK, "--ink"), (style.ACCENT, "--accent")):
        assert svg.count(ink) == svg.count(f"var({variable},{ink})") > 0 or ink not in svg


def test_scores_read_without_colour_because_lightness_falls_steadily() -> None:
    # Relative luminance as WCAG 2.2 defines it (sRGB, IEC 61966-2-1).
    def luminance(score: float) -> float:
        parts = [
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in style.score_color(score, (1, 9), 6.5)
        ]
        return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]

    steps = [luminance(score) for score in np.arange(3.5, 8.6, 0.5)]
    assert all(high / low > 1.08 for high, low in pairwise(steps))


def test_every_shot_stands_on_the_map_where_it_was_pulled() -> None:
    uses = list(ET.fromstring(a_map()).iter(f"{SVG}use"))
    tasted, ink = np.isfinite(SCORE), f"stroke: var(--ink,{style.INK})"
    rings = [use for use in uses if ink in use.attrib["style"] and "fill: none" in use.attrib["style"]]
    (cross,) = (use for use in uses if use.attrib["style"].endswith(ink))
    pixels = np.array([(float(use.attrib["x"]), float(use.attrib["y"])) for use in [*rings, cross]])
    for pixel, values in ((pixels[:, 0], RATIO), (-pixels[:, 1], TIME)):
        inked = np.append(values[tasted], values[~tasted])
        slope, intercept = np.polyfit(inked, pixel, 1)
        assert slope > 0
        np.testing.assert_allclose(pixel, slope * inked + intercept, atol=0.1)


def test_recipe_best_shot_and_window_are_drawn_only_where_they_are() -> None:
    bare, full = a_map(), a_map(aim=(2.1, 27.0), best=(2.1, 25.0), window=((2.0, 2.2), (25.0, 29.0)), dose_g=18.0)
    assert not {"set this", "your best"} & set(texts(bare))
    assert {"set this", "your best"} <= set(texts(full))
    assert full.count(style.ACCENT) > bare.count(style.ACCENT)
    assert {"1:2", "36 g"} <= set(texts(full))
    assert "36 g" not in texts(bare)


def test_the_map_fades_only_what_no_shot_speaks_for() -> None:
    known = lattice()
    everywhere = Lattice(*(known.ratio, known.shot_time_s, known.mean, known.sd, known.chance), known.supported | True)
    drawn = [
        taste_map.draw(grid, (RATIO, TIME, SCORE), clock="x", **WORDS).inline().count("fill-opacity")
        for grid in (known, everywhere)
    ]
    assert drawn == [1, 0]


def test_times_name_their_clock() -> None:
    assert "seconds from pressing the button" in texts(a_map())
    assert any("from the first drip" in text for text in texts(a_dial(higher_is="finer")))


def test_a_choke_is_said_on_the_dial() -> None:
    assert "choked" not in texts(a_dial())
    assert "choked" in texts(a_dial(choked=np.array([5.0, np.nan])))


def test_a_dial_without_a_line_still_shows_its_shots() -> None:
    svg = dial.draw(POSITION, TIME, clock="x").inline()
    assert svg.count("<use") >= 4


@pytest.mark.parametrize("name", HARSH)
def test_harsh_names_draw_without_harm(name: str) -> None:
    svg = tasters.draw({name: np.array([5.0, 6.0]), "ben": np.array([7.0])}, **{**WORDS, "attribute": name}).inline()
    ET.fromstring(svg)
    assert "<b>" not in svg
    assert all(len(text) < 320 for text in texts(svg))
    ET.fromstring(a_map(attribute=name))
    ET.fromstring(an_extraction(attribute=name))


@pytest.mark.parametrize("scale", [(0.0, 1.0), (1.0, 5.0), (0.0, 100.0), (0.0, 1000.0)])
def test_any_scale_is_drawn(scale: tuple[float, float]) -> None:
    low, high = scale
    grid = lattice(False)
    mean = low + (high - low) * np.clip(grid.mean / 9, -1, 2)
    grid = Lattice(grid.ratio, grid.shot_time_s, mean, grid.sd, grid.chance, grid.supported)
    score = low + (high - low) * SCORE / 9
    svg = taste_map.draw(
        grid, (RATIO, TIME, score), scale=scale, good=low + 0.7 * (high - low), attribute="liking", clock="x"
    ).inline()
    assert len(svg) < 60_000


def test_a_flat_surface_and_one_shot_are_drawn() -> None:
    grid = lattice(False)
    flat = Lattice(grid.ratio, grid.shot_time_s, grid.mean * 0 + 5.0, grid.sd, grid.chance, grid.supported & False)
    ET.fromstring(taste_map.draw(flat, (RATIO[:1], TIME[:1], SCORE[:1]), clock="x", **WORDS).inline())
    none = np.array([])
    ET.fromstring(taste_map.draw(flat, (none, none, none), clock="x", **WORDS).inline())


def test_a_dotted_line_parts_own_shots_from_those_of_the_bench_where_both_speak():
    grid, dots = lattice(), "stroke-dasharray: 1.3,2.08"
    some = grid.supported & (grid.ratio[:, None] < 2.2)
    for own, dotted in ((some, True), (grid.supported, False), (grid.supported & False, False), (None, False)):
        told = dataclasses.replace(grid, own=own)
        assert (dots in taste_map.draw(told, (RATIO, TIME, SCORE), clock="x", **WORDS).inline()) == dotted


def test_the_map_ends_where_its_colours_do_unless_a_shot_lies_beyond():
    grid = lattice()  # from 1:1.2 to 1:3.4, from 14 to 50 s
    everywhere = dataclasses.replace(grid, supported=grid.supported | True)
    score = np.array([7.0])
    assert taste_map._view(everywhere, (np.array([2.0]), np.array([20.0]), score)) == ((1.2, 3.4), (14.0, 50.0))
    (left, right), (low, high) = taste_map._view(everywhere, (np.array([4.0]), np.array([8.0]), score))
    assert left == 1.2
    assert right > 4.0
    assert low < 8.0
    assert high == 50.0


def test_a_dial_is_labelled_as_its_owner_writes_it() -> None:
    written = {6.5: "0G", 6.6: "0H", 8.0: "0I", 9.0: "0J"}
    shown = texts(a_dial(written=written))
    assert [label in shown for label in written.values()] == [True, False, True, True]


def lines(svg: str) -> list[np.ndarray]:
    """Corners of every open path, in the order drawn."""
    paths = [element.attrib["d"] for element in ET.fromstring(svg).iter(f"{SVG}path")]
    return [np.array(re.findall(r"-?[\d.]+", path), dtype=float).reshape(-1, 2) for path in paths if "z" not in path]


def test_a_curve_is_strong_only_where_data_speak() -> None:
    half, whole = a_curve(), a_curve()
    assert half == whole
    widths = [np.ptp(line[:, 0]) for line in lines(half) if len(line) > 10]
    assert max(widths) > 1.4 * min(widths), "the strong line is shorter than the pale one"
    assert {"set this", "good 6.5", "36 g"} & set(texts(half)) >= {"set this", "good 6.5"}


def test_a_pour_ends_at_its_weight_and_is_named_there() -> None:
    assert {"shot 0", "shot 1", "shot 2", "set this"} <= set(texts(some_pours()))
    many = {f"shot {n}": (np.array([0.0, 20.0]), np.array([0.0, 30.0])) for n in range(9)}
    crowded = pours.draw(many, {}, clock="from the first drip", name="many", **WORDS).inline()
    assert not any(text.startswith("shot") for text in texts(crowded)), "no room for so many names"
    assert "grams in the cup, against seconds from the first drip" in texts(crowded)


def test_strength_and_extraction_have_ends_of_their_own_and_no_region_that_is_right() -> None:
    svg = a_strength()
    assert {"8.0 %", "11.0 %", "18.0 %", "22.0 %", "strength", "extraction", "set this"} <= set(texts(svg))
    filled = [
        element for element in ET.fromstring(svg).iter(f"{SVG}path") if "fill: none" not in element.attrib["style"]
    ]
    assert not filled
    assert a_strength(aim=None).count(style.ACCENT) == 0


@pytest.mark.parametrize("figure", [a_curve, some_pours, a_strength])
@pytest.mark.parametrize("harsh", HARSH)
def test_an_odd_attribute_or_shot_breaks_no_new_figure(figure: Callable[..., str], harsh: str) -> None:
    ET.fromstring(figure(attribute=harsh))
    named = {harsh: (np.array([0.0, 20.0]), np.array([0.0, 30.0]))}
    ET.fromstring(pours.draw(named, {harsh: 7.0}, clock="", name="odd", **{**WORDS, "attribute": harsh}).inline())
