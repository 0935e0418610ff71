"""The layers of the code: imports point down, and nothing below the command line prints."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import rallymill

ROOT = Path(rallymill.__file__).parent
FILES = sorted(ROOT.rglob("*.py"))

LAYERS = (
    # Top first; a module may import from its own layer and those below.
    {"cli"},
    {"runner", "season", "report", "scoring", "config"},
    {"arena"},
    {"stages"},
    {"rules", "rates", "alternatives", "flightfit", "courtfit", "matchsheet", "video"},
    {"camera", "flight", "smoothing", "tableio", "tables", "court", "errors", "intervals"},
)
NEVER_FROM_STAGES = ("arena", "scoring")
PURE = ("court", "camera", "flight", "smoothing", "tables", "errors")
TRUTH = re.compile(r"truth", re.IGNORECASE)


def module_of(path: Path) -> str:
    """Name of a file's module below the package, with dots."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def imported(path: Path, root: Path = ROOT) -> set[str]:
    """Modules below the package that a file imports, as far as the code tells."""
    package = ["rallymill", *path.relative_to(root).parts[:-1]]
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                base = ".".join([*package[: len(package) - node.level + 1], base]).rstrip(".")
            found |= {base} | {f"{base}.{alias.name}" for alias in node.names}
    return {
        name.removeprefix("rallymill.") for name in found if name.startswith("rallymill.")
    }


def layer(module: str) -> int | None:
    """Number of a module's layer, 0 on top; None for modules that belong to none."""
    head = module.split(".")[0]
    for number, names in enumerate(LAYERS):
        if head in names or head.split("_")[0] in names:
            return number
    return None


@pytest.mark.parametrize("path", FILES, ids=module_of)
def test_imports_point_down(path: Path) -> None:
    own = layer(module_of(path))
    if own is None:
        return
    for name in imported(path):
        other = layer(name)
        assert other is None or other >= own, f"{module_of(path)} imports {name} from above"


@pytest.mark.parametrize(
    "path", [path for path in FILES if path.is_relative_to(ROOT / "stages")], ids=module_of
)
def test_stages_know_neither_simulator_nor_truth(path: Path) -> None:
    heads = {name.split(".")[0] for name in imported(path)}
    assert not heads & set(NEVER_FROM_STAGES)
    tree = ast.parse(path.read_text())
    for node in ast.walk(tree):
        words = []
        if isinstance(node, ast.Name):
            words = [node.id]
        elif isinstance(node, ast.Attribute):
            words = [node.attr]
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            words = [] if _is_docstring(tree, node) else [node.value]
        assert not any(TRUTH.search(word) for word in words), f"line {node.lineno}"


def _is_docstring(tree: ast.AST, constant: ast.Constant) -> bool:
    return any(
        isinstance(node, ast.Expr) and node.value is constant for node in ast.walk(tree)
    )


@pytest.mark.parametrize("path", FILES, ids=module_of)
def test_only_the_command_line_prints(path: Path) -> None:
    if module_of(path).split(".")[0].split("_")[0] == "cli":
        return
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id != "print", f"line {node.lineno}"


@pytest.mark.parametrize("path", FILES, ids=module_of)
def test_failures_are_never_swallowed(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ExceptHandler):
            assert node.type is not None, f"bare except at line {node.lineno}"
        if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call):
            name = getattr(node.exc.func, "id", "")
            assert name not in {"Exception", "BaseException"}, f"line {node.lineno}"


@pytest.mark.parametrize("path", FILES, ids=module_of)
def test_modules_are_short_and_well_named(path: Path) -> None:
    text = path.read_text()
    # Compiled kernels cannot be cut into small pieces without cost.
    assert len(text.splitlines()) <= (600 if "njit" in text else 430)
    assert path.stem not in {"utils", "util", "helpers", "misc", "common"}


@pytest.mark.parametrize("name", PURE)
def test_the_ground_floor_reads_no_files(name: str) -> None:
    tree = ast.parse((ROOT / f"{name}.py").read_text())
    heads = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            heads |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            heads.add((node.module or "").split(".")[0])
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id != "open"
    assert not heads & {"os", "io", "pathlib", "subprocess", "socket", "requests", "urllib"}


def test_the_check_sees_imports_of_all_kinds(tmp_path: Path) -> None:
    path = tmp_path / "stages" / "one.py"
    path.parent.mkdir()
    path.write_text(
        "import rallymill.cli\nfrom rallymill import arena\nfrom .. import scoring\n"
        "def late():\n    from rallymill.runner.match import x\n"
    )
    found = {name.split(".")[0] for name in imported(path, tmp_path)} - {"rallymill"}
    assert found == {"cli", "arena", "scoring", "runner"}
    assert all(layer(name) < layer("stages.one") for name in found)  # type: ignore[operator]
