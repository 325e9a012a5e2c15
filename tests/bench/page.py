"""The page of a season: how large, how long it takes, how much memory.

    python tests/bench/page.py [--days 120] [--boxes 4] [--out FILE]

The rows are made up week by week, as a reader of the log hands them over; reading a log is not in
these figures.  Each figure is of this machine and this run.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import report_world
from bottomheat.review import page


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--days", type=int, default=120)
    options.add_argument("--boxes", type=int, default=4, choices=range(1, 5))
    options.add_argument("--out", type=Path)
    chosen = options.parse_args()
    began_s = time.perf_counter()
    report = report_world.season(chosen.days, report_world.BOXES[: chosen.boxes])
    thinned_s = time.perf_counter()
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    text = page.build(report)
    built_s = time.perf_counter()
    if chosen.out is not None:
        chosen.out.write_text(text, encoding="utf-8")
    rows = chosen.days * 8640 * chosen.boxes
    width_s = (report.grid.edges_ms[1] - report.grid.edges_ms[0]) / 1000
    print(f"{chosen.days} days, {chosen.boxes} boxes, {rows:,} rows, a bucket is {width_s:g} s")
    print(f"page            {len(text.encode()):,} bytes")
    print(f"thinning        {thinned_s - began_s:.1f} s, with making up the rows")
    print(f"building        {built_s - thinned_s:.1f} s, with importing bokeh")
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory     {before_mb:.0f} MB after thinning, {peak_mb:.0f} MB at the end")


if __name__ == "__main__":
    main()
