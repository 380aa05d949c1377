"""From a path to everything a run needs: the configuration, the plugins, and each plugin's own validated options.

Problems are told in the order in which they can be seen: TOML syntax first, then plugins, then everything else at once.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from tastefield.config import (
    Block,
    CheckConfig,
    Config,
    GrinderConfig,
    NextConfig,
    RefractometerConfig,
    ReportConfig,
    SetupsConfig,
    SourceConfig,
    SurfaceConfig,
    TasteConfig,
    WindowConfig,
    matching_files,
)
from tastefield.contract import option_keys
from tastefield.errors import ConfigError, PluginError, Problem
from tastefield.hooks import NoOptions, Reader, SurfaceModel, Writer
from tastefield.place import Where, place
from tastefield.population import Document, Prior, joined, read
from tastefield.registry import Registry, build
from tastefield.words.nearest import nearest, suggestion

_PASSWORD = re.compile(r"://.*@")
"""Who an address logs in as: it is told to nobody, wherever it was written by mistake."""
SECTIONS: dict[str, type[Block]] = {
    "setups": SetupsConfig,
    "taste": TasteConfig,
    "refractometer": RefractometerConfig,
    "surface": SurfaceConfig,
    "window": WindowConfig,
    "next": NextConfig,
}
REPEATED: dict[str, type[Block]] = {
    "source": SourceConfig,
    "report": ReportConfig,
    "grinder": GrinderConfig,
    "check": CheckConfig,
}

AnyModel = TypeVar("AnyModel", bound=BaseModel)
AnyBlock = TypeVar("AnyBlock", bound=Block)


@dataclass(frozen=True)
class Loaded:
    """A configuration that holds, with the plugins it names; workers rebuild the registry from the texts.

    :param config: defaults filled in: every source names its reader, every writer that runs stands in ``report``.
    :param registry: all plugins.
    :param plugin_texts: file name and source text of the one-file plugins.
    :param reader_options: one for each ``config.source``.
    :param surface_options: options of the surface model.
    :param writer_options: writer name -> its options, in the order they run.
    :param prior: what other runs learned; ``None`` where the configuration names none.
    """

    config: Config
    registry: Registry
    plugin_texts: tuple[tuple[str, str], ...]
    reader_options: tuple[BaseModel, ...]
    surface_options: BaseModel
    writer_options: Mapping[str, BaseModel]
    prior: Prior | None = None


def load(path: str | Path) -> Loaded:
    """Load a configuration (``.toml``), or make one for a log of a kind that some reader knows.

    :raises ConfigError: anything is wrong; every problem says file, line and key, why, and what to do.
    :raises PluginError: a plugin breaks the contract.
    """
    path = Path(path)
    if not path.is_file():
        raise ConfigError(_no_file(path))
    if path.suffix.lower() != ".toml":
        registry = build()
        reader = registry.reader_for(path)
        raw: dict[str, Any] = {"source": [{"reader": reader.name, "path": path.name}]}
        return _Check(path, "", raw, registry).loaded(())
    text, raw = _parse(path)
    texts = _plugin_texts(path, text, raw)
    return _Check(path, text, raw, build(texts)).loaded(texts)


def _no_file(path: Path) -> Problem:
    if path.is_dir():
        return Problem("is a folder", str(path), "a configuration or a log is a file", "name the file in it")
    siblings = [entry.name for entry in path.parent.iterdir() if entry.is_file()] if path.parent.is_dir() else []
    close = nearest(path.name, siblings)
    do = f'did you mean "{path.with_name(close)}"?' if close else "check the name and the folder"
    return Problem("there is no such file", str(path), do=do)


def _parse(path: Path) -> tuple[str, dict[str, Any]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(Problem("cannot be read", str(path), str(error), "save it as UTF-8 text")) from error
    try:
        return text, tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        do = 'words stand in quotes, lists in [ ]: title = "March", holds = ["shots"]; a path uses / not \\'
        raise ConfigError(Problem("is not valid TOML", str(path), str(error), do)) from error


def _plugin_texts(path: Path, text: str, raw: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """The texts of one-file plugins; they come before all other checks, because they decide what is known."""
    files = raw.get("plugins", [])
    where = place(path, text, ("plugins",))
    if not (isinstance(files, list) and all(isinstance(file, str) for file in files)):
        raise ConfigError(Problem("must be a list of files", where, f"found {files!r}", 'plugins = ["my_reader.py"]'))
    texts, problems = [], []
    for number, file in enumerate(files):
        found = path.parent / file
        if file in files[:number]:
            problems.append(Problem(f'"{file}" stands here twice', where, do="remove one"))
            continue
        try:
            texts.append((file, found.read_text(encoding="utf-8-sig")))
        except (OSError, UnicodeDecodeError) as error:
            why = f"{found} does not exist" if not found.exists() else str(error)
            problems.append(Problem(f'"{file}" cannot be read', where, why, "paths count from this file's folder"))
    if problems:
        raise PluginError(problems)
    return tuple(texts)


class _Check:
    """Checks one configuration block by block and gathers every problem; a faulty block leaves a stand-in behind."""

    def __init__(self, path: Path, text: str, raw: Mapping[str, Any], registry: Registry) -> None:
        self.path, self.text, self.raw, self.registry = path, text, raw, registry
        self.problems: list[Problem] = []

    def tell(self, where: Where, what: str, why: str = "", do: str = "") -> None:
        self.problems.append(Problem(what, place(self.path, self.text, where), why, do))

    def loaded(self, texts: tuple[tuple[str, str], ...]) -> Loaded:
        sections = {key: self.section(key) for key in SECTIONS if key != "surface"}
        surface, surface_options = self.surface()
        sources = [self.source(number, raw) for number, raw in enumerate(self.blocks("source"))]
        if not self.raw.get("source"):
            do = 'write [[source]] and below it path = "my-log.csv"'
            self.tell(("source",), "there is no [[source]]", "nothing says where the shots are", do)
        reports = self.reports()
        grinders = [self.block(GrinderConfig, raw, ("grinder", n)) for n, raw in enumerate(self.blocks("grinder"))]
        self.once("grinder", "name")
        limits = [self.block(CheckConfig, raw, ("check", n)) for n, raw in enumerate(self.blocks("check"))]
        self.once("check", "name")
        prior = self.prior(surface, str(getattr(sections["taste"], "attribute", "")))
        config = self.top().model_copy(
            update={
                **sections,
                "surface": surface,
                "source": tuple(source for source, _ in sources),
                "report": tuple(report for report, _ in reports),
                "grinder": tuple(grinders),
                "check": tuple(limits),
            }
        )
        if self.problems:
            raise ConfigError(self.problems)
        return Loaded(
            config=config,
            registry=self.registry,
            plugin_texts=texts,
            reader_options=tuple(options for _, options in sources),
            surface_options=surface_options,
            writer_options={report.writer: options for report, options in reports},
            prior=prior,
        )

    def top(self) -> Config:
        """The keys that stand above all blocks."""
        keys = set(Config.model_fields) - {"folder"}
        apart = {*SECTIONS, *REPEATED, *self.own_tables()}
        raw = {key: value for key, value in self.raw.items() if key not in apart}
        if raw.pop("folder", None) is not None:
            self.tell(("folder",), 'there is no key "folder"', do=suggestion("folder", keys))
        return self.block(Config, {**raw, "source": (), "folder": self.path.parent}, (), keys)

    def section(self, key: str) -> Block:
        raw = self.raw.get(key, {})
        if not isinstance(raw, dict):
            self.tell((key,), f"{key} must be a section", f"found {raw!r}", f"write [{key}] and its keys below")
            raw = {}
        return self.block(SECTIONS[key], raw, (key,))

    def blocks(self, key: str) -> list[dict[str, Any]]:
        """The repeated blocks of one kind as they stand."""
        raw = self.raw.get(key, [])
        if not (isinstance(raw, list) and all(isinstance(block, dict) for block in raw)):
            self.tell(
                (key,), f"{key} must be repeated blocks", f"found {raw!r}"[:80], f"write [[{key}]], twice bracketed"
            )
            return []
        return raw

    def source(self, number: int, raw: dict[str, Any]) -> tuple[SourceConfig, BaseModel]:
        where: Where = ("source", number)
        name, path = raw.get("reader", ""), raw.get("path", "")
        reader = self.registry.readers.get(name) if isinstance(name, str) else None
        if not name and not path:
            do = 'write path = "my-log.csv", or name a reader'
            self.tell(where, "neither path nor reader is given", "nothing says what to read", do)
        elif not name and isinstance(path, str) and not (self.path.parent / path).is_dir():
            try:
                reader = self.registry.reader_for(path)
            except ConfigError as error:
                self.tell((*where, "path"), error.problems[0].what, error.problems[0].why, error.problems[0].do)
        elif isinstance(name, str) and reader is None:
            do = suggestion(name, self.registry.readers)
            self.tell((*where, "reader"), f'there is no reader "{name}"', do=do)
        if path and isinstance(path, str):
            self.files(where, path)
        elif reader is not None and reader.suffixes and not path:
            why = f'reader "{reader.name}" reads files'
            self.tell(where, "path is missing", why, f'write path = "my-log{reader.suffixes[0]}"')
        core, options = self.with_options(SourceConfig, raw, where, reader)
        return core.model_copy(update={"reader": reader.name if reader else ""}), options

    def files(self, where: Where, path: str) -> None:
        if matching_files(self.path.parent, path):
            return
        whole = self.path.parent / path
        if whole.is_dir():
            do = f'name the files in it: path = "{Path(path).as_posix()}/*.csv"'
            self.tell((*where, "path"), f'"{path}" is a folder', "a source is one file or several", do)
            return
        folder = whole.parent
        close = nearest(whole.name, (entry.name for entry in folder.iterdir())) if folder.is_dir() else None
        like = Path(path).with_name(close).as_posix() if close else ""
        do = f'did you mean "{like}"?' if close else "correct the path"
        if close and (folder / close).is_dir():
            do = f'did you mean the files in the folder "{like}": path = "{like}/*.csv"?'
        self.tell((*where, "path"), f'no file matches "{path}"', f"looked in {folder}", do)

    def surface(self) -> tuple[SurfaceConfig, BaseModel]:
        raw = self.raw.get("surface", {})
        if not isinstance(raw, dict):
            self.section("surface")
            return SurfaceConfig(), NoOptions()
        name = raw.get("model", SurfaceConfig.model_fields["model"].default)
        model = self.registry.surfaces.get(name) if isinstance(name, str) else None
        if isinstance(name, str) and model is None:
            do = suggestion(name, self.registry.surfaces)
            self.tell(("surface", "model"), f'there is no surface model "{name}"', do=do)
        return self.with_options(SurfaceConfig, raw, ("surface",), model)

    def prior(self, surface: SurfaceConfig, attribute: str) -> Prior | None:
        """What the population files tell together."""
        where: Where = ("surface", "population")
        named, model = getattr(surface, "population", ()), self.registry.surfaces.get(getattr(surface, "model", ""))
        if not named or model is None:
            return None
        if model.Shared is None:
            why = f'surface model "{model.name}" learns from the shots of one run alone'
            self.tell(where, "cannot be used here", why, "leave population away, or take another model")
            return None
        found: dict[str, Document] = {}
        for name in named:
            files = matching_files(self.path.parent, name)
            if not files:
                self.tell(where, f'no file matches "{name}"', f"looked in {self.path.parent}", "correct the path")
            for file in files:
                told = Path(os.path.relpath(file, self.path.parent)).as_posix()
                try:
                    at = f"{place(self.path, self.text, where)}, {told}"
                    found[told] = read(file, at, model.name, model.Shared, attribute, surface.salt)
                except ConfigError as error:
                    self.problems += error.problems
        return joined(found)

    def own_tables(self) -> list[str]:
        """Tables that are called as a writer: its options, wherever it runs and without choosing among writers."""
        return [name for name in self.raw if name in self.registry.writers and name not in {*SECTIONS, *REPEATED}]

    def reports(self) -> list[tuple[ReportConfig, BaseModel]]:
        raws = self.blocks("report")
        if not raws and not self.raw.get("report"):
            raws = [{"writer": name} for name, writer in sorted(self.registry.writers.items()) if writer.default]
            if not raws:
                self.tell(("report",), "no writer is named and none is a default", do="add a [[report]] block")
        self.once("report", "writer")
        reports = []
        for number, raw in enumerate(raws):
            name = raw.get("writer")
            writer = self.registry.writers.get(name) if isinstance(name, str) else None
            if isinstance(name, str) and writer is None:
                do = suggestion(name, self.registry.writers)
                self.tell(("report", number, "writer"), f'there is no writer "{name}"', do=do)
            table = self.raw.get(name) if name in self.own_tables() else None
            if isinstance(table, dict):
                for key in table.keys() & raw.keys():
                    where: Where = ("report", number, key)
                    self.tell(where, f"{key} stands here and under [{name}]", do="remove one")
                options = {key: value for key, value in raw.items() if key != "writer"}
                where = (str(name),) if not options else ("report", number)
                reports.append(self.with_options(ReportConfig, {**table, **raw}, where, writer))
            else:
                reports.append(self.with_options(ReportConfig, raw, ("report", number), writer))
        for name in self.own_tables():
            if not isinstance(self.raw[name], dict):
                self.tell((name,), f"{name} must be a section", f"found {self.raw[name]!r}"[:80], f"write [{name}]")
            elif name not in [raw.get("writer") for raw in raws]:
                do = f'add [[report]] and below it writer = "{name}", or remove [{name}]'
                self.tell((name,), f'writer "{name}" does not run', "it is not among the [[report]] blocks", do)
        return reports

    def once(self, key: str, name: str) -> None:
        """Refuse two blocks of one name."""
        seen: list[Any] = []
        raws = self.raw.get(key)
        for number, raw in enumerate(raws if isinstance(raws, list) else []):
            value = raw.get(name) if isinstance(raw, dict) else None
            if value is not None and value in seen:
                self.tell((key, number, name), f'{key} "{value}" stands here twice', do="remove one or rename it")
            seen.append(value)

    def with_options(
        self, model: type[AnyBlock], raw: dict[str, Any], where: Where, plugin: Reader | SurfaceModel | Writer | None
    ) -> tuple[AnyBlock, BaseModel]:
        """A block that a plugin shares with the core: each validates its own keys, which stand side by side."""
        core_keys = set(model.model_fields) - {"options"}
        theirs = {key: value for key, value in raw.items() if key not in core_keys}
        ours = {key: value for key, value in raw.items() if key in core_keys}
        core = self.block(model, ours, where)
        if plugin is None:
            return core, NoOptions()
        options = self.block(plugin.Options, theirs, where, core_keys | option_keys(plugin.Options))
        return core.model_copy(update={"options": theirs}), options

    def block(self, model: type[AnyModel], raw: Mapping[str, Any], where: Where, known: Iterable[str] = ()) -> AnyModel:
        """Validate one block; where it is faulty tell why and return a stand-in, which nobody will use."""
        try:
            block = model.model_validate(raw, context={"folder": self.path.parent})
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                self.problems.append(self.refusal(detail, where, set(known) or set(model.model_fields) - {"options"}))
            return model.model_construct()
        if isinstance(block, Block):
            for fault in block.faults():
                self.tell((*where, *fault.where.split(".", 1)), fault.what, fault.why, fault.do)
        return block

    def refusal(self, detail: Any, where: Where, known: set[str]) -> Problem:
        """One of pydantic's complaints in our words."""
        loc, found = detail["loc"], detail["input"]
        at = place(self.path, self.text, (*where, *loc))
        key = str(loc[-1]) if loc else ""
        why = detail["msg"].replace("Input should", "it should").replace("Value error, ", "")
        if detail["type"] == "extra_forbidden":
            return Problem(f'there is no key "{key}"', at, do=suggestion(key, known) if len(loc) == 1 else "remove it")
        if detail["type"] == "missing" and isinstance(loc[-1], str):
            return Problem(f"{key} is missing", at, "it has no default", f"write {key} = ...")
        shown = f'"{found}"' if isinstance(found, str) else f"{found!r}"
        shown = _PASSWORD.sub("://...@", shown)
        return Problem(f"{shown[:80]} cannot be used here", at, why, "correct the value")
