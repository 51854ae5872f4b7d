"""The laws of the house: arrows run down, no circle, only the shells touch files, clocks and the environment."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
HOUSE = ROOT / "pipeline"
SHELLS = {"cli.py", "__main__.py", "artifacts.py"}  # and every stage.py, intake/ and batch/
# What a module that only takes and returns values may not name.
FORBIDDEN_MODULES = {"os", "time", "random", "subprocess", "socket", "shutil", "tempfile", "logging", "glob", "threading", "multiprocessing"}
FORBIDDEN_CALLS = {"open", "print", "input", "exec", "eval"}
FORBIDDEN_METHODS = {"read_bytes", "write_bytes", "write_text", "now", "today", "utcnow", "urandom", "getenv"}
FORBIDDEN_NAMES = ("utils", "helpers", "common", "base", "manager", "misc", "util", "helper")


def _modules() -> list[Path]:
    return sorted(HOUSE.rglob("*.py"))


def _is_shell(path: Path) -> bool:
    within = path.relative_to(HOUSE)
    return within.name == "stage.py" or within.parts[0] in {"intake", "batch"} or str(within) in SHELLS


def _name(path: Path) -> str:
    return str(path.relative_to(ROOT))


def _breaches(path: Path) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [f"import {alias.name}" for alias in node.names if alias.name.split(".")[0] in FORBIDDEN_MODULES]
        elif isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] in FORBIDDEN_MODULES:
            found.append(f"from {node.module}")
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in FORBIDDEN_CALLS:
            found.append(f"{node.func.id}()")
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in FORBIDDEN_METHODS:
            found.append(f".{node.func.attr}()")
    return found


@pytest.mark.parametrize("path", [path for path in _modules() if not _is_shell(path)], ids=_name)
def test_what_is_no_shell_takes_values_and_returns_values(path):
    assert _breaches(path) == []


def test_the_search_for_breaches_finds_them(tmp_path):
    module = tmp_path / "bad.py"
    module.write_text("import os\nfrom time import sleep\nprint(open('x').read())\nPath('y').write_text('z')\n")
    assert sorted(_breaches(module)) == [".write_text()", "from time", "import os", "open()", "print()"]


def test_imports_run_down_and_no_stage_imports_another():
    tool = Path(sys.executable).parent / "lint-imports"
    if not tool.exists():
        pytest.fail("import-linter is not installed: install '.[test]'")
    done = subprocess.run([str(tool), "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]
    assert "0 broken" in done.stdout


def test_no_circle_between_modules():
    arrows = {_dotted(path): _imported(path) for path in _modules()}
    circle = _circle(arrows)
    assert circle == []


def test_the_search_for_circles_finds_one():
    assert _circle({"a": {"b"}, "b": {"c"}, "c": {"a"}, "d": set()}) != []
    assert _circle({"a": {"b", "c"}, "b": {"c"}, "c": set()}) == []


@pytest.mark.parametrize("path", _modules(), ids=_name)
def test_modules_have_names_of_the_trade(path):
    assert path.stem not in FORBIDDEN_NAMES


def test_a_stage_shell_computes_nothing():
    arithmetic = (ast.BinOp,)
    for path in HOUSE.glob("*/stage.py"):
        found = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, arithmetic)]
        told = [ast.unparse(node) for node in found if not isinstance(node.op, ast.BitOr | ast.Div)]  # types joined, paths joined
        assert [text for text in told if not text.startswith(("(", "[", "'", '"'))] == [], path


def _dotted(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _imported(path: Path) -> set[str]:
    """Return the house's modules that a module imports when it is loaded; imports inside functions run later and may not matter."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names if alias.name.startswith("pipeline")}
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("pipeline"):
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                found.add(inner if (ROOT / inner.replace(".", "/")).with_suffix(".py").exists() else node.module)
    return found - {_dotted(path)}


def _circle(arrows: dict[str, set[str]]) -> list[str]:
    """Return the modules that are left when every module without arrows to the rest has been taken away, again and again."""
    left = {name: {to for to in targets if to in arrows} for name, targets in arrows.items()}
    while True:
        leaves = {name for name, targets in left.items() if not targets}
        if not leaves:
            return sorted(left)
        left = {name: targets - leaves for name, targets in left.items() if name not in leaves}


def _compiled(path: Path) -> set[str]:
    """Names of the functions a module compiles."""
    functions = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.FunctionDef)]
    return {one.name for one in functions if any(isinstance(by, ast.Name) and by.id == "compiled" for by in one.decorator_list)}


def test_compiled_functions_call_no_compiled_ones_of_another_file():
    """Compiled code is kept until its own file changes: what it took in from another would stay as it was."""
    by_module = {".".join(path.relative_to(ROOT).with_suffix("").parts): _compiled(path) for path in _modules()}
    assert {"pipeline.geometry.chain_solver", "pipeline.edge.node_solver", "pipeline.layout.tables"} <= {
        name for name, functions in by_module.items() if functions
    }
    for path in _modules():
        own = _compiled(path)
        imports = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.ImportFrom)]
        foreign = {name.name for node in imports for name in node.names if name.name in by_module.get(node.module or "", set())}
        calls = {
            call.func.id
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.FunctionDef) and node.name in own
            for call in ast.walk(node)
            if isinstance(call, ast.Call) and isinstance(call.func, ast.Name)
        }
        assert not calls & foreign, path
