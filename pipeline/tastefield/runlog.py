"""``run.log``: what a run did and how long each stage took, one JSON object a line, readable even after a kill."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any


class RunLog:
    """Appends to one file; every line is on disk before the next thing happens.

    Lines wait in memory while there is no folder yet: a run reads its sources before it makes one.
    """

    def __init__(self) -> None:
        self.path: Path | None = None
        self.waiting: list[str] = []

    def write_to(self, path: Path) -> None:
        """Write the lines that waited, and every later one, to this file."""
        self.path = path
        waiting, self.waiting = self.waiting, []
        with path.open("a", encoding="utf-8") as file:
            file.writelines(waiting)

    def note(self, event: str, **facts: Any) -> None:
        """One line: ``{"at": ..., "event": ..., **facts}``; a fact JSON does not know is written as its text."""
        at = datetime.now(UTC).isoformat(timespec="milliseconds")
        line = json.dumps({"at": at, "event": event, **facts}, ensure_ascii=False, default=str) + "\n"
        if self.path is None:
            self.waiting.append(line)
            return
        with self.path.open("a", encoding="utf-8") as file:
            file.write(line)

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
