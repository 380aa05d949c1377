"""Finds the plugins, compares each with the contract before any data are read, and looks them up by name.

Plugins come from entry points of installed packages (built-in ones too) and from the text of one-file plugins. A worker
process builds the same registry again from the same texts, so nothing but strings has to travel.
"""

from __future__ import annotations

import hashlib
import inspect
import linecache
import re
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path, PurePath
from types import ModuleType
from typing import Any

import pluggy

from tastefield import hooks
from tastefield.contract import KINDS, Kind, contract_problems
from tastefield.errors import ConfigError, PluginError, Problem
from tastefield.hooks import Reader, SurfaceModel, Writer
from tastefield.words.nearest import suggestion

GROUP = "tastefield"


@dataclass(frozen=True)
class Registry:
    """All plugins by name, checked.

    :param readers: name -> reader.
    :param surfaces: name -> surface model.
    :param writers: name -> writer.
    :param origins: ``"reader table"`` -> the package or file that offers it.
    """

    readers: Mapping[str, Reader] = field(default_factory=dict)
    surfaces: Mapping[str, SurfaceModel] = field(default_factory=dict)
    writers: Mapping[str, Writer] = field(default_factory=dict)
    origins: Mapping[str, str] = field(default_factory=dict)

    def reader_for(self, path: str | PurePath) -> Reader:
        """The reader that a file's ending picks; the longest ending wins.

        :raises ConfigError: no reader claims the ending, or several do.
        """
        name = PurePath(path).name.lower()
        claims = [(s, r) for r in self.readers.values() for s in r.suffixes if name.endswith(s)]
        longest = max((len(suffix) for suffix, _ in claims), default=0)
        readers = [reader for suffix, reader in claims if len(suffix) == longest]
        if len(readers) == 1:
            return readers[0]
        if readers:
            names = " and ".join(sorted(reader.name for reader in readers))
            raise ConfigError(
                Problem(
                    "several readers claim this kind of file",
                    str(path),
                    f"readers {names} all read {claims[0][0]}",
                    'name one in a configuration: reader = "..."',
                )
            )
        kind = PurePath(name).suffix[1:]
        own = f"read_{kind if kind.isidentifier() else 'NAME'}.py"
        known = ", ".join(sorted({suffix for reader in self.readers.values() for suffix in reader.suffixes}))
        raise ConfigError(
            Problem(
                "no reader knows this kind of file",
                str(path),
                f"endings that are known: {known or 'none'}",
                'save it in one of these, or name a reader in a configuration: reader = "...", '
                f'and for a plugin of your own above all blocks: plugins = ["{own}"]',
            )
        )


def build(plugin_texts: Sequence[tuple[str, str]] = ()) -> Registry:
    """Load every plugin, check it against the contract and make the registry.

    :param plugin_texts: file name and source text of one-file plugins, in configured order.
    :raises PluginError: with every problem of every plugin at once.
    """
    problems: list[Problem] = []
    manager = pluggy.PluginManager("tastefield")
    manager.add_hookspecs(hooks)
    for origin, load in _origins(plugin_texts):
        try:
            module = load()
        except (Exception, SystemExit) as error:
            problems.append(_broke(origin, "cannot be loaded", error))
            continue
        problems += _register(manager, origin, module)
    registry, offered_problems = _collect(manager)
    problems += offered_problems
    if problems:
        raise PluginError(problems)
    return registry


def _installed() -> list[EntryPoint]:
    return sorted(entry_points(group=GROUP), key=lambda point: (point.dist.name if point.dist else "", point.name))


def _origins(texts: Sequence[tuple[str, str]]) -> Iterator[tuple[str, Callable[[], Any]]]:
    """Every plugin: what to call it in messages, and how to load it."""
    for point in _installed():
        package = f" of package {point.dist.name}" if point.dist else ""
        yield f"plugin {point.name}{package}", point.load
    for name, text in texts:
        yield f"plugin file {name}", lambda name=name, text=text: module_from_text(name, text)  # type: ignore[misc]


def module_from_text(name: str, text: str) -> ModuleType:
    """The module of a one-file plugin; the same name and text give the same module, in every process the same name.

    It stands in ``sys.modules`` so that its objects can be pickled and its annotations resolved.
    """
    digest = hashlib.sha256(f"{name}\0{text}".encode()).hexdigest()[:12]
    module_name = f"tastefield_file_{re.sub(r'[^0-9a-zA-Z_]', '_', Path(name).stem)}_{digest}"
    if module_name in sys.modules:
        return sys.modules[module_name]
    module = ModuleType(module_name)
    module.__file__ = name
    linecache.cache[name] = (len(text), None, text.splitlines(keepends=True), name)
    sys.modules[module_name] = module
    try:
        exec(compile(text, name, "exec"), module.__dict__)
    except BaseException:
        del sys.modules[module_name]
        raise
    return module


def _register(manager: pluggy.PluginManager, origin: str, module: Any) -> list[Problem]:
    """Hand a module to pluggy, whose own messages are put into ours."""
    problems = []
    specs = {kind.hook for kind in KINDS}
    found = False
    for name, member in inspect.getmembers(module, callable):
        marked = getattr(member, "tastefield_impl", None) is not None
        if marked and name not in specs:
            problems.append(Problem(f'there is no hook "{name}"', origin, do=suggestion(name, specs)))
        elif not marked and name in specs and not hasattr(member, "tastefield_spec"):
            problems.append(
                Problem(
                    f"{name} would never be called", origin, "it is not marked", "write @tastefield.hookimpl above it"
                )
            )
        found = found or marked or name in specs
    if not found:
        problems.append(
            Problem("offers nothing", origin, "it has no hook function", f"add one of {', '.join(sorted(specs))}")
        )
    if problems:
        return problems
    try:
        manager.register(module, name=origin)
    except pluggy.PluginValidationError as error:
        reason = " ".join(str(error).split())
        return [Problem("a hook takes arguments it is never given", origin, reason, "write it without arguments")]
    except ValueError:
        return [Problem("is registered twice", origin, "another plugin is the same module", "remove one of the two")]
    return []


def _collect(manager: pluggy.PluginManager) -> tuple[Registry, list[Problem]]:
    """Ask every plugin for its objects, check each one, refuse names that are taken."""
    problems: list[Problem] = []
    by_kind: dict[str, dict[str, Any]] = {kind.word: {} for kind in KINDS}
    origins: dict[str, str] = {}
    order = {name: place for place, (name, _) in enumerate(manager.list_name_plugin())}
    for kind in KINDS:
        impls = getattr(manager.hook, kind.hook).get_hookimpls()
        for impl in sorted(impls, key=lambda impl: order[impl.plugin_name]):
            for offered in _offered(kind, impl.plugin_name, impl.function, problems):
                faults = list(contract_problems(kind, offered, impl.plugin_name))
                problems += faults
                label = f"{kind.word} {getattr(offered, 'name', None)}"
                if label in origins:
                    problems.append(
                        Problem(
                            f'there are two {kind.word}s named "{offered.name}"',
                            impl.plugin_name,
                            f"{origins[label]} offers one too",
                            "rename one or uninstall its package",
                        )
                    )
                elif not faults:
                    origins[label] = impl.plugin_name
                    by_kind[kind.word][offered.name] = offered
    return Registry(by_kind["reader"], by_kind["surface"], by_kind["writer"], origins), problems


def _offered(kind: Kind, origin: str, hook: Callable[[], Any], problems: list[Problem]) -> Sequence[Any]:
    try:
        offered = hook()
    except (Exception, SystemExit) as error:
        problems.append(_broke(origin, f"{kind.hook} fails", error))
        return ()
    if not isinstance(offered, list | tuple):
        problems.append(
            Problem(f"{kind.hook} must return a list", origin, f"it returned {type(offered).__name__}", "write [ ... ]")
        )
        return ()
    return offered


def _broke(origin: str, what: str, error: BaseException) -> Problem:
    return Problem(what, origin, f"{type(error).__name__}: {error}", "mend the plugin, or leave it out")
