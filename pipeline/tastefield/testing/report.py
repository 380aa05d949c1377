"""The same checks from the command line: ``tastefield plugins --test FILE``."""

from __future__ import annotations

import inspect
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType

from tastefield.contract import KINDS
from tastefield.errors import PluginError, Problem
from tastefield.registry import build, module_from_text
from tastefield.testing.contract import Contract, outcomes
from tastefield.testing.readers import ReaderContract
from tastefield.testing.surfaces import SurfaceContract
from tastefield.testing.writers import WriterContract


def report(file: Path) -> tuple[list[str], bool]:
    """Check the plugins of a file, or the contract classes of its test file, one line a check.

    A reader needs a sample: it is looked for in ``test_FILE`` beside the plugin's file.

    :returns: what to print, and whether every check holds.
    :raises PluginError: the file cannot be loaded, or breaks the contract so that it cannot be called.
    """
    contracts = _contracts(file)
    lines, kept = [], True
    for contract in contracts:
        broken = 0
        for name, error in outcomes(contract()):
            lines.append(f"ok    {name}" if error is None else f"FAIL  {name}: {_told(contract, error)}")
            broken += error is not None
        subject = contract().subject.name
        verdict = f"breaks {broken} of its rules" if broken else "keeps its contract"
        lines.append(f"{contract.kind.word} {subject} {verdict}")
        kept = kept and not broken
    return lines, kept


def _contracts(file: Path) -> Sequence[type[Contract]]:
    module = _module(file)
    if not any(hasattr(module, kind.hook) for kind in KINDS):
        return _declared(module, file)
    build([(str(file), file.read_text(encoding="utf-8"))])
    beside = file.with_name(f"test_{file.name}")
    contracts: list[type[Contract]] = []
    for kind, base in zip(KINDS, (ReaderContract, SurfaceContract, WriterContract), strict=True):
        for plugin in getattr(module, kind.hook, list)():
            if base is not ReaderContract:
                contracts.append(type("Found", (base,), {"plugin": plugin}))
            elif not beside.is_file():
                do = f"write a ReaderContract with a sample into {beside.name}; tastefield new reader NAME shows one"
                raise PluginError(Problem("a reader is checked with a sample", str(file), f"no {beside.name}", do))
    readers = _declared(_module(beside), beside) if beside.is_file() else ()
    return [*contracts, *(contract for contract in readers if issubclass(contract, ReaderContract))]


def _module(file: Path) -> ModuleType:
    try:
        return module_from_text(str(file), file.read_text(encoding="utf-8"))
    except Exception as error:
        why = f"{type(error).__name__}: {error}"
        raise PluginError(Problem("cannot be loaded", str(file), why, "name a plugin file or its test file")) from error


def _declared(module: ModuleType, file: Path) -> Sequence[type[Contract]]:
    found = [
        member
        for member in vars(module).values()
        if inspect.isclass(member) and issubclass(member, Contract) and hasattr(member, "plugin")
    ]
    if not found:
        why = "it has neither a hook function nor a contract class with a plugin"
        raise PluginError(Problem("holds nothing to check", str(file), why, "name a plugin file or its test file"))
    return found


def _told(contract: type[Contract], error: Exception) -> str:
    return " ".join(str(error).split()) if isinstance(error, AssertionError) else contract().crashed(error)
