"""What all contract classes share: the plugin, its checks one by one, and how pytest finds them.

A check is a plain function of the contract and an empty folder that raises :class:`Breach`. Its name is the test's id.
"""

from __future__ import annotations

import copy
import tempfile
from collections.abc import Callable, Iterator, Mapping
from functools import cached_property
from pathlib import Path
from typing import Any, ClassVar

from tastefield import contract
from tastefield.errors import crashed
from tastefield.records import Context
from tastefield.registry import module_from_text


class Breach(AssertionError):  # noqa: N818 - what a plugin commits, not a fault of the kit
    """A plugin breaks a rule of the contract; the message says which, and what was found."""


def require(holds: bool, message: str) -> None:
    """Raise :class:`Breach` unless the rule holds."""
    if not holds:
        raise Breach(message)


Check = Callable[[Any, Path], None]


class Contract:
    """Base of the contract classes; a guest derives from the one of its kind and sets ``plugin``."""

    plugin: ClassVar[Any]
    """The plugin object, or the path of the one-file plugin that offers it."""
    options: ClassVar[Mapping[str, Any]] = {}
    """Options the plugin is called with."""
    kind: ClassVar[contract.Kind]
    rules: ClassVar[tuple[Check, ...]] = ()

    @cached_property
    def subject(self) -> Any:
        """The plugin object."""
        if not isinstance(self.plugin, Path):
            return self.plugin
        module = module_from_text(str(self.plugin), self.plugin.read_text(encoding="utf-8"))
        offered = getattr(module, self.kind.hook)()
        require(len(offered) == 1, f"{self.plugin.name} offers {len(offered)} {self.kind.word}s: name the object")
        return offered[0]

    def context(self) -> Context:
        """A context made anew, as for every call."""
        return Context(self.subject.Options.model_validate(dict(self.options)), seed=1)

    def crashed(self, error: Exception) -> str:
        """What an exception says that the plugin did not raise on purpose, with the line of its file."""
        return crashed(error, self.subject)

    def exercise(self, folder: Path) -> None:
        """Use the plugin once as a run would."""
        raise NotImplementedError

    def checks(self) -> Iterator[tuple[str, Check]]:
        """Every check with its name, always in the same order."""
        for rule in (*COMMON, *self.rules):
            yield rule.__name__, rule

    def pytest_generate_tests(self, metafunc: Any) -> None:
        """Give pytest one test a check."""
        if "check" in metafunc.fixturenames:
            names, rules = zip(*self.checks(), strict=True)
            metafunc.parametrize("check", rules, ids=names)

    def test_keeps_the_contract(self, check: Check, tmp_path: Path) -> None:
        """One check; its name is the id of the test."""
        check(self, tmp_path)


def outcomes(kept: Contract) -> Iterator[tuple[str, Exception | None]]:
    """Run every check without pytest, each on a contract of its own: its name, and what broke it."""
    for name, check in kept.checks():
        kept = type(kept)()
        with tempfile.TemporaryDirectory() as folder:
            try:
                check(kept, Path(folder))
            except Exception as error:
                yield name, error
            else:
                yield name, None


def has_the_shape_of_the_contract(kept: Contract, folder: Path) -> None:
    """Name, methods, their arguments and attribute types are those of the contract."""
    _nothing_wrong(contract.shape_problems(kept.kind, kept.subject, "the plugin"))


def options_refuse_unknown_keys(kept: Contract, folder: Path) -> None:
    """Options forbid keys they do not know and leave the core its own."""
    _nothing_wrong(contract.options_problems(kept.kind, kept.subject, "the plugin"))


def can_be_sent_to_another_process(kept: Contract, folder: Path) -> None:
    """The plugin and its Options survive pickling."""
    _nothing_wrong(contract.pickle_problems(kept.subject, "the plugin"))


def keeps_no_state(kept: Contract, folder: Path) -> None:
    """Using the plugin leaves its attributes as they were: another process would not know of a change."""
    plugin = kept.subject
    before = copy.copy(vars(plugin))
    text = repr(sorted(before.items()))
    kept.exercise(folder)
    changed = sorted(name for name in {*before, *vars(plugin)} if before.get(name) is not vars(plugin).get(name))
    require(not changed and repr(sorted(vars(plugin).items())) == text, f"use changed {changed or 'an attribute'}")


def _nothing_wrong(problems: Iterator[Any]) -> None:
    found = [str(problem) for problem in problems]
    require(not found, "\n".join(found))


COMMON: tuple[Check, ...] = (
    has_the_shape_of_the_contract,
    options_refuse_unknown_keys,
    can_be_sent_to_another_process,
    keeps_no_state,
)
