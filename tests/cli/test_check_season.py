"""What ``bottomheat check`` says about batches: by the rule, from the file and from the log."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from pathlib import Path

from bottomheat import __version__
from bottomheat.cli.check_season import season_findings
from bottomheat.cli.findings import Finding, Level
from bottomheat.config import Config
from bottomheat.season.ledger import Dated, SeasonEntry, What
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.config_yaml import check_text
from bottomheat_drivers.log import SqliteJournal, boot_id
from clibench import CONFIG, Shed

HERE = timezone(timedelta(hours=1))


def ms(text: str) -> int:
    """UTC ms of a local time."""
    return round(datetime.fromisoformat(text).replace(tzinfo=HERE).timestamp() * 1000)


NOW_MS = ms("2027-02-10 08:00")
MUL = "{species: mulberry, count: 40, made: 2027-01-05, chamber: north-bench"
GRP = "{species: grapevine, count: 30, made: 2027-02-01, chamber: north-bench, kind: grafts"
ROOTING = ", stage: rooting, since: 2027-02-01"
BOXES = CONFIG.format(folder="/nowhere")


def config(batches: str = "", boxes: str = BOXES) -> Config:
    text = f"{boxes}\nbatches:\n{batches}" if batches else boxes
    parsed = check_text(text).parsed
    assert parsed.config is not None, parsed.problems
    return parsed.config


def look(
    file: Config, ledger: list[Dated] | None = None, *, clock_sure: bool = True
) -> list[Finding]:
    return season_findings(file, ledger or [], NOW_MS, clock_sure=clock_sure, zone=HERE)


def entered(*new: SeasonEntry, at: str = "2027-02-01 09:00") -> list[Dated]:
    return [Dated(number, ms(at), True, entry) for number, entry in enumerate(new, 1)]


def added(name: str, chamber: str, **data: object) -> SeasonEntry:
    plain = {"species": "mulberry", "kind": "cuttings", "count": 40, **data}
    return SeasonEntry(What.ADD, name, chamber, plain)


def of(found: list[Finding], words: str) -> Finding:
    matching = [finding for finding in found if words in finding.text]
    assert len(matching) == 1, [finding.text for finding in found]
    return matching[0]


def test_nothing_is_said_where_there_are_no_batches() -> None:
    assert look(config()) == []


def test_box_is_told_with_its_lead_and_why() -> None:
    found = look(config(f"  M-1: {MUL}}}"))
    told = of(found, "north-bench: 22 °C")
    assert told.level is Level.WELL
    assert "wet layer at most 32 °C" in told.text
    assert "M-1 (mulberry, callusing) leads" in told.text
    assert "new of M-1" in of(found, "the file says").text


def test_batch_that_the_box_does_not_suit_is_sent_to_one_that_does() -> None:
    found = look(config(f"  M-1: {MUL}{ROOTING}}}\n  G-1: {GRP}}}"))
    conflict = of(found, "M-1 (mulberry, rooting) wants 18 to 20")
    assert conflict.level is Level.NOTE
    assert conflict.do == "move it, to south-bench: bottomheat batch move M-1 --to south-bench"
    # The file is not the only place that batches come from.
    by_command = entered(
        added("M-1", "north-bench", stage="rooting"),
        added("G-1", "north-bench", species="grapevine"),
    )
    assert conflict in look(config(), by_command)


def test_layer_that_may_not_be_warm_enough_for_the_lead_is_told() -> None:
    # In a room of 8 °C the layer wants 8 + (25 - 8)/0.75 = 30.7 °C, and rooting allows 28 °C; that
    # is enough above a room of 16 °C: 16 + (25 - 16)/0.75 = 28.
    boxes = BOXES.replace("callus_zone: 22", "callus_zone: 25")
    found = look(config(f"  M-1: {MUL}{ROOTING}}}\n  G-1: {GRP}}}", boxes))
    cold = of(found, "the ceiling of 28 °C for M-1 holds the box below its setpoint of 25 °C")
    assert cold.level is Level.NOTE
    assert cold.do == "insulate the box, or move M-1"
    alone = look(config(f"  G-1: {GRP}}}", boxes))
    assert not any("below its setpoint" in finding.text for finding in alone)


def test_cold_nights_are_told_once_and_only_where_they_are_cold() -> None:
    # Setpoint and ceiling are the file's own, so the file's own warning is enough.
    boxes = BOXES.replace("callus_zone: 22\n", "callus_zone: 25\n    layer_ceiling: 30\n")
    parsed = check_text(boxes).parsed
    assert any("below its setpoint of 25 °C" in warning.message for warning in parsed.warnings)
    found = look(config(f"  G-1: {GRP}}}", boxes))
    assert not any("below its setpoint" in finding.text for finding in found)
    # The batch wants less than the coldest room of the file.
    boxes = BOXES.replace("coldest_room: 8", "coldest_room: 16")
    cool = MUL.replace("mulberry", "peach")
    found = look(config(f"  P-1: {cool}, target: 14}}", boxes))
    assert of(found, "north-bench: 14 °C").level is Level.WELL
    assert not any("colder" in finding.text for finding in found)


def test_limit_that_the_batches_setpoint_would_reach_is_wrong() -> None:
    # 8 + 1.74 x (25 - 8)/0.75 = 47.4 °C, and 3 K of ripple: beyond a limit of 45 °C.  For 17 °C
    # it is 8 + 1.74 x 12 = 28.9 °C, so the config by itself is good.
    boxes = BOXES.replace("limits: {substrate: 42, mat: 65}", "limits: {substrate: 42, mat: 45}")
    boxes = boxes.replace("callus_zone: 22", "callus_zone: 17")
    assert look(config(boxes=boxes)) == []
    target = f"  G-1: {GRP}, target: 25}}"
    cut = of(look(config(target, boxes)), "will cut out on a night of")
    assert cut.level is Level.WRONG
    assert cut.text.startswith("north-bench: limits.mat will cut out")


def test_box_out_of_use_heats_nobody() -> None:
    boxes = BOXES.replace("    callus_zone: 22\n", "    callus_zone: 22\n    in_use: false\n")
    found = look(config(boxes=boxes), entered(added("M-1", "north-bench")))
    assert [finding.level for finding in found] == [Level.NOTE]
    assert "no heat for M-1" in found[0].text


def test_height_that_was_not_calibrated_is_told() -> None:
    graft = added("G-1", "north-bench", species="grapevine", zone="union", height_mm=90.0)
    told = of(look(config(), entered(graft)), "how warm its unions, 90 mm above")
    assert "zone and zone_height under north-bench" in told.do
    boxes = BOXES.replace(
        "    callus_zone: 22\n", "    callus_zone: 22\n    zone: union\n    zone_height: 88\n"
    )
    assert not any("how warm" in f.text for f in look(config(boxes=boxes), entered(graft)))
    # A box that does not say what it was calibrated for was calibrated for bases, at some height.
    for height_mm in (None, 30.0):
        cuttings = added("M-1", "north-bench", height_mm=height_mm)
        assert not any("how warm" in f.text for f in look(config(), entered(cuttings)))


def test_batch_in_a_box_that_is_gone_is_wrong() -> None:
    found = of(look(config(), entered(added("M-1", "east-bench"))), "stands in east-bench")
    assert found.level is Level.WRONG
    assert "batch move M-1 --to north-bench" in found.do


def test_lead_that_is_unknown_or_closed_is_told() -> None:
    boxes = BOXES.replace("    callus_zone: 22\n", "    callus_zone: 22\n    lead: m-1\n")
    assert "no batch m-1" in of(look(config(boxes=boxes)), "to lead it").text
    ledger = entered(added("M-1", "north-bench"), SeasonEntry(What.CLOSE, "M-1"))
    assert "M-1 is to lead it and is closed" in of(look(config(boxes=boxes), ledger), "closed").text
    assert not any("lead it" in finding.text for finding in look(config(boxes=boxes), ledger[:1]))


def written(name: str, file: Config) -> SeasonEntry:
    return SeasonEntry(
        What.WRITTEN, name, data=file.batches[name].model_dump(mode="json"), origin="config"
    )


def test_lines_that_do_not_do_what_they_seem_to_are_told() -> None:
    file = config(f"  M-1: {MUL}{ROOTING}}}")
    add = added("M-1", "north-bench", made_ms=ms("2027-01-05 12:00"), stage="rooting")
    stands = [add, written("M-1", file)]
    # Entered on the day that the file gives: nothing to say but what the box does.
    assert [f.level for f in look(file, entered(*stands))] == [Level.WELL]
    told = of(look(file, entered(*stands, at="2027-02-05 09:00")), "by the file")
    assert "began on 2027-02-01 by the file and on 2027-02-05" in told.text
    gone = entered(*stands, SeasonEntry(What.WITHDRAW, "M-1", corrects=1))
    assert "was withdrawn" in of(look(file, gone), "M-1").text
    used = [
        added("M-1", "north-bench", made_ms=ms("2026-01-05 12:00")),
        SeasonEntry(What.CLOSE, "M-1"),
    ]
    found = look(file, entered(*used))
    assert "another name" in of(found, "M-1 was closed").do
    assert len(found) == 1


def test_days_to_come_are_told_where_the_clock_is_sure() -> None:
    file = config("  M-1: {species: mulberry, count: 40, made: 2027-11-05, chamber: unheated}")
    assert "look at the year" in of(look(file), "made is 2027-11-05").do
    assert not any("to come" in finding.text for finding in look(file, clock_sure=False))


def test_entry_that_could_not_be_used_is_told() -> None:
    ledger = entered(SeasonEntry(What.LOOK, "M-9", data={"sampled": 10}))
    found = look(config(), ledger)
    assert [finding.level for finding in found] == [Level.NOTE]
    assert "M-9" in found[0].text


def test_check_reads_the_ledger_of_the_log(tmp_path: Path) -> None:
    shed = Shed(tmp_path)
    shed.config.write_text(shed.text + f"\nbatches:\n  G-1: {GRP}}}\n")
    clock = SystemClock()
    log = tmp_path / "state" / "log.sqlite"
    journal = SqliteJournal(log, None, clock, __version__, boot_id(), background=False)
    journal.note_season(added("M-1", "north-bench", stage="rooting"))
    journal.close()
    done = shed.run("check")
    assert "Traceback" not in done.stderr
    assert "Batches" in done.stdout
    told = " ".join(done.stdout.split())
    assert "the file says something new of G-1" in told
    assert "M-1 (mulberry, rooting) wants 18 to 20" in told
    assert "bottomheat batch move M-1 --to south-bench" in told
