"""A sheet: the card with what only this writer knows - buyer, serial number, whom to call - as it is laid out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Self

from tastefield.words.card import Card, short
from tastefield.words.texts import say


@dataclass(frozen=True)
class Sheet:
    """What every form of the card lays out.

    :param about: what stands below the name of the machine, one line each. :param buyer: whom it is for, filled in.
    :param call: what to tell, and whom.
    """

    card: Card
    about: tuple[str, ...]
    buyer: str
    call: str
    language: str
    left_out: str

    @classmethod
    def of(cls, card: Card, texts: Mapping[str, str], buyer: str, serial: str, contact: str) -> Self:
        """The sheet of a card; what is empty is not told."""
        number = say(texts, "head.serial", serial=short(serial)) if serial.strip() else ""
        lines = (
            ", ".join(part for part in (card.coffee, number) if part),
            ". ".join(part for part in (card.also, card.grinder) if part) + ".",
        )
        whom = say(texts, "call.contact", contact=short(contact)) if contact.strip() else ""
        return cls(
            card=card,
            about=lines,
            buyer=say(texts, "head.for", buyer=short(buyer)) if buyer.strip() else "",
            call=" ".join(part for part in (card.call, whom) if part),
            language=texts["general.language"],
            left_out=texts["left_out.told"],
        )
