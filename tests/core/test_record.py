"""The thermal record of a box and of a batch that moves: nothing known is invented."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.review.exposure import Side
from bottomheat.review.parts import Span, part
from bottomheat.review.pieces import (
    SETPOINT,
    SPECIES,
    STOOD_UNHEATED,
    TARGET,
    Piece,
    piece_of_box,
    pieces_of_batch,
)
from bottomheat.review.record import ThermalRecord, record
from bottomheat.review.stitch import blocks, stitched
from bottomheat.season.ledger import (
    UNHEATED,
    Batch,
    Kind,
    SeasonEntry,
    Spell,
    Stage,
    Stay,
    What,
)
from bottomheat.season.needs import Needs
from bottomheat.season.species import needs
from thermal import Rows, ms, rows

GRAPE = Needs(
    band_c=(24.0, 27.0),
    slow_below_c=20.0,
    stops_below_c=15.5,
    warm_limit_c=29.0,
    injury_c=32.0,
    ceiling_c=32.0,
)
COOL = Needs(band_c=(18.0, 20.0), warm_limit_c=29.0, injury_c=32.0, ceiling_c=28.0)


def grape(stage: Stage) -> Needs:
    return GRAPE if stage is Stage.CALLUSING else COOL


def vine(**changes: object) -> Batch:
    batch = Batch(
        "GRP-2",
        "grapevine",
        Kind.GRAFTS,
        60,
        ms(0),
        stays=(Stay("north-bench", ms(0)),),
        stages=(Spell(Stage.CALLUSING, ms(0)),),
    )
    return replace(batch, **changes)


def pieces(batch: Batch, now_h: float, **window: int) -> tuple[Piece, ...]:
    return pieces_of_batch(batch, ms(now_h), grape, lambda _: None, **window)


def of_batch(batch: Batch, now_h: float, **boxes: Rows) -> ThermalRecord:
    signals = {name.replace("_", "-"): each for name, each in boxes.items()}
    return record(pieces(batch, now_h), signals, {"north-bench": 45.0, "south-bench": 30.0})


def test_a_box_is_held_against_the_setpoint_of_the_moment() -> None:
    """Set to 20 for the second hour: 25 °C is in band in the first and 4.5 K above it after."""
    box = rows([(0, 25), (2, 25)])
    setpoint_c = box.setpoint_c.copy()
    setpoint_c[60:] = 20.0
    found = record(
        [piece_of_box("north-bench", ms(0), ms(2))],
        {"north-bench": replace(box, setpoint_c=setpoint_c)},
        {},
    )
    assert found.in_band.hours == pytest.approx(1.0)
    assert found.above.hours == pytest.approx(1.0)
    assert found.above.degree_hours == pytest.approx(4.5)
    assert found.limits == ()
    assert found.parts[0].piece.band_by == SETPOINT


def test_a_power_cut_is_unknown_and_in_no_band() -> None:
    box = rows([(0, 25), (10, 25)], lost_h=[(2, 7.5)])
    found = record([piece_of_box("north-bench", ms(0), ms(10))], {"north-bench": box}, {})
    assert (found.known_h, found.unknown_h) == (pytest.approx(4.5), pytest.approx(5.5))
    assert found.in_band.hours == pytest.approx(4.5)
    assert found.longest_unknown_h == pytest.approx(5.5)
    assert found.unmeasured_h == 0.0


def test_a_fall_and_its_hours_below_each_limit() -> None:
    """From 25 to 10 °C and back at 1 K an hour: below 20 from hour 5 to 25, by 10 K at most."""
    found = of_batch(vine(), 30, north_bench=rows([(0, 25), (15, 10), (30, 25)], expanded_k=0.5))
    slow, stops = found.limit("slow_below_c"), found.limit("stops_below_c")
    assert slow is not None
    assert stops is not None
    assert slow.span == Span(*(pytest.approx(each) for each in (20.0, 19.0, 21.0)))
    assert slow.degree_hours == pytest.approx(100.0)
    assert slow.first_ms == ms(5)
    assert stops.span.hours == pytest.approx(11.0)
    assert found.below.hours == pytest.approx(28.0)
    assert found.in_band.hours == pytest.approx(2.0)
    assert found.coldest is not None
    assert (found.coldest.celsius, found.coldest.at_ms) == (10.0, ms(15))
    assert found.coldest.expanded_k == pytest.approx(0.5)
    assert found.excursions == 1
    assert found.worst is not None
    assert found.worst is found.longest
    assert found.worst.episode.worst_k == pytest.approx(14.0)
    assert (found.worst.place, found.worst.edge_c) == ("north-bench", 24.0)
    cold = found.limit("cold_wet_c")
    assert cold is not None
    assert cold.span.hours == pytest.approx(10.0)
    warm = found.limit("injury_c")
    assert warm is not None
    assert (warm.side, warm.span, warm.first_ms) == (Side.ABOVE, Span(), None)


def test_the_wet_layer_is_held_against_its_ceiling() -> None:
    found = of_batch(vine(), 2, north_bench=rows([(0, 27), (2, 29)], layer_k=4.0))
    ceiling = found.limit("ceiling_c")
    assert ceiling is not None
    assert ceiling.limit_c == 32.0
    assert ceiling.span.hours == pytest.approx(1.0)


def test_a_batch_is_followed_from_box_to_box_and_stage_to_stage() -> None:
    batch = vine(
        stays=(
            Stay("north-bench", ms(0), ms(10)),
            Stay(UNHEATED, ms(10), ms(12)),
            Stay("south-bench", ms(12)),
        ),
        stages=(Spell(Stage.CALLUSING, ms(0), ms(6)), Spell(Stage.ROOTING, ms(6))),
    )
    found = of_batch(
        batch,
        20,
        north_bench=rows([(0, 25), (20, 25)], on_from_h=0, on_to_h=5),
        south_bench=rows([(0, 19), (20, 19)], on_from_h=10, on_to_h=14),
    )
    assert [(p.piece.place, p.piece.stage) for p in found.parts] == [
        ("north-bench", Stage.CALLUSING),
        ("north-bench", Stage.ROOTING),
        (UNHEATED, Stage.ROOTING),
        ("south-bench", Stage.ROOTING),
    ]
    # 25 °C is in band for callus, and 5 K above it for roots.
    assert found.in_band.hours == pytest.approx(6 + 8)
    assert found.above.hours == pytest.approx(4)
    assert found.unmeasured_h == pytest.approx(2)
    assert found.reasons == ((STOOD_UNHEATED, pytest.approx(2.0)),)
    # Only while it stood there: 5 h of 45 W, and 12 to 14 h of 30 W.
    assert found.energy_kwh == pytest.approx(5 * 0.045 + 2 * 0.030)
    assert found.heat_h == pytest.approx(7)
    assert found.mean_c == pytest.approx((10 * 25 + 8 * 19) / 18)
    assert found.limit("slow_below_c", Stage.ROOTING) is None
    assert found.limit("injury_c", Stage.ROOTING) is not None


def test_no_batch_is_judged_by_the_estimate_of_another_height() -> None:
    made = pieces_of_batch(vine(), ms(10), grape, lambda place: f"unions are not where {place} is")
    found = record(
        made, {"north-bench": rows([(0, 40), (10, 40)], on_to_h=10)}, {"north-bench": 50}
    )
    assert (found.known_h, found.unknown_h, found.unmeasured_h) == (0.0, 0.0, pytest.approx(10))
    assert found.hottest is found.coldest is found.mean_c is found.worst is None
    assert found.limits == ()
    assert found.in_band_frac is None
    assert found.reasons == (("unions are not where north-bench is", pytest.approx(10.0)),)
    assert found.energy_kwh == pytest.approx(0.5)


def test_a_box_that_the_log_does_not_know_is_unknown() -> None:
    found = of_batch(vine(), 5)
    assert (found.known_h, found.unknown_h) == (0.0, pytest.approx(5.0))


def test_the_window_bounds_the_record() -> None:
    made = pieces(vine(), 20, from_ms=ms(4), to_ms=ms(9))
    assert [(p.from_ms, p.to_ms) for p in made] == [(ms(4), ms(9))]
    assert pieces(vine(), 20, from_ms=ms(30)) == ()
    assert pieces(vine(), 20, to_ms=ms(50))[0].to_ms == ms(20)
    assert pieces(vine(), 20, from_ms=ms(-5))[0].from_ms == ms(0)


def test_a_closed_batch_ends_when_it_was_closed() -> None:
    closed = vine(
        stays=(Stay("north-bench", ms(0), ms(8)),),
        stages=(Spell(Stage.CALLUSING, ms(0), ms(8)),),
        closed_ms=ms(8),
    )
    assert pieces(closed, 20)[-1].to_ms == ms(8)


def test_its_own_target_outside_the_band_widens_it() -> None:
    (inside,) = pieces(vine(target_c=25.0), 1)
    (outside,) = pieces(vine(target_c=22.0), 1)
    assert (inside.band_c, inside.band_by) == ((24.0, 27.0), SPECIES)
    assert (outside.band_c, outside.band_by) == ((21.5, 27.0), TARGET)
    (hotter,) = pieces(vine(target_c=28.0), 1)
    assert (hotter.band_c, hotter.band_by) == ((24.0, 28.5), TARGET)
    later = (Spell(Stage.CALLUSING, ms(0), ms(1)), Spell(Stage.ROOTING, ms(1)))
    before, after = pieces(vine(target_c=16.0, stages=later), 2)
    assert (before.band_c, before.band_by) == ((24.0, 27.0), SPECIES)
    assert (after.band_c, after.band_by) == ((15.5, 20.0), TARGET)
    bare = pieces_of_batch(vine(), ms(1), lambda _: Needs(), lambda _: None)
    assert (bare[0].band_c, bare[0].band_by) == (None, SETPOINT)


def test_heat_counts_until_the_next_row_and_not_over_a_gap() -> None:
    box = rows([(0, 25), (4, 25)], on_to_h=4, lost_h=[(1, 3)])
    found = record([piece_of_box("b", ms(0), ms(4))], {"b": box}, {"b": 100.0})
    assert found.heat_h == pytest.approx(2.0)
    assert found.energy_kwh == pytest.approx(0.2)


def test_a_closing_at_the_seam_counts_once() -> None:
    box = rows([(0, 25), (4, 25)], on_from_h=2, on_to_h=3)
    halves = [
        record([piece_of_box("b", ms(low), ms(high))], {"b": box}, {})
        for low, high in ((0, 2), (2, 4))
    ]
    assert [each.closings for each in halves] == [0, 1]


def test_an_uncertain_estimate_leaves_the_band_open() -> None:
    found = of_batch(vine(), 4, north_bench=rows([(0, 24.4), (4, 24.4)], expanded_k=0.5))
    assert found.in_band == Span(pytest.approx(4.0), 0.0, pytest.approx(4.0))
    assert found.below_span == Span(0.0, 0.0, pytest.approx(4.0))


def test_a_record_needs_a_stretch_of_time() -> None:
    with pytest.raises(ValueError, match="stretch of time"):
        record([], {}, {})


def test_a_real_species_goes_through() -> None:
    made = pieces_of_batch(
        vine(), ms(4), lambda stage: needs("grapevine", stage, {}), lambda _: None
    )
    found = record(made, {"north-bench": rows([(0, 25), (4, 25)])}, {})
    assert found.in_band_frac == pytest.approx(1.0)


@given(
    st.lists(st.tuples(st.integers(1, 30), st.integers(0, 45)), min_size=2, max_size=8),
    st.lists(st.integers(1, 200), max_size=3),
    st.sampled_from([0.0, 0.5, float("inf")]),
)
def test_pieces_come_to_the_whole(
    points: list[tuple[int, int]], cuts: list[int], doubt_k: float
) -> None:
    """However a stretch is cut, time, area and energy of its pieces are those of the whole."""
    at, line = 0, []
    for step, celsius in points:
        at += step
        line.append((at, celsius))
    first, last = line[0][0], line[-1][0]
    box = rows(line, expanded_k=doubt_k, step_min=10, on_from_h=first, on_to_h=first + 7)
    edges = sorted({first, last, *(cut for cut in cuts if first < cut < last)})

    def between(low: float, high: float) -> Piece:
        return Piece("b", ms(low), ms(high), Stage.CALLUSING, GRAPE, GRAPE.band_c, SPECIES)

    whole = record([between(first, last)], {"b": box}, {"b": 45.0})
    split = record(
        [between(low, high) for low, high in pairwise(edges)],
        {"b": box},
        {"b": 45.0},
    )
    assert whole.known_h == pytest.approx(last - first)
    for one, other in (
        (whole.in_band, split.in_band),
        (whole.above_span, split.above_span),
        (whole.below_span, split.below_span),
        *((a.span, b.span) for a, b in zip(whole.limits, split.limits, strict=True)),
    ):
        assert other.hours == pytest.approx(one.hours, abs=1e-9)
        assert other.least_h == pytest.approx(one.least_h, abs=1e-9)
        assert other.most_h == pytest.approx(one.most_h, abs=1e-9)
        assert one.least_h - 1e-9 <= one.hours <= one.most_h + 1e-9
    assert split.above.degree_hours == pytest.approx(whole.above.degree_hours, abs=1e-9)
    assert split.energy_kwh == pytest.approx(whole.energy_kwh)
    assert split.closings == whole.closings
    assert split.mean_c == pytest.approx(whole.mean_c)
    assert whole.in_band.hours + whole.above.hours + whole.below.hours == pytest.approx(
        whole.known_h
    )


def test_entries_of_the_ledger_lead_to_pieces() -> None:
    """From the grower's entries to pieces, by the ledger's own folding."""
    from bottomheat.season.ledger import Dated, fold

    told = [
        SeasonEntry(
            What.ADD,
            "GRP-2",
            "north-bench",
            {"species": "grapevine", "kind": "grafts", "count": 60},
            about_ms=ms(0),
        ),
        SeasonEntry(What.STAGE, "GRP-2", None, {"stage": "rooting"}, about_ms=ms(3)),
        SeasonEntry(What.MOVE, "GRP-2", "south-bench", about_ms=ms(3)),
        SeasonEntry(What.CLOSE, "GRP-2", about_ms=ms(9)),
    ]
    season = fold(Dated(i + 1, ms(50), True, each) for i, each in enumerate(told))
    made = pieces(season.batches["GRP-2"], 60)
    assert [(p.place, p.stage, p.hours) for p in made] == [
        ("north-bench", Stage.CALLUSING, 3.0),
        ("south-bench", Stage.ROOTING, 6.0),
    ]


def test_columns_may_hold_missing_values() -> None:
    box = rows([(0, 25), (2, 25)])
    box.estimate_c[30:60] = np.nan
    found = of_batch(vine(), 2, north_bench=box)
    assert found.unknown_h == pytest.approx(31 / 60)


def same(one: object, other: object) -> None:
    """Equal, numbers to rounding, times to a ms."""
    if is_dataclass(one):
        assert type(one) is type(other)
        for each in fields(one):
            if each.name in ("at_ms", "worst_ms"):
                continue  # of equal extremes any may be told
            same(getattr(one, each.name), getattr(other, each.name))
    elif isinstance(one, tuple):
        assert isinstance(other, tuple)
        assert len(one) == len(other)
        for first, then in zip(one, other, strict=True):
            same(first, then)
    elif isinstance(one, float):
        assert other == pytest.approx(one, abs=1e-9)
    elif isinstance(one, int) and not isinstance(one, bool):
        assert isinstance(other, int)
        assert abs(one - other) <= 1
    else:
        assert one == other


@given(
    st.lists(st.tuples(st.integers(1, 30), st.integers(20, 32)), min_size=2, max_size=10),
    st.integers(1, 60),
    st.lists(st.tuples(st.integers(0, 200), st.integers(1, 5)), max_size=3),
)
def test_a_week_at_a_time_comes_to_the_whole(
    points: list[tuple[int, int]], block_h: int, lost: list[tuple[int, int]]
) -> None:
    """Every figure of a part, excursions and longest stretches too, wherever it is cut."""
    at, line = 0, []
    for step, celsius in points:
        at += step
        line.append((at, celsius + 0.37))
    first, last = line[0][0], line[-1][0]
    box = rows(
        line,
        expanded_k=0.5,
        step_min=7,
        on_to_h=last,
        on_from_h=first + 0.5,
        lost_h=[(begin, begin + length) for begin, length in lost],
    )
    piece = Piece("b", ms(first), ms(last), Stage.CALLUSING, GRAPE, GRAPE.band_c, SPECIES)
    whole = part(piece, box, 45.0)
    cut = stitched([part(each, box, 45.0) for each in blocks(piece, block_h * 3_600_000)])
    same(whole, cut)


def test_blocks_cover_a_piece() -> None:
    piece = piece_of_box("b", ms(0), ms(25))
    made = list(blocks(piece, 10 * 3_600_000))
    assert [(each.from_ms, each.to_ms) for each in made] == [
        (ms(0), ms(10)),
        (ms(10), ms(20)),
        (ms(20), ms(25)),
    ]
