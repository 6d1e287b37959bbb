"""The shape of the program, read from its imports: data flow one way, only the outside touches the world."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import monitor

PACKAGE = Path(monitor.__file__).resolve().parent
BLOCKS = (
    "readings",
    "revolutions",
    "detection",
    "response",
    "forecast",
    "procedure",
    "alarms",
    "simulation",
)
# What each layer may import from the package, besides itself.
FOUNDATION = {"records", "settings", "errors", "__init__"}
ALLOWED: dict[str, set[str]] = {
    "records": set(),
    "errors": set(),
    "settings": {"records", "errors"},
    "numerics": FOUNDATION,
    **{block: FOUNDATION | {"numerics"} for block in BLOCKS},
    "repeating": FOUNDATION | {"numerics", "detection", "revolutions"},
    "crosscheck": FOUNDATION | {"numerics", "detection", "revolutions"},
    "beltwatch": FOUNDATION
    | {"numerics", "crosscheck", "repeating"}
    | set(BLOCKS) - {"simulation"},  # one half of the pipeline
    "beltnotes": FOUNDATION | {"beltwatch"},
    "pipeline": FOUNDATION | {"numerics", "beltwatch", "beltnotes"} | set(BLOCKS) - {"simulation"},
    "outside": FOUNDATION | {"numerics", "pipeline"} | set(BLOCKS),
    "cli": FOUNDATION | {"numerics", "pipeline", "outside"} | set(BLOCKS),
    "__main__": {"cli"},
    "__init__": {"records", "settings", "outside"},
}
FORBIDDEN_NAMES = {"util", "utils", "helper", "helpers", "manager", "managers", "data", "value", "values"}
FORBIDDEN_NAMES |= {"common", "misc", "tools"}
# Modules that reach the world: a clock, a port, a file, a thread, another process, chance.
WORLD = {
    "time", "datetime", "socket", "ssl", "select", "selectors", "threading", "_thread", "queue", "asyncio",
    "concurrent", "multiprocessing", "subprocess", "signal", "os", "io", "pathlib", "shutil", "tempfile",
    "glob", "gzip", "sqlite3", "serial", "paho", "amqtt", "logging", "random", "secrets", "uuid", "urllib",
    "http", "pty", "tty", "termios", "fcntl", "sys", "platform", "locale",
}  # fmt: skip
WORLD_CALLS = {"open", "input", "print", "exec", "eval"}
# Exceptions, each with its reason.
MAY = {
    "settings": {"pathlib"},  # load_station reads the one TOML file
    "cli": {"sys", "os", "pathlib", "print", "json"},  # a command line prints, and takes paths
    "__main__": {"sys"},
    "__init__": {"os", "pathlib"},  # the notebook call takes paths
}
MAX_LINES = 60


def layer_of(path: Path) -> str:
    return layer_named(path.relative_to(PACKAGE).parts[0].removesuffix(".py"))


def layer_named(name: str) -> str:
    return "cli" if name.startswith("cli_") else name


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def name_of(path: Path) -> str:
    return str(path.relative_to(PACKAGE))


def imports(tree: ast.AST, path: Path) -> list[str]:
    """Every imported module by its full dotted name; relative imports are resolved."""
    found: list[str] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = ("monitor", *path.relative_to(PACKAGE).parent.parts)
                base = ".".join((*parts[: len(parts) - node.level + 1], *([base] if base else [])))
            found += [f"{base}.{alias.name}" for alias in node.names] if base == "monitor" else [base]
    return found


def inner_layers(names: list[str]) -> set[str]:
    found = set()
    for name in names:
        if name == "monitor":
            found.add("__init__")
        elif name.startswith("monitor."):
            layer = layer_named(name.split(".")[1])
            found.add("__init__" if layer == "__version__" else layer)
    return found


def wrong_imports(layer: str, names: list[str]) -> set[str]:
    return inner_layers(names) - ALLOWED[layer] - {layer}


def world_touches(layer: str, tree: ast.AST, names: list[str]) -> set[str]:
    """What a module outside `outside` reaches of the world, by import or by call."""
    touched = {name.split(".")[0] for name in names} & WORLD
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in WORLD_CALLS:
            touched.add(node.func.id)
    return touched - MAY.get(layer, set())


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_imports_go_one_way(path: Path) -> None:
    layer = layer_of(path)
    assert layer in ALLOWED, f"{name_of(path)}: no such layer; the layers are {sorted(ALLOWED)}"
    wrong = wrong_imports(layer, imports(ast.parse(path.read_text()), path))
    assert not wrong, f"{name_of(path)} may not import {sorted(wrong)}"


@pytest.mark.parametrize("path", [p for p in modules() if layer_of(p) != "outside"], ids=name_of)
def test_only_the_outside_touches_the_world(path: Path) -> None:
    tree = ast.parse(path.read_text())
    touched = world_touches(layer_of(path), tree, imports(tree, path))
    assert not touched, f"{name_of(path)} reaches {sorted(touched)}; that belongs into monitor/outside"


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_names_say_what_a_module_is(path: Path) -> None:
    parts = {part.removesuffix(".py") for part in path.relative_to(PACKAGE).parts}
    assert not parts & FORBIDDEN_NAMES


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_modules_open_with_what_they_decide(path: Path) -> None:
    text = path.read_text()
    assert not text.strip() or ast.get_docstring(ast.parse(text)), f"{name_of(path)} has no docstring"


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_no_function_is_longer_than_a_page(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)) and node.end_lineno is not None:
            length = node.end_lineno - node.lineno + 1
            assert length <= MAX_LINES, f"{name_of(path)}: {node.name} has {length} lines"


@pytest.mark.parametrize(
    ("layer", "source", "what"),
    [
        ("detection", "from monitor.revolutions.grid import Grid", "imports"),
        ("revolutions", "import monitor.pipeline", "imports"),
        ("numerics", "from monitor import readings", "imports"),
        ("pipeline", "from ..outside import service", "imports"),
        ("readings", "import time", "world"),
        ("detection", "def f():\n    open('x')", "world"),
        ("procedure", "from threading import Thread", "world"),
    ],
)
def test_the_rules_can_fail(layer: str, source: str, what: str) -> None:
    """The checks above are themselves checked: each of these sources must be refused."""
    tree = ast.parse(source)
    names = imports(tree, PACKAGE / layer / "made_up.py")
    found = wrong_imports(layer, names) if what == "imports" else world_touches(layer, tree, names)
    assert found
