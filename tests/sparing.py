"""What most tests of whole runs can do without: two parts of a run that take a third of its time.

Figures are drawn in the tests of figures, of the pages and of the panel demo; where to start with another coffee is
worked out in those of the handover, of machines handed over and of both demos.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

EMPTY = '<svg xmlns="http://www.w3.org/2000/svg" role="img"></svg>'


@contextmanager
def undrawn() -> Iterator[None]:
    """Pages written in here, by this process, hold an empty frame where a figure would be."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tastefield.figures.style.Picture.inline", lambda picture: EMPTY)
        yield


@contextmanager
def without_handover() -> Iterator[None]:
    """Runs in here work out no recipe for a coffee that nobody tasted."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tastefield.workflow.stations", lambda setups: ())
        yield
