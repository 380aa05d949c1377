"""The card as text to paste into a message: every line begins with a word of ours, so that no name begins a formula."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from tastefield.words.card import Figure
from tastefield.words.texts import say
from tastefield_plugins.write_card.sheet import Sheet


def plain(sheet: Sheet, texts: Mapping[str, str]) -> str:
    """The whole card, nothing left out, with blank lines between its parts."""
    return "\n".join(_lines(sheet, texts)) + "\n"


def _lines(sheet: Sheet, texts: Mapping[str, str]) -> Iterator[str]:
    card, titles = sheet.card, sheet.card.titles
    yield say(texts, "head.machine", machine=card.machine)
    yield from (one for one in (*sheet.about, card.date, sheet.buyer) if one)
    if card.hold:
        yield from ("", card.hold.upper() if card.failed else card.hold)
    yield from ("", f"{titles['warm']}: {card.warm_up}", "")
    yield from (_figure(one) for one in card.figures)
    yield from card.dosing
    yield from (
        "",
        ". ".join(part for part in (card.sure, card.ready, card.basis) if part),
        f"{titles['pull']}: {card.pull}",
    )
    yield from (f"{number}. {shot}" for number, shot in enumerate(card.pull_shots, start=1))
    yield from ("", f"{titles['turn']} {titles['practice']}")
    yield from (f"{word}: {meaning}" for word, meaning in card.meanings)
    for what, cells in card.rows:
        yield f"{what}:"
        yield from (f"  {head}: {cell}" for head, cell in zip(card.heads, cells, strict=True))
    yield from ("", f"{titles['steps']} {titles['practice']}")
    yield from (f"{number}. {step}" for number, step in enumerate(card.steps, start=1))
    yield from ("", f"{titles['care']}: {' '.join(card.care)}", "", titles["hot"])
    yield from (f"* {caution}" for caution in card.hot)
    yield from ("", f"{titles['call']}: {sheet.call}", card.holds_for)


def _figure(one: Figure) -> str:
    if not one.value:
        return f"{one.label}: {one.more}"
    value = f"{one.value} {one.unit}".strip()
    return f"{one.label}: {value} ({one.more})" if one.more else f"{one.label}: {value}"
