"""Do the modules keep to their rings, their size and their manners?"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MODULES = sorted(
    path for path in (ROOT / "service").rglob("*.py") if "versions" not in path.parts and "_data" not in path.parts
)
LONGEST = 400
LONGER = {
    "service/domain/pack.py": 470,
    "service/storage/tables.py": 535,
}  # read from top to bottom: lists, not programs
CLOCKS = {("datetime", "now"), ("datetime", "utcnow"), ("datetime", "today"), ("date", "today"), ("time", "time")}


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imports_of(path: Path) -> Iterator[str]:
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


def public_parts(path: Path) -> Iterator[ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef]:
    """Public classes and functions of a module, and the public methods of its public classes."""
    for node in tree_of(path).body:
        if isinstance(node, (ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from (
                    part
                    for part in node.body
                    if isinstance(part, (ast.FunctionDef, ast.AsyncFunctionDef)) and not part.name.startswith("_")
                )


def test_the_modules_are_found() -> None:
    assert len(MODULES) > 60


def test_the_domain_knows_the_standard_library_and_itself_only() -> None:
    allowed = sys.stdlib_module_names | {"service"}
    inner = ("service.domain", "service.errors")
    for path in MODULES:
        if "domain" in path.parts:
            for module in imports_of(path):
                assert module.split(".")[0] in allowed, f"{name_of(path)} imports {module}"
                assert not module.startswith("service") or module.startswith(inner), f"{name_of(path)} imports {module}"


def test_only_the_assembly_knows_the_clock_and_chance() -> None:
    found = []
    for path in MODULES:
        if name_of(path) == "service/wiring.py":
            continue
        found += [f"{name_of(path)}: import random" for module in imports_of(path) if module == "random"]
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.Attribute):
                owner = node.value.attr if isinstance(node.value, ast.Attribute) else getattr(node.value, "id", "")
                if (owner, node.attr) in CLOCKS:
                    found.append(f"{name_of(path)}:{node.lineno}: {owner}.{node.attr}")
    assert not found, "\n".join(found)


def test_no_module_is_longer_than_a_reader_can_hold() -> None:
    lengths = {name_of(path): len(path.read_text(encoding="utf-8").splitlines()) for path in MODULES}
    long = [f"{name}: {lines}" for name, lines in lengths.items() if lines > LONGER.get(name, LONGEST)]
    assert not long, "\n".join(long)


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_module_says_what_it_is_for_and_so_does_everything_public_in_it(path: Path) -> None:
    tree = tree_of(path)
    assert ast.get_docstring(tree), "the module has no docstring"
    missing = [f"line {part.lineno}: {part.name}" for part in public_parts(path) if not ast.get_docstring(part)]
    assert not missing, "\n".join(missing)


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_module_starts_with_the_annotations_import(path: Path) -> None:
    body = [node for node in tree_of(path).body if not isinstance(node, ast.Expr)]
    if not body and path.name == "__init__.py":
        return  # nothing but its docstring
    first = body[0]
    assert isinstance(first, ast.ImportFrom), "the first statement is not an import"
    assert first.module == "__future__"
    assert [alias.name for alias in first.names] == ["annotations"]


def test_tests_stand_where_what_they_test_stands() -> None:
    rooms = {path.parent.name for path in MODULES if path.parent != ROOT / "service"}
    apart = {"acceptance", "faults", "journeys", "properties"}  # across rooms, on purpose
    for folder in (ROOT / "tests").iterdir():
        if folder.is_dir() and any(folder.glob("test_*.py")):
            assert folder.name in rooms | apart, folder.name
