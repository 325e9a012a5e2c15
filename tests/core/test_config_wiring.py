"""The fingerprint of the wiring: of a good config, and of what can be read of a refused one."""

import pytest

from bottomheat.config import Config
from bottomheat.config_parse import parse
from bottomheat.config_wiring import fingerprint, fingerprint_of_data, wiring

Data = dict[str, object]
BOX = "chambers.north-bench"


def chamber(gpio: int, first: int) -> Data:
    """One box whose probes are numbered from ``first``."""
    names = [f"28-{first + n:012d}" for n in range(3)]
    return {
        "callus_zone": 25.0,
        "heater": {"gpio": gpio, "watts": 45},
        "probes": dict(zip(("substrate", "room", "mat"), names, strict=True)),
        "offset": {"method": "temperature-factor", "factor": 0.75},
    }


def outline(boxes: int = 1) -> Data:
    """A config of one box or two."""
    both = {"north-bench": chamber(17, 1), "south-bench": chamber(27, 11)}
    return {"chambers": dict(list(both.items())[:boxes])}


def put(data: Data, dotted: str, value: object) -> Data:
    """Set a key by its path; ``...`` takes it out."""
    *parents, last = dotted.split(".")
    here = data
    for part in parents:
        here = here.setdefault(part, {})
    if value is ...:
        del here[last]
    else:
        here[last] = value
    return data


def good(data: object) -> Config:
    parsed = parse(data)
    assert parsed.config is not None, [p.text() for p in parsed.problems]
    return parsed.config


WIRING_CHANGES = {
    "heater.gpio": 18,
    "heater.active_high": False,
    "probes.substrate": "28-0000000000ff",
    "probes.room": "28-0000000000ff",
    "probes.mat": "28-0000000000ff",
    "probes.top": "28-0000000000ff",
    "keeper": {"probe": "28-0000000000ff"},
}


@pytest.mark.parametrize("key", WIRING_CHANGES)
def test_fingerprint_changes_with_the_wiring(key: str) -> None:
    before = outline()
    after = put(outline(), f"{BOX}.{key}", WIRING_CHANGES[key])
    assert fingerprint(good(before)) != fingerprint(good(after))


@pytest.mark.parametrize(
    ("key", "value"),
    [("callus_zone", 24.0), ("law", "hysteresis"), ("limits.mat", 65), ("heater.watts", 60)],
)
def test_fingerprint_stays_when_a_temperature_changes(key: str, value: object) -> None:
    data = put(outline(), f"{BOX}.{key}", value)
    assert fingerprint(good(data)) == fingerprint(good(outline()))


def test_fingerprint_knows_boxes_not_their_order() -> None:
    both = outline(boxes=2)
    turned = {**both, "chambers": dict(reversed(both["chambers"].items()))}
    assert fingerprint(good(both)) == fingerprint(good(turned)) == fingerprint_of_data(turned)
    assert fingerprint(good(both)) != fingerprint(good(outline()))
    assert [one.chamber for one in wiring(good(turned))] == ["north-bench", "south-bench"]


@pytest.mark.parametrize(
    ("key", "value", "readable"),
    [
        ("callus_zone", "warm", True),
        ("callus_zon", 25, True),
        ("limits", None, True),
        ("heater.wats", 45, True),
        ("heater.watts", ..., True),
        ("heater.gpoi", 18, False),
        ("heater.active_hihg", False, False),
        ("heater.gpio", "17", False),
        ("heater", None, False),
        ("probes.rooom", "28-0000000000ff", False),
        ("probes.substrate", ..., False),
        ("keper", {"probe": "28-0000000000ff"}, False),
        ("keeper", {"series_relay": {"gpio": 4}}, False),
    ],
)
def test_wiring_of_a_refused_config_is_read_only_where_it_is_certain(
    key: str, value: object, readable: bool
) -> None:
    data = put(outline(), f"{BOX}.{key}", value)
    assert parse(data).config is None
    expected = fingerprint(good(outline())) if readable else None
    assert fingerprint_of_data(data) == expected
