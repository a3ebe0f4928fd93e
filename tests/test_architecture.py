"""The direction of imports: who may know whom, no cycle, and no heavy import where it isn't needed."""

from __future__ import annotations

import ast
import subprocess
import sys
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("triage", "service", "training")
# The command line and the demo behind it may know all three packages.
MAY_KNOW_ALL = ("service.cli", "service.demo")
NEED_TORCH = ("triage.network", "triage.network_file")
# Within functions only.
MAY_IMPORT_TORCH = ("triage.detector",)


def list_modules(root: Path) -> dict[str, Path]:
    """Every module of the three packages by its dotted name."""
    modules = {}
    for package in PACKAGES:
        for path in sorted((root / package).rglob("*.py")):
            parts = path.relative_to(root).with_suffix("").parts
            modules[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return modules


def read_imports(path: Path, name: str, *, at_load_time: bool = False) -> set[str]:
    """Dotted names that a module imports; `at_load_time` leaves out those in functions and type checks."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: set[str] = set()
    for node in walk_load_time(tree) if at_load_time else ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                package = name if path.name == "__init__.py" else name.rpartition(".")[0]
                above = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*above, base] if base else above)
            found |= {base} | {f"{base}.{alias.name}" for alias in node.names}
    return found


def walk_load_time(node: ast.AST) -> list[ast.AST]:
    found: list[ast.AST] = []
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.dump(child.test):
            continue
        found += [child, *walk_load_time(child)]
    return found


def find_wrong_arrows(root: Path) -> list[str]:
    wrong = []
    for name, path in list_modules(root).items():
        package = name.split(".")[0]
        allowed = {package, "triage"}
        if name in MAY_KNOW_ALL:
            allowed = set(PACKAGES)
        targets = {imported.split(".")[0] for imported in read_imports(path, name)}
        wrong += [f"{name} imports {target}" for target in sorted(targets & set(PACKAGES) - allowed)]
    return wrong


def find_torch(root: Path) -> list[str]:
    """Modules of `triage` and `service` that import torch where they may not, or at load time."""
    wrong = []
    for name, path in list_modules(root).items():
        if name.startswith("training") or name in NEED_TORCH:
            continue
        imported = read_imports(path, name, at_load_time=name in MAY_IMPORT_TORCH)
        if any(one.split(".")[0] in ("torch", "torchvision") for one in imported):
            wrong.append(name)
    return wrong


def find_cycle(root: Path) -> list[str]:
    modules = list_modules(root)
    graph = {
        name: {one for one in read_imports(path, name, at_load_time=True) if one in modules and one != name}
        for name, path in modules.items()
        if path.name != "__init__.py"
    }
    try:
        tuple(TopologicalSorter(graph).static_order())
    except CycleError as err:
        return list(err.args[1])
    return []


def write_modules(root: Path, modules: dict[str, str]) -> Path:
    for name, content in modules.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content, encoding="utf-8")
    return root


def test_packages_import_only_downwards() -> None:
    assert find_wrong_arrows(ROOT) == []


def test_modules_import_each_other_without_a_cycle() -> None:
    assert find_cycle(ROOT) == []


def test_torch_is_imported_by_the_network_alone() -> None:
    assert find_torch(ROOT) == []


@pytest.mark.parametrize(
    ("name", "content", "wrong"),
    [
        ("triage/a.py", "import service.app", ["triage.a imports service"]),
        ("triage/a.py", "def f():\n    from training import train", ["triage.a imports training"]),
        ("service/a.py", "from training.train import main", ["service.a imports training"]),
        ("training/a.py", "import service", ["training.a imports service"]),
        ("service/cli.py", "import training", []),
        ("service/a.py", "from triage import boxes", []),
    ],
)
def test_wrong_arrows_are_noticed(tmp_path: Path, name: str, content: str, wrong: list[str]) -> None:
    assert find_wrong_arrows(write_modules(tmp_path, {name: content})) == wrong


def test_cycles_are_noticed(tmp_path: Path) -> None:
    root = write_modules(
        tmp_path, {"triage/a.py": "from triage.b import x", "triage/b.py": "from triage import a"}
    )
    assert set(find_cycle(root)) == {"triage.a", "triage.b"}


def test_torch_is_noticed(tmp_path: Path) -> None:
    root = write_modules(
        tmp_path, {"triage/boxes.py": "def f():\n    import torch", "triage/detector.py": "import torch.nn"}
    )
    assert find_torch(root) == ["triage.boxes", "triage.detector"]


def test_proposing_on_a_cpu_imports_neither_torch_nor_all_of_statistics() -> None:
    code = (
        "import sys, triage, triage.pipeline, triage.images, triage.detector, triage.pyramid, "
        "triage.labelled_set, service.cli, service.steps; "
        "print([name for name in sys.modules if name.startswith(('torch', 'scipy.stats'))])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert run.stdout.strip() == "[]"
