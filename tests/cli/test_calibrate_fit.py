"""``bottomheat calibrate fit`` and ``budget``, on logs as the service writes them."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bottomheat.estimate import Estimator, Inputs, advance
from bottomheat.protect.tending import Lid
from bottomheat_drivers.config_yaml import load_config
from clibench import LAYER, ROOM, Shed
from fitbench import SETPOINT_C, SPARE, F, History, Lent, reading, write_log

pytestmark = pytest.mark.process

SAMPLE = Path(__file__).parents[2] / "config" / "chamber.yaml"
NORTH = ("--chamber", "north-bench")
FOUR = (
    reading(14.0, 0.02),
    reading(6.0, -0.05),
    reading(6.5, 0.2, spot="corner"),
    reading(10.0, 0.03),
)


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


def fit(shed: Shed, *words: str) -> str:
    done = shed.run("calibrate", "fit", *NORTH, *words)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout


def fit_data(shed: Shed, *words: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(fit(shed, "--json", *words))
    return found


def refused(shed: Shed, *words: str) -> str:
    done = shed.run("calibrate", *words)
    assert done.returncode == 10, done.stdout + done.stderr
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    return done.stderr


def service_k(shed: Shed, room_c: float, lid: Lid = Lid.ON) -> tuple[float, float]:
    """What the service makes of a room that stands still: bases in °C, and their width (k = 2).

    By its own config reader and estimate; the wet layer is where it would be asked for.
    """
    box = load_config(shed.config).chambers["north-bench"]
    state, layer_c, power_w = Estimator(), 30.0, 20.0
    look = None
    for hour in range(400):
        inputs = Inputs(
            layer_c,
            room_c if box.probes.room else None,
            None,
            room_wanted=box.probes.room is not None,
            power_w=power_w,
        )
        state, look = advance(state, inputs, box, hour * 3600.0, regulating=False, lid=lid)
        if look.substrate_setpoint_c is not None:
            layer_c = look.substrate_setpoint_c
            # As much heat as the made-up box of fitbench needs.
            power_w += 0.2 * (1.6 * (layer_c - room_c) - power_w)
    assert look is not None
    assert look.estimate is not None
    return look.estimate.celsius, look.estimate.expanded_k


# -- what it says


def test_it_opens_with_what_to_set_how_far_to_trust_it_and_when_to_read_again(shed: Shed) -> None:
    write_log(shed, History(hours=30, rows=FOUR))
    lines = fit(shed).splitlines()
    assert re.fullmatch(
        r"Set f to 0\.7\d\d\d with a constant part of [+-]0\.\d\d K \(now 0\.75\), lid on: "
        r"4 readings, .*\.",
        lines[0],
    )
    assert re.fullmatch(
        r"The bases are known to ± 0\.\d °C in rooms of 6 to 14 °C(, ± 0\.\d)?( and)? on a night "
        r"of 4 °C, the coldest on record\.",
        lines[1],
    )
    assert lines[2].endswith("Again after filling, moving or a new layer.")
    assert "ead" in lines[2]
    assert lines[3] == ""
    text = "\n".join(lines)
    assert "--write this goes into the config" in text
    for word in ("chi-square", "AIC", "Birge", "residual", "standard error"):
        assert word not in text


def test_details_show_every_row_and_every_reason_in_80_columns(shed: Shed) -> None:
    rows = [
        *FOUR,
        reading(9.0, steady=False, why="the box was opened 1 h before"),
        reading(9.0, probes={"substrate": "28-00000000beef", "room": ROOM}),
        reading(8.0, 3.0),
    ]
    write_log(shed, History(rows=rows, dropped=[7]))
    text = fit(shed, "--details")
    details = text[text.index("Readings. x:") :]
    assert max(len(line) for line in details.splitlines()) <= 80
    for number in range(1, 5):
        assert re.search(
            rf"^ +{number}  .*(middle|corner) .*[+-]\d\.\d\d\d +[+-]\d\.\d$", details, re.M
        )
    assert re.search(r"^ +5  the box was opened 1 h before$", details, re.M)
    assert re.search(r"^ +6  another probe lay in the place wet layer then$", details, re.M)
    assert re.search(r"^ +7  dropped: misread$", details, re.M)
    assert "with one more reading in a room of" in " ".join(details.split())
    for word in ("standard error", "1.96, normal", "chi-square", "Birge ratio", "AIC"):
        assert word in details
    for name in ("fixed", "temperature-factor", "temperature-factor, intercept", "heat-flow"):
        assert re.search(rf"^  {re.escape(name)} ", details, re.M)
    data = fit_data(shed)
    assert [row["number"] for row in data["rows"]] == [1, 2, 3, 4]
    assert [out["number"] for out in data["left_out"]] == [5, 6, 7]


def test_one_reading_gives_a_factor_and_says_what_it_cannot_tell(shed: Shed) -> None:
    write_log(shed, History(rows=[reading(12.0)]))
    text = fit(shed)
    assert "1 reading" in text.splitlines()[0]
    assert "in a room of 12 °C" in text.splitlines()[1]
    assert "One room supports a factor alone" in text
    assert "assumed (± 0.5 °C)" in text
    assert "A reading in a corner" in " ".join(text.split())
    data = fit_data(shed)
    assert data["set"]["factor"] == pytest.approx(F, abs=1e-4)
    assert "intercept" not in data["set"]
    assert "zone_uncertainty" not in data["set"]
    assert data["zone"] == {"u_k": 0.25, "source": "assumed"}


def test_rooms_six_kelvin_apart_show_a_constant_part(shed: Shed) -> None:
    """A constant of 0.4 K from the probes: with one room it hides in f."""
    rows = [reading(room_c, const_k=0.4) for room_c in (15.0, 14.0, 5.0, 4.0)]
    write_log(shed, History(rows=rows))
    found = fit_data(shed)
    assert found["set"]["intercept"] == pytest.approx(0.4, abs=0.15)
    assert found["set"]["factor"] == pytest.approx(F, abs=0.01)
    assert found["fit"]["with_intercept"]


def test_a_corner_settles_the_spread_over_the_box(shed: Shed) -> None:
    write_log(shed, History(rows=FOUR))
    data = fit_data(shed)
    assert data["zone"]["source"] == "readings"
    assert data["set"]["zone_uncertainty"] == data["zone"]["u_k"]
    assert 0.05 <= data["zone"]["u_k"] < 0.15
    assert not any("assumed" in note for note in data["notes"])


def test_an_outlier_is_named_and_used(shed: Shed) -> None:
    rows = [reading(4.0 + 2 * i, 0.05 * (-1) ** i + (1.2 if i == 3 else 0.0)) for i in range(6)]
    write_log(shed, History(rows=rows))
    data = fit_data(shed)
    assert [row["number"] for row in data["rows"] if row["outlier"]] == [4]
    assert len(data["rows"]) == 6
    told = " ".join(data["notes"])
    assert "No. 4 lies" in told
    assert "calibrate drop 4" in told
    assert "widened by that" in told
    assert data["fit"]["birge"] > 1.0


def test_it_says_which_method_the_readings_support(shed: Shed) -> None:
    write_log(shed, History(rows=FOUR))
    assert "A factor fits these readings better than a fixed offset" in fit(shed)


# -- what it writes


def test_write_keeps_every_comment_of_the_sample_config(shed: Shed) -> None:
    for old, new in (
        ("/var/lib/bottomheat/log.sqlite", shed.folder / "state" / "log.sqlite"),
        ("/run/bottomheat", shed.folder / "run"),
    ):
        text = SAMPLE.read_text() if old.startswith("/var") else shed.config.read_text()
        shed.config.write_text(text.replace(old, str(new)))
    before = shed.config.read_text()
    rows = [reading(c) for c in (14.0, 6.0)]
    write_log(shed, History(rows=rows))
    text = fit(shed, "--write")
    assert "takes it over from its next cycle" in " ".join(text.split())
    after = shed.config.read_text()
    assert after != before
    assert (shed.config.parent / "chamber.yaml.before").read_text() == before
    notes = [line.rsplit("#", 1)[1].strip() for line in before.splitlines() if "#" in line]
    assert len(notes) > 100
    assert [note for note in notes if note not in after] == []
    offset = load_config(shed.config).chambers["north-bench"].offset
    assert offset.method == "temperature-factor"
    assert offset.calibrated
    assert "The config says so already." in fit(shed, "--write")
    assert shed.config.read_text() == after


@pytest.mark.parametrize("method", ["temperature-factor", "heat-flow", "fixed"])
def test_the_service_then_states_the_width_that_was_printed(shed: Shed, method: str) -> None:
    write_log(shed, History(hours=30, rows=FOUR))
    data = fit_data(shed, "--write", "--method", method)
    assert data["written"] == str(shed.config)
    assert data["method"] == method
    trust = data["trust"]
    _, cold_k = service_k(shed, trust["coldest_room_c"])
    assert cold_k == pytest.approx(trust["expanded_coldest_k"], abs=0.02)
    widest = max(service_k(shed, room_c)[1] for room_c in trust["rooms_c"])
    assert widest == pytest.approx(trust["expanded_k"], abs=0.02)
    if method == "temperature-factor":
        celsius, _ = service_k(shed, 9.0)
        assert celsius == pytest.approx(SETPOINT_C, abs=0.02)


def test_each_position_of_the_lid_is_a_calibration_of_its_own(shed: Shed) -> None:
    ajar = [reading(c, lid="ajar", f=0.62) for c in (6.0, 14.0)]
    write_log(
        shed, History(hours=30, step_s=600, rows=[*FOUR, *ajar], tended=[(2.0, "done", "ajar")])
    )
    text = fit(shed, "--write")
    assert "(now that of the lid on), lid ajar: 2 readings" in text.splitlines()[0]
    assert "while the lid is ajar" in text
    box = load_config(shed.config).chambers["north-bench"]
    assert box.offset_ajar is not None
    assert box.offset_ajar.factor == pytest.approx(0.62, abs=0.02)
    assert box.offset.factor == 0.75
    data = fit_data(shed, "--lid", "on")
    assert data["set"]["factor"] == pytest.approx(F, abs=0.02)
    assert "no reading of north-bench with the lid off yet" in refused(
        shed, "fit", *NORTH, "--lid", "off"
    )


def test_what_the_config_would_refuse_is_never_written(shed: Shed) -> None:
    write_log(shed, History(rows=[reading(10.0, 8.0)]))
    before = shed.listing()["chamber.yaml"]
    text = fit(shed)
    assert text.startswith("Set nothing yet: factor of 1.2 is not possible (0.2 to 1).")
    assert "factor:" not in text
    assert "nothing is written: factor of 1.2 is not possible" in refused(
        shed, "fit", *NORTH, "--write"
    )
    assert shed.listing()["chamber.yaml"] == before


def test_lags_that_were_measured_stay_and_narrow_it(shed: Shed) -> None:
    lags = "factor: 0.75, room_lag: 3.1, substrate_lag: 0.9}"
    shed.config.write_text(shed.text.replace("factor: 0.75}", lags))
    write_log(shed, History(rows=FOUR))
    data = fit_data(shed, "--write")
    offset = load_config(shed.config).chambers["north-bench"].offset
    assert (offset.room_lag_h, offset.substrate_lag_h) == (3.1, 0.9)
    _, wide_k = service_k(shed, 6.0)
    assert wide_k == pytest.approx(data["trust"]["expanded_k"], abs=0.02)


# -- what it cannot do


def test_each_thing_that_is_missing_gets_a_sentence(shed: Shed) -> None:
    done = shed.run("calibrate", "fit", *NORTH)
    assert done.returncode == 5
    assert "There is no log" in done.stderr
    write_log(shed, History())
    assert "calibrate add --chamber north-bench" in refused(shed, "fit", *NORTH)
    assert "calibrate add --chamber north-bench" in refused(shed, "budget", *NORTH)
    assert "say which box" in refused(shed, "fit")


def test_only_unsteady_readings_say_why(shed: Shed) -> None:
    why = "the box was opened 1 h before: read again 3 h after it was closed"
    write_log(shed, History(rows=[reading(9.0, steady=False, why=why)]))
    told = refused(shed, "fit", *NORTH)
    assert f"no. 1: {why}" in told
    assert "Read again when the box has been closed" in told


def roomless(shed: Shed) -> None:
    text = shed.text.replace("      room: 28-000000000002        # shaded\n", "")
    offset = "offset: {method: temperature-factor, factor: 0.75}\n    limits"
    text = text.replace(offset, "offset: {method: fixed, kelvin: 1.5}\n    limits")
    shed.config.write_text(text)


def test_a_box_without_a_room_probe_goes_by_heat_or_by_a_fixed_offset(shed: Shed) -> None:
    roomless(shed)
    rows = [reading(c) for c in (6.0, 14.0)]
    bare = [replace(r, pairing=replace(r.pairing, room_c=None, lagged_room_c=None)) for r in rows]
    write_log(shed, History(rows=bare))
    data = fit_data(shed, "--write")
    assert data["method"] == "heat-flow"
    assert data["set"]["resistance"] == pytest.approx((1 - F) / 1.6, abs=0.002)
    assert data["trust"]["rooms_c"] is None
    assert load_config(shed.config).chambers["north-bench"].offset.method == "heat-flow"
    fixed = fit(shed, "--method", "fixed")
    assert fixed.startswith("Set the offset to")
    assert "without a room probe" in fixed.splitlines()[1]
    assert "differed by 3.1 K between readings" in " ".join(fixed.split())
    assert "has no room probe" in refused(shed, "fit", *NORTH, "--method", "temperature-factor")
    assert "has no room probe" in refused(shed, "budget", *NORTH)


def test_without_power_and_room_a_fixed_offset_is_left(shed: Shed) -> None:
    roomless(shed)
    one = reading(10.0)
    bare = replace(one, pairing=replace(one.pairing, room_c=None, lagged_room_c=None, power_w=None))
    write_log(shed, History(rows=[bare]))
    data = fit_data(shed)
    assert data["method"] == "fixed"
    assert data["set"]["kelvin"] == pytest.approx(12.0 / F - 12.0, abs=0.01)
    assert "measured_room" not in data["set"]
    assert "power" in refused(shed, "fit", *NORTH, "--method", "heat-flow")


def test_a_box_that_goes_by_its_callus_probe_needs_no_fit(shed: Shed) -> None:
    text = shed.text.replace("# callus: none yet", "callus: 28-000000000004")
    first = "offset: {method: temperature-factor, factor: 0.75}\n    limits"
    shed.config.write_text(text.replace(first, "offset: {method: direct}\n    limits"))
    write_log(shed, History(rows=FOUR))
    assert "goes by the probe in its medium" in refused(shed, "fit", *NORTH)
    assert fit(shed, "--method", "temperature-factor").startswith("Set f to 0.7")


# -- a borrowed probe


def test_a_borrowed_probe_comes_first_and_readings_are_its_checks(shed: Shed) -> None:
    write_log(
        shed,
        History(hours=130, lent=Lent(), rows=[reading(10.0, 0.1)], ago_h=[20.0]),
    )
    data = fit_data(shed, "--write")
    assert data["source"] == "borrowed probe"
    assert data["borrowed_probe"]["probe"] == SPARE
    assert data["borrowed_probe"]["hours"] == pytest.approx(50.0, abs=1.0)
    assert data["set"]["factor"] == pytest.approx(F, abs=0.01)
    assert {"room_lag", "substrate_lag"} <= set(data["set"])
    (check,) = data["borrowed_probe"]["checks"]
    assert not check["outside"]
    assert "Your 1 reading beside it agrees" in " ".join(data["notes"])
    assert "50 h of the borrowed probe" in data["lines"][0]
    trust = data["trust"]
    _, cold_k = service_k(shed, trust["coldest_room_c"])
    assert cold_k == pytest.approx(trust["expanded_coldest_k"], abs=0.02)


def test_a_disagreement_with_the_borrowed_probe_is_said_first_and_widens_it(shed: Shed) -> None:
    write_log(
        shed,
        History(hours=130, lent=Lent(), rows=[reading(10.0, 1.5)], ago_h=[20.0]),
    )
    text = fit(shed, "--details")
    assert text.startswith("! Your thermometer read the bases 1.5 K warmer than the borrowed probe")
    assert "Reading no. 1: +1.5" in text
    assert "outside" in text
    data = fit_data(shed, "--write")
    assert data["disagree"]["outside"]
    assert data["set"]["uncertainty"] > 1.5 / math.sqrt(3.0)
    _, wide_k = service_k(shed, data["trust"]["coldest_room_c"])
    assert wide_k == pytest.approx(data["trust"]["expanded_coldest_k"], abs=0.02)


def test_a_jar_after_the_session_corrects_what_it_taught(shed: Shed) -> None:
    """The wet-layer probe read 0.5 K too high; the config of that time knew nothing of it."""
    old = shed.config.read_text()
    write_log(
        shed,
        History(hours=130, lent=Lent(), layer_error_k=0.5, configs=[(130.0, old)]),
    )
    before = fit_data(shed)
    jar = "corrections:\n" + "".join(
        f"  {probe}: {{add: {add}, uncertainty: 0.03}}\n"
        for probe, add in ((LAYER, -0.5), (ROOM, 0.0), (SPARE, 0.0))
    )
    shed.config.write_text(old.replace("coldest_room: 8\n", "coldest_room: 8\n" + jar))
    after = fit_data(shed)
    assert "Never compared in one jar" in " ".join(before["notes"])
    assert "Never compared" not in " ".join(after["notes"])
    assert after["set"]["factor"] == pytest.approx(F, abs=0.004)
    assert abs(before["set"]["factor"] - F) > abs(after["set"]["factor"] - F) + 0.005
    assert after["trust"]["expanded_coldest_k"] < before["trust"]["expanded_coldest_k"] - 0.1


def test_what_probes_of_one_jar_err_together_counts_for_the_bases_and_not_for_f(shed: Shed) -> None:
    old = shed.config.read_text()
    write_log(shed, History(hours=130, lent=Lent(), configs=[(130.0, old)]))

    def taught(keys: str) -> dict[str, Any]:
        jar = "corrections:\n" + "".join(
            f"  {probe}: {{add: 0.0, {keys}}}\n" for probe in (LAYER, ROOM, SPARE)
        )
        shed.config.write_text(old.replace("coldest_room: 8\n", "coldest_room: 8\n" + jar))
        return fit_data(shed)["set"]

    alone = taught("uncertainty: 0.2")
    jar = taught("uncertainty: 0.2, apart: 0.04")
    assert jar["factor_uncertainty"] < 0.5 * alone["factor_uncertainty"]
    # sqrt(0.2² - 0.04²) is what they err together.
    assert jar["uncertainty"] > 0.195
    assert jar["factor"] == pytest.approx(alone["factor"], abs=0.01)


def test_a_filled_box_asks_for_a_new_reading_and_forgets_the_session(shed: Shed) -> None:
    write_log(
        shed,
        History(
            hours=130,
            lent=Lent(),
            rows=[reading(10.0)],
            ago_h=[20.0],
            tended=[(5.0, "fill", None)],
        ),
    )
    data = fit_data(shed)
    assert data["source"] == "readings"
    assert data["lines"][2].startswith("Read again now: the box was filled on ")
    assert "from before the box was filled" in " ".join(data["notes"])


def test_a_session_that_is_too_short_says_so_and_the_readings_are_fitted(shed: Shed) -> None:
    write_log(
        shed,
        History(hours=60, lent=Lent(6.0, 5.0), rows=[reading(10.0)], ago_h=[20.0]),
    )
    data = fit_data(shed)
    assert data["source"] == "readings"
    assert "session is not used: only 5 h of the borrowed probe can be used" in data["notes"][0]


def test_a_session_under_way_counts_and_asks_to_fit_again(shed: Shed) -> None:
    write_log(shed, History(hours=120, lent=Lent(30.0, 48.0, ends=False)))
    data = fit_data(shed)
    assert data["borrowed_probe"]["running"]
    assert "which goes on" in data["lines"][0]
    assert data["lines"][2].startswith("Fit again when the borrowed probe's session is over.")


def test_a_session_with_other_probes_is_not_used(shed: Shed) -> None:
    old = shed.config.read_text().replace(LAYER, "28-00000000beef")
    now = shed.config.read_text()
    write_log(
        shed,
        History(
            hours=130,
            step_s=300,
            lent=Lent(),
            configs=[(130.0, old), (1.0, now)],
            rows=[reading(10.0)],
            ago_h=[0.5],
        ),
    )
    data = fit_data(shed)
    assert data["source"] == "readings"
    assert "another probe lay in the place wet layer then" in data["notes"][0]


def test_a_config_that_cannot_be_read_any_more_is_said(shed: Shed) -> None:
    write_log(
        shed,
        History(hours=130, lent=Lent(), configs=[(130.0, "log: [never: closed")]),
    )
    data = fit_data(shed)
    assert data["source"] == "borrowed probe"
    assert "cannot be read by this version" in " ".join(data["notes"])


def test_readings_that_lean_say_fit_again(shed: Shed) -> None:
    """Three readings 1.6 K above a calibrated estimate of ±1.0 K."""
    offset = "{method: temperature-factor, factor: 0.75, uncertainty: 0.3, calibrated: true}"
    text = shed.text.replace(
        "{method: temperature-factor, factor: 0.75}\n    limits", f"{offset}\n    limits"
    )
    shed.config.write_text(text)
    rows = [reading(10.0, 1.6, calibrated=True) for _ in range(3)]
    write_log(shed, History(hours=100, step_s=900, rows=rows, ago_h=[72.0, 48.0, 24.0]))
    assert "Fit again, say the readings since the present one" in " ".join(fit(shed).split())


# -- the budget


def test_the_budget_adds_up_and_ends_where_the_fit_does(shed: Shed) -> None:
    write_log(shed, History(hours=30, rows=FOUR))
    done = shed.run("calibrate", "budget", *NORTH)
    assert done.returncode == 0, done.stderr
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert "the coldest on record" in done.stdout
    for word in ("thermometer", "wet-layer probe", "room probe", "weather", "expanded (k = 2)"):
        assert word in done.stdout
    found = json.loads(shed.run("calibrate", "budget", *NORTH, "--json").stdout)
    sources = found["spot"] + found["service"]
    assert sum(each["variance_share"] for each in sources) == pytest.approx(1.0)
    assert found["expanded_k"] == pytest.approx(2 * found["combined_k"])
    trust = fit_data(shed)["trust"]
    assert found["room_c"] == trust["coldest_room_c"]
    assert found["expanded_k"] == pytest.approx(trust["expanded_coldest_k"], abs=0.02)
    warm = json.loads(shed.run("calibrate", "budget", *NORTH, "--room", "12", "--json").stdout)
    assert warm["room_c"] == 12.0
    assert warm["difference_k"] < found["difference_k"]


def test_the_budget_of_a_borrowed_probe_names_it(shed: Shed) -> None:
    write_log(shed, History(hours=130, lent=Lent()))
    done = shed.run("calibrate", "budget", *NORTH, "--room", "5")
    assert done.returncode == 0, done.stderr
    assert "box's probes, borrowed one" in done.stdout
    assert "room of 5.0 °C\n" in done.stdout


def test_both_have_help(shed: Shed) -> None:
    for step, word in (("fit", "--details"), ("budget", "--room")):
        done = shed.run("calibrate", step, "--help")
        assert done.returncode == 0
        assert word in done.stdout
