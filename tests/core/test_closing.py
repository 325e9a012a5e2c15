"""The end of a season: what is still to count, to clean and to check."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest

from bottomheat.config import Config
from bottomheat.config_parse import parse
from bottomheat.season.closing import CLEAN, OCTOBER, Closing, closing, stands_where, usual_name
from bottomheat.season.ledger import UNHEATED, Batch, Kind, Season, Spell, Stage, Stay

DAY = 86_400_000
JANUARY = round(datetime(2027, 1, 10, tzinfo=UTC).timestamp() * 1000)
MAY = round(datetime(2027, 5, 30, tzinfo=UTC).timestamp() * 1000)
ALL = {"callused": 14, "rooted": 12, "potted": 11, "alive": 10}


def config(*, in_use: bool = True, relay: str = "mechanical") -> Config:
    box = {
        "callus_zone": 24,
        "in_use": in_use,
        "heater": {"gpio": 17, "watts": 45, "relay": relay, "rated_closings": 100_000},
        "probes": {"substrate": "28-000000000001", "room": "28-000000000002"},
        "offset": {"method": "temperature-factor", "factor": 0.75},
    }
    found = parse({"chambers": {"north-bench": box}}).config
    assert found is not None
    return found


def batch(
    name: str = "MUL-1", *, closed: bool = True, made_ms: int = JANUARY, **ends: int
) -> Batch:
    closed_ms = made_ms + 80 * DAY if closed else None
    return Batch(
        name,
        "mulberry",
        Kind.CUTTINGS,
        20,
        made_ms,
        stays=(
            Stay("north-bench", made_ms, made_ms + 60 * DAY),
            Stay(UNHEATED, made_ms + 60 * DAY, closed_ms),
        ),
        stages=(Spell(Stage.CALLUSING, made_ms, closed_ms),),
        endings=ends,
        closed_ms=closed_ms,
    )


def season(
    *batches: Batch, closed: tuple[tuple[str, int], ...] = (), cleaned_ms: int | None = None
) -> Season:
    done = {} if cleaned_ms is None else {("clean", "north-bench"): cleaned_ms}
    return Season({each.name: each for each in batches}, done=done, closed=closed)


def end(found: Season) -> Closing:
    made = closing(found, config(), {}, zone=UTC)
    assert made is not None
    return made


# -- what is missing


def test_an_open_batch_is_to_be_closed_with_its_counts() -> None:
    found = end(season(batch(closed=False)))
    assert [each.command for each in found.missing] == [
        "bottomheat batch close MUL-1 --callused N --rooted N",
        "bottomheat batch count MUL-1 --potted N --alive N",
    ]
    assert [each.needed for each in found.missing] == [True, False]
    assert found.waits


def test_a_closed_batch_without_a_count_is_to_be_counted() -> None:
    found = end(season(batch(callused=14, alive=10)))
    assert [each.command for each in found.missing] == [
        "bottomheat batch count MUL-1 --rooted N",
        "bottomheat batch count MUL-1 --potted N",
    ]
    assert found.waits


def test_what_can_only_be_counted_later_is_not_waited_for() -> None:
    found = end(season(batch(callused=14, rooted=12)))
    assert [each.counts for each in found.missing] == [("potted", "alive")]
    assert not found.waits


def test_nothing_is_missing_where_all_was_counted() -> None:
    found = end(season(batch(**ALL)))
    assert found.missing == ()
    assert not found.waits
    assert end(season(batch(callused=0, rooted=0, potted=0, alive=0))).missing == ()


def test_what_the_season_waits_for_comes_first() -> None:
    found = end(season(batch("A", callused=1, rooted=1), batch("B", closed=False)))
    assert [each.needed for each in found.missing] == [True, False, False]
    assert found.missing[0].batch == "B"


# -- which season


@pytest.mark.parametrize(
    ("day", "name"),
    [
        (datetime(2027, 1, 10, tzinfo=UTC), "2026-27"),
        (datetime(2026, 10, 1, tzinfo=UTC), "2026-27"),
        (datetime(2027, 7, 31, tzinfo=UTC), "2026-27"),
        (datetime(2027, 8, 1, tzinfo=UTC), "2027-28"),
        (datetime(2099, 12, 1, tzinfo=UTC), "2099-00"),
    ],
)
def test_a_winter_is_called_by_both_its_years(day: datetime, name: str) -> None:
    assert usual_name(round(day.timestamp() * 1000), UTC) == name


def test_the_day_is_the_growers_own() -> None:
    midnight = round(datetime(2027, 7, 31, 23, tzinfo=UTC).timestamp() * 1000)
    assert usual_name(midnight, UTC) == "2026-27"
    assert usual_name(midnight, timezone(timedelta(hours=2))) == "2027-28"


def test_the_season_that_is_not_closed_is_meant_else_the_last() -> None:
    old = batch("OLD", made_ms=JANUARY - 365 * DAY, **ALL)
    new = batch("NEW", **ALL)
    shut = ("2025-26", JANUARY - 200 * DAY)
    running = end(season(old, new, closed=(shut,)))
    assert (running.name, running.closed_ms) == ("2026-27", None)
    assert [each.name for each in running.batches] == ["NEW"]
    over = end(season(old, new, closed=(shut, ("my winter", MAY))))
    assert (over.name, over.closed_ms) == ("my winter", MAY)
    assert [each.name for each in over.batches] == ["NEW"]


def test_a_closed_season_is_found_by_its_name() -> None:
    old = batch("OLD", made_ms=JANUARY - 365 * DAY, **ALL)
    shut = ("2025-26", JANUARY - 200 * DAY)
    all_of_it = season(old, batch("NEW"), closed=(shut,))
    found = closing(all_of_it, config(), {}, "2025-26", UTC)
    assert found is not None
    assert (found.closed_ms, [each.name for each in found.batches]) == (shut[1], ["OLD"])
    assert closing(all_of_it, config(), {}, "2024-25", UTC) is None
    assert closing(Season(), config(), {}, None, UTC) is None


# -- boxes and relays


def test_a_box_is_to_be_cleaned_after_its_last_batch_left() -> None:
    left_ms = JANUARY + 60 * DAY
    assert end(season(batch(**ALL))).not_cleaned == ("north-bench",)
    assert end(season(batch(**ALL), cleaned_ms=left_ms + DAY)).not_cleaned == ()
    assert end(season(batch(**ALL), cleaned_ms=left_ms - DAY)).not_cleaned == ("north-bench",)
    inside = replace(batch(closed=False), stays=(Stay("north-bench", JANUARY),), stages=())
    assert end(season(inside)).not_cleaned == ()


def test_a_box_that_the_config_still_has_in_use_is_named() -> None:
    one = season(batch(**ALL))
    found = closing(one, config(in_use=True), {})
    rests = closing(one, config(in_use=False), {})
    assert found is not None
    assert rests is not None
    assert (found.in_use, rests.in_use) == (("north-bench",), ())


@pytest.mark.parametrize(("closings", "due"), [(69_999, False), (70_000, True), (120_000, True)])
def test_a_relay_that_has_worn_is_to_be_changed(closings: int, *, due: bool) -> None:
    found = closing(season(batch(**ALL)), config(), {"north-bench": closings})
    assert found is not None
    (worn,) = found.worn
    assert (worn.closings, worn.due) == (closings, due)


def test_a_relay_without_contacts_does_not_wear() -> None:
    found = closing(season(batch(**ALL)), config(relay="solid-state"), {"north-bench": 10**6})
    assert found is not None
    assert found.worn == ()


def test_where_an_open_batch_stands_is_said() -> None:
    assert stands_where(batch(closed=False)) == "stands without heat"
    inside = replace(batch(closed=False), stays=(Stay("north-bench", JANUARY),))
    assert stands_where(inside) == "stands in north-bench"


def test_the_lists_leave_the_mains_to_the_licensed_and_power_off_comes_first() -> None:
    assert CLEAN[0].startswith("Pull the plugs")
    assert any("licensed" in line and "local code" in line for line in OCTOBER)
    assert any("RCD" in line for line in OCTOBER)
    assert any("by the product's label" in line for line in CLEAN)
