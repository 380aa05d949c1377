"""Writer ``card``: the card that leaves with each machine, one page of PDF, a picture for a phone and text to paste.

Each setup is written alone, in any process; nothing grows with their number. The name of a buyer is known to this
writer only and stands on no other thing a run writes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo

from tastefield import hookimpl
from tastefield.hooks import Writer
from tastefield.records import Context, RunResult, SetupResult
from tastefield.words.card import card
from tastefield.words.findings import Finding, finding
from tastefield.words.texts import CARD, own

FOLDER = "cards"
LONGEST_WORDS = 200_000
"""Bytes of a file of words; ours has 10,000."""
NAMES_TOLD = 5


class Words(BaseModel):
    """Texts of the card, and the names of those that somebody's own file left as they are."""

    model_config = ConfigDict(frozen=True)

    texts: Mapping[str, str] = CARD
    left: tuple[str, ...] = ()


def _read(path: Any, info: ValidationInfo) -> Any:
    """The texts of the file that the configuration names."""
    if not isinstance(path, str):
        return path
    file = (info.context or {}).get("folder", Path()) / path
    try:
        with file.open("rb") as stream:
            written = stream.read(LONGEST_WORDS + 1)
        if len(written) > LONGEST_WORDS:
            raise ValueError(f"{file.name} is no file of words: more than {LONGEST_WORDS} bytes")
        texts, left = own(written.decode("utf-8-sig"))
    except OSError as error:
        raise ValueError(f"it cannot be read: {error.strerror}") from error
    return Words(texts=texts, left=left)


class CardOptions(BaseModel):
    """Keys of ``[card]``.

    :param size: of the sheet. :param words: file with texts of one's own, counted from the configuration's folder.
    :param contact: whom to call. :param pictures: whether to write the pictures too.
    :param buyer: machine -> who gets it; ``serial``: machine -> its number; ``warm_up``: machine -> minutes.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, coerce_numbers_to_str=True)

    size: Literal["A5", "half_letter"] = "A5"
    words: Annotated[Words, BeforeValidator(_read)] = Words()
    contact: str = Field(default="", repr=False)
    pictures: bool = True
    buyer: dict[str, str] = Field(default={}, repr=False)
    serial: dict[str, str] = {}
    warm_up: dict[str, str] = {}


class CardWriter(Writer):
    """A card for every setup that has a recipe: ``cards/<slug>.pdf``, ``.png`` for a phone, ``.txt`` to paste."""

    name = "card"
    default = True
    Options = CardOptions

    def write_setup(self, result: SetupResult, folder: Path, ctx: Context) -> None:
        """Write the card of one setup; nothing where it has no recipe."""
        from tastefield_plugins.write_card.plain import plain
        from tastefield_plugins.write_card.sheet import Sheet
        from tastefield_plugins.write_card.typeset import pdf, picture

        options = ctx.options if isinstance(ctx.options, CardOptions) else CardOptions()
        if not result.entry["aim"]:
            return
        machine, texts = str(result.entry["key"].get("machine") or ""), options.words.texts
        told = card(result.entry, result.on_card(), texts, options.warm_up.get(machine, ""))
        buyer, serial = options.buyer.get(machine, ""), options.serial.get(machine, "")
        sheet = Sheet.of(told, texts, buyer, serial, options.contact)
        cards = folder / FOLDER
        cards.mkdir(parents=True, exist_ok=True)
        (cards / f"{result.slug}.txt").write_text(plain(sheet, texts), encoding="utf-8", newline="\n", errors="replace")
        (cards / f"{result.slug}.pdf").write_bytes(pdf(sheet, options.size))
        if options.pictures:
            (cards / f"{result.slug}.png").write_bytes(picture(sheet))

    def write_run(self, run: RunResult, folder: Path, ctx: Context) -> None:
        """Tell what the configuration asks of cards and could not be done; the cards are written."""
        if isinstance(ctx.options, CardOptions):
            for note in _doubts(ctx.options, {str(result.entry["key"].get("machine")) for result in run.setups}):
                ctx.note(note)


def _doubts(options: CardOptions, machines: set[str]) -> Iterator[Finding]:
    if left := options.words.left:
        more = f" and {len(left) - NAMES_TOLD} more" if len(left) > NAMES_TOLD else ""
        yield finding("card_words_left", count=len(left), names=", ".join(left[:NAMES_TOLD]) + more)
    for key in ("buyer", "serial", "warm_up"):
        for machine in sorted(set(getattr(options, key)) - machines):
            yield finding("card_machine_unknown", key=key, machine=machine)


@hookimpl
def tastefield_writers() -> list[Writer]:
    """The writer of this folder."""
    return [CardWriter()]
