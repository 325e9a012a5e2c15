"""Runs a command as a process of its own, as a grower does."""

from __future__ import annotations

import os
import resource
import subprocess
import sys


def bottomheat(*words: object, limit: int | None = None) -> subprocess.CompletedProcess[str]:
    """Run a command; ``limit``: no file may grow larger, bytes, as on a full disk."""

    def bounded() -> None:
        if limit is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    return subprocess.run(
        [sys.executable, "-m", "bottomheat", *map(str, words)],
        capture_output=True,
        text=True,
        timeout=180,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "TZ": "UTC"},
        preexec_fn=bounded,
        check=False,
    )
