"""The samples of a log as one Parquet file, for programs that take millions of rows.

Needs the extra ``parquet`` (pyarrow).  Times are UTC to the millisecond, temperatures °C,
uncertainties and differences K; a null is a value that was not there.  Every column carries its
unit and what it is as metadata.  What is left of older samples has a length (``span_s``) and,
beside its means, the lowest and highest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from importlib.util import find_spec
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from bottomheat import __version__
from bottomheat.errors import InputError
from bottomheat_drivers.log.copying import Tell, part_of
from bottomheat_drivers.log.exporting import Exporter, Row, bounds

if TYPE_CHECKING:
    import pyarrow as pa

MISSING: Final = (
    "a Parquet file needs the library pyarrow, which is not installed; install it into "
    "bottomheat's own environment, in the folder that you copied: "
    "sudo /opt/bottomheat/bin/pip install -q '.[parquet]'"
)
GROUP_ROWS: Final = 2**13
"""Rows of one row group, and all that is in memory at a time: about a day of a box."""
_COURSES: Final = ("substrate", "substrate_2", "room", "mat", "callus", "top", "estimate")
_PLACES: Final = (
    ("substrate_c", "wet layer"),
    ("substrate_2_c", "second probe of the wet layer"),
    ("room_c", "room"),
    ("mat_c", "mat surface"),
    ("callus_c", "probe at callus depth"),
    ("top_c", "air at bud height"),
)


def export_parquet(
    path: Path,
    chambers: Sequence[str],
    target: Path,
    from_ms: int | None,
    to_ms: int | None,
    tell: Tell,
) -> int:
    """Write the samples of a stretch of wall time, its start included, its end not.

    Box after box, first what was thinned, then the samples, each in the order of time.  The file
    gets its name when it is whole.

    Args:
        path: the log's file.
        chambers: the boxes; none: all that the log knows.
        target: the new file, in a folder that exists.
        from_ms: UTC ms; None: from the first row on.
        to_ms: UTC ms; None: up to the last row.
        tell: is told how far it is.

    Returns:
        How many rows it holds.

    Raises:
        InputError: pyarrow is not installed, a box that the log does not know, or the target exists
            or has no folder.
        LogError: the log cannot be read, or the file not written; nothing is left behind.
    """
    if find_spec("pyarrow") is None:
        raise InputError(f"{MISSING}.")
    import pyarrow as pa
    from pyarrow import parquet

    columns = _columns(pa)
    schema = pa.schema(
        [
            pa.field(name, kind, metadata={"unit": unit, "about": about})
            for name, kind, unit, about, _ in columns
        ],
        metadata={
            "program": f"bottomheat {__version__}",
            "rows": "one a box and cycle; older ones, with a span_s, one a minute or ten",
        },
    )
    count = 0
    with Exporter(path) as log:
        names = log.named(chambers)
        with (
            part_of(target, "The file") as part,
            parquet.ParquetWriter(part, schema, compression="zstd") as writer,
        ):
            for name in names:
                for group in _groups(_rows(log, name, *bounds(from_ms, to_ms), tell)):
                    values = [(name,) * len(group), *zip(*group, strict=True)]
                    arrays = [make(each) for (*_, make), each in zip(columns, values, strict=True)]
                    writer.write_batch(pa.record_batch(arrays, schema=schema))
                    count += len(group)
    return count


def _rows(log: Exporter, name: str, low_ms: int, high_ms: int, tell: Tell) -> Iterator[Row]:
    """What is left of the older samples, then the samples, both in the order of the columns."""
    if log.thins(name):
        for row in log.thinned_of(name, low_ms, high_ms, tell):
            span_ms, samples, *rest = row[2:]
            courses, rest = rest[: 3 * len(_COURSES)], rest[3 * len(_COURSES) :]
            faults, expanded_ck, setpoint_mc, condition, closings, *out = rest
            *places, estimate_mc = courses[::3]
            yield (
                *(*row[:2], *places, faults, estimate_mc, expanded_ck, setpoint_mc, None),
                *(None, None, condition, closings, span_ms, samples),
                *(*courses[1::3], *courses[2::3], *out),
            )
    nothing = (None,) * (7 + 2 * len(_COURSES))
    for row in log.samples_of(name, low_ms, high_ms, tell):
        yield (*row, *nothing)


def _groups(rows: Iterator[Sequence[Any]]) -> Iterator[list[Sequence[Any]]]:
    while group := list(islice(rows, GROUP_ROWS)):
        yield group


def _columns(pa: Any) -> list[tuple[str, pa.DataType, str, str, Callable[[Sequence[Any]], Any]]]:
    """Name, type, unit, meaning, and how the log's whole numbers become an array."""
    from pyarrow import compute

    real, whole = pa.float64(), pa.int64()
    word = pa.dictionary(pa.int32(), pa.string())
    time = pa.timestamp("ms", "UTC")

    def parts(of: int) -> Callable[[Sequence[Any]], Any]:
        return lambda values: compute.divide(pa.array(values, pa.float64()), float(of))

    def plain(kind: Any) -> Callable[[Sequence[Any]], Any]:
        return lambda values: pa.array(values, kind)

    def words(values: Sequence[Any]) -> Any:
        return pa.array(values, pa.string()).dictionary_encode()

    def flags(values: Sequence[Any]) -> Any:
        return pa.array([None if value is None else bool(value) for value in values], pa.bool_())

    milli = parts(1000)
    return [
        ("chamber", word, "", "the box", words),
        ("time_utc", time, "UTC", "when the cycle was", plain(time)),
        ("clock_set", pa.bool_(), "", "false: the time is a guess", flags),
        *[(name, real, "°C", about, milli) for name, about in _PLACES],
        ("faults", word, "", "places without a good reading, and why", words),
        ("estimate_c", real, "°C", "callus zone, worked out from the probes", milli),
        ("expanded_k", real, "K", "its expanded uncertainty, k = 2", parts(100)),
        ("setpoint_c", real, "°C", "what the callus zone should have", milli),
        ("substrate_setpoint_c", real, "°C", "what the wet layer should have", milli),
        ("duty", real, "1", "share of the time with heat on, 0 to 1; null where thinned", milli),
        ("heat", pa.bool_(), "", "whether heat was commanded on; null where thinned", flags),
        ("condition", word, "", "what the box was doing", words),
        ("closings", whole, "1", "of the relay since this box's row before", plain(whole)),
        ("span_s", real, "s", "null: a sample; else means over so long from time_utc on", milli),
        ("samples", whole, "1", "the row was made of so many", plain(whole)),
        *[(f"{name}_low_c", real, "°C", f"lowest {name} in it", milli) for name in _COURSES],
        *[(f"{name}_high_c", real, "°C", f"highest {name} in it", milli) for name in _COURSES],
        ("heat_s", real, "s", "so long was heat commanded on in it", milli),
        ("above_s", real, "s", "so long was the callus zone 0.5 K over its setpoint", milli),
        ("above_k_s", real, "K s", "and by how much beyond that in all", milli),
        ("below_s", real, "s", "the same below its setpoint", milli),
        ("below_k_s", real, "K s", "and by how much in all", milli),
    ]
