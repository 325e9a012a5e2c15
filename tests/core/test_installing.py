"""What there is in, a list of steps out: nothing twice, nothing that was not asked for."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bottomheat.installing import (
    ALERTS,
    ALERTS_STATE,
    COMMAND,
    CONFIG,
    FOLDERS,
    KEEPER,
    PIECES,
    PROGRAM,
    RULES,
    SERVICE,
    STATE,
    TIMER,
    UNIT_FOLDER,
    UNITS,
    Do,
    Found,
    Have,
    Step,
    after_install,
    after_uninstall,
    to_enable,
    to_install,
    to_uninstall,
)

NOTHING = Found(
    live=True,
    pieces=dict.fromkeys(PIECES, Have.MISSING),
    missing_users=("user bottomheat", "group gpio"),
    missing_folders=tuple(FOLDERS),
)


def after(found: Found, steps: tuple[Step, ...]) -> Found:
    """The machine once these steps are done, as far as a later plan can see it."""
    for step in steps:
        unit = step.subject.rsplit("/", 1)[-1]
        match step.do:
            case Do.SET_ASIDE:
                found = replace(found, hiding=tuple(p for p in found.hiding if p != step.subject))
            case Do.WRITE:
                found = replace(found, pieces={**found.pieces, step.subject: Have.SAME})
            case Do.USERS:
                found = replace(found, missing_users=())
            case Do.FOLDERS:
                found = replace(found, missing_folders=())
            case Do.CONFIG:
                found = replace(found, config=Have.SAME)
            case Do.LINK:
                found = replace(found, command=Have.SAME)
            case Do.ENABLE:
                found = replace(found, enabled=found.enabled | {unit})
            case Do.DISABLE:
                found = replace(found, enabled=found.enabled - {unit})
            case Do.START | Do.RESTART:
                more = {unit, KEEPER} if unit == SERVICE else {unit}
                found = replace(found, running=found.running | more)
            case Do.STOP:
                less = {unit, KEEPER} if unit == SERVICE else {unit}
                found = replace(found, running=found.running - less)
            case Do.REMEMBER:
                known = found.known | set(to_enable(found.tells))
                found = replace(found, stamped=True, current=True, known=known)
            case Do.FORGET:
                found = replace(found, stamped=False, current=False, known=frozenset())
            case Do.REMOVE if step.subject == COMMAND:
                found = replace(found, command=Have.MISSING)
            case Do.REMOVE:
                found = replace(found, pieces={**found.pieces, step.subject: Have.MISSING})
            case Do.RULES | Do.RELOAD | Do.OPEN:
                pass
    return found


def done(steps: tuple[Step, ...]) -> list[tuple[Do, str]]:
    return [(step.do, step.subject) for step in steps]


haves = st.sampled_from(Have)
units = st.frozensets(st.sampled_from(UNITS))


@st.composite
def machines(draw: st.DrawFn) -> Found:
    live = draw(st.booleans())
    stamped = draw(st.booleans())
    return Found(
        live=live,
        pieces={path: draw(haves) for path in PIECES},
        hiding=tuple(draw(st.sets(st.sampled_from([f"/etc/systemd/system/{u}" for u in UNITS])))),
        gpio_rule=draw(st.booleans()),
        missing_users=draw(st.sampled_from([(), ("user bottomheat",)])),
        missing_folders=draw(st.sampled_from([(), (STATE,)])),
        config=draw(haves),
        tells=draw(st.booleans()),
        command=draw(haves),
        stamped=stamped,
        current=stamped and draw(st.booleans()),
        known=draw(units) if stamped else frozenset(),
        running=draw(units) if live else frozenset(),
        enabled=draw(units),
        wired=draw(st.booleans()),
    )


@given(machines())
def test_a_second_run_has_nothing_to_do(found: Found) -> None:
    assert to_install(after(found, to_install(found))) == ()


@given(machines(), st.data())
def test_what_is_broken_off_is_finished_by_the_next_run(found: Found, data: st.DataObject) -> None:
    assume(not found.current)  # new files come with a new program, and its note is the last step
    steps = to_install(found)
    broken_off = after(found, steps[: data.draw(st.integers(0, len(steps)))])
    ended = after(broken_off, to_install(broken_off))
    whole = after(found, steps)
    assert ended == replace(whole, running=ended.running)
    assert ended.running >= whole.running


@given(machines())
def test_a_config_that_is_there_is_never_touched(found: Found) -> None:
    subjects = [step.subject for step in to_install(found) if step.do is not Do.CONFIG]
    assert CONFIG not in subjects
    assert any(step.do is Do.CONFIG for step in to_install(found)) == (found.config is Have.MISSING)


@given(machines())
def test_only_an_edited_config_starts_the_service(found: Found) -> None:
    started = (Do.START, SERVICE) in done(to_install(found))
    assert not started or (found.config is Have.OTHER and found.live)
    touched = {Do.START, Do.RESTART, Do.STOP, Do.RELOAD, Do.RULES}
    assert found.live or not touched & {step.do for step in to_install(found)}


@given(machines())
def test_what_runs_is_restarted_with_the_new_program_and_only_then(found: Found) -> None:
    steps = done(to_install(found))
    changed = (
        not found.current
        or bool(found.hiding)
        or any(do is Do.WRITE and path.startswith(UNIT_FOLDER) for do, path in steps)
    )
    runs = bool({SERVICE, KEEPER} & found.running)
    assert ((Do.RESTART, SERVICE) in steps) == (runs and changed)
    assert ((Do.RESTART, ALERTS) in steps) == (ALERTS in found.running and changed)


@given(machines())
def test_the_note_that_all_is_done_comes_last(found: Found) -> None:
    steps = to_install(found)
    if steps and not found.current:
        assert steps[-1].do is Do.REMEMBER
    assert all(step.do is not Do.REMEMBER for step in steps[:-1])


@given(machines())
def test_systemd_is_told_of_new_units_before_anything_starts(found: Found) -> None:
    steps = [step.do for step in to_install(found)]
    if found.live and Do.WRITE in steps and {Do.START, Do.RESTART} & set(steps):
        first = min(n for n, do in enumerate(steps) if do in (Do.START, Do.RESTART))
        assert Do.RELOAD not in steps[first:]


def test_a_unit_that_somebody_has_disabled_stays_so() -> None:
    installed = after(NOTHING, to_install(NOTHING))
    disabled = replace(installed, enabled=installed.enabled - {TIMER}, running=frozenset())
    assert to_install(disabled) == ()
    updated = replace(disabled, current=False)
    assert {do for do, _ in done(to_install(updated))} == {Do.REMEMBER}
    new_unit = replace(disabled, known=disabled.known - {TIMER})
    assert (Do.ENABLE, TIMER) in done(to_install(new_unit)), "one that came with an update"


def test_alerts_are_started_once_somebody_is_to_be_told() -> None:
    installed = replace(after(NOTHING, to_install(NOTHING)), config=Have.OTHER, tells=True)
    assert done(to_install(installed))[:2] == [(Do.ENABLE, ALERTS), (Do.START, ALERTS)]
    assert to_install(replace(installed, known=installed.known | {ALERTS})) == ()


def test_a_first_installation() -> None:
    steps = done(to_install(NOTHING))
    assert [path for do, path in steps if do is Do.WRITE] == list(PIECES)
    assert [unit for do, unit in steps if do is Do.ENABLE] == [KEEPER, SERVICE, TIMER]
    assert [unit for do, unit in steps if do is Do.START] == [TIMER]
    told = replace(NOTHING, config=Have.OTHER, tells=True)
    assert [unit for do, unit in done(to_install(told)) if do is Do.START] == [
        SERVICE,
        ALERTS,
        TIMER,
    ]


def test_the_rule_is_left_out_where_the_system_has_its_own() -> None:
    assert (Do.WRITE, RULES) in done(to_install(NOTHING))
    raspberry = replace(NOTHING, gpio_rule=True)
    assert (Do.WRITE, RULES) not in done(to_install(raspberry))
    older = replace(raspberry, pieces={**NOTHING.pieces, RULES: Have.OTHER})
    assert (Do.WRITE, RULES) in done(to_install(older)), "ours is brought up to date"


@given(machines())
def test_uninstalling_stops_then_opens_then_removes(found: Found) -> None:
    steps = [step.do for step in to_uninstall(found)]
    order = [Do.STOP, Do.OPEN, Do.DISABLE, Do.REMOVE, Do.RELOAD, Do.FORGET]
    assert steps == sorted(steps, key=order.index)
    gone = after(found, to_uninstall(found))
    assert not gone.running
    assert not gone.enabled
    assert set(gone.pieces.values()) == {Have.MISSING}
    assert {step.do for step in to_uninstall(gone)} <= {Do.OPEN}


@given(machines())
def test_uninstalling_keeps_config_log_and_latches(found: Found) -> None:
    for step in to_uninstall(found):
        if step.do in (Do.REMOVE, Do.FORGET):
            assert step.subject.startswith("/usr/local/")
    assert (Do.REMOVE, COMMAND) not in done(to_uninstall(replace(found, command=Have.OTHER)))


@given(machines())
def test_installing_again_after_uninstalling_is_a_first_installation(found: Found) -> None:
    gone = after(found, to_uninstall(found))
    again = after(gone, to_install(gone))
    assert {KEEPER, SERVICE, TIMER} <= again.enabled
    if found.live and found.config is Have.OTHER:
        assert {KEEPER, SERVICE} <= again.running


@pytest.mark.parametrize("user", ["grower", None])
def test_what_comes_next_ends_with_the_proof_before_heat(user: str | None) -> None:
    text = "\n".join(after_install(NOTHING, user))
    assert "sudo systemctl start bottomheat" in text
    order = ["check", "systemctl start", "bottomheat prove"]
    assert [text.index(words) for words in order] == sorted(text.index(words) for words in order)
    assert f"usermod -aG bottomheat {user or 'YOUR-USER'}" in text
    image = "\n".join(after_install(replace(NOTHING, live=False), user))
    assert "systemctl start" not in image


def test_what_is_left_is_named_where_it_is() -> None:
    assert after_uninstall(NOTHING) == ()
    left = replace(NOTHING, kept=(STATE, ALERTS_STATE, PROGRAM), own_settings=("/etc/x.d",))
    text = "\n".join(after_uninstall(left))
    for path in (STATE, ALERTS_STATE, PROGRAM, "/etc/x.d"):
        assert f"sudo rm -r {path}" in text
    assert "latch" in text
    assert "/etc/bottomheat\n" not in text
