"""The writer ``card``: one page whatever it must hold, our fonts alone, the same bytes again, and a buyer nowhere else.

PDFs are read by pypdf, a general library that has no part in making them.
"""

from __future__ import annotations

import dataclasses
import json
import pickle
import subprocess
import sys
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from pypdf import PdfReader

import tastefield
from tastefield.errors import ConfigError
from tastefield.loading import load
from tastefield.records import Context, SetupResult
from tastefield.testing import WriterContract
from tastefield.words.card import card
from tastefield.words.texts import CARD, ROOM
from tastefield_plugins.write_card import CardOptions, CardWriter, Words
from tastefield_plugins.write_card.glyphs import BREAK, FONTS, MISSING, drawn, legible
from tastefield_plugins.write_card.sheet import Sheet

from . import sample_run
from .sample_run import Case

BUYER = "Wilhelmina Quackenbush"
A5_POINTS = (148 / 25.4 * 72, 210 / 25.4 * 72)
"""ISO 216: A5 is 148 mm by 210 mm; a point is 1/72 inch."""
HALF_LETTER_POINTS = (5.5 * 72, 8.5 * 72)
"""ANSI/ASME Y14.1: letter is 8.5 by 11 inches; half of it 5.5 by 8.5."""
HOSTILE = (
    *sample_run.HOSTILE,
    '#import "@preview/x:1.0.0": *',
    "#panic()",
    "$x^2$ \\ _a_ *b* @c <d> `e`",
    "= heading",
    "\N{BEAR FACE}\N{HOT BEVERAGE}\ufe0f \N{BEAR FACE}",
    "\u0645\u0642\u0647\u0649",
    "e" + "\u0301" * 200,
    "W" * 300,
    "\u6e2c\u8a66" * 40,
    "",
    "+1",
    "@SUM(1)",
    "{dose} {0}",
    "\"quote\" 'quote' \\u0041",
)


class TestCardWriter(WriterContract):
    plugin = CardWriter()


@cache
def first() -> SetupResult:
    return sample_run.setup(Case("Bench 01", "Morning blend"))


def result(**changed: Any) -> SetupResult:
    return dataclasses.replace(first(), entry={**first().entry, **changed}, slug="one")


def write(one: SetupResult, folder: Path, **options: Any) -> Path:
    """The PDF of one setup; picture and text stand beside it."""
    CardWriter().write_setup(one, folder, Context(CardOptions(**options)))
    return folder / "cards" / f"{one.slug}.pdf"


def text(pdf: Path) -> str:
    """What stands on its one page, on one line."""
    (page,) = PdfReader(pdf).pages
    return " ".join(page.extract_text().replace(BREAK, "").replace("\u00a0", " ").split())


def closed(said: str) -> str:
    """Without spaces, as pypdf puts one wherever a line breaks, after a hyphen too."""
    return "".join(said.replace(BREAK, "").split())


# --- the sheet ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("size", "points"), [("A5", A5_POINTS), ("half_letter", HALF_LETTER_POINTS)])
def test_a_card_is_one_page_of_the_size_that_was_asked_for(tmp_path, size, points):
    (page,) = PdfReader(write(result(), tmp_path, size=size)).pages
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(points, abs=0.1)


def test_a_setup_without_a_recipe_gets_no_card(tmp_path):
    one = sample_run.setup(Case("Bench 03", "Dark roast", "insufficient", shots=2))
    assert not write(one, tmp_path).exists()
    assert not (tmp_path / "cards").exists()


def test_every_font_is_embedded_and_ours(tmp_path):
    fonts = set()
    (page,) = PdfReader(write(result(), tmp_path)).pages
    for font in page["/Resources"]["/Font"].values():
        (inner,) = font.get_object()["/DescendantFonts"]
        descriptor = inner.get_object()["/FontDescriptor"]
        assert {"/FontFile2", "/FontFile3"} & set(descriptor), "embedded"
        fonts.add(str(descriptor["/FontName"]).split("+")[1])
    assert fonts == {"DejaVuSansCondensed", "DejaVuSansCondensed-Bold"}
    assert {file.stem for file in FONTS.glob("*.ttf")} == fonts
    assert "free of charge" in (FONTS / "LICENSE").read_text("utf-8")


def test_the_same_card_gives_the_same_bytes_in_another_process_and_no_time_of_making(tmp_path):
    one = write(result(), tmp_path)
    (tmp_path / "one.pickle").write_bytes(pickle.dumps(result()))
    code = (
        "import pickle, sys, pathlib\n"
        "from tastefield.records import Context\n"
        "from tastefield_plugins.write_card import CardOptions, CardWriter\n"
        "one = pickle.loads(pathlib.Path(sys.argv[1]).read_bytes())\n"
        "CardWriter().write_setup(one, pathlib.Path(sys.argv[2]), Context(CardOptions()))\n"
    )
    again = tmp_path / "again"
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "one.pickle"), str(again)], check=True)
    for kind in ("pdf", "png", "txt"):
        assert (again / "cards" / f"one.{kind}").read_bytes() == one.with_suffix(f".{kind}").read_bytes()
    assert not {"/CreationDate", "/ModDate"} & set(PdfReader(one).metadata or {})


def test_the_picture_has_the_dots_of_a_phone_and_can_be_left_away(tmp_path):
    pdf = write(result(), tmp_path)
    with Image.open(pdf.with_suffix(".png")) as picture:
        assert picture.size == (720, 1560)
    without = write(result(), tmp_path / "less", pictures=False)
    assert not without.with_suffix(".png").exists()
    assert without.with_suffix(".txt").exists()


# --- what stands on it ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", [case for case in sample_run.CASES if case.status not in ("insufficient", "failed")])
@pytest.mark.parametrize("size", ["A5", "half_letter"])
def test_everything_a_card_says_is_on_the_sheet_and_in_the_text(tmp_path, case, size):
    one = sample_run.setup(case)
    pdf = write(one, tmp_path, size=size)
    told = card(one.entry, one.on_card())
    on_sheet, pasted = text(pdf), " ".join(pdf.with_suffix(".txt").read_text("utf-8").split())
    for said in (
        *(told.machine, told.coffee, told.date, told.grinder, told.warm_up, told.hold, told.sure, told.ready),
        *(told.basis, told.pull, told.call, told.holds_for, *told.dosing, *told.pull_shots, *told.steps),
        *(*told.care, *told.hot, *told.heads, *(meaning for _, meaning in told.meanings)),
        *(cell for _, cells in told.rows for cell in cells),
    ):
        assert said in pasted
        assert closed(legible(said)) in closed(on_sheet)


def test_numbers_on_the_sheet_are_those_of_the_results_file(tmp_path):
    one = result()
    aim = one.entry["aim"]
    on_sheet = text(write(one, tmp_path))
    dose, out, seconds = f"{aim['dose_g']:.1f} g", f"{aim['beverage_g']:.0f} g", f"{aim['shot_time_s']:.0f} s"
    assert f"In {dose} Out {out} 35–40 g is fine Time {seconds} 25–31 s is fine, from pressing the button" in on_sheet
    assert f"Grind {aim['grind_setting']} mark on the dial" in on_sheet
    assert "About 4 in 5 shots should be good. Ready." in on_sheet


def test_a_held_card_says_so_before_its_recipe_and_large(tmp_path):
    failed = {"code": "check_failed", "message": "A bench check of this machine failed: leaks: drips at the head."}
    pdf = write(result(findings=[failed]), tmp_path)
    on_sheet = text(pdf)
    assert on_sheet.index("Held. A bench check failed: leaks: drips at the head.") < on_sheet.index("18.0 g")
    assert "Ready" not in on_sheet
    sizes: dict[str, float] = {}

    def note(said: str, _cm: Any, matrix: Any, _font: Any, size: float) -> None:
        for word in said.split():
            sizes.setdefault(word, size * abs(matrix[3]))

    PdfReader(pdf).pages[0].extract_text(visitor_text=note)
    assert sizes["Held."] > 1.3 * sizes["Warm"]
    assert pdf.with_suffix(".txt").read_text("utf-8").index("HELD.") < 120


def test_buyer_serial_number_and_minutes_are_those_of_the_machine(tmp_path):
    mine = {"buyer": {"Bench 01": BUYER, "other": "Else"}, "serial": {"Bench 01": 42}, "warm_up": {"Bench 01": 20}}
    pdf = write(result(), tmp_path, contact="0000 1", **mine)
    for said in (text(pdf), " ".join(pdf.with_suffix(".txt").read_text("utf-8").split())):
        assert f"For {BUYER}" in said
        assert "serial 42" in said
        assert "20 minutes with the empty filter holder locked in" in said
        assert "Call 0000 1." in said
        assert "Else" not in said
    plain = text(write(result(), tmp_path / "plain"))
    assert "For " not in plain
    assert "serial" not in plain
    assert "Call " not in plain


# --- one page, whatever it must hold --------------------------------------------------------------------------------


def longest() -> Words:
    """Every text as long as a file of one's own may make it, in words of five letters."""
    texts = {}
    for name, own in CARD.items():
        room = len(own) * 2 + ROOM
        padded = own + " " + "wxyz " * room
        texts[name] = own if name.startswith("general.") else padded[:room].rstrip()
    return Words(texts=texts)


def crowded() -> SetupResult:
    """All that can stand on a card at once, with names of 300 letters."""
    name = "Machine " * 37
    failed = {"code": "check_failed", "message": f"A bench check of this machine failed: {'leaks: drips; ' * 60}."}
    shots = [{**shot, "stage": "dial-in", "why": CARD["choke.stop"]} for shot in result().entry["next_shots"]] * 2
    key = dict.fromkeys(("machine", "grinder", "coffee", "basket", "head"), name)
    key = {column: f"{column} {value}" for column, value in key.items()}
    dosing = {"timer": {**sample_run.DOSING["timer"], "setting": name}, "button": sample_run.DOSING["button"]}
    aim = {**result().entry["aim"], "grind_setting": name}
    return result(key=key, findings=[failed], next_shots=shots, dosing=dosing, aim=aim, tasters=1234)


NEVER_LOST = ("hot.burn", "hot.choke", "hot.open", "hot.milk", "choke.care", "call.holds", "figure.mark")


@pytest.mark.parametrize("size", ["A5", "half_letter"])
def test_the_fullest_card_is_one_page_that_drops_what_may_be_dropped_and_says_so(tmp_path, size):
    pdf = write(crowded(), tmp_path, size=size)
    on_sheet = text(pdf)
    for name in NEVER_LOST:
        assert closed(CARD[name]) in closed(on_sheet), name
    assert "Held. A bench check failed" in on_sheet
    lost = [
        title for title in ("care", "steps", "dosing", "call", "turn") if CARD[f"{title}.title"] + " " not in on_sheet
    ]
    assert bool(lost) == ("For want of room" in on_sheet)


@pytest.mark.parametrize("size", ["A5", "half_letter"])
def test_words_of_ones_own_as_long_as_they_may_be_leave_one_page_with_its_cautions(tmp_path, size):
    words = longest()
    on_sheet = text(write(crowded(), tmp_path, size=size, words=words))
    for name in ("hot.burn", "hot.open", "hot.descaling"):
        assert closed(words.texts[name]) in closed(on_sheet), name
    assert "For want of room not on this card" in on_sheet


def test_sections_drop_in_the_stated_order(tmp_path):
    """Milk and cleaning first, then the steps, timer and button, whom to call, and last the table of what to turn."""
    order = ("care", "steps", "dosing", "call", "turn")
    for factor in range(1, 30, 2):
        texts = {**CARD, "hot.cup": " ".join([CARD["hot.cup"]] * factor)}
        on_sheet = text(write(result(), tmp_path / str(factor), pictures=False, words=Words(texts=texts)))
        # ``dosing`` has a title only where it is told as left out
        kept = [
            CARD["dosing.timer"][:10] in on_sheet if name == "dosing" else _stands(on_sheet, name) for name in order
        ]
        assert kept == sorted(kept), f"what is dropped first stands first: {dict(zip(order, kept, strict=True))}"
    assert not any(kept), "the last was full enough for all of it to go"


def _stands(on_sheet: str, name: str) -> bool:
    told = {"care": CARD["care.milk"], "steps": "Tastes good?", "call": CARD["call.tell"], "turn": CARD["turn.tastes"]}
    return told[name] in on_sheet


# --- names ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_text_on_one_page_and_harmless_in_every_form(tmp_path, name):
    one = result(key={"machine": name, "coffee": name, "grinder": name + "g", "basket": name})
    pdf = write(one, tmp_path, buyer={name: name}, serial={name: name}, contact=name)
    told = card(one.entry, one.on_card())
    on_sheet = text(pdf)
    assert CARD["hot.burn"] in on_sheet
    if name.isascii() and name:
        assert closed(told.coffee) in closed(on_sheet)
    pasted = pdf.with_suffix(".txt").read_text("utf-8")
    assert not any(line.lstrip().startswith(("=", "+", "@", "-")) for line in pasted.splitlines())
    assert "\u202e" not in pasted
    with Image.open(pdf.with_suffix(".png")) as picture:
        assert picture.size == (720, 1560)
    assert {file.name for file in (tmp_path / "cards").iterdir()} == {"one.pdf", "one.png", "one.txt"}


def test_a_missing_glyph_is_a_visible_sign_and_arabic_cyrillic_and_greek_are_drawn():
    assert legible("a\N{BEAR FACE}b") == f"a{MISSING}b"
    for word in (
        "\u0645\u0642\u0647\u0649",
        "\u041a\u043e\u0444\u0435",
        "\u039a\u03b1\u03c6\u03ad\u03c2",
        "Kaffeemühle",
    ):
        assert legible(word) == word
    assert ord(MISSING) in drawn()
    assert ord(BREAK) in drawn()
    assert legible("e" + "\u0308" * 50) == "\u00eb" + "\u0308" * 2
    assert legible("x" * 40).replace(BREAK, "") == "x" * 40
    assert max(map(len, legible("x" * 40).split(BREAK))) < 24


def test_our_own_texts_are_drawn_whole():
    assert not {char for words in CARD.values() for char in words if ord(char) not in drawn()}


def test_the_sheet_asks_for_the_texts_that_are_its_own():
    class Watched(dict[str, str]):
        used: set[str] = set()

        def __getitem__(self, name: str) -> str:
            self.used.add(name)
            return super().__getitem__(name)

    texts = Watched(CARD)
    Sheet.of(card(result().entry, result().on_card()), texts, BUYER, "1", "2")
    assert texts.used == {"head.for", "head.serial", "call.contact", "general.language", "left_out.told"}


# --- a whole run ----------------------------------------------------------------------------------------------------

ROWS = """machine,coffee,in,out,time,grind,score
one,house,18,36,27,7,7
one,house,18,40,31,6,6
one,house,18,33,24,8,7.5
two,house,18,36,28,7,7
"""


def configured(folder: Path, table: str) -> Path:
    (folder / "log.csv").write_text(ROWS, encoding="utf-8")
    path = folder / "bench.toml"
    path.write_text(f'[[source]]\npath = "log.csv"\nholds = ["shots", "scores"]\n{table}', encoding="utf-8")
    return path


def everything_but_cards(folder: Path) -> Mapping[str, bytes]:
    files = {file.relative_to(folder).as_posix(): file for file in folder.rglob("*") if file.is_file()}
    return {name: file.read_bytes() for name, file in files.items() if not name.startswith("cards/")}


@pytest.mark.usefixtures("undrawn")
def test_the_name_of_a_buyer_stands_on_the_card_alone_and_leaves_every_other_file_as_it_was(tmp_path, capsys):
    run = tastefield.run(configured(tmp_path, f'[card.buyer]\none = "{BUYER}"\nthree = "{BUYER}"\n'), tmp_path / "out")
    assert not run.failed
    others = everything_but_cards(tmp_path / "out")
    assert {"page.html", "results.json", "population.json", "run.log", "manifest.json"} <= set(others)
    for name, content in others.items():
        assert b"Quackenbush" not in content, name
        if name.endswith(".parquet"):
            import pandas as pd

            assert "Quackenbush" not in pd.read_parquet(tmp_path / "out" / name).to_csv()
    assert "Quackenbush" not in repr([run.summary, *(one.entry for one in run.setups)]) + "".join(capsys.readouterr())
    with_name = [file.name for file in (tmp_path / "out" / "cards").glob("*.txt") if BUYER in file.read_text("utf-8")]
    assert [name.split("-")[0] for name in with_name] == ["one"]
    (doubt,) = [note for note in run.summary["findings"] if note["code"] == "card_machine_unknown"]
    assert '"three"' in doubt["message"]
    assert BUYER not in repr(CardOptions(buyer={"one": BUYER}))


@pytest.mark.usefixtures("undrawn")
def test_words_are_found_beside_the_configuration_and_what_they_leave_out_is_told(tmp_path):
    (tmp_path / "mine.toml").write_text('[hold]\nguess = "Nur geraten."\n[hot]\ntitle = "Heiß"\n', encoding="utf-8")
    run = tastefield.run(configured(tmp_path, '[card]\nwords = "mine.toml"\nsize = "half_letter"\n'), tmp_path / "out")
    for file in (tmp_path / "out" / "cards").glob("*.pdf"):
        assert "Heiß" in text(file)
        assert float(PdfReader(file).pages[0].mediabox.width) == pytest.approx(396)
    (told,) = [note for note in run.summary["findings"] if note["code"] == "card_words_left"]
    assert f"leave {len(CARD) - 2} texts as they are" in told["message"]
    assert "card_words_left" in (tmp_path / "out" / "run.log").read_text("utf-8")


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ('[card]\nwords = "none.toml"', "it cannot be read: No such file"),
        ('[card]\nwords = "bad.toml"', 'no text "hold.ges"; did you mean "hold.guess"'),
        ('[card]\nsize = "A4"', "'A5' or 'half_letter'"),
        ('[card]\nsizes = "A5"', 'write "size"'),
        ("card = 3", "must be a section"),
        ('[[report]]\nwriter = "page"\n[card]\nsize = "A5"', 'writer "card" does not run'),
        ('[[report]]\nwriter = "card"\nsize = "A5"\n[card]\nsize = "A5"', "size stands here and under [card]"),
    ],
)
def test_what_the_configuration_says_of_cards_and_cannot_be_is_refused(tmp_path, table, said):
    (tmp_path / "bad.toml").write_text('[hold]\nges = "x"', encoding="utf-8")
    if table.startswith("card ="):
        path = configured(tmp_path, "")
        path.write_text(f"{table}\n{path.read_text('utf-8')}", encoding="utf-8")
    else:
        path = configured(tmp_path, table)
    with pytest.raises(ConfigError) as error:
        load(path)
    assert said in " ".join(f"{one.what} {one.why} {one.do}" for one in error.value.problems)


def test_options_may_stand_in_the_report_block_or_in_a_table_of_their_own(tmp_path):
    inside = load(configured(tmp_path, '[[report]]\nwriter = "card"\nsize = "half_letter"\n'))
    apart = load(configured(tmp_path, '[card]\nsize = "half_letter"\n'))
    for loaded in (inside, apart):
        assert loaded.writer_options["card"].size == "half_letter"
    assert list(inside.writer_options) == ["card"]
    assert {"card", "data", "page"} <= set(apart.writer_options), "the choice of writers is left as it was"


def test_the_options_of_a_run_can_be_sent_to_another_process(tmp_path):
    (tmp_path / "mine.toml").write_text('[hold]\nguess = "Nur geraten."', encoding="utf-8")
    options = load(configured(tmp_path, '[card]\nwords = "mine.toml"')).writer_options["card"]
    sent = pickle.loads(pickle.dumps(options))
    assert sent.words.texts["hold.guess"] == "Nur geraten."
    assert json.dumps(dict(sent.words.texts))
