"""What ``bottomheat check`` finds, part by part; as a process where it has to look by itself."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.app import proof_path
from bottomheat.cli.check_config import cold_night_findings, config_findings
from bottomheat.cli.check_machine import (
    LITTLE_BYTES,
    TOO_LITTLE_BYTES,
    LatchView,
    caution_findings,
    disk_findings,
    latch_findings,
    line_findings,
    probe_findings,
    proof_findings,
    service_findings,
)
from bottomheat.cli.findings import (
    WIDTH,
    Finding,
    Group,
    Level,
    all_well,
    as_plain,
    in_two,
    note,
    render,
    well,
    wrong,
)
from bottomheat.config import Config
from bottomheat.config_wiring import fingerprint
from bottomheat.errors import LatchError
from bottomheat.model import Bad, Fault, Good, Place
from bottomheat.ports import Latch
from bottomheat_drivers.config_yaml import check_text, load_config
from bottomheat_drivers.latch_file import LatchFile, begin_clear, keeper_latch_path, latch_path
from bottomheat_drivers.process_lock import lock_line
from bottomheat_drivers.proof_file import ProofFile
from bottomheat_drivers.surroundings import (
    Disk,
    Line,
    disk_of,
    gpio_devices,
    holder_in,
    line_holder,
)
from bottomheat_drivers.w1 import FoundProbe
from clibench import CONFIG, LAYER, MAT, ROOM, FakeService, Shed, status

TEXT = CONFIG.format(folder="/nowhere")


def config(text: str = TEXT) -> Config:
    parsed = check_text(text).parsed
    assert parsed.config is not None, parsed.problems
    return parsed.config


def levels(findings: list[Finding]) -> list[Level]:
    return [finding.level for finding in findings]


def said(findings: list[Finding]) -> str:
    return "\n".join(f"{f.level.value} {f.text} -> {f.do}" for f in findings)


# Findings


@pytest.mark.parametrize(
    ("sentence", "parts"),
    [
        ("it is off; switch it on", ("it is off", "switch it on")),
        ("a; b; do c.", ("a; b", "do c")),
        ("it is off", ("it is off", "")),
        ("", ("", "")),
    ],
)
def test_a_sentence_is_parted_into_fault_and_remedy(sentence: str, parts: tuple[str, str]) -> None:
    assert in_two(sentence) == parts


def test_only_wrong_counts_and_the_count_is_told() -> None:
    fine = Group("Fine", (well("good"), note("so", "maybe")))
    bad = Group("Bad", (wrong("broken", "mend it"), wrong("lost", "find it")))
    assert all_well([fine])
    assert not all_well([fine, bad])
    assert render([fine]).endswith("All well.")
    assert "2 things marked WRONG" in render([fine, bad])
    assert "→ mend it" in render([fine, bad])
    assert as_plain([fine, bad], 1)["ok"] is False


words = st.text(st.characters(categories=["L", "N", "P", "Zs"]), min_size=1, max_size=400)


@given(st.lists(st.builds(Finding, st.sampled_from(Level), words, words), min_size=1))
def test_every_word_of_a_finding_is_on_screen(findings: list[Finding]) -> None:
    shown = render([Group("Part", tuple(findings))])
    on_screen = shown.split()
    for finding in findings:
        assert set(finding.text.split()) <= set(on_screen)
        assert set(finding.do.split()) <= set(on_screen)
    longest_word = max(len(word) for word in on_screen)
    assert all(len(line) <= max(WIDTH, longest_word + 10) for line in shown.splitlines())


# Config and cold nights


def test_every_problem_and_warning_of_a_config_is_told_with_its_line() -> None:
    text = TEXT.replace("callus_zone: 22", "callus_zone: 99").replace("gpio: 27", "gpio: 4")
    parsed = check_text(text).parsed
    found = config_findings(parsed, Path("c.yaml"))
    assert levels(found).count(Level.WRONG) == len(parsed.problems) >= 2
    assert levels(found).count(Level.NOTE) == len(parsed.warnings)
    assert Level.WELL not in levels(found)
    for problem in parsed.problems:
        assert f"line {problem.line}: {problem.where}" in said(found)


def test_a_good_config_is_well_and_names_its_boxes() -> None:
    found = config_findings(check_text(TEXT).parsed, Path("c.yaml"))
    assert found[0] == well("c.yaml is accepted; it describes north-bench, south-bench")


def test_cold_nights_say_where_layer_and_mat_work() -> None:
    """ISO 13788's f turned round: 8 + (22 - 8)/0.75 = 26.7 °C; the mat by the model's 1.74."""
    text = said(cold_night_findings(config()))
    assert "22 °C in a room of 8 °C, wet layer 27 °C" in text
    assert "mat 40 ± 3 °C (limit 65)" in text
    assert "17 °C in a room of 8 °C, wet layer 20 °C" in text


def test_a_night_beyond_the_ceiling_is_noted() -> None:
    cold = TEXT.replace("coldest_room: 8", "coldest_room: -3")
    cold = cold.replace("factor: 0.75", "factor: 0.65", 1).replace(
        "{substrate: 42, mat: 65}", "{substrate: 42, mat: 90}"
    )
    found = cold_night_findings(config(cold))
    assert "more than its ceiling allows" in found[0].text
    assert found[0].level is Level.NOTE


def test_a_warm_up_that_passes_the_mat_limit_depends_on_a_mat_probe() -> None:
    hot = TEXT.replace("watts: 45", "watts: 45, full_power_rise: 60")
    watched = cold_night_findings(config(hot))
    blind = cold_night_findings(config(hot.replace("      mat: 28-000000000003\n", "")))
    assert watched[1].level is Level.WELL
    assert "held back at 62 °C" in watched[1].text
    assert blind[1].level is Level.NOTE
    assert "put a probe on the mat" in blind[1].do


def test_an_identified_mat_is_shown_with_its_own_rise_and_swing() -> None:
    """26.7 + 0.4 x 18.7/0.71 = 37.2 °C, 0.1 K/W x 45 W; at full power 26.7 + 0.4 x 45."""
    model = (
        "    model: {gain: 0.71, slow_lag: 9, quick_lag: 2, quick_share: 0.4, dead_time: 0.25, "
        "mat_gain: 0.4, mat_swing: 0.1}\n"
    )
    limits = "    limits: {substrate: 42, mat: 65}"
    known = TEXT.replace(limits, model + limits, 1)
    found = cold_night_findings(config(known))
    assert "wet layer 27 °C" in found[0].text
    assert "mat 37 ± 4 °C (limit 65)" in found[0].text
    assert "warming up at full power, mat up to 45 °C" in found[1].text
    assert "usual box" not in found[1].text


# Probes


def good_readings(house: Config) -> dict[str, dict[Place, Good | Bad]]:
    return {
        name: {place: Good(20.0, 0.0) for place in box.probes.by_place()}
        for name, box in house.chambers.items()
    }


def bus(house: Config) -> list[FoundProbe]:
    names = {n for box in house.chambers.values() for n in box.probes.by_place().values()}
    return [FoundProbe(n, True, True, 12, 20.0) for n in sorted(names)]


def test_probes_that_read_are_well() -> None:
    house = config()
    found = probe_findings(house, good_readings(house), bus(house))
    assert levels(found) == [Level.WELL] * 6
    assert "north-bench wet layer 28-000000000001: 20.0 °C" in said(found)


@pytest.mark.parametrize("fault", list(Fault))
def test_every_fault_is_named_with_what_to_do(fault: Fault) -> None:
    house = config()
    readings = good_readings(house)
    readings["north-bench"][Place.MAT] = Bad(fault, 0.0, "so it is")
    found = probe_findings(house, readings, bus(house))
    lost = [f for f in found if f.level is Level.WRONG]
    assert len(lost) == 1
    assert lost[0].text == f"north-bench mat {MAT}: {fault.value} (so it is)"
    assert lost[0].do


def test_copies_coarse_probes_and_strangers_are_notes() -> None:
    house = config()
    probes = bus(house)
    probes[0] = replace(probes[0], authentic_rom=False)
    probes[1] = replace(probes[1], resolution_bits=9)
    probes.append(FoundProbe("28-00000000beef", True, True, 12, 18.5))
    probes.append(FoundProbe("10-00000000beef", False, False))
    text = said(probe_findings(house, good_readings(house), probes))
    assert f"{probes[0].name}: its serial number" in text
    assert f"{probes[1].name}: reads in 9 bits, steps of 0.5 K" in text
    assert "28-00000000beef is on the bus and not in the config, 18.5 °C" in text
    assert "10-00000000beef is of a kind that cannot be read here" in text
    assert "wrong" not in text


def test_the_keepers_own_probe_is_looked_for() -> None:
    house = config(TEXT.rstrip() + "\n    keeper: {probe: 28-000000000014}\n")
    lost = said(probe_findings(house, good_readings(house), bus(house)))
    assert "wrong south-bench keeper's own probe 28-000000000014" in lost
    there = [*bus(house), FoundProbe("28-000000000014", True, True, 12, 21.0)]
    found = said(probe_findings(house, good_readings(house), there))
    assert "well south-bench keeper's own probe 28-000000000014: 21.0 °C" in found


def test_without_a_config_the_bus_is_still_listed() -> None:
    found = probe_findings(None, {}, bus(config()))
    assert levels(found) == [Level.NOTE] * 5


# Relay lines


def test_who_drives_a_line_is_seen_without_touching_its_lock(tmp_path: Path) -> None:
    assert line_holder(tmp_path, 17) is None
    lock = lock_line(tmp_path, 17)
    try:
        assert line_holder(tmp_path, 17) == os.getpid()
        assert line_holder(tmp_path, 27) is None
    finally:
        lock.close()
    assert line_holder(tmp_path, 17) is None
    assert line_holder(tmp_path, 17, tmp_path / "no-table") is None


def test_the_table_of_locks_is_read_as_its_manual_has_it() -> None:
    """Lines in the form of proc_locks(5); numbers ours."""
    table = (
        "1: POSIX  ADVISORY  WRITE 500 08:01:77 0 EOF\n"
        "2: FLOCK  ADVISORY  WRITE 708 00:1a:77 0 EOF\n"
        "2: -> FLOCK  ADVISORY  WRITE 900 00:1a:77 0 EOF\n"
        "3: FLOCK  ADVISORY  WRITE 800 08:01:77 0 EOF\n"
    )
    assert holder_in(table, os.makedev(0, 0x1A), 77) == 708
    assert holder_in(table, os.makedev(8, 1), 77) == 800
    assert holder_in(table, os.makedev(8, 1), 78) is None


@given(st.text(max_size=300) | st.from_regex(r"1: FLOCK \w+ \w+ \S+ \S+ 0 EOF"))
def test_no_table_of_locks_makes_it_fail(table: str) -> None:
    holder = holder_in(table, os.makedev(8, 1), 77)
    assert holder is None or str(holder) in table


def test_lines_and_their_device() -> None:
    lines = [Line("north relay", 17, 4242), Line("south relay", 27, None)]
    usable = line_findings("lgpio", lines, {"/dev/gpiochip0": True})
    assert levels(usable) == [Level.WELL, Level.WELL, Level.NOTE]
    assert "process 4242" in said(usable)
    forbidden = line_findings("lgpio", [], {"/dev/gpiochip0": False})
    assert levels(forbidden) == [Level.WRONG]
    assert "group gpio" in forbidden[0].do
    assert levels(line_findings("lgpio", [], {})) == [Level.WRONG]
    mocked = line_findings("mock", [], {})
    assert levels(mocked) == [Level.NOTE]
    assert "no relay will move" in mocked[0].text


def test_gpio_devices_are_those_of_the_header(tmp_path: Path) -> None:
    assert gpio_devices(tmp_path) == {}
    for name in ("gpiochip0", "gpiochip1", "gpiochip4"):
        (tmp_path / name).touch()
    assert sorted(gpio_devices(tmp_path)) == [
        str(tmp_path / "gpiochip0"),
        str(tmp_path / "gpiochip4"),
    ]


# Disk, latches, proof, service


def test_the_disk_below_a_folder_is_seen(tmp_path: Path) -> None:
    disk = disk_of(tmp_path)
    assert disk.exists
    assert disk.writable
    assert disk.free_bytes > 0
    absent = disk_of(tmp_path / "not" / "there")
    assert not absent.exists
    assert absent.can_be_made


HEALTHY = Disk(Path("/state"), exists=True, writable=True, free_bytes=10**9)


@pytest.mark.parametrize(
    ("disk", "level", "words_of_it"),
    [
        (HEALTHY, Level.WELL, "1000 MB left"),
        (replace(HEALTHY, free_bytes=LITTLE_BYTES - 1), Level.NOTE, "200 MB left"),
        (replace(HEALTHY, free_bytes=TOO_LITTLE_BYTES - 1), Level.WRONG, "20 MB left"),
        (replace(HEALTHY, no_more_files=True), Level.WRONG, "no more files fit"),
        (replace(HEALTHY, read_only=True), Level.WRONG, "read-only"),
        (replace(HEALTHY, writable=False), Level.WRONG, "may not write to /state"),
        (
            replace(HEALTHY, writable=False, barrier=Path("/state/log.sqlite")),
            Level.WRONG,
            "may not write to /state/log.sqlite",
        ),
        (Disk(Path("/state"), exists=False), Level.WRONG, "may not make it"),
        (Disk(Path("/state"), exists=False, can_be_made=True), Level.WELL, "first start makes it"),
    ],
)
def test_what_is_said_of_a_disk(disk: Disk, level: Level, words_of_it: str) -> None:
    (finding,) = disk_findings(disk)
    assert finding.level is level
    assert words_of_it in finding.text
    assert bool(finding.do) is (level is not Level.WELL)


def view(**more: object) -> LatchView:
    return replace(LatchView("keeper", exists=True, readable=True, latches={}), **more)


def test_what_is_said_of_latches() -> None:
    assert levels(latch_findings([view(), view()], fresh=False)) == [Level.WELL] * 2
    latched = view(latches={"a": Latch("a", "mat at 61.0 °C", 1_760_000_000_000)})
    (finding,) = latch_findings([latched], fresh=False)
    assert finding.level is Level.WRONG
    assert "a is cut out by the keeper since " in finding.text
    assert "09 Oct" in finding.text
    assert "mat at 61.0 °C" in finding.text
    assert "bottomheat reset cutoff a" in finding.do
    timeless = view(latches={"a": Latch("a", "lost", 0)})
    assert "since" not in latch_findings([timeless], fresh=False)[0].text
    damaged = view(error=LatchError("/s/k.json: the latch file is damaged; reset each chamber."))
    assert latch_findings([damaged], fresh=False) == [
        wrong("/s/k.json: the latch file is damaged", "reset each chamber")
    ]
    hidden = view(readable=False, error=LatchError("it cannot be used; reset each chamber."))
    (unknown,) = latch_findings([hidden], fresh=False)
    assert unknown.level is Level.WRONG, "what is not known is not well"
    assert "sudo" in unknown.do
    assert "reset" not in unknown.do


def test_a_proof_that_may_not_be_read_is_not_known() -> None:
    (finding,) = proof_findings(proved=None)
    assert finding.level is Level.WRONG
    assert "sudo" in finding.do


def test_what_is_said_of_the_service() -> None:
    (running,) = service_findings(status())
    assert running == well("the service has run for 2 h, data 4 s old")
    alarms = [
        {"chamber": "north-bench", "alarm": "cutoff", "text": "cut", "for_s": 1.0},
        {"chamber": "north-bench", "alarm": "probe-lost", "text": "lost; look at it", "for_s": 1.0},
        {"chamber": None, "alarm": "log-failed", "text": "disk full", "for_s": 1.0},
    ]
    found = service_findings(status(alarms=alarms, hold="the latch cannot be kept"))
    assert found[1:] == [
        wrong("no heat: the latch cannot be kept", "put that right"),
        wrong("alarm, north-bench: lost", "look at it"),
        wrong("alarm, disk full", "bottomheat status says more"),
    ]
    deaf = service_findings(status(chambers=[{"name": "a", "keeper": None}]))
    assert "keeper" in deaf[1].text
    assert deaf[1].level is Level.WRONG


def test_the_cautions_name_what_must_be_there_without_software() -> None:
    text = said(caution_findings())
    for part in ("thermal cutout", "thermal fuse", "RCD", "local code", "welded"):
        assert part in text


# As a process


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


def proved(shed: Shed) -> None:
    state = shed.folder / "state"
    begin_clear(state)
    ProofFile(proof_path(state)).save(fingerprint(load_config(shed.config)))


@pytest.mark.process
def test_all_well_is_0_and_nothing_was_changed(shed: Shed) -> None:
    proved(shed)
    before = shed.listing()
    with FakeService(shed.control, {"status": [status()]}) as service:
        done = shed.run("check")
    assert done.returncode == 0, done.stdout
    assert done.stdout.rstrip().endswith("All well.")
    assert service.asked == ["status"]
    assert shed.listing() == before


@pytest.mark.process
def test_a_latched_box_and_a_damaged_latch_file_are_told(shed: Shed) -> None:
    proved(shed)
    state = shed.folder / "state"
    cause = "the wet layer was at 43.2 °C"
    LatchFile(latch_path(state)).save({"north-bench": Latch("north-bench", cause, 0)})
    keeper_latch_path(state).write_text("{}")
    with FakeService(shed.control, {"status": [status()]}):
        done = shed.run("check", "--json")
    assert done.returncode == 1
    answer = json.loads(done.stdout)
    assert answer["exit_status"] == 1
    bad = [f for g in answer["groups"] for f in g["findings"] if f["level"] == "wrong"]
    assert len(bad) == 2, bad
    assert f"north-bench is cut out by the service: {cause}" in bad[0]["text"]
    assert "is another kind of file" in bad[1]["text"]


@pytest.mark.process
def test_a_lost_latch_file_is_not_taken_for_a_first_start(shed: Shed) -> None:
    (shed.folder / "state" / "log.sqlite").touch()
    done = shed.run("check")
    assert done.returncode == 1
    assert "the latch file is missing" in done.stdout
    assert "the first start makes them" not in done.stdout


@pytest.mark.process
def test_the_bus_of_a_refused_config_is_listed_all_the_same(shed: Shed) -> None:
    shed.config.write_text(shed.text.replace("watts: 45", "wats: 45"))
    shed.bus.unplug(LAYER)
    done = shed.run("check")
    assert done.returncode == 3
    assert done.stdout.count("wats") >= 2
    assert ROOM in done.stdout


@pytest.mark.process
def test_pins_that_nobody_should_use_are_refused(shed: Shed, monkeypatch) -> None:
    monkeypatch.setattr("clibench.PINS", "native")
    done = shed.run("check")
    assert done.returncode == 1
    assert "GPIOZERO_PIN_FACTORY is 'native'" in " ".join(done.stdout.split())
    assert "Clock" in done.stdout, "one part that fails hides no other"
