"""What the tools hold: lint, format, types, the workflow's form."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def _tool(*words: str) -> subprocess.CompletedProcess[str]:
    beside = Path(sys.executable).parent / words[0]
    if not beside.exists():
        pytest.fail(f"{words[0]} is not installed: install '.[test]'")
    return subprocess.run([str(beside), *words[1:]], cwd=ROOT, capture_output=True, text=True, check=False)


def test_ruff_finds_nothing():
    done = _tool("ruff", "check", "pipeline", "tests", "workflow")
    assert done.returncode == 0, done.stdout[-4000:]


def test_everything_is_formatted():
    done = _tool("ruff", "format", "--check", "pipeline", "tests")
    assert done.returncode == 0, done.stdout[-4000:]


def test_types_hold_strictly():
    done = _tool("mypy")
    assert done.returncode == 0, done.stdout[-4000:]


def test_the_workflow_is_formatted():
    done = _tool("snakefmt", "--check", "workflow")
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]


def test_every_exemption_carries_its_reason():
    bare = re.compile(r"#\s*(?:noqa(?::\s*[A-Z]+\d+(?:,\s*[A-Z]+\d+)*)?|type:\s*ignore(?:\[[a-z-]+(?:,\s*[a-z-]+)*\])?|pragma:\s*no cover)\s*$")
    found = [
        f"{path.relative_to(ROOT)}:{number}"
        for folder in ("pipeline", "tests")
        for path in sorted((ROOT / folder).rglob("*.py"))
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if bare.search(line)
    ]
    assert found == []


def test_every_ruff_exemption_in_the_settings_carries_its_reason():
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    block = text[text.index("ignore = [") : text.index("]", text.index("ignore = ["))]
    assert [line for line in block.splitlines()[1:] if line.strip() and "#" not in line] == []


def test_rules_of_the_workflow_are_named_after_the_stages():
    from pipeline.model.status import STAGES

    text = (ROOT / "workflow" / "rules" / "stages.smk").read_text(encoding="utf-8")
    assert tuple(re.findall(r"^rule (\w+):", text, re.MULTILINE)) == STAGES


def test_all_code_is_short_enough_to_read():
    """Median of a function's code lines 4 to 14, and few over 40."""
    import ast
    import statistics

    lengths = []
    for path in (ROOT / "pipeline").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                body = node.body[1:] if ast.get_docstring(node) else node.body
                lengths.append(body[-1].end_lineno - body[0].lineno + 1 if body else 0)
    assert 3 <= statistics.median(lengths) <= 14
    assert sum(length > 40 for length in lengths) <= len(lengths) * 0.02


def test_dependencies_that_are_declared_are_used():
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    names = {re.match(r"[A-Za-z0-9_-]+", one)[0].lower().replace("-", "_") for one in declared}
    source = "\n".join(path.read_text(encoding="utf-8") for path in (ROOT / "pipeline").rglob("*.py"))
    unused = {name for name in names if not re.search(rf"^\s*(?:import|from) {name}\b", source, re.MULTILINE)}
    assert unused == set()
