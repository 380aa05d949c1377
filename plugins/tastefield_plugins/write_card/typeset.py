"""The sheet typeset: PDF and picture by typst, from one template, with our fonts alone and no time of making."""

from __future__ import annotations

import json
from dataclasses import asdict
from functools import lru_cache
from pathlib import Path
from typing import Any

import typst

from tastefield.words.numbers import together
from tastefield_plugins.write_card.glyphs import FONTS, legible
from tastefield_plugins.write_card.sheet import Sheet

TEMPLATE = Path(__file__).parent / "card.typ"
FORMS = {"A5": "a5", "half_letter": "half_letter"}
DOTS_PER_INCH = 254
"""A picture of 720 x 1560 dots, as a phone shows it, from a sheet of 72 x 156 mm."""


def pdf(sheet: Sheet, size: str) -> bytes:
    """One page.

    :param size: a key of :data:`FORMS`.
    """
    return _compiled(sheet, FORMS[size], format="pdf")


def picture(sheet: Sheet) -> bytes:
    """PNG for a phone."""
    return _compiled(sheet, "phone", format="png", ppi=DOTS_PER_INCH)


def _compiled(sheet: Sheet, form: str, **how: Any) -> bytes:
    told = json.dumps(_legible(asdict(sheet)), ensure_ascii=False)
    page = _compiler().compile(sys_inputs={"card": told, "form": form}, timestamp=0, **how)
    assert isinstance(page, bytes)  # narrows the type: a list would be several pages, and the template makes one
    return page


def _legible(value: Any) -> Any:
    """The same with every text as our fonts can draw it, numbers beside their units."""
    if isinstance(value, str):
        return legible(together(value))
    if isinstance(value, dict):
        return {key: _legible(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_legible(one) for one in value]
    return value


@lru_cache(maxsize=1)
def _compiler() -> typst.Compiler:
    """One for the process: it keeps fonts and template read."""
    fonts = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(FONTS)])
    return typst.Compiler(input=str(TEMPLATE), root=str(TEMPLATE.parent), font_paths=fonts)
