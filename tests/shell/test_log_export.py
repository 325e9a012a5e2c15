"""The log as tables for a spreadsheet: read by another program, they hold what the log holds."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

import thinning_tools as thinning
from bottomheat.errors import InputError, LogError
from bottomheat.model import Alarm, Bad, Estimate, Event, EventKind, Fault, Good, Place
from bottomheat.season.ledger import SeasonEntry, What
from bottomheat_drivers.log import parquet
from bottomheat_drivers.log.columns import columns
from bottomheat_drivers.log.exporting import SAMPLES, THINNED, export_csv
from bottomheat_drivers.log.parquet import export_parquet
from commandline import bottomheat
from log_tools import NOW_MS, SetClock, entry, journal, note, sample

NAMES = [
    "samples-north-bench.csv",
    "samples-south-bench.csv",
    *(f"{name}.csv" for name in ("events", "alarms", "gaps", "tending", "thermometer", "batches")),
]


def quiet(_what: str, _share: float) -> None:
    """Tell nobody."""


def written(folder: Path) -> Path:
    """Two boxes, two runs an hour apart, a row with a fault and one without estimate."""
    for first_s in (100.0, 7000.0):
        kept = journal(folder, SetClock(first_s, NOW_MS + round(first_s * 1000)), background=False)
        for n in range(300):
            at_s = first_s + 10 * n
            readings = (
                (Place.SUBSTRATE, Good(29.4 + n / 1000, at_s)),
                (Place.MAT, Bad(Fault.CRC, at_s) if n == 7 else Good(43.8, at_s)),
                (Place.TOP, Good(-0.062, at_s)),
            )
            estimate = None if n == 9 else Estimate(25.0 + n / 700, 0.4)
            kept.record([sample(at_s, readings=readings, estimate=estimate, heat=n % 3 == 0)], [])
            kept.record([sample(at_s, "south-bench", setpoint_c=None, duty=None)], [])
        alarm = Event(
            EventKind.ALARM_RAISED, first_s, "south-bench", 'he said "x"', Alarm.CALLUS_HOT
        )
        kept.record([], [note(first_s, "first line\nsecond; with, commas"), alarm])
        kept.note_tending("north-bench", "water", "2 l, lukewarm", 600.0, "ajar")
        kept.note_reference(entry())
        kept.note_season(SeasonEntry(What.LOOK, "MÜL-1", data={"sampled": 20}, about_ms=NOW_MS))
        kept.close()
    return folder / "log.sqlite"


def table(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, keep_default_na=True)


def test_the_samples_are_those_of_the_log(tmp_path):
    path = written(tmp_path)
    counts = export_csv(path, [], tmp_path / "out", None, None, quiet)
    assert list(counts) == NAMES
    assert counts["samples-north-bench.csv"] == 600
    found = table(tmp_path / "out" / "samples-north-bench.csv")
    expected = columns(path, "north-bench")
    assert tuple(found.columns) == SAMPLES
    assert found.time_ms.tolist() == expected.wall_ms.tolist()
    as_time = pd.to_datetime(found.time_utc).astype("datetime64[ms, UTC]").astype("int64")
    assert as_time.tolist() == expected.wall_ms.tolist()
    for name in ("substrate_c", "mat_c", "top_c", "estimate_c", "expanded_k", "setpoint_c", "duty"):
        np.testing.assert_allclose(found[name], getattr(expected, name), atol=1e-9, err_msg=name)
    assert found.heat.astype(bool).tolist() == expected.heat.tolist()
    assert found.condition.tolist() == [expected.conditions[code] for code in expected.condition]
    assert found.faults[7] == "mat:CRC"
    assert np.isnan(found.mat_c[7])
    assert np.isnan(found.estimate_c[9])
    assert found.room_c.isna().all()
    assert set(found.clock_set) == {1}


def test_the_other_tables(tmp_path):
    export_csv(written(tmp_path), [], tmp_path / "out", None, None, quiet)
    out = tmp_path / "out"
    events = table(out / "events.csv")
    assert events.text.tolist() == ["first line\nsecond; with, commas", 'he said "x"'] * 2
    assert events.alarm.tolist()[1::2] == [Alarm.CALLUS_HOT.value] * 2
    alarms = table(out / "alarms.csv")
    assert alarms.time_ms.tolist() == [NOW_MS + 100_000, NOW_MS + 7_000_000]
    assert alarms.cleared_ms.isna().all()
    gaps = table(out / "gaps.csv")
    assert gaps[["from_ms", "to_ms"]].values.tolist() == [[NOW_MS + 3_090_000, NOW_MS + 7_000_000]]
    assert gaps.cause.tolist() == ["stopped"]
    tending = table(out / "tending.csv")
    assert (
        tending[["doing", "for_s", "lid", "note"]].values.tolist()
        == [["water", 600.0, "ajar", "2 l, lukewarm"]] * 2
    )
    readings = table(out / "thermometer.csv")
    assert readings[["number", "reading_c"]].values.tolist() == [[1, 24.8], [2, 24.8]]
    batches = table(out / "batches.csv")
    assert batches.batch.tolist() == ["MÜL-1"] * 2
    assert batches.about_ms.tolist() == [NOW_MS] * 2
    assert [json.loads(data) for data in batches.data] == [{"sampled": 20}] * 2


def test_one_box_and_a_stretch_of_time(tmp_path):
    path = written(tmp_path)
    from_ms, to_ms = NOW_MS + 3_000_000, NOW_MS + 7_500_000
    counts = export_csv(path, ["north-bench"], tmp_path / "out", from_ms, to_ms, quiet)
    assert "samples-south-bench.csv" not in counts
    found = table(tmp_path / "out" / "samples-north-bench.csv")
    expected = columns(path, "north-bench", from_ms, to_ms)
    assert found.time_ms.tolist() == expected.wall_ms.tolist()
    assert len(found) == counts["samples-north-bench.csv"] == 60
    assert counts["alarms.csv"] == 0  # of the other box
    assert counts["events.csv"] == counts["tending.csv"] == counts["gaps.csv"] == 1


def test_a_clock_that_was_never_set_is_said(tmp_path):
    kept = journal(tmp_path, SetClock(wall_ms=5_000_000, synchronised=False), background=False)
    kept.record([sample(110.0)], [])
    kept.close()
    export_csv(tmp_path / "log.sqlite", [], tmp_path / "out", None, None, quiet)
    (row,) = csv.DictReader(io.StringIO((tmp_path / "out/samples-north-bench.csv").read_text()))
    assert (row["time_utc"], row["clock_set"]) == ("1970-01-01T01:23:30.000Z", "0")


def test_a_box_with_an_odd_name_stays_in_the_folder(tmp_path):
    kept = journal(tmp_path, background=False)
    kept.record([sample(110.0, "../../etc/box")], [])
    kept.close()
    counts = export_csv(tmp_path / "log.sqlite", [], tmp_path / "out", None, None, quiet)
    assert next(iter(counts)) == "samples-.._.._etc_box.csv"
    assert (tmp_path / "out" / "samples-.._.._etc_box.csv").exists()


def test_refusals_are_one_sentence_and_write_nothing(tmp_path):
    path = written(tmp_path)
    with pytest.raises(InputError, match=r"knows no box attic; it knows north-bench, south-bench"):
        export_csv(path, ["attic"], tmp_path / "out", None, None, quiet)
    assert not (tmp_path / "out").exists()
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "events.csv").write_text("mine")
    with pytest.raises(InputError, match="exists already"):
        export_csv(path, [], tmp_path / "out", None, None, quiet)
    assert [each.name for each in (tmp_path / "out").iterdir()] == ["events.csv"]
    with pytest.raises(LogError, match="could not be written"):
        export_csv(path, [], tmp_path / "none" / "out", None, None, quiet)


def test_a_full_disk_leaves_no_half_a_table(tmp_path):
    path = written(tmp_path)
    done = bottomheat("export", "--all", "--csv", tmp_path / "out", "--log", path, limit=20_000)
    assert done.returncode == LogError.exit_code
    assert len(done.stderr.splitlines()) == 1
    assert "could not be written" in done.stderr
    assert list((tmp_path / "out").iterdir()) == []


def test_the_command(tmp_path):
    path = written(tmp_path)
    words = ("--csv", tmp_path / "out", "--log", path)
    done = bottomheat("export", "north-bench", *words, "--from", "2026-01-16", "--to", "2026-01-16")
    assert (done.returncode, done.stderr) == (0, "")
    assert f"{tmp_path}/out/samples-north-bench.csv: 600 rows" in done.stdout.splitlines()
    for words_ in ((), ("north-bench", "--all")):
        done = bottomheat("export", *words_, *words)
        assert done.returncode == InputError.exit_code
        assert "name one box, or say --all" in done.stderr
    done = bottomheat("export", "--all", *words, "--from", "2026-01-17", "--to", "2026-01-16")
    assert done.returncode == InputError.exit_code


# -- older samples


def thinned(folder: Path) -> Path:
    """Two days that are a row a minute or ten now, and the samples of an hour of today."""
    old = [thinning.row(10 * n, 25 + n % 50 / 50, heat=n % 3 == 0, closings=n // 60)
           for n in range(2 * 8640)]  # fmt: skip
    new = [thinning.row(99.98 * 86_400 + 10 * n, 25.2, closings=288) for n in range(120)]
    path = thinning.write(folder, [*old, *new])
    thinning.thin(path)
    return path


def test_what_is_left_of_older_samples_is_a_table_of_its_own(tmp_path):
    path = thinned(tmp_path)
    counts = export_csv(path, [], tmp_path / "out", None, None, quiet)
    assert counts["samples-north-bench.csv"] == 120
    found = table(tmp_path / "out" / "thinned-north-bench.csv")
    assert tuple(found.columns) == THINNED
    assert 0 < len(found) == counts["thinned-north-bench.csv"] < 17280 / 4
    true_c = [25 + n % 50 / 50 for n in range(17280)]
    mean_c = (found.estimate_c * found.span_s).sum() / found.span_s.sum()
    assert mean_c == pytest.approx(np.mean(true_c), abs=0.002)
    assert found.estimate_low_c.min() == 25.0
    assert found.estimate_high_c.max() == pytest.approx(25.98)
    assert (found.estimate_low_c <= found.estimate_c).all()
    assert (found.estimate_c <= found.estimate_high_c).all()
    assert (
        found.closings.sum() + table(tmp_path / "out" / "samples-north-bench.csv").closings.sum()
        == 288
    )
    assert found.heat_s.sum() == pytest.approx(2 * 86_400 / 3, abs=20)
    assert found.mat_c.tolist() == [43.8] * len(found)
    assert found.callus_c.isna().all()
    begins = found.time_ms.tolist()
    assert begins == sorted(begins)
    assert (np.diff(begins) / 1000 >= found.span_s[:-1] - 1e-9).all()
    middle = begins[len(begins) // 2]
    part = export_csv(path, ["north-bench"], tmp_path / "part", middle, None, quiet)
    assert part["thinned-north-bench.csv"] == len(found) - len(found) // 2


def test_parquet_has_them_in_the_same_columns(tmp_path):
    path = thinned(tmp_path)
    export_parquet(path, [], tmp_path / "out.parquet", None, None, quiet)
    export_csv(path, [], tmp_path / "out", None, None, quiet)
    found = pd.read_parquet(tmp_path / "out.parquet")
    older = found[found.span_s.notna()]
    expected = table(tmp_path / "out" / "thinned-north-bench.csv")
    assert len(found) - len(older) == 120
    assert older.heat.isna().all()
    assert older.duty.isna().all()
    times = older.time_utc.astype("datetime64[ms, UTC]").astype("int64")
    assert times.tolist() == expected.time_ms.tolist()
    assert older.condition.astype(str).tolist() == expected.condition.tolist()
    for name in set(THINNED) - {"time_utc", "time_ms", "clock_set", "condition", "faults"}:
        np.testing.assert_array_equal(older[name].astype(float), expected[name], err_msg=name)


# -- Parquet


def test_the_parquet_file_says_what_the_tables_say(tmp_path, monkeypatch):
    path = written(tmp_path)
    monkeypatch.setattr(parquet, "GROUP_ROWS", 250)  # several groups a box, the last one short
    assert export_parquet(path, [], tmp_path / "out.parquet", None, None, quiet) == 1200
    export_csv(path, [], tmp_path / "out", None, None, quiet)
    found = pd.read_parquet(tmp_path / "out.parquet")
    boxes = found.chamber.astype(str).tolist()
    assert boxes == ["north-bench"] * 600 + ["south-bench"] * 600
    for box, rows in found.groupby("chamber", observed=True):
        expected = table(tmp_path / "out" / f"samples-{box}.csv")
        times = rows.time_utc.astype("datetime64[ms, UTC]").astype("int64")
        assert times.tolist() == expected.time_ms.tolist()
        assert [*rows.columns[3:18]] == [*expected.columns[3:]]
        assert rows[[*rows.columns[18:]]].isna().all(axis=None)
        for name in ("faults", "condition"):
            words = [word if isinstance(word, str) else "" for word in expected[name]]
            assert rows[name].astype(str).tolist() == words
        for name in ("clock_set", "heat", "closings"):
            assert rows[name].astype(int).tolist() == expected[name].tolist()
        for name in expected.columns[3:]:
            if name not in ("faults", "condition", "heat", "closings"):
                np.testing.assert_array_equal(rows[name], expected[name], err_msg=name)
    assert pq.ParquetFile(tmp_path / "out.parquet").metadata.num_row_groups == 6


def test_every_column_carries_its_unit(tmp_path):
    export_parquet(written(tmp_path), [], tmp_path / "out.parquet", None, None, quiet)
    schema = pq.read_schema(tmp_path / "out.parquet")
    units = {field.name: field.metadata[b"unit"].decode() for field in schema}
    for name, unit in units.items():
        end = "k_s" if name.endswith("_k_s") else name.rsplit("_", 1)[-1]
        of_name = {"c": "°C", "k": "K", "utc": "UTC", "s": "s", "k_s": "K s"}.get(end)
        assert unit == (of_name or ("1" if name in ("duty", "closings", "samples") else ""))
    assert all(field.metadata[b"about"] for field in schema)
    assert schema.metadata[b"program"].startswith(b"bottomheat ")


def test_one_box_and_a_stretch_of_time_as_parquet(tmp_path):
    path = written(tmp_path)
    stretch = (NOW_MS + 3_000_000, NOW_MS + 7_500_000)
    assert export_parquet(path, ["south-bench"], tmp_path / "a.parquet", *stretch, quiet) == 60
    found = pq.read_table(tmp_path / "a.parquet")
    times = found["time_utc"].cast("int64").to_pylist()
    assert times == columns(path, "south-bench", *stretch).wall_ms.tolist()
    assert export_parquet(path, [], tmp_path / "b.parquet", 0, 1, quiet) == 0
    assert pq.read_table(tmp_path / "b.parquet").num_rows == 0


def test_a_parquet_file_is_whole_or_not_there(tmp_path):
    path = written(tmp_path)
    (tmp_path / "mine").write_text("mine")
    for target, error, words in (
        (tmp_path / "mine", InputError, "exists already"),
        (tmp_path / "none" / "out", InputError, "no folder"),
    ):
        with pytest.raises(error, match=words):
            export_parquet(path, [], target, None, None, quiet)
    with pytest.raises(InputError, match="knows no box attic"):
        export_parquet(path, ["attic"], tmp_path / "out", None, None, quiet)
    assert (tmp_path / "mine").read_text() == "mine"
    (tmp_path / "to").mkdir()
    words = ("--parquet", tmp_path / "to" / "out.parquet", "--log", path)
    done = bottomheat("export", "--all", *words, limit=5_000)
    assert done.returncode == LogError.exit_code
    assert len(done.stderr.splitlines()) == 1
    assert "could not be written" in done.stderr
    assert list((tmp_path / "to").iterdir()) == []


def test_without_the_library_the_command_says_which(tmp_path, monkeypatch):
    monkeypatch.setattr(parquet, "find_spec", lambda _: None)
    with pytest.raises(InputError, match=r"needs the library pyarrow, .*'\.\[parquet\]'"):
        export_parquet(written(tmp_path), [], tmp_path / "out.parquet", None, None, quiet)
    assert not (tmp_path / "out.parquet").exists()


def test_the_command_writes_either_or_both(tmp_path):
    path = written(tmp_path)
    file, folder = tmp_path / "out.parquet", tmp_path / "out"
    done = bottomheat("export", "north-bench", "--parquet", file, "--csv", folder, "--log", path)
    assert (done.returncode, done.stderr) == (0, "")
    said = done.stdout.splitlines()
    assert said[:2] == [f"{file}: 600 rows", f"{folder}/samples-north-bench.csv: 600 rows"]
    assert pq.read_table(file).num_rows == 600
    done = bottomheat("export", "--all", "--log", path)
    assert done.returncode == InputError.exit_code
    assert "say --csv DIR, --parquet FILE, or both" in done.stderr
