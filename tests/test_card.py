"""What the card says: numbers of the results file, texts of one file to translate, cautions beside every finer."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

import pytest

from tastefield.words.card import Card, OnCard, card, short
from tastefield.words.phrases import chance_in_words
from tastefield.words.texts import CARD, FILE, ROOM, own

from .plugins import sample_run
from .plugins.sample_run import Case


@cache
def made_up(*case: Any) -> Mapping[str, Any]:
    return sample_run.setup(Case("M", "C", *case)).entry


def entry(*case: Any, **changed: Any) -> dict[str, Any]:
    return {**made_up(*case), **changed}


def told(one: Card) -> str:
    """All that a card says, in one text."""
    return " ".join(_texts(dataclasses.asdict(one)))


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for one in value.values():
            yield from _texts(one)
    elif isinstance(value, (list, tuple)):
        for one in value:
            yield from _texts(one)


def settings(higher_is: str | None, notation: str | None, **more: Any) -> dict[str, Any]:
    return {**entry()["settings"], "higher_is": higher_is, "notation": notation, **more}


FAILED = {"code": "check_failed", "message": "A bench check of this machine failed: leaks: drips at the head."}
ASKED = "Bench checks that are not understood, so that nobody knows whether they failed: leaks: drips at the head."
UNCLEAR = {"code": "check_not_understood", "message": ASKED}
DISAGREE = {"code": "confirm_shots_disagree", "message": ""}


# --- numbers --------------------------------------------------------------------------------------------------------


def test_the_four_figures_are_those_of_the_results_file():
    made = entry()
    aim, window = made["aim"], made["window"]
    put_in, out, time, grind = card(made, OnCard()).figures
    assert (put_in.value, out.value, time.value) == (
        f"{aim['dose_g']:.1f}",
        f"{aim['beverage_g']:.0f}",
        f"{aim['shot_time_s']:.0f}",
    )
    assert grind.value == aim["grind_setting"]
    assert out.more == f"{window['beverage_g'][0]:.0f}–{window['beverage_g'][1]:.0f} g is fine"
    low, high = window["shot_time_s"]
    assert time.more == f"{low:.0f}–{high:.0f} s is fine, from pressing the button"


@pytest.mark.parametrize("clock", ["pump", "first_drip", "unknown"])
def test_every_time_names_its_clock(clock):
    made = entry()
    one = card({**made, "aim": {**made["aim"], "clock": clock}}, OnCard())
    assert CARD[f"figure.{clock}"] in one.figures[2].more


@pytest.mark.parametrize("tasted", [0, 1, 2, 3, 9])
@pytest.mark.parametrize("chance", [0.01, 0.06, 0.3, 0.5, 0.81, 0.93, 0.97])
def test_how_sure_is_told_as_the_terminal_and_the_page_tell_it(chance, tasted):
    one = card(entry(assurance=chance, tasted=tasted), OnCard())
    words = chance_in_words(chance, tasted)
    assert one.sure.lower().removesuffix(" shots should be good") == words
    assert (one.tenths is None) == (tasted < 3)
    if one.tenths is not None:
        assert abs(one.tenths / 10 - chance) <= 0.08
        assert one.tenths < 10, "no row of boxes is full: nothing is certain"


def test_what_the_chance_rests_on_is_counted():
    one = card(entry(shots=6, tasted=3, tasters=1, assurance_range=[0.8, 0.81]), OnCard(served=("black",)))
    assert one.basis == "Rests on 6 shots, 3 tasted, 1 taster, black."
    one = card(entry(tasters=2, assurance_range=[0.02, 0.97]), OnCard())
    assert one.basis.endswith("2 tasters; at worst less than 1 in 20, at best more than 19 in 20.")


# --- what may leave -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("status", "chance", "tasted", "hold"),
    [
        ("window", 0.85, 4, ""),
        ("confirmed", 0.9, 9, ""),
        ("tentative", 0.6, 4, "hold.guess"),
        ("tentative", 0.1, 4, "hold.poor"),
        ("tentative", 0.6, 0, "hold.untasted"),
    ],
)
def test_a_card_that_should_not_leave_yet_says_so(status, chance, tasted, hold):
    one = card(entry(status=status, assurance=chance, tasted=tasted), OnCard())
    assert one.hold == (CARD[hold] if hold else "")
    assert bool(one.ready) == (not hold)


@pytest.mark.parametrize("status", ["window", "confirmed", "tentative"])
def test_a_failed_bench_check_holds_the_card_however_good_its_recipe_is(status):
    one = card(entry(status, findings=[FAILED]), OnCard())
    assert one.failed
    assert one.hold.startswith("Held. A bench check failed: leaks: drips at the head. Not to be handed over")
    assert not one.ready
    assert not one.pull_shots
    assert one.pull == CARD["pull.mend"]


def test_a_bench_check_that_is_not_understood_holds_the_card_and_a_failed_one_goes_before():
    one = card(entry("window", findings=[UNCLEAR]), OnCard())
    assert one.failed
    assert one.hold == "Held. A bench check is not understood: leaks: drips at the head. " + CARD["hold.say"]
    assert not one.ready
    assert one.pull == "2 shots at these settings. Taste them: good again, then they hold."
    assert card(entry("window", findings=[UNCLEAR, FAILED]), OnCard()).hold.startswith("Held. A bench check failed")


def test_a_card_that_shots_to_confirm_deny_tells_no_chance_and_what_to_check():
    one = card(entry("tentative", assurance=0.97, assurance_range=[0.9, 0.99], findings=[DISAGREE]), OnCard())
    assert (one.hold, one.sure, one.tenths) == (CARD["hold.denied"], CARD["sure.denied"], None)
    assert "at worst" not in one.basis
    assert card(entry("window", findings=[DISAGREE]), OnCard()).hold == ""  # good, if less than was expected


def test_a_card_that_may_leave_asks_for_shots_at_its_own_settings_alone():
    """What may better a recipe that is ready is for the bench, not for whoever gets the machine."""
    tries = entry("tentative")["next_shots"]
    again = [{**tries[0], "stage": "confirm", "why": "Confirms the recipe."}]
    for shots, said in ((tries, CARD["pull.confirm"].format(count=2)), ([*tries, *again], CARD["pull.confirm_one"])):
        one = card(entry("window", next_shots=shots), OnCard())
        assert (one.pull, one.pull_shots) == (said, ())
    done = card(entry("confirmed", next_shots=tries), OnCard())
    assert (done.pull, done.pull_shots) == (CARD["pull.nothing"], ())


def test_where_the_recipe_itself_is_finer_than_what_ran_its_shots_carry_the_warning():
    shot = {**entry()["next_shots"][0], "stage": "confirm", "why": "Confirms. Finer than the last shot; "}
    warned = card(entry(next_shots=[{**shot, "why": shot["why"] + CARD["choke.stop"]}, shot]), OnCard())
    assert warned.pull.endswith("then they hold. Stop if nothing drips.")
    assert card(entry(next_shots=[shot, shot]), OnCard()).pull.endswith("then they hold.")


def test_what_to_pull_first_are_the_next_shots_or_shots_that_confirm():
    assert card(entry("window"), OnCard()).pull == "2 shots at these settings. Taste them: good again, then they hold."
    to_try = card(entry("tentative"), OnCard())
    assert to_try.pull_shots[0] == "18.0 g in, 40 g out, 28 s, mark 7.5"
    assert len(to_try.pull_shots) == 3
    assert card(entry("confirmed"), OnCard()).pull == CARD["pull.nothing"]
    assert card(entry("tentative", next_shots=[]), OnCard()).pull == CARD["pull.none"]


def test_a_next_shot_that_goes_finer_carries_its_warning():
    shot = {**entry("tentative")["next_shots"][0], "why": "Tells what a step does; stop if nothing drips."}
    one = card(entry("tentative", next_shots=[shot]), OnCard())
    assert one.pull_shots[0].endswith("(stop if nothing drips)")


# --- grinder and basket ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("higher_is", "notation", "finer"),
    [
        ("coarser", "marks", "a lower mark"),
        ("finer", None, "a higher mark"),
        ("coarser", "clock", "anticlockwise"),
        ("finer", "letters", "a later letter"),
        (None, "clock", ""),
    ],
)
def test_the_card_says_which_way_the_dial_turns_and_never_finer_without_its_warnings(higher_is, notation, finer):
    one = card(entry(settings=settings(higher_is, notation)), OnCard())
    means = dict(one.meanings)["Finer"]
    assert finer in means
    assert "while the grinder runs" in means
    assert "Never at or finer than 6.5: it choked." in means
    cells = [cell for _, row in one.rows for cell in row]
    assert any("finer" in cell.lower() for cell in cells)
    for sentence in [means, *cells, *one.steps]:
        if "finer" in sentence.lower():
            assert "nothing drips" in sentence


def test_a_grinder_that_stays_behind_gives_no_mark_no_timer_and_none_of_its_chokes():
    one = card(entry(settings=settings("coarser", "marks", leaves=False)), OnCard())
    assert one.grinder == "The grinder stays behind"
    assert one.figures[3].value == ""
    assert one.figures[3].more == "Until 18.0 g gives 38 g in 28 s"
    assert "7.5" not in told(one)
    assert "6.5" not in told(one)
    assert "timer" not in " ".join(one.dosing).lower()
    assert "start where your grinder comes nearest to that time" in one.steps[0]


def test_without_a_dial_setting_the_card_says_until_when_to_grind():
    made = sample_run.setup(Case("M", "C", dial=False)).entry
    one = card(made, OnCard())
    assert one.figures[3].more == "Until 18.0 g gives 38 g in 28 s"
    assert "mark above" not in " ".join(one.steps)


def test_a_pressurised_basket_gets_no_advice_to_grind():
    result = sample_run.setup(Case("M", "C", dial=False, pressurised=True))
    assert result.on_card().pressurised
    one = card(result.entry, result.on_card())
    assert one.figures[3] == dataclasses.replace(one.figures[3], value="", more=CARD["figure.basket"])
    assert not one.meanings
    said = " ".join([*(cell for _, row in one.rows for cell in row), *one.steps, *one.hot])
    assert not re.search("finer|coarser|grinder", said.lower())


def test_the_cautions_of_heat_pressure_dose_and_milk_are_on_every_card():
    for pressurised in (False, True):
        said = told(card(entry(), OnCard(pressurised=pressurised)))
        for caution in (
            "burn at once",
            "Wait for the pressure to go",
            "pressure valve",
            "allergy",
            "EFSA 2015",
            "65 °C",
        ):
            assert caution in said
        assert "never more than the basket is made for" in said
        assert "this coffee, this grinder and this water only" in said


# --- texts ----------------------------------------------------------------------------------------------------------


class Watched(dict[str, str]):
    """Texts that remember which of them were asked for."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        super().__init__(texts)
        self.used: set[str] = set()

    def __getitem__(self, name: str) -> str:
        self.used.add(name)
        return super().__getitem__(name)


def every_card(texts: Mapping[str, str]) -> Iterator[Card]:
    """Cards of every kind there is, in these texts."""
    for status in ("window", "confirmed", "tentative"):
        for tasted, chance in ((0, 0.5), (1, 0.5), (2, 0.5), (4, 0.01), (4, 0.3), (4, 0.7), (4, 0.98)):
            yield card(entry(status, tasted=tasted, assurance=chance, assurance_range=[0.01, 0.99]), OnCard(), texts)
    for count in (0, 1, 2):
        yield card(entry(next_shots=entry()["next_shots"][:count], shots=count, tasters=count), OnCard(), texts)
    yield card(entry("tentative", next_shots=[]), OnCard(), texts)
    for roast in ("light", "medium", "dark"):
        yield card(entry(last_pulled=None), OnCard(roast=roast, served=("black", "milk")), texts, "20")
    yield card(entry(findings=[FAILED], key={"grinder": "g", "basket": "b", "head": "h"}), OnCard(), texts)
    yield card(entry(findings=[UNCLEAR]), OnCard(), texts)
    yield card(entry("tentative", findings=[DISAGREE]), OnCard(), texts)
    for clock in ("pump", "first_drip", "unknown"):
        yield card(entry(aim={**entry()["aim"], "clock": clock, "dose_g": None}), OnCard(), texts)
    base = entry()["ladder"]
    for notation in ("marks", "letters", "two_part", "clock", "turns", "list"):
        for higher_is in ("finer", "coarser"):
            for steps in (1.0, 2.0):
                for step in (1.0, 0.5):
                    moves = {**base["moves"], "finer": {**base["moves"]["finer"], "steps": steps}}
                    made = entry(settings=settings(higher_is, notation, step=step), ladder={**base, "moves": moves})
                    yield card(made, OnCard(), texts)
    for leaves, setting in ((False, None), (True, None), (True, "7")):
        aim = {**entry()["aim"], "grind_setting": setting}
        shots = [
            {**shot, "stage": "dial-in", "grind_setting": setting, "shot_time_s": time, "dose_g": dose}
            for shot, time, dose in zip(
                entry("tentative")["next_shots"], (28.0, None, 28.0), (18.0, 18.0, None), strict=True
            )
        ]
        made = entry("tentative", aim=aim, next_shots=shots, settings=settings("finer", "marks", leaves=leaves))
        yield card(made, OnCard(), texts)
    for shots_weighed in (1, 2, 3):
        button = {**entry()["dosing"]["button"], "shots": shots_weighed}
        yield card(entry(dosing={"timer": entry()["dosing"]["timer"], "button": button}), OnCard(), texts)
    yield card(entry(ladder={**base, "table": "no_finer"}), OnCard(), texts)
    yield card(entry(ladder=None), OnCard(pressurised=True), texts)


WRITER_ONLY = {
    *("head.machine", "head.for", "head.serial", "call.contact", "left_out.told"),
    *("general.language",),
}
"""Texts that only the writer asks for; its own test holds it to them."""


def test_every_text_of_the_file_is_used_and_none_is_missing():
    texts = Watched(CARD)
    assert len(list(every_card(texts))) > 50
    assert texts.used == set(CARD) - WRITER_ONLY


def test_a_card_in_other_words_has_none_of_ours():
    """Translated: every text in letters of another script, so that whatever is left of ours is seen."""
    greek = {name: _greek(text) for name, text in CARD.items()} | {"general.decimal": ",", "general.language": "el"}
    texts, left = own(_as_toml(greek))
    assert not left
    for one in every_card(texts):
        seen = told(dataclasses.replace(one, machine="", titles={}))
        for name in ("leaks: drips at the head", "<script>alert(1)</script>", " s", "bench", "C", "g", "M", "b", "h"):
            seen = seen.replace(name, " ")
        assert not re.findall("[a-z]{3,}", seen.lower()), seen
        assert not re.search(r"\d\.\d", re.sub(r"[67]\.5|4\.6", "", seen)), "the decimal sign is theirs"


def _greek(text: str) -> str:
    return "".join(
        part if part.startswith("{") else re.sub("[A-Za-z]", "λ", part) for part in re.split(r"(\{\w+\})", text)
    )


def _as_toml(texts: Mapping[str, str]) -> str:
    return "\n".join(f"{name} = {json.dumps(text, ensure_ascii=False)}" for name, text in texts.items())


def test_what_a_file_of_words_leaves_out_stays_and_is_told():
    texts, left = own('[hold]\nguess = "Nur geraten."\n')
    assert texts["hold.guess"] == "Nur geraten."
    assert texts["hold.poor"] == CARD["hold.poor"]
    assert set(left) == set(CARD) - {"hold.guess"}
    assert own(FILE.read_text("utf-8")) == (dict(CARD), ())


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("hold = [", "not valid TOML"),
        ('[hold]\nges = "x"', 'no text "hold.ges"; did you mean "hold.guess"'),
        ("[hold]\nguess = 3", "hold.guess must be a text in quotes"),
        ('[hot]\nburn = "  "', "hot.burn must be a text in quotes"),
        ('[sure]\npart = "{some} of {of}"', "sure.part has {of}; what is filled in there is {all}, {some}"),
        ('[sure]\npart = "{some.__class__}"', "sure.part has {some.__class__}"),
        ('[sure]\npart = "{some:>999999}"', "sure.part has {some:>999999}"),
        ('[sure]\npart = "{some"', "a brace too many or too few"),
        (f'[sure]\nready = "{"x" * (2 * 5 + ROOM + 1)}"', "the card has room for 50"),
        ('[general]\ndecimal = "·"', 'general.decimal must be "." or ","'),
        ('[general]\nlanguage = "English"', "general.language must be a code"),
    ],
)
def test_a_file_of_words_that_cannot_be_used_says_why(written, said):
    with pytest.raises(ValueError, match=re.escape(said)):
        own(written)


def test_every_fault_of_a_file_of_words_is_told_at_once():
    with pytest.raises(ValueError) as error:
        own('[hold]\nguess = ""\npoor = 3\nnew = "x"')
    assert all(name in str(error.value) for name in ("hold.guess", "hold.poor", "hold.new"))


def test_signs_that_steer_the_reading_direction_are_taken_out_of_somebodys_words():
    texts, _ = own('[hold]\nguess = "left\\u202eright\\n"')
    assert texts["hold.guess"] == "left?right"


def test_names_are_cut_to_what_a_card_has_room_for():
    assert short("x" * 300) == "x" * 59 + "…"
    long = entry(key={"machine": "m" * 300, "coffee": "c" * 300, "grinder": "g" * 300})
    one = card(long, OnCard())
    assert max(len(part) for part in (one.machine, one.coffee, one.also)) < 80
