"""``run.log``: what a run did and how long each stage took, one JSON object a line, readable even after a kill."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self


class RunLog:
    """Appends to one file; every line is handed to the system before the next thing happens.

    :param path: the file; ``None`` where nothing is written, so that nothing is logged either.
    """

    def __init__(self, path: Path | None) -> None:
        self.file = path.open("a", encoding="utf-8") if path else None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self.file:
            self.file.close()

    def note(self, event: str, **facts: Any) -> None:
        """One line: ``{"at": ..., "event": ..., **facts}``; a fact JSON does not know is written as its text."""
        if self.file:
            at = datetime.now(UTC).isoformat(timespec="milliseconds")
            self.file.write(json.dumps({"at": at, "event": event, **facts}, ensure_ascii=False, default=str) + "\n")
            self.file.flush()

    @contextmanager
    def stage(self, name: str, **facts: Any) -> Iterator[None]:
        """Log the start and the end of a stage with its seconds; what breaks it is logged and goes on upwards."""
        self.note("start", stage=name, **facts)
        start = time.perf_counter()
        try:
            yield
        except BaseException as error:
            self.note("failed", stage=name, seconds=_seconds(start), error=f"{type(error).__name__}: {error}")
            raise
        self.note("done", stage=name, seconds=_seconds(start))


def _seconds(start: float) -> float:
    return round(time.perf_counter() - start, 3)
