"""The tools that hold the house rules: they are part of the tests, so that one command runs all."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    "words",
    [
        ("ruff", "check", "."),
        ("ruff", "format", "--check", "."),
        ("mypy",),
        ("lint-imports",),
    ],
    ids=" ".join,
)
def test_tool_finds_nothing(words: tuple[str, ...]) -> None:
    program = Path(sys.executable).parent / words[0]
    done = subprocess.run(
        [program, *words[1:]], cwd=ROOT, capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
