"""A child that thins a log, each hour of it in a transaction: ``log_thin_child.py LOG NOW_MS``.

Says ``begun`` when the log is open, and ``end`` when all is done; for ``test_log_thin_kill.py``.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from bottomheat_drivers.log import migrations
from bottomheat_drivers.log.retention import Thinning

DAY_MS = 86_400_000

if __name__ == "__main__":
    connection = migrations.connect(Path(sys.argv[1]))
    thinning, more = Thinning(), True
    connection.execute("SELECT count(*) FROM run").fetchone()
    os.write(1, b"begun\n")
    while more:
        connection.execute("BEGIN IMMEDIATE")
        more = thinning.go(connection, 1, int(sys.argv[2]), 14 * DAY_MS, most=1)
        connection.execute("COMMIT")
    connection.close()
    os.write(1, b"end\n")
