"""Changes: what a card says otherwise than it did when it was last written, for cards that may have left already."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from tastefield.records import SetupResult
from tastefield.words.findings import finding
from tastefield.words.phrases import READY, printable

ON_THE_CARD = {
    "dose_g": "{:.1f} g in",
    "beverage_g": "{:.0f} g out",
    "shot_time_s": "{:.0f} s",
    "grind_setting": "grind {}",
}
"""What a card tells to be set, as it is printed."""


def with_change(result: SetupResult, before: Mapping[str, Any] | None) -> SetupResult:
    """The result, with a finding where its card says something else than the one written before.

    All setups are learned together, so that a shot on one machine may move the card of another by a little.

    :param before: status and aim of the setup in the last run; ``None`` where there was none.
    """
    aim = result.entry["aim"]
    if before is None or before["status"] not in READY or not before["aim"] or not aim:
        return result
    told = [(_said(form, before["aim"].get(name)), _said(form, aim[name])) for name, form in ON_THE_CARD.items()]
    changes = [f"{old}, now {new}" for old, new in told if old != new]
    if not changes:
        return result
    note = finding("card_changed", changes="; ".join(changes)).as_dict()
    return replace(result, entry={**result.entry, "findings": [*result.entry["findings"], note]})


def _said(form: str, value: Any) -> str:
    return "not told" if value is None else form.format(printable(value) if isinstance(value, str) else value)
