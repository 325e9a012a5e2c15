"""The config file on disk: bad files by the dozen, watching, the accepted copy, falling back."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.config_wiring import fingerprint
from bottomheat.errors import ConfigError
from bottomheat_drivers.config_watch import (
    ACCEPTED_NAME,
    YamlConfigSource,
    last_accepted,
    start_config,
)
from bottomheat_drivers.config_yaml import LARGEST_BYTES, check_text, load_checked, load_config
from bottomheat_drivers.yaml_lines import RefusedTextError, read

GOOD = """\
cycle: 10
coldest_room: 3
chambers:
  north-bench:
    callus_zone: 25.0
    law: pid
    heater: {gpio: 17, active_high: true, watts: 45}
    probes:
      substrate: 28-000000000001
      room: 28-000000000002
      mat: 28-000000000003
    offset: {method: temperature-factor, factor: 0.75}
    layer_ceiling: 34
    limits:
      substrate: 40
      mat: 60
      callus: 30
"""

BAD_LINES: list[tuple[str, str, int, list[str]]] = [
    ("cycle: 10", "cycel: 10", 1, ["cycel", "did you mean cycle?"]),
    ("cycle: 10", "cycle: 10 s", 1, ["cycle", "number of seconds alone: 10"]),
    ("cycle: 10", "cycle:", 1, ["nothing is written here"]),
    ("cycle: 10", "cycle: .nan", 1, ["not an ordinary number"]),
    ("cycle: 10", "cycle: -.inf", 1, ["not an ordinary number"]),
    ("cycle: 10", "cycle: 1e3", 1, ["too high", "2 to 60 s"]),
    ("cycle: 10", "cycle: 1_0", 1, ["not a number"]),
    ("cycle: 10", "cycle: !!int 10", 1, ["tags", "take the tag out"]),
    ("cycle: 10", "cycle: &ten 10\ncoldest_room: *ten", 2, ["*ten", "write the keys out"]),
    ("cycle: 10", "cycle: 10\ncycle: 9", 2, ["stands twice", "lines 1 and 2"]),
    ("cycle: 10", "? [cycle]\n: 10", 1, ["a key is one word"]),
    ("cycle: 10", "cycle: [[[[[[[[[[[[[[1]]]]]]]]]]]]]]", 1, ["nests too deeply"]),
    ("coldest_room: 3", "coldest_room: 37", 2, ["looks like °F", "write 2.8"]),
    ("coldest_room: 3", "coldest_room: three", 2, ["not a number"]),
    ("coldest_room: 3", "coldest_room: 3\n---\ncycle: 10", 3, ["second document"]),
    ("chambers:", "chamber:", 3, ["chamber", "did you mean chambers?"]),
    ("  north-bench:", "  North Bench:", 4, ["cannot be the name", "write north-bench"]),
    ("callus_zone: 25.0", "callus_zone: 77", 5, ["looks like °F", "77 °F is 25 °C"]),
    ("callus_zone: 25.0", "callus_zone: 25 C", 5, ["number alone: 25"]),
    ("callus_zone: 25.0", 'callus_zone: "25"', 5, ["quotes", "number alone: 25"]),
    ("callus_zone: 25.0", "callus_zone: 25,0", 5, ["decimal comma", "25.0"]),
    ("callus_zone: 25.0", "callus_zone: 22:30", 5, ['"22:30" is a time of day']),
    ("callus_zone: 25.0", "callus_zone: no", 5, ['"no" is not a number']),
    ("callus_zone: 25.0", "callus_zone: 45", 5, ["7.2 °C"]),
    ("callus_zone: 25.0", "callus_zone: 25\n    callus_zone: 32", 6, ["lines 5 and 6"]),
    ("callus_zone: 25.0", "callus_zone 25.0", 6, ["colon"]),
    ("callus_zone: 25.0", "callus_zone: 25: 0", 5, ["one colon too many"]),
    ("callus_zone: 25.0", "callus_zone: %25", 5, ["cannot start a value"]),
    ("    callus_zone: 25.0", "\tcallus_zone: 25.0", 5, ["tab", "spaces"]),
    ("    law: pid", "   law: pid", 6, ["indentation"]),
    ("law: pid", "law: on/off", 6, ["not known here", "pid, hysteresis"]),
    ("law: pid", "law: 'pid", 6, ["quotation mark is not closed"]),
    ("law: pid", "law: p\x07d", 6, ["control character"]),
    ("active_high: true", "active_high: yes", 7, ["active_high", "write true"]),
    ("gpio: 17", "gpio: 4", 7, ["1-Wire bus"]),
    ("watts: 45}", "watts: 45", 7, ["bracket"]),
    ("watts: 45}", "watt: 45}", 7, ["did you mean watts?"]),
    ("room: 28-000000000002", "rooom: 28-000000000002", 10, ["did you mean room?"]),
    ("28-000000000002", "28-000000000001", 10, ["already", "probes.substrate"]),
    ("28-000000000003", "28-00000000003", 11, ["not the name of a probe"]),
    ("factor: 0.75", "factor: 75", 12, ["too high", "0.2 to 1"]),
    ("layer_ceiling: 34", "layer_ceiling: 24", 13, ["below the setpoint"]),
    ("mat: 60", "mat: 39", 16, ["not above the wet layer's limit"]),
    ("callus: 30", "callus: 26", 17, ["too near the setpoint", "27 °C or more"]),
    ("callus: 30", "callus: 30 K", 17, ["write the number alone"]),
    (
        "    limits:\n      substrate: 40",
        "    limits:\n    - substrate: 40",
        14,
        ["a list stands here"],
    ),
]


def in_file(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "chamber.yaml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("old", "new", "line", "words"), BAD_LINES, ids=[new[:24] for _, new, _, _ in BAD_LINES]
)
def test_bad_line_is_named_in_plain_words(
    tmp_path: Path, old: str, new: str, line: int, words: list[str]
) -> None:
    assert GOOD.count(old) == 1
    path = in_file(tmp_path, GOOD.replace(old, new))
    with pytest.raises(ConfigError) as caught:
        load_config(path)
    start = f"{path} line {line}: "
    there = [problem for problem in caught.value.problems if problem.startswith(start)]
    assert any(all(word in problem for word in words) for problem in there), caught.value.problems
    for problem in caught.value.problems:
        assert "\n" not in problem
        for foreign in ("pydantic", "block mapping", "<stream", "expected", "scanning", "token"):
            assert foreign not in problem


def test_good_file_gives_config(tmp_path: Path) -> None:
    path = in_file(tmp_path, GOOD)
    assert load_config(path).chambers["north-bench"].callus_zone_c == 25.0
    warning = load_checked(path).warnings[0]
    assert warning.text(str(path)).startswith(f"{path} line 16: chambers.north-bench.limits.mat: ")


def test_byte_order_mark_and_windows_lines_are_read(tmp_path: Path) -> None:
    path = tmp_path / "chamber.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load_config(path).cycle_s == 10.0


def test_all_problems_of_a_file_come_at_once(tmp_path: Path) -> None:
    text = GOOD
    for old, new in (
        ("cycle: 10", "cycel: 10"),
        ("callus_zone: 25.0", "callus_zone: 77"),
        ("law: pid", "law: pid\n    law: hysteresis"),
        ("gpio: 17", "gpio: 4"),
        ("mat: 60", "mat: 39"),
    ):
        text = text.replace(old, new)
    with pytest.raises(ConfigError) as caught:
        load_config(in_file(tmp_path, text))
    lines = [problem.split(" line ")[1].split(":")[0] for problem in caught.value.problems]
    assert lines == ["1", "5", "7", "8", "17"]
    assert "5 things are wrong" in str(caught.value)


def a_folder(path: Path) -> None:
    path.mkdir()


def a_pipe(path: Path) -> None:
    os.mkfifo(path)


def not_utf8(path: Path) -> None:
    path.write_bytes(b"cycle: 10\n# 25 \xb0C\n")


def too_large(path: Path) -> None:
    path.write_bytes(b"#" * (LARGEST_BYTES + 1))


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: path.parent, "there is no config file"),
        (a_folder, "is a folder"),
        (a_pipe, "is not a file"),
        (lambda path: path.touch(), "is empty"),
        (lambda path: path.write_text(" \n\n"), "is empty"),
        (not_utf8, "line 2 has a character that is not UTF-8"),
        (too_large, "larger than 64 KiB"),
        (lambda path: path.symlink_to(path), "cannot be opened"),
    ],
)
def test_what_is_no_config_file_is_one_sentence(
    tmp_path: Path, make: Callable[[Path], object], words: str
) -> None:
    path = tmp_path / "chamber.yaml"
    make(path)
    with pytest.raises(ConfigError) as caught:
        load_checked(path)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert caught.value.problems == ()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read every file")
def test_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = in_file(tmp_path, GOOD)
    path.chmod(0)
    with pytest.raises(ConfigError, match="may not be read"):
        load_checked(path)


def test_only_notes_is_one_problem(tmp_path: Path) -> None:
    parsed = load_checked(in_file(tmp_path, "# nothing yet\n"))
    assert len(parsed.problems) == 1


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("22:30", "22:30"),
        ("no", "no"),
        ("on", "on"),
        ("y", "y"),
        ("2024-01-06", "2024-01-06"),
        ("0x1F", "0x1F"),
        ("1_000", "1_000"),
        ("017", 17),
        ("true", True),
        ("False", False),
        ("~", None),
        ("25", 25),
        ("25.0", 25.0),
        ("25.", 25.0),
        ("-.5", -0.5),
        ("1e2", 100.0),
        ("'25'", "25"),
        ("-.inf", float("-inf")),
        ("28-000000000001", "28-000000000001"),
        ("9" * 5000, "9" * 5000),
    ],
)
def test_scalars_are_read_by_yaml_1_2(text: str, value: object) -> None:
    # YAML 1.2.2, section 10.3.2, core schema; hexadecimal and octal numbers are left as text.
    found = read(f"key: {text}").data["key"]
    assert found == value
    assert type(found) is type(value)


@given(st.text(alphabet=":-[]{}#&*!|>'\"%@`,?\n\t abc01\\.", max_size=60))
def test_any_text_is_read_or_refused_in_one_sentence(text: str) -> None:
    problems = check_text(text).parsed.problems
    assert problems
    assert all(p.line is None or 1 <= p.line <= text.count("\n") + 2 for p in problems)


@given(st.integers(0, len(GOOD)), st.integers(0, 12), st.text(max_size=4))
def test_any_edit_of_a_good_file_is_accepted_or_refused(at: int, cut: int, put: str) -> None:
    parsed = check_text(GOOD[:at] + put + GOOD[at + cut :]).parsed
    assert (parsed.config is None) == bool(parsed.problems)
    assert all(problem.message for problem in parsed.problems)


def test_hostile_nesting_does_not_exhaust_the_stack() -> None:
    for text in ("[" * 60_000, "{a: " * 30_000, "- " * 30_000):
        with pytest.raises(RefusedTextError, match="deeply"):
            read(text)


class Watched:
    """A config file under watch."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "chamber.yaml"
        self.state = folder / "state"
        self.state.mkdir()
        self.source = YamlConfigSource(self.path, self.state)
        self.writes = 0

    def write(self, text: str) -> None:
        """Write in place, as a plain editor does, with a time of its own."""
        self.path.write_text(text, encoding="utf-8")
        self.writes += 1
        os.utime(self.path, ns=(self.writes, self.writes))


@pytest.fixture
def watched(tmp_path: Path) -> Watched:
    made = Watched(tmp_path)
    made.write(GOOD)
    return made


def test_poll_reports_what_is_there_then_changes_only(watched: Watched) -> None:
    first = watched.source.poll()
    assert first is not None
    assert first.config is not None
    assert first.text == GOOD
    assert [watched.source.poll() for _ in range(3)] == [None, None, None]
    watched.write(GOOD.replace("25.0", "24.0"))
    second = watched.source.poll()
    assert second is not None
    assert second.config is not None
    assert second.config.chambers["north-bench"].callus_zone_c == 24.0
    assert second.checksum != first.checksum


def test_touch_and_force_without_new_content_say_nothing(watched: Watched) -> None:
    watched.source.poll()
    watched.write(GOOD)
    assert watched.source.poll() is None
    assert watched.source.poll(force=True) is None


def test_rename_over_the_file_is_seen(watched: Watched, tmp_path: Path) -> None:
    watched.source.poll()
    other = tmp_path / "new"
    other.write_text(GOOD.replace("25.0", "26.0"), encoding="utf-8")
    other.replace(watched.path)
    change = watched.source.poll()
    assert change is not None
    assert change.config is not None


def test_half_written_file_is_no_change(watched: Watched) -> None:
    watched.source.poll()
    new = GOOD.replace("25.0", "24.0")
    for length in range(40, len(new), 40):
        watched.write(new[:length])
        assert watched.source.poll() is None
    watched.write(new)
    change = watched.source.poll()
    assert change is not None
    assert change.text == new


def test_half_file_that_happens_to_be_good_waits_for_its_end(watched: Watched) -> None:
    watched.source.poll()
    half = GOOD[: GOOD.index("    layer_ceiling")].rstrip("\n")
    assert check_text(half).parsed.config is not None
    watched.write(half)
    assert watched.source.poll() is None
    assert watched.source.poll() is not None


def test_refused_file_is_reported_once_when_it_stays(watched: Watched) -> None:
    watched.source.poll()
    watched.write(GOOD.replace("25.0", "77"))
    assert watched.source.poll() is None
    change = watched.source.poll()
    assert change is not None
    assert change.config is None
    assert "looks like °F" in change.problems[0]
    assert f"{watched.path} line 5" in change.problems[0]
    assert [watched.source.poll() for _ in range(3)] == [None, None, None]
    watched.write(GOOD)
    mended = watched.source.poll()
    assert mended is not None
    assert mended.config is not None


def test_force_does_not_wait(watched: Watched) -> None:
    watched.source.poll()
    watched.write(GOOD.replace("25.0", "77"))
    change = watched.source.poll(force=True)
    assert change is not None
    assert change.config is None


def test_vanished_file_is_reported_once_and_its_return_is_seen(watched: Watched) -> None:
    watched.source.poll()
    watched.path.unlink()
    assert watched.source.poll() is None
    gone = watched.source.poll()
    assert gone is not None
    assert gone.config is None
    assert "there is no config file" in gone.problems[0]
    assert watched.source.poll() is None
    watched.write(GOOD)
    back = watched.source.poll()
    assert back is not None
    assert back.config is not None


def accept(watched: Watched) -> None:
    change = watched.source.poll(force=True)
    assert change is not None
    watched.source.accept(change)


def test_accepted_copy_is_read_back(watched: Watched) -> None:
    assert watched.source.last_accepted() is None
    accept(watched)
    kept = watched.source.last_accepted()
    assert kept is not None
    assert kept == load_config(watched.path)
    assert [file.name for file in watched.state.iterdir()] == [ACCEPTED_NAME]


def test_refused_config_is_not_kept(watched: Watched) -> None:
    watched.write(GOOD.replace("25.0", "77"))
    change = watched.source.poll(force=True)
    assert change is not None
    with pytest.raises(ConfigError, match="refused"):
        watched.source.accept(change)
    assert watched.source.last_accepted() is None


@pytest.mark.parametrize("damage", ["cut", "flip", "seal", "empty", "more"])
def test_damaged_copy_is_no_copy(watched: Watched, damage: str) -> None:
    accept(watched)
    copy = watched.state / ACCEPTED_NAME
    text = copy.read_text(encoding="utf-8")
    copy.write_text(
        {
            "cut": text[: len(text) // 2],
            "flip": text.replace("25.0", "26.0"),
            "seal": text[:-10],
            "empty": "",
            "more": text + "cycle: 9\n",
        }[damage],
        encoding="utf-8",
    )
    assert last_accepted(watched.state) is None


def test_copy_that_cannot_be_written_says_so_and_keeps_the_old(watched: Watched) -> None:
    accept(watched)
    (watched.state / "accepted-config.new").mkdir()
    watched.write(GOOD.replace("25.0", "24.0"))
    with pytest.raises(ConfigError, match="could not be copied"):
        accept(watched)
    kept = watched.source.last_accepted()
    assert kept is not None
    assert kept.chambers["north-bench"].callus_zone_c == 25.0


def test_start_with_a_good_file(watched: Watched) -> None:
    config, reason = start_config(watched.path, watched.state)
    assert (config, reason) == (load_config(watched.path), None)


def test_start_falls_back_where_the_wiring_is_the_same(watched: Watched) -> None:
    accept(watched)
    before = load_config(watched.path)
    watched.write(GOOD.replace("25.0", "77").replace("watts: 45", "watts: 45 W"))
    config, reason = start_config(watched.path, watched.state)
    assert config == before
    assert reason is not None
    assert "last accepted config is used; 2 things wrong" in reason
    assert "line 5" in reason


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("gpio: 17", "gpio: 18", "its wiring is not that of the last accepted"),
        ("28-000000000002", "28-0000000000ff", "its wiring is not that of the last accepted"),
        ("  north-bench:", "  south-bench:", "its wiring is not that of the last accepted"),
        ("gpio: 17", "gpio: 4", "its wiring cannot be read"),
        ("room: 28", "rooom: 28", "its wiring cannot be read"),
        ("law: pid", "law: 'pid", "its wiring cannot be read"),
        ("law: pid", "law: pid\n    law: pid", "its wiring cannot be read"),
        ("chambers:", "chamber:", "its wiring cannot be read"),
    ],
)
def test_start_gives_no_heat_where_the_wiring_may_differ(
    watched: Watched, old: str, new: str, why: str
) -> None:
    accept(watched)
    watched.write(GOOD.replace("25.0", "77").replace(old, new))
    with pytest.raises(ConfigError, match=why) as caught:
        start_config(watched.path, watched.state)
    assert "no heat" in str(caught.value)
    assert caught.value.problems


def test_start_gives_no_heat_without_a_copy_or_a_file(watched: Watched) -> None:
    watched.write(GOOD.replace("25.0", "77"))
    with pytest.raises(ConfigError, match="no undamaged copy"):
        start_config(watched.path, watched.state)
    watched.write(GOOD)
    accept(watched)
    watched.path.unlink()
    with pytest.raises(ConfigError, match="there is no config file"):
        start_config(watched.path, watched.state)


def test_fallback_wiring_is_the_accepted_configs(watched: Watched) -> None:
    accept(watched)
    watched.write(GOOD.replace("25.0", "77"))
    config, _ = start_config(watched.path, watched.state)
    kept = last_accepted(watched.state)
    assert kept is not None
    assert fingerprint(config) == fingerprint(kept)
