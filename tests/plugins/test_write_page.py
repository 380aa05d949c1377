"""The writer ``page``: bench words first, nothing loaded, nothing run, no name that breaks out of its place."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import json
import pickle
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.interpolate import RegularGridInterpolator

from tastefield.figures.surroundings import told
from tastefield.records import Context, RunResult, SetupResult
from tastefield.words.bench_line import RANKS, bench_line, following, needs_attention
from tastefield.words.cautions import CAUTIONS
from tastefield.words.handover_line import handover_line
from tastefield.words.numbers import number, span, together
from tastefield.words.phrases import BESIDE, UNTASTED
from tastefield_plugins import write_page
from tastefield_plugins.write_page import PageWriter
from tastefield_plugins.write_page.because import because
from tastefield_plugins.write_page.section import section, sure
from tastefield_plugins.write_page.trial import trial

from . import sample_run

# Words of the statistician that first screen and card must not carry.
JARGON = ("surface", "pooled", "stationary", "assurance", "loss", "coded", "insufficient")
VOID = {"meta", "br", "link", "img", "input", "hr"}


class Page(HTMLParser):
    """A page as elements: tag, attributes and text of each, in document order."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag, f"</{tag}> closes another element"


def text(html: str) -> str:
    """What a person reads of some HTML."""
    return " ".join(re.sub(r"<[^>]+>", " ", re.sub(r"(?s)<(style|svg).*?</\1>", " ", html)).split())


def write(run: RunResult, folder: Path) -> str:
    writer, context = PageWriter(), Context(PageWriter.Options(), setups=len(run.setups))
    for result in run.setups:
        writer.write_setup(result, folder, context)
    writer.write_run(run, folder, context)
    return (folder / "page.html").read_text("utf-8")


@pytest.fixture(scope="module")
def run() -> RunResult:
    return sample_run.page()[0]


@pytest.fixture(scope="module")
def html() -> str:
    return sample_run.page()[1]


def article(html: str, result: SetupResult) -> str:
    (found,) = re.findall(rf'(?s)<article [^>]*id="{result.slug}".*?</article>', html)
    return found


def test_the_page_is_well_formed_and_every_id_is_its_own(html: str) -> None:
    page = Page(html)
    assert page.open == []
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids)) > 100


def test_the_page_loads_nothing_and_runs_one_script_of_its_own(html: str) -> None:
    for tag, attributes in Page(html).elements:
        assert tag not in {"link", "img", "iframe", "object", "embed", "form", "base"}
        for name, value in attributes.items():
            assert not name.startswith("on")
            if name in {"src", "href", "xlink:href", "action"}:
                assert str(value).startswith("#"), (tag, name, value)
    style = re.findall(r"(?s)<style>(.*?)</style>", html)
    assert len(style) == 1
    assert "@import" not in style[0]
    assert not re.findall(r"url\((?!#)", html)
    (script,) = re.findall(r"(?s)<script>(.*?)</script>", html)
    assert html.count("<script") == 1
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]+)"', html)
    assert f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}';" in policy
    assert "eval" not in script
    assert not re.findall(r"fetch|XMLHttp|import\(|innerHTML|document\.write", script)


def test_every_link_inside_the_page_leads_somewhere(html: str) -> None:
    elements = Page(html).elements
    ids = {attributes.get("id") for _, attributes in elements}
    for tag, attributes in elements:
        if tag == "a":
            assert str(attributes["href"]).removeprefix("#") in ids


def test_hostile_names_are_shown_and_do_nothing(html: str, run: RunResult) -> None:
    assert "<script>alert" not in html
    assert html.count("<script") == 1
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
    assert "\u202e" not in html
    assert html.count("<article ") == len(run.setups)


def test_the_bench_table_comes_first_and_has_a_line_for_every_setup(html: str, run: RunResult) -> None:
    first = html[html.index("<main>") : html.index("<article")]
    for head in ("Machine", "Coffee", "Ready?", "Set this", "How sure", "Do next"):
        assert f">{head}</th>" in first
    named = re.findall(r'<th role="rowheader"[^>]*><a href="#([^"]+)"', first)
    assert sorted(named) == sorted(result.slug for result in run.setups)
    assert named == re.findall(r'<article class="setup[^"]*" id="([^"]+)"', html), "sections stand in its order"


def test_first_screens_and_cards_keep_to_bench_words(html: str, run: RunResult) -> None:
    seen = [html[html.index("<main>") : html.index("<article")]]
    for result in run.setups:
        whole = article(html, result)
        seen.append(whole[: whole.index('<div class="figures">')])
        seen += re.findall(r'(?s)<section class="card".*?</section>', whole)
    assert len(seen) > 20
    for part in seen:
        words = set(re.findall(r"[a-z]+", text(part).lower()))
        assert not words & set(JARGON)


def test_a_setup_with_a_recipe_shows_it_beside_the_best_real_shot(html: str, run: RunResult) -> None:
    whole = text(article(html, run.setups[0])).replace("\u00a0", " ")
    best = run.setups[0].entry["best_shot"]
    assert "In 18.0 g" in whole
    assert "Out 38 g 35–40 g" in whole
    assert "Time 28 s 25–31 s, from pressing the button" in whole
    assert "Grind 7.5" in whole
    assert "About 4 in 5 shots should be good" in whole
    assert f"Your best was {best['dose_g']:.1f} g in, {best['beverage_g']:.0f} g out" in whole


@pytest.mark.parametrize("number", range(len(sample_run.CASES)))
def test_every_setup_says_how_sure_and_what_to_pull_next(html: str, run: RunResult, number: int) -> None:
    whole = article(html, run.setups[number])
    for part in ("sure", "next"):
        (shown,) = re.findall(rf'(?s)<div data-fold="{part}">(.*?)</div>', whole)
        assert len(text(shown).split()) > 4


def test_a_setup_without_a_recipe_shows_no_card_and_its_best_shot(html: str, run: RunResult) -> None:
    for which, said in ((2, "no shot was tasted"), (4, "The best shot so far")):
        whole = article(html, run.setups[which])
        assert 'class="card"' not in whole
        assert said in text(whole)
        assert "No card yet" in text(whole)


def handover(html: str) -> str:
    return text(html[html.index('<section id="handover"') : html.index("<article")]).replace("\u00a0", " ")


def test_a_machine_handed_over_says_where_to_start_how_sure_and_what_to_pull_first(html: str) -> None:
    told = handover(html)
    assert "A coffee not yet tasted here" in told
    assert "workshop A bench flat 18.0 g in, 37 g out, 27 s Grind until 18.0 g gives 37 g in 27 s" in told
    assert (
        "about 1 in 2 This recipe. Taste it: checks the best guess. "
        "18.0 g in, 47 g out, 27 s. Worth a taste: more out; may move the recipe." in told
    )
    assert "could not be worked out" in told
    assert html.index('href="#handover"') < html.index("<main>")


def test_a_run_that_hands_nothing_over_has_no_such_section(run: RunResult, tmp_path: Path) -> None:
    page = write(dataclasses.replace(run, summary={**run.summary, "handover": []}, setups=[]), tmp_path)
    assert "#handover" not in page.replace("#handover,", "").replace("#handover {", "")
    assert "not yet tasted here" not in page


def test_nothing_is_to_be_pulled_on_a_machine_held_by_a_failed_check(run: RunResult) -> None:
    held = {"findings": [{"code": "check_failed", "message": "leaks: drips."}], "next_shots": []}
    said = "Nothing to pull: not before somebody qualified has mended it and checked again"
    assert handover_line({**run.summary["handover"][0], **held}, 30)["pull"] == [said]
    for result in run.setups:
        line = bench_line({**result.entry, **held}, result.clock)
        assert (line["next"], line["ready"]) == (said, "Held: a bench check failed")


def test_a_handover_counts_the_tasted_shots_of_the_whole_bench(run: RunResult) -> None:
    (entry, _) = run.summary["handover"]
    assert handover_line(entry, 30)["sure"] == "about 1 in 2"
    assert handover_line(entry, 2)["sure"] == "a guess from 2 tasted shots"


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize(
    ("own", "speak", "said"),
    [
        ("all", "own", "nothing was pulled there"),
        ("some", "both", "Inside the dotted line your own tasted shots speak"),
        ("none", "bench", "Nothing was tasted here: the colours are what was tasted elsewhere"),
    ],
)
def test_the_map_says_whose_tasted_shots_colour_it(tmp_path: Path, own: str, speak: str, said: str) -> None:
    result = sample_run.setup(sample_run.Case("M", "C"))
    lattice = result.lattice
    assert lattice is not None
    near = {"all": lattice.supported, "none": lattice.supported & False}.get(
        own, lattice.supported & (lattice.ratio < 2)
    )
    result = dataclasses.replace(result, lattice=dataclasses.replace(lattice, own=near))
    assert section(result)["speak"] == speak
    PageWriter().write_setup(result, tmp_path, Context(PageWriter.Options(), setups=1))
    (piece,) = (tmp_path / ".page").iterdir()
    captions = text("".join(re.findall(r"(?s)<figcaption>.*?</figcaption>", piece.read_text("utf-8"))))
    assert said in captions
    assert ("nothing was pulled there" in captions) == (speak == "own")


@pytest.mark.usefixtures("undrawn")
def test_a_setup_that_nobody_tasted_but_that_has_a_recipe_says_so_on_section_and_card(tmp_path: Path) -> None:
    result = sample_run.setup(sample_run.Case("M", "C", "tentative"))
    entry = {**result.entry, "best_shot": None, "tasted": 0, "tasters": 0, "assurance": 0.7}
    result = dataclasses.replace(result, entry=entry, scores=result.scores.iloc[:0])
    PageWriter().write_setup(result, tmp_path, Context(PageWriter.Options(), setups=1))
    (piece,) = (tmp_path / ".page").iterdir()
    seen = text(piece.read_text("utf-8"))
    assert "A guess, nothing tasted here yet" in seen
    assert f"Your best, and why this recipe {UNTASTED} Expected at the recipe: liking 7.4" in seen
    assert "Nothing was tasted here yet: pull the next shots and taste them before it leaves." in seen
    assert "Cannot say yet" not in seen


@pytest.mark.usefixtures("undrawn")
def test_the_page_explains_the_model_that_was_used(run: RunResult, tmp_path: Path) -> None:
    """No statistician reads it; and of figures that nobody measured there are none."""
    pages = {}
    for model in ("quadratic", "pooled"):
        entry = run.setups[0].entry
        entry = {**entry, "surface": {**entry["surface"], "model": model}}
        page = write(dataclasses.replace(run, setups=[dataclasses.replace(run.setups[0], entry=entry)]), tmp_path)
        pages[model] = text(page[page.index('<section id="method"') : page.index('<section id="cautions"')])
    for said in ("Why few shots lean on the others", "How it was checked", "tests.benchmarks truth"):
        assert said in pages["pooled"]
        assert said not in pages["quadratic"]
    for page in pages.values():
        assert "How this is computed, and how it was checked" in page
        assert "What “about 4 in 5” means" in page
        assert not set(re.findall(r"[a-z]+", page.lower())) & {
            "posterior",
            "prior",
            "variance",
            "covariance",
            "gaussian",
        }
        assert "CHECKED FIGURES" not in page


def test_extraction_is_absent_where_nothing_was_read(html: str, run: RunResult) -> None:
    read = text(article(html, run.setups[3]))
    assert "19.7 % extraction" in read
    assert "Taste against extraction" in read
    unread = text(article(html, run.setups[0])).lower()
    assert "extraction" not in unread
    assert "strength" not in unread


def test_every_time_names_its_clock(html: str, run: RunResult) -> None:
    assert "from pressing the button" in text(article(html, run.setups[0]))
    dripped = text(article(html, run.setups[5]))
    assert "from the first drip" in dripped
    assert "from pressing the button" not in dripped


def test_what_was_set_aside_is_listed_with_why_and_what_to_do(html: str, run: RunResult) -> None:
    data = text(html[html.index('id="data"') :])
    for aside in run.records.set_aside.to_dict("records"):
        assert aside["reason"] in data
        assert aside["do"] in data


def test_a_long_list_of_rows_set_aside_is_cut_and_says_so(run: RunResult, tmp_path: Path) -> None:
    many = pd.concat([run.records.set_aside] * 150, ignore_index=True)
    records = dataclasses.replace(run.records, set_aside=many)
    page = write(dataclasses.replace(run, setups=[], records=records), tmp_path)
    assert "And 100 more: see set_aside.csv." in text(page)


def test_every_caution_is_on_the_page_with_its_source(html: str) -> None:
    for caution in CAUTIONS:
        assert caution.text in html.replace("&#39;", "'")
        assert caution.source.split("(")[0].replace("'", "&#39;") in html


def test_the_card_warns_of_heat_pressure_and_caffeine(html: str, run: RunResult) -> None:
    (shown,) = re.findall(r'(?s)<section class="card".*?</section>', article(html, run.setups[0]))
    for said in ("burn", "Wait for the pressure to go", "pressure valve", "EFSA 2015", "common practice", "allergy"):
        assert said in text(shown)


def test_a_section_is_the_same_whatever_was_written_before_it(run: RunResult, html: str, tmp_path: Path) -> None:
    writer = pickle.loads(pickle.dumps(PageWriter()))
    for result in (run.setups[5], run.setups[3], run.setups[0]):
        writer.write_setup(result, tmp_path, Context(PageWriter.Options(), setups=1))
        piece = (tmp_path / ".page" / f"{result.slug}.html").read_text("utf-8")
        assert article(piece, result) == article(html, result)


@pytest.mark.usefixtures("undrawn")
def test_a_section_that_could_not_be_written_leaves_a_note_in_its_place(run: RunResult, tmp_path: Path) -> None:
    writer, context = PageWriter(), Context(PageWriter.Options(), setups=1)
    writer.write_setup(run.setups[1], tmp_path, context)
    writer.write_run(dataclasses.replace(run, setups=run.setups[:2]), tmp_path, context)
    page = (tmp_path / "page.html").read_text("utf-8")
    assert "could not be written" in article(page, run.setups[0])
    assert "Pull next" in article(page, run.setups[1])
    Page(page)


def test_a_run_without_setups_says_so(run: RunResult, tmp_path: Path) -> None:
    assert "No setup could be made" in write(dataclasses.replace(run, setups=[]), tmp_path)


@pytest.mark.usefixtures("undrawn")
def test_names_never_become_paths(run: RunResult, tmp_path: Path) -> None:
    inner = tmp_path / "a" / "out"
    inner.mkdir(parents=True)
    write(dataclasses.replace(run, setups=run.setups[7:9]), inner)
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == [inner / "page.html"]


# --- words ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("status", "chance", "words"),
    [("window", 0.85, ""), ("tentative", 0.6, "not confirmed"), ("tentative", 0.1, "fewer than half")],
)
def test_a_card_that_should_not_leave_yet_says_so(status: str, chance: float, words: str) -> None:
    result = sample_run.setup(sample_run.Case("M", "C"))
    entry = {**result.entry, "status": status, "assurance": chance, "tasted": 4}
    hold = section(dataclasses.replace(result, entry=entry))["card"].hold
    assert words in hold
    assert bool(words) == bool(hold)


def test_few_tasted_shots_give_no_number_for_the_chance() -> None:
    entry = sample_run.setup(sample_run.Case("M", "C", "tentative", shots=2)).entry
    assert sure(entry) == "A guess from 2 tasted shots"


@pytest.mark.parametrize("status", sample_run.STATUSES)
def test_there_is_always_something_to_do_next(status: str) -> None:
    entry = dict(sample_run.setup(sample_run.Case("M", "C", status)).entry)
    entry["next_shots"] = []
    assert following(entry)[0][0]


def test_unknown_values_of_a_shot_are_blank_not_nan() -> None:
    shown = section(sample_run.setup(sample_run.Case("M", "C", dial=False)))["shots"]
    assert "grind setting" not in shown["columns"]
    assert not any(cell in ("nan", "<NA>", "None") for row in shown["rows"] for cell in row)


@pytest.mark.parametrize(
    ("limits", "unit", "said"),
    [([34.6, 39.2], "g", "35–39 g"), ([35.1, 35.3], "g", "35.1–35.3 g"), ([2.0, 2.0], "", "2.00"), (None, "g", "")],
)
def test_a_range_shows_as_many_decimals_as_tell_its_ends_apart(
    limits: list[float] | None, unit: str, said: str
) -> None:
    assert span(limits, unit) == said


def test_numbers_round_to_no_minus_zero_and_unknown_is_a_dash() -> None:
    assert (number(-0.04, 1), number(None), number(float("nan")), number(-2.6)) == ("0.0", "–", "–", "-3")


def test_a_number_stays_with_its_unit() -> None:
    assert together("18.0 g in, dial 7") == "18.0\u00a0g in, dial\u00a07"


def test_the_bench_table_does_not_repeat_the_recipe_as_the_next_shot() -> None:
    result = sample_run.setup(sample_run.Case("M", "C"))
    aim = result.entry["aim"]
    again = {**result.entry["next_shots"][0], "beverage_g": aim["beverage_g"], "why": "Confirms the recipe."}
    entry = {**result.entry, "next_shots": [again]}
    assert bench_line(entry, result.clock)["next"] == "Pull this. Confirms the recipe."
    assert bench_line(result.entry, result.clock)["next"].startswith("Pull 18.0 g in, 40 g out")


def test_the_bench_table_tells_the_first_shot_to_pull_and_how_many_follow_it() -> None:
    result = sample_run.setup(sample_run.Case("M", "C"))
    (shot, *_) = result.entry["next_shots"]
    three = {**result.entry, "next_shots": [{**shot, "why": "Worth a taste."}] * 3}
    assert bench_line(three, result.clock)["next"].endswith(". Worth a taste. Then 2 more.")
    bare = {**result.entry, "next_shots": [{**shot, "dose_g": None, "beverage_g": None, "shot_time_s": None}]}
    bare["next_shots"][0].update({"grind_setting": None, "why": ""})
    assert bench_line(bare, result.clock)["next"] == "One more shot"


def test_a_shot_whose_setting_only_begins_like_the_recipes_is_told_whole() -> None:
    result = sample_run.setup(sample_run.Case("M", "C"))
    aim = {**result.entry["aim"], "grind_setting": "1"}
    other = {**result.entry["next_shots"][0], **{name: aim[name] for name in ("beverage_g", "shot_time_s", "dose_g")}}
    entry = {**result.entry, "aim": aim, "next_shots": [{**other, "grind_setting": "12", "why": "Worth a taste."}]}
    told = bench_line(entry, result.clock)
    assert told["next"] == f"Pull {told['set']}2. Worth a taste."


def test_the_readiest_stand_first_in_the_bench_table(html: str, run: RunResult) -> None:
    lines = re.findall(r'<tr role="row" class="is-(\w+)"', html.split('id="handover"')[0])
    assert len(lines) == len(run.setups)
    assert lines == sorted(lines, key=RANKS.index)
    assert lines[0] == "confirmed"


# --- look -----------------------------------------------------------------------------------------------------------


def schemes() -> list[dict[str, str]]:
    css = (Path(write_page.__file__).parent / "style.css").read_text("utf-8")
    light, dark = re.findall(r":root \{(.*?)\}", css, flags=re.S)[:2]
    return [dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6})", block)) for block in (light, dark)]


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize("ink", ["ink", "soft", "accent", "good", "guess", "none"])
@pytest.mark.parametrize("ground", ["paper", "panel"])
def test_every_ink_reads_on_every_ground(scheme: int, ink: str, ground: str) -> None:
    # WCAG 2.2, success criterion 1.4.3 (AA): contrast of at least 4.5 to 1, relative luminance as defined there.
    def luminance(color: str) -> float:
        channels = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    colors = schemes()[scheme]
    low, high = sorted(luminance(colors[name]) for name in (ink, ground))
    assert (high + 0.05) / (low + 0.05) >= 4.5


# --- many setups ----------------------------------------------------------------------------------------------------


def written(run: RunResult, folder: Path, **options: int) -> str:
    writer = PageWriter()
    context = Context(PageWriter.Options(**options), setups=len(run.setups))
    for result in run.setups:
        writer.write_setup(result, folder, context)
    writer.write_run(run, folder, context)
    return (folder / "page.html").read_text("utf-8")


def test_above_a_number_of_setups_each_has_a_page_of_its_own(run: RunResult, tmp_path: Path) -> None:
    few = dataclasses.replace(run, setups=run.setups[:4])
    index = written(few, tmp_path, one_file=3)
    assert "<article" not in index
    linked = re.findall(r'href="(setups/[^"]+)"', index)
    assert sorted(linked) == sorted(f"setups/{result.slug}.html" for result in few.setups)
    for result in few.setups:
        alone = (tmp_path / "setups" / f"{result.slug}.html").read_text("utf-8")
        page = Page(alone)
        assert page.open == []
        ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
        assert len(ids) == len(set(ids))
        assert 'href="../page.html#bench"' in alone
        assert set(re.findall(r'href="#([^"]+)"', alone)) <= set(ids), "no link leads nowhere"
        assert "Hot" in text(alone[alone.index('<section id="cautions"') :])
    assert {path.name for path in tmp_path.iterdir()} == {"page.html", "setups"}


@pytest.mark.usefixtures("undrawn")
def test_of_a_very_large_bench_only_what_needs_somebody_has_a_page_and_any_other_on_demand(
    run: RunResult, tmp_path: Path
) -> None:
    few = dataclasses.replace(run, setups=run.setups[:4])
    index = written(few, tmp_path, one_file=0, every_setup=3)
    ready = [result for result in few.setups if result.entry["status"] in ("window", "confirmed")]
    assert ready
    pages = {path.stem for path in (tmp_path / "setups").iterdir()}
    assert pages == {result.slug for result in few.setups} - {result.slug for result in ready}
    assert "tastefield page" in text(index)
    assert all(f'href="setups/{result.slug}.html"' not in index for result in ready)
    PageWriter().write_setup(ready[0], tmp_path, Context(PageWriter.Options(one_file=0, every_setup=3)))
    assert (tmp_path / "setups" / f"{ready[0].slug}.html").exists()
    again = (tmp_path / "page.html").read_text("utf-8")
    assert [f'href="setups/{result.slug}.html"' in again for result in ready] == [True] + [False] * (len(ready) - 1)
    assert Page(again).open == []
    assert text(again) == text(index), "a line that is linked says what it said"


def test_a_failed_check_needs_somebody_however_good_the_recipe(run: RunResult) -> None:
    entry = run.setups[0].entry
    assert not needs_attention(entry)
    failed = {"code": "check_failed", "severity": "warn", "where": {}, "message": "Leaks.", "do": "Mend it."}
    assert needs_attention({**entry, "findings": [failed]})


# --- reasons and numbers --------------------------------------------------------------------------------------------


def flat(result: SetupResult, expected: float) -> SetupResult:
    """The setup with a surface of one height."""
    assert result.lattice is not None
    level = result.lattice.mean * 0 + expected
    lattice = dataclasses.replace(result.lattice, expected=level, lower=level - 1, upper=level + 1)
    return dataclasses.replace(result, lattice=lattice)


def test_the_recipe_stands_beside_the_best_shot_with_a_reason_that_the_surface_gives(run: RunResult) -> None:
    result = run.setups[0]
    first, second = because(result)
    best = result.entry["best_shot"]
    assert first.startswith(f"Your best was {best['dose_g']:.1f} g in, {best['beverage_g']:.0f} g out")
    here, there, *_ = re.findall(r"\d\.\d+", second)
    assert "because shots there are expected to reach liking" in second
    axes = (np.log(result.lattice.ratio), np.log(result.lattice.shot_time_s))  # type: ignore[union-attr]
    at = np.log([[one["ratio"], one["shot_time_s"]] for one in (result.entry["aim"], best)])
    read = RegularGridInterpolator(axes, result.lattice.expected)(at)  # type: ignore[union-attr]
    assert [float(here), float(there)] == pytest.approx(read.tolist(), abs=0.05)


def test_what_is_a_reason_on_a_scale_from_1_to_9_is_one_on_any_other(run: RunResult) -> None:
    result, lattice = run.setups[0], run.setups[0].lattice
    assert lattice is not None
    assert lattice.expected is not None
    small = dataclasses.replace(lattice, expected=lattice.expected / 8)
    entry = {**result.entry, "taste": {**result.entry["taste"], "scale": [0.0, 1.0]}}
    told = because(dataclasses.replace(result, lattice=small, entry=entry))[1]
    here, there, *_ = (float(found) for found in re.findall(r"\d\.\d+", told))
    assert "because shots there are expected to reach" in told
    assert here - there < 0.05


def test_where_nothing_tells_both_recipes_apart_no_reason_is_made_up(run: RunResult) -> None:
    (_, told) = because(flat(run.setups[0], 7.0))
    chances = run.setups[0].lattice.chance * 0 + 0.8  # type: ignore[union-attr]
    level = dataclasses.replace(flat(run.setups[0], 7.0).lattice, chance=chances)  # type: ignore[type-var]
    (_, same) = because(dataclasses.replace(run.setups[0], lattice=level))
    assert "more of such shots should be good" in told or "the same as far as can be told" in told
    assert "should taste the same as far as can be told: liking 7.0 is expected of both" in same


def test_a_recipe_that_repeats_the_best_shot_says_so_and_nothing_tasted_is_no_best(run: RunResult) -> None:
    entry = run.setups[0].entry
    same = {**entry["best_shot"], "beverage_g": entry["aim"]["beverage_g"], "shot_time_s": entry["aim"]["shot_time_s"]}
    assert "Set the same again" in because(dataclasses.replace(run.setups[0], entry={**entry, "best_shot": same}))[1]
    assert because(dataclasses.replace(run.setups[0], entry={**entry, "best_shot": None})) == [UNTASTED]


def test_what_was_luck_in_the_best_score_is_said_with_the_reason(run: RunResult) -> None:
    result = run.setups[0]
    best = {**result.entry["best_shot"], "score": 8.9}
    (_, told) = because(dataclasses.replace(result, entry={**result.entry, "best_shot": best}))
    assert told.endswith("; some of its 8.9 was luck.")
    (_, told) = because(dataclasses.replace(result, entry={**result.entry, "best_shot": {**best, "score": 1.0}}))
    assert "luck" not in told


@pytest.mark.usefixtures("undrawn")
def test_why_this_recipe_is_told_once_beside_the_best_shot(run: RunResult, tmp_path: Path) -> None:
    result, again = run.setups[0], "Your best shot was 40 g; all that is known points to less: 37 g."
    told = dataclasses.replace(result, entry={**result.entry, "why": [again]})
    PageWriter().write_setup(told, tmp_path, Context(PageWriter.Options()))
    whole = (tmp_path / "setups" / f"{result.slug}.html").read_text("utf-8")
    assert whole.count("Your best was") == 1
    assert again not in whole
    beside = {**result.entry, "aim": {**result.entry["aim"], "support": "bench"}}
    assert because(dataclasses.replace(result, entry=beside))[-1] == BESIDE


def test_every_figure_has_its_numbers_in_a_table_beside_it(html: str, run: RunResult) -> None:
    whole = article(html, run.setups[3])
    assert whole.count("<figure>") == whole.count("These numbers as a table") == 8
    for heading in ("Where it tastes good", "More or less out", "How the shots poured", "Strength and extraction"):
        assert heading in whole
    table = section(run.setups[3])["behind"]["map"]
    assert len(table["rows"]) == len(table["columns"]) - 1 == 7
    assert any(cell.startswith("(") for row_ in table["rows"] for cell in row_[1:]), "in brackets where none speaks"


def test_pours_and_strength_are_absent_where_nothing_was_recorded_or_read(html: str, run: RunResult) -> None:
    whole = article(html, run.setups[0])
    assert "How the shots poured" not in whole
    assert "Strength and extraction" not in whole


def test_what_a_browser_gets_to_try_recipes_is_small_and_holds_the_marks_of_the_dial(run: RunResult) -> None:
    result = run.setups[3]
    packed = trial(result)
    assert packed is not None
    data = json.loads(packed["data"])
    assert len(packed["data"]) < 15 * result.lattice.mean.size  # type: ignore[union-attr]
    assert [mark for mark, _ in data["dial"]["marks"]] == result.dial["grind_setting"].tolist()  # type: ignore[index]
    assert trial(run.setups[2]) is None


def test_a_surface_of_an_old_run_is_told_from_its_mean_and_spread(run: RunResult) -> None:
    lattice = run.setups[0].lattice
    assert lattice is not None
    old = dataclasses.replace(lattice, expected=None, lower=None, upper=None)
    mean, lower, upper = told(old)
    assert mean is lattice.mean
    assert (upper - lower).mean() == pytest.approx(2 * 1.645 * lattice.sd.mean())
