"""Memory and CPU of the running daemon and keeper, against a process that only imports libraries.

Linux only.  The daemon runs as ``bottomheat run`` does, on a fake 1-Wire folder with mock pins,
for half a minute of 2 s cycles.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from service import Service

LIBRARIES = "click, yaml, simple_pid, sqlite3, json, hashlib, selectors, subprocess, logging"
# pydantic loads its parts when a name is asked of it, and its plugin loader with the first model.
PYDANTIC = "from pydantic import BaseModel, Field; type('Empty', (BaseModel,), {})"
W1 = "os.environ['W1THERMSENSOR_NO_KERNEL_MODULE'] = '1'; import w1thermsensor"
SETTLED_S = 10.0
WATCHED_S = 20.0


def rss_kib(pid: int) -> int:
    """Resident memory of a process, KiB."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1])
    raise RuntimeError(f"no VmRSS of process {pid}")


def cpu_s(pid: int) -> float:
    """CPU time of a process so far, s."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def bare_imports_kib() -> int:
    """Resident memory of a process that imports the daemon's libraries and nothing else."""
    program = f"import os, {LIBRARIES}; {PYDANTIC}; {W1}; print(open('/proc/self/status').read())"
    said = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    ).stdout
    return next(int(line.split()[1]) for line in said.splitlines() if line.startswith("VmRSS:"))


def measure() -> dict[str, Any]:
    """Run daemon and keeper for half a minute and look at them from outside."""
    with tempfile.TemporaryDirectory() as folder:
        service = Service(Path(folder))
        try:
            service.prove()
            service.start()
            service.wait(service.line)
            assert service.process is not None
            daemon = service.process.pid
            children = Path(f"/proc/{daemon}/task/{daemon}/children").read_text().split()
            time.sleep(SETTLED_S)
            before_s = cpu_s(daemon)
            time.sleep(WATCHED_S)
            used_s = cpu_s(daemon) - before_s
            rss = rss_kib(daemon)
            keeper = rss_kib(int(children[0]))
            service.stop()
        finally:
            service.end()
    bare = bare_imports_kib()
    return {
        "daemon_rss_mib": rss / 1024,
        "bare_imports_mib": bare / 1024,
        "daemon_to_bare": rss / bare,
        "keeper_rss_mib": keeper / 1024,
        "daemon_cpu_ms_per_cycle": used_s / (WATCHED_S / 2.0) * 1000,
    }


if __name__ == "__main__":
    for name, value in measure().items():
        print(f"{name:26} {value:8.2f}")
