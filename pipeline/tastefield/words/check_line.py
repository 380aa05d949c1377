"""One line a bench check of the table of what was checked, by whom, how, before and after."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tastefield.words.checks import VERDICTS
from tastefield.words.phrases import printable


def check_line(check: Mapping[str, Any]) -> dict[str, Any]:
    """The line of one check, in words.

    :param check: its object in the results file.
    """
    after = check["after"]
    return {
        "machine": printable(check["machine"]),
        "check": printable(check["check"]),
        "before": _found(check["before"]) if check["before"] else "not checked before",
        "after": _found(after),
        "by": printable(after["by"] or "not written down"),
        "method": printable(after["method"] or "not written down"),
        "verdict": VERDICTS[check["verdict"]],
        "fails": check["verdict"] == "fails",
        "why": printable(check["why"]),
    }


def _found(found: Mapping[str, Any]) -> str:
    value = " ".join(printable(part) for part in (found["value"], found["unit"]) if part)
    return f"{value} ({found['when']})" if found["when"] else value
