"""The table of species against what its sources say.

Each figure below is written down from its source, in the source's own unit; what a row says is then
held against it.  The sources, each read as its abstract or page unless another thing is said:

* Alley & Peterson 1977, Am. J. Enol. Vitic. 28:1-7: grape cuttings.
* Goussard 1977, Vitis 16: dormant grape wood in hot water.
* Paunovic et al. 2010, Acta Agric. Serb. 15(30):165-172: walnut in a heated room.
* van Zyl 2009, thesis, University of the Free State: walnut, hot callus.
* UF/IFAS, plant propagation course, hot-pipe callusing: union of 80 °F, the rest 45 °F.
* Humphrey 2019, The Bench Grafter's Handbook: hazel (abstract).
* Erez & Yablowitz 1981, Scientia Hort.: peach hardwood cuttings.
* Acta Hort. 54:63-70: peach and plum hardwood cuttings in peat.
* Hartmann & Kester, Plant Propagation, chapter on grafting: only as others quote it.

What has none of these is from memory, a judgement, common practice, or weak; the last test holds
that nothing else claims to be literature.
"""

from __future__ import annotations

import pytest

from bottomheat.season.ledger import Stage
from bottomheat.season.species import SPECIES, Confidence, Needs, needs

LITERATURE, SECOND_HAND = Confidence.LITERATURE, Confidence.SECOND_HAND


def callusing(name: str) -> Needs:
    return needs(name, Stage.CALLUSING, {})


def source(name: str, value: str) -> tuple[Confidence, str]:
    found = callusing(name).sources[value]
    return found.confidence, found.text


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def test_grapevine_hartmann_and_kester_second_hand() -> None:
    # Best at 24 to 27 °C, soft and fragile callus from 29 °C, slow below 20, none below 15.5.
    wants = callusing("grapevine")
    assert wants.band_c == (24.0, 27.0)
    assert wants.warm_limit_c == 29.0
    assert (wants.slow_below_c, wants.stops_below_c) == (20.0, 15.5)
    assert wants.stops_below_c == pytest.approx(celsius(60), abs=0.1)  # there in Fahrenheit
    for value in ("band_c", "warm_limit_c", "slow_below_c", "stops_below_c"):
        confidence, text = source("grapevine", value)
        assert confidence is SECOND_HAND
        assert "Hartmann & Kester" in text


def test_grapevine_alley_and_peterson() -> None:
    # At 29.5 °C callus after 4 to 17 days, roots after 10 to 24, and longer where it is cooler.
    # The row's days are for its cooler band, and from memory: not sooner than the source's.
    wants = callusing("grapevine")
    confidence, text = source("grapevine", "days")
    assert confidence is Confidence.MEMORY
    assert "at 29.5 °C 4 to 17 days to callus, 10 to 24 to roots" in text
    assert "Alley & Peterson 1977" in text
    assert wants.band_c is not None
    assert wants.days is not None
    assert wants.band_c[1] < 29.5
    assert wants.days[0] > 4
    assert wants.days[1] > 17


def test_grapevine_goussard() -> None:
    # 50 °C for 30 min is stood by dormant wood; 60 °C for longer than 1 min kills grafts.  Neither
    # is a limit for a box: the row gives none that kills, and tells of the first in words.
    assert callusing("grapevine").kills_c is None
    assert any("50 °C for 30 minutes (Goussard 1977" in n for n in SPECIES["grapevine"].notes)


def test_walnut_paunovic() -> None:
    # Room of 26 to 28 °C: 70.0 % take; of 28 to 29 °C, another year: 83.4 %.
    wants = callusing("walnut")
    assert wants.band_c == (26.0, 28.0)
    confidence, text = source("walnut", "band_c")
    assert confidence is LITERATURE
    assert "70 % take" in text
    assert "Paunovic et al. 2010" in text
    assert wants.warm_limit_c == 29.0  # what did well is not too warm
    assert "83 % take" in source("walnut", "warm_limit_c")[1]
    assert any("different years" in note for note in SPECIES["walnut"].notes)


def test_walnut_van_zyl() -> None:
    # 25 days are more than sufficient.
    wants = callusing("walnut")
    assert wants.days is not None
    assert wants.days[1] == 25
    assert "van Zyl 2009" in source("walnut", "days")[1]


def test_hazel_humphrey_and_the_hot_pipe() -> None:
    # Optimum 22 to 24 °C; a hot pipe warms the union alone to about 80 °F.
    wants = callusing("hazel")
    assert wants.band_c == (22.0, 24.0)
    confidence, text = source("hazel", "band_c")
    assert confidence is LITERATURE
    assert "Humphrey 2019" in text
    assert f"{celsius(80):.0f} °C: UF/IFAS" in text
    assert wants.warm_limit_c is not None
    assert wants.warm_limit_c > celsius(80)


def test_apple_hartmann_and_kester_second_hand() -> None:
    # Very slow at 0 to 7 °C, slow at 7 to 10, held back above 32, killed at 40.
    wants = callusing("apple")
    assert (wants.stops_below_c, wants.slow_below_c) == (0.0, 7.0)
    assert (wants.injury_c, wants.kills_c) == (32.0, 40.0)
    assert "slow from 7 to 10 °C, very slow below 7 °C" in source("apple", "slow_below_c")[1]
    for value in ("stops_below_c", "slow_below_c", "injury_c", "kills_c"):
        confidence, text = source("apple", value)
        assert confidence is SECOND_HAND
        assert "Hartmann & Kester" in text
    assert source("apple", "band_c")[0] is Confidence.MEMORY


def test_plum_rootstock_acta_horticulturae() -> None:
    # Hardwood in peat at 20 °C; the figure of 21 °C is from memory, and so the row is.
    wants = callusing("plum-rootstock")
    assert wants.band_c == (20.0, 21.0)
    confidence, text = source("plum-rootstock", "band_c")
    assert confidence is Confidence.MEMORY
    assert "at 20 °C" in text
    assert "Acta Hort. 54:63" in text


def test_peach_erez_and_yablowitz() -> None:
    # 25 °C harmed cuttings treated with auxin; excellent rooting at 12 °C; begun after 30 days in
    # soil at 12 to 14 °C.
    wants = callusing("peach")
    assert wants.injury_c == 25.0
    assert wants.days == (30, 30)
    assert wants.band_c is not None
    assert wants.band_c[0] == 12.0
    for value in ("injury_c", "days", "band_c"):
        confidence, text = source("peach", value)
        assert confidence is LITERATURE
        assert "Erez & Yablowitz 1981" in text
    assert wants.warm_limit_c is not None
    assert wants.band_c[1] < wants.warm_limit_c < wants.injury_c


def test_peach_acta_horticulturae() -> None:
    wants = callusing("peach")
    assert wants.band_c is not None
    assert wants.band_c[1] == 20.0
    assert "Acta Hort. 54:63" in source("peach", "band_c")[1]


def test_presets_disagree_in_direction() -> None:
    # What walnut needs is injury for peach: no default is safe for all.
    walnut, peach = callusing("walnut"), callusing("peach")
    assert walnut.band_c is not None
    assert peach.injury_c is not None
    assert walnut.slow_below_c is not None
    assert peach.band_c is not None
    assert walnut.band_c[0] > peach.injury_c
    assert peach.band_c[1] <= walnut.slow_below_c


@pytest.mark.parametrize(
    ("name", "band_c", "slow_c", "warm_c", "injury_c", "days"),
    [
        ("fig", (21, 25), 18, 27, 30, (14, 30)),
        ("mulberry", (21, 25), 18, 27, 30, (21, 40)),
        ("rose", (18, 21), 12, 24, 28, (14, 28)),
        ("kiwifruit", (20, 24), 16, 26, 30, (40, 60)),
        ("blackcurrant", (10, 20), 5, 22, 25, None),
        ("rosemary", (18, 22), 15, 25, 28, (21, 35)),
    ],
)
def test_rows_without_a_source_are_weak(
    name: str,
    band_c: tuple[float, float],
    slow_c: float,
    warm_c: float,
    injury_c: float,
    days: tuple[int, int] | None,
) -> None:
    # No source; only blackcurrant's 20 °C was read of (single-node cuttings in a growth room).
    wants = callusing(name)
    assert (wants.band_c, wants.slow_below_c, wants.warm_limit_c, wants.injury_c, wants.days) == (
        band_c,
        slow_c,
        warm_c,
        injury_c,
        days,
    )
    for value in ("band_c", "slow_below_c", "warm_limit_c", "injury_c"):
        assert wants.weak(value)


@pytest.mark.parametrize(
    ("name", "band_c", "slow_c", "warm_c", "injury_c", "days"),
    [
        ("apple-rootstock", (20, 21), 12, 24, 28, (21, 42)),
        ("plum-rootstock", (20, 21), 12, 24, 28, (21, 42)),
        ("olive", (21, 24), 18, 27, 30, (40, 70)),
        ("other", (18, 25), None, None, None, None),
    ],
)
def test_rows_from_memory_say_so(
    name: str,
    band_c: tuple[float, float],
    slow_c: float | None,
    warm_c: float | None,
    injury_c: float | None,
    days: tuple[int, int] | None,
) -> None:
    # Handbook figures from memory, no source looked up; injury is a judgement.
    wants = callusing(name)
    assert (wants.band_c, wants.slow_below_c, wants.warm_limit_c, wants.injury_c, wants.days) == (
        band_c,
        slow_c,
        warm_c,
        injury_c,
        days,
    )
    for value in ("band_c", "slow_below_c", "warm_limit_c", "days"):
        if value in wants.sources:
            assert wants.sources[value].confidence is Confidence.MEMORY
            assert "from memory" in wants.sources[value].text
    if injury_c is not None:
        assert wants.sources["injury_c"].confidence is Confidence.JUDGEMENT


def test_rooting_and_hardening_off_are_common_practice() -> None:
    # Common practice, no source: rooting at 18 to 20 °C, 5 to 10 days at 15 to 18 °C after it.
    for name in ("grapevine", "mulberry", "fig", "apple-rootstock", "plum-rootstock", "other"):
        rooting, hardening = needs(name, Stage.ROOTING, {}), needs(name, Stage.HARDENING, {})
        assert (rooting.band_c, hardening.band_c) == ((18.0, 20.0), (15.0, 18.0))
        assert hardening.days == (5, 10)
        for wants, value in ((rooting, "band_c"), (hardening, "band_c"), (hardening, "days")):
            assert wants.sources[value].confidence is Confidence.PRACTICE


def test_nothing_else_claims_to_be_literature() -> None:
    claimed = {
        (name, stage, value)
        for name in SPECIES
        for stage in Stage
        for value, each in needs(name, stage, {}).sources.items()
        if each.confidence is LITERATURE
    }
    assert claimed == {
        ("walnut", Stage.CALLUSING, "band_c"),
        ("hazel", Stage.CALLUSING, "band_c"),
        ("peach", Stage.CALLUSING, "band_c"),
        ("peach", Stage.CALLUSING, "injury_c"),
        ("peach", Stage.CALLUSING, "days"),
        ("peach", Stage.ROOTING, "band_c"),
    }
