"""House rules that no linter knows: units in names, docstrings, what README says."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bottomheat.errors import exit_codes

ROOT = Path(__file__).resolve().parents[2]
SOURCES = sorted(
    path
    for root in ("controller/bottomheat", "drivers/bottomheat_drivers")
    for path in (ROOT / root).rglob("*.py")
)
UNIT = re.compile(
    r"(_c|_k|_s|_h|_w|_j|_ms|_kg|_m|_mm|_kpa|_kwh|_per_\w+|_w_per\w*|watts|seconds|litres|celsius|"
    r"fahrenheit|value|duty|factor|fraction|share|weight|z|days|hours|room_c)$"
)


def public_functions(path: Path) -> Iterator[ast.FunctionDef]:
    tree = ast.parse(path.read_text())
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            yield node


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_float_parameters_of_public_functions_carry_a_unit(path: Path) -> None:
    bare = []
    for function in public_functions(path):
        arguments = [*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs]
        for argument in arguments:
            kind = "" if argument.annotation is None else ast.unparse(argument.annotation)
            if kind in ("float", "float | None") and not UNIT.search(argument.arg):
                bare.append(f"{function.name}({argument.arg})")
    assert not bare, f"name the unit: {bare}"


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_module_is_not_too_long(path: Path) -> None:
    assert len(path.read_text().splitlines()) <= 500


def test_source_roots_are_no_packages() -> None:
    for folder in ("controller", "drivers", "tests", "systemd", "config"):
        assert not (ROOT / folder / "__init__.py").exists()


def test_readme_lists_the_exit_statuses() -> None:
    text = (ROOT / "README.md").read_text()
    for code, meaning in exit_codes():
        assert re.search(rf"^\| {code} \| {re.escape(meaning)} \|$", text, re.M), code


def test_every_command_that_readme_names_exists() -> None:
    cli = importlib.import_module("bottomheat.cli")
    known = {name for _, names in cli.SECTIONS for name in names}
    named = set(re.findall(r"`bottomheat ([a-z-]+)", (ROOT / "README.md").read_text()))
    assert named <= known
    assert named


def test_daemon_and_keeper_load_no_analysis_library() -> None:
    program = (
        "import sys, bottomheat.app, bottomheat.app_keeper;"
        "heavy = {'numpy', 'scipy', 'plotext', 'rich', 'pandas', 'ruamel'} & set(sys.modules);"
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_keeper_loads_no_parser() -> None:
    program = (
        "import sys, bottomheat.keep_main, bottomheat.app_keeper;"
        "heavy = {'pydantic', 'yaml', 'click', 'simple_pid'} & set(sys.modules);"
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
