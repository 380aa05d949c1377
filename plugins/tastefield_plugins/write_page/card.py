"""The card on the page: what :mod:`tastefield.words.card` says of a setup, in its own texts."""

from __future__ import annotations

from tastefield.records import SetupResult
from tastefield.words.card import Card
from tastefield.words.card import card as told


def card(result: SetupResult) -> Card:
    """The card of a setup that has a recipe."""
    return told(result.entry, result.on_card())
