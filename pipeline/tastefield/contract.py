"""Compares what a plugin offers with the contract in :mod:`tastefield.hooks`: class, name, methods, Options, pickling.

The plugin manager itself compares hook arguments only; everything else would fail in the middle of a run.
"""

from __future__ import annotations

import inspect
import pickle
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from tastefield.errors import Problem
from tastefield.hooks import Reader, SurfaceModel, Writer

NAME = re.compile(r"[a-z][a-z0-9_]*")


@dataclass(frozen=True)
class Kind:
    """A kind of plugin.

    :param word: what it is called in messages.
    :param hook: the hook that offers it.
    :param base: its abstract class, which is the contract.
    :param core_keys: keys of its configuration block that belong to the core, so its ``Options`` may not use them.
    """

    word: str
    hook: str
    base: type[Reader] | type[SurfaceModel] | type[Writer]
    core_keys: frozenset[str]


KINDS = (
    Kind(
        "reader",
        "tastefield_readers",
        Reader,
        frozenset(
            {
                "reader",
                "holds",
                "path",
                "clock",
                "fill",
                "fill_down",
                "columns",
                "units",
                "decimal",
                "day_first",
                "options",
            }
        ),
    ),
    Kind("surface", "tastefield_surfaces", SurfaceModel, frozenset({"model", "population", "salt", "options"})),
    Kind("writer", "tastefield_writers", Writer, frozenset({"writer", "options"})),
)


def contract_problems(kind: Kind, plugin: Any, origin: str) -> Iterator[Problem]:
    """Everything in which one object breaks the contract of its kind."""
    where = f"{origin}, {type(plugin).__name__}"
    yield from shape_problems(kind, plugin, where)
    if isinstance(plugin, kind.base):
        yield from options_problems(kind, plugin, where)
        yield from pickle_problems(plugin, where)


def shape_problems(kind: Kind, plugin: Any, where: str) -> Iterator[Problem]:
    """What is wrong with its class, name, methods and attributes."""
    base = kind.base.__name__
    if inspect.isclass(plugin):
        yield Problem(
            f"{plugin.__name__} is a class, not an object", where, "the hook returns objects", f"{plugin.__name__}()"
        )
        return
    if not isinstance(plugin, kind.base):
        yield Problem(
            f"{type(plugin).__name__} is no {kind.word}", where, f"it is not a {base}", f"derive it from hooks.{base}"
        )
        return
    yield from _name_problems(kind, plugin, where)
    yield from _method_problems(kind, plugin, where)
    yield from _attribute_problems(plugin, where)


def _name_problems(kind: Kind, plugin: Any, where: str) -> Iterator[Problem]:
    name = getattr(plugin, "name", None)
    if not isinstance(name, str) or not NAME.fullmatch(name):
        yield Problem(
            f"a {kind.word} needs a name",
            where,
            f"found {name!r}; a name is lower case letters, digits and underscores, a letter first",
            'write name = "my_name" in the class',
        )


def _method_problems(kind: Kind, plugin: Any, where: str) -> Iterator[Problem]:
    for name, spec in vars(kind.base).items():
        if name.startswith("_") or not inspect.isfunction(spec):
            continue
        method = getattr(plugin, name)
        if not callable(method):
            yield Problem(f"{name} is no method", where, f"found {method!r}", f"write def {name}{_bound(spec)}")
            continue
        if _shape(inspect.signature(method)) != _shape(_bound(spec)):
            yield Problem(
                f"{name} takes other arguments than the contract says",
                where,
                f"found {_names(inspect.signature(method))}",
                f"write def {name}{_names(_bound(spec), ('self',))}",
            )
        lazy = inspect.isgeneratorfunction(method) and name != "read"
        if lazy or inspect.iscoroutinefunction(method) or inspect.isasyncgenfunction(method):
            yield Problem(f"{name} would never run", where, "it is a generator or async", "write a plain method")


def _bound(function: Callable[..., Any]) -> inspect.Signature:
    signature = inspect.signature(function)
    return signature.replace(parameters=list(signature.parameters.values())[1:])


def _shape(signature: inspect.Signature) -> list[tuple[str, Any]]:
    return [(parameter.name, parameter.kind) for parameter in signature.parameters.values()]


def _names(signature: inspect.Signature, first: tuple[str, ...] = ()) -> str:
    bare = [p.replace(annotation=inspect.Parameter.empty) for p in signature.parameters.values()]
    return f"({', '.join([*first, *map(str, bare)])})"


def _attribute_problems(plugin: Any, where: str) -> Iterator[Problem]:
    if isinstance(plugin, Reader):
        suffixes: Any = plugin.suffixes
        good = isinstance(suffixes, tuple) and all(
            isinstance(s, str) and s.startswith(".") and len(s) > 1 and s == s.lower() for s in suffixes
        )
        if not good:
            yield Problem(
                "suffixes must be a tuple of file endings",
                where,
                f"found {suffixes!r}; each is lower case and starts with a dot",
                'write suffixes = (".txt",)',
            )
    if isinstance(plugin, SurfaceModel):
        shared: Any = plugin.Shared
        strict = inspect.isclass(shared) and issubclass(shared, BaseModel)
        if shared is not None and not (strict and shared.model_config.get("extra") == "forbid"):
            yield Problem(
                "Shared must be None or a pydantic model that forbids unknown keys",
                where,
                f"found {shared!r}; it says which keys of a population may leave the run",
                'derive it from pydantic.BaseModel with model_config = ConfigDict(extra="forbid")',
            )
    if isinstance(plugin, Writer) and not isinstance(plugin.default, bool):
        yield Problem("default must be True or False", where, f"found {plugin.default!r}", "write default = True")


def options_problems(kind: Kind, plugin: Any, where: str) -> Iterator[Problem]:
    """What is wrong with its ``Options``."""
    options = getattr(plugin, "Options", None)
    if not (inspect.isclass(options) and issubclass(options, BaseModel)):
        yield Problem(
            "Options must be a pydantic model", where, f"found {options!r}", "derive it from pydantic.BaseModel"
        )
        return
    if options.model_config.get("extra") != "forbid":
        yield Problem(
            "Options would swallow misspelt keys",
            where,
            "it does not forbid unknown keys",
            'write model_config = ConfigDict(extra="forbid") in it',
        )
    taken = sorted(option_keys(options) & kind.core_keys)
    if taken:
        yield Problem(
            f"Options uses keys of the core: {', '.join(taken)}",
            where,
            f"the core reads these itself from the block of a {kind.word}",
            "rename them",
        )
    required = sorted(name for name, entry in options.model_fields.items() if entry.is_required())
    if getattr(plugin, "default", False) is True and required:
        yield Problem(
            "a default writer must run without options",
            where,
            f"Options needs {', '.join(required)}",
            "give each a default value, or write default = False",
        )


def option_keys(options: type[BaseModel]) -> set[str]:
    """Keys that a plugin's ``Options`` understands in the configuration."""
    return {entry.alias or name for name, entry in options.model_fields.items()}


def pickle_problems(plugin: Any, where: str) -> Iterator[Problem]:
    """Whether it can travel to a worker process."""
    try:
        pickle.loads(pickle.dumps((plugin, plugin.Options)))
    except Exception as error:
        yield Problem(
            "cannot be sent to another process",
            where,
            f"{type(error).__name__}: {error}",
            "define it and its Options at the top of the module and keep no open files or functions in it",
        )
