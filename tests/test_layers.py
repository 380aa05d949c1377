"""Who may import whom: lower layers only, siblings never each other, plugins only what the contract grants them."""

from __future__ import annotations

import ast
from collections.abc import Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
CORE = ROOT / "pipeline" / "tastefield"
PLUGINS = ROOT / "plugins" / "tastefield_plugins"

LAYERS: tuple[frozenset[str], ...] = tuple(
    frozenset(layer.split())
    for layer in (
        "errors slug words",
        "tables",
        "stats records",
        "hooks",
        "contract",
        "registry config figures output runlog place population stored",
        "loading summary",
        "stages",
        "workflow",
        "testing",
        "scaffold",
        "workbook",
        "cli",
    )
)
"""Lowest first; a package counts as one name, and names of one layer do not import each other."""

APART = {"stats", "stages"}
"""Packages whose files do not import each other either; files of one package inside them may."""

GRANTED = {"errors", "words", "tables", "stats", "records", "hooks", "figures"}
"""What a plugin may import, beside ``tastefield`` itself for ``hookimpl``."""

FRONT_DOOR = {"workflow", "records"}
"""What ``tastefield/__init__.py`` may name; it loads them only when they are used."""


def imported(source: str, modules: set[str]) -> set[str]:
    """Every ``tastefield`` or ``tastefield_plugins`` module a source imports anywhere, by its full dotted name."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are written in full"
            names = {f"{node.module}.{alias.name}" for alias in node.names}
            found.update(names & modules or {str(node.module)})
    return {name for name in found if name.split(".")[0] in ("tastefield", "tastefield_plugins")}


def modules_below(folder: Path) -> dict[str, Path]:
    """Dotted name -> file of every module of a package."""
    files = {}
    for file in folder.rglob("*.py"):
        parts = [folder.name, *file.relative_to(folder).with_suffix("").parts]
        files[".".join(part for part in parts if part != "__init__")] = file
    return files


def layer_of(module: str) -> int | None:
    """Number of the layer of a core module, ``None`` where it is in no list."""
    name = module.split(".")[1]
    return next((number for number, layer in enumerate(LAYERS) if name in layer), None)


def breaches(graph: Mapping[str, set[str]]) -> list[str]:
    """What breaks the order, each as one sentence."""
    told = []
    for module, uses in sorted(graph.items()):
        if module == "tastefield":
            told += [f"{module} names {use}" for use in uses if use.split(".")[-1] not in FRONT_DOOR]
            continue
        here = layer_of(module)
        if here is None:
            told.append(f"{module} stands in no layer")
            continue
        for use in sorted(uses):
            mine, theirs = module.split(".")[1], use.split(".")[1:2]
            if use.startswith("tastefield_plugins"):
                told.append(f"{module} imports the plugin {use}")
            elif not theirs:
                if mine != "cli":
                    told.append(f"{module} imports the front door")
            elif theirs[0] == mine:
                if mine in APART and use.split(".")[2:3] != module.split(".")[2:3]:
                    told.append(f"{module} imports its sibling {use}")
            elif layer_of(use) is None or layer_of(use) >= here:
                told.append(f"{module} imports {use}, which is not below it")
    return told


def core_graph() -> dict[str, set[str]]:
    modules = modules_below(CORE)
    return {name: imported(file.read_text(encoding="utf-8"), set(modules)) for name, file in modules.items()}


def test_every_file_of_the_core_imports_only_from_lower_layers():
    assert breaches(core_graph()) == []


def test_no_layer_lists_a_module_that_is_gone():
    there = {name.split(".")[1] for name in modules_below(CORE) if "." in name}
    assert {name for layer in LAYERS for name in layer} == there


def test_plugins_import_what_the_contract_grants_and_never_each_other():
    core = set(modules_below(CORE))
    for name, file in modules_below(PLUGINS).items():
        own = ".".join(name.split(".")[:2])
        for use in imported(file.read_text(encoding="utf-8"), core | set(modules_below(PLUGINS))):
            if use.startswith("tastefield_plugins"):
                assert use == own or use.startswith(f"{own}."), f"{name} imports {use}"
            elif use != "tastefield":
                assert use.split(".")[1] in GRANTED, f"{name} imports {use}"


@pytest.mark.parametrize(
    ("module", "source", "told"),
    [
        ("tastefield.errors", "import tastefield.words.columns", "not below it"),
        ("tastefield.tables.cells", "from tastefield.records import Chunk", "not below it"),
        ("tastefield.registry", "def f():\n    from tastefield.config import Config", "not below it"),
        ("tastefield.stages.plan", "from tastefield.stages.window import window", "its sibling"),
        ("tastefield.stats.mixed", "from tastefield.stats import canonical", "its sibling"),
        ("tastefield.stats.mixed.fit", "from tastefield.stats import canonical", "its sibling"),
        ("tastefield.workflow", "import tastefield_plugins.read_table", "imports the plugin"),
        ("tastefield.records", "from tastefield import hookimpl", "front door"),
        ("tastefield.helpers", "", "no layer"),
        ("tastefield", "from tastefield.cli import main", "names tastefield.cli"),
    ],
)
def test_each_kind_of_breach_is_seen(module, source, told):
    modules = {"tastefield.stats.canonical"}
    (breach,) = breaches({module: imported(source, modules)})
    assert told in breach


def test_files_of_one_package_inside_statistics_may_import_each_other():
    modules = {"tastefield.stats.mixed.stack"}
    source = "from tastefield.stats.mixed import stack"
    assert breaches({"tastefield.stats.mixed.fit": imported(source, modules)}) == []


def test_the_front_door_loads_nothing_heavy_at_once():
    tree = ast.parse((CORE / "__init__.py").read_text(encoding="utf-8"))
    at_once = {alias.name for node in tree.body if isinstance(node, ast.Import) for alias in node.names}
    at_once |= {str(node.module) for node in tree.body if isinstance(node, ast.ImportFrom)}
    assert at_once <= {"__future__", "typing", "pluggy"}
