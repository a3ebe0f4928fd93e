"""What holds of all code: style, types, and a docstring on everything public."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

Definition = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef


@pytest.mark.parametrize(
    "check", [("ruff", "check", "."), ("ruff", "format", "--check", "."), ("mypy",)], ids=" ".join
)
def test_code_passes(check: tuple[str, ...]) -> None:
    result = subprocess.run([sys.executable, "-m", *check], capture_output=True, text=True, cwd=ROOT)
    assert result.returncode == 0, result.stdout + result.stderr


def find_undocumented(source: str) -> list[str]:
    """Public names of a module, and the module itself, that have no docstring."""
    module = ast.parse(source)
    bare = [] if ast.get_docstring(module) else ["module"]
    return bare + [name for name, node in walk_public(module) if not ast.get_docstring(node)]


def walk_public(parent: ast.Module | ast.ClassDef, prefix: str = "") -> Iterator[tuple[str, Definition]]:
    """Public functions and classes, and the public methods of those."""
    for node in parent.body:
        if isinstance(node, Definition) and not node.name.startswith("_") and not is_overload(node):
            yield prefix + node.name, node
            if isinstance(node, ast.ClassDef):
                yield from walk_public(node, f"{prefix}{node.name}.")


def is_overload(node: Definition) -> bool:
    return any(isinstance(one, ast.Name) and one.id == "overload" for one in node.decorator_list)


@pytest.mark.parametrize("package", ["triage", "service", "training"])
def test_everything_public_has_a_docstring(package: str) -> None:
    bare = {
        str(path.relative_to(ROOT)): names
        for path in sorted((ROOT / package).rglob("*.py"))
        if (names := find_undocumented(path.read_text(encoding="utf-8")))
    }
    assert bare == {}


def test_missing_docstrings_are_noticed() -> None:
    source = '"""One."""\ndef f(): ...\ndef _g(): ...\nclass A:\n    """Two."""\n    def b(self): ...\n'
    assert find_undocumented(source) == ["f", "A.b"]
    assert find_undocumented("x = 1") == ["module"]
