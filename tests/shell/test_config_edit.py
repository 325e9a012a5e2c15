"""A probe's name goes into a config; nothing else changes."""

from __future__ import annotations

import copy
import os
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.errors import InputError
from bottomheat.model import Place
from bottomheat_drivers.config_edit import replace_config, with_probe
from bottomheat_drivers.config_yaml import check_text
from clibench import CONFIG, ROOT

SAMPLE = (ROOT / "config" / "chamber.yaml").read_text()
SHED = CONFIG.format(folder="/nowhere")
NEW = "28-00000000beef"
NAMES = [*sorted(set(re.findall(r"28-[0-9a-f]{12}", SAMPLE))), NEW]


def data(text: str) -> dict:
    plain = check_text(text).plain
    assert plain is not None
    return plain.data


def without_probes(text: str) -> dict:
    rest = copy.deepcopy(data(text))
    for box in rest["chambers"].values():
        box.pop("probes", None)
    return rest


def comments(text: str) -> list[str]:
    return sorted(re.findall(r"#.*", text))


def named(text: str, chamber: str, place: Place) -> object:
    probes = data(text)["chambers"][chamber]["probes"]
    if place not in (Place.SUBSTRATE, Place.SUBSTRATE_2):
        return probes.get(place.value)
    layer = probes["substrate"]
    layer = layer if isinstance(layer, list) else [layer]
    return layer[0] if place is Place.SUBSTRATE else layer[1]


@given(
    st.sampled_from([SAMPLE, SHED, SAMPLE.replace("  ", "    "), SHED.replace("\n", "\r\n")]),
    st.lists(
        st.tuples(
            st.sampled_from(["north-bench", "south-bench"]),
            st.sampled_from(list(Place)),
            st.sampled_from(NAMES),
        ),
        min_size=1,
        max_size=4,
    ),
)
def test_only_probes_change_and_the_config_stays_good(
    text: str, steps: list[tuple[str, Place, str]]
) -> None:
    for chamber, place, probe in steps:
        assert check_text(text).parsed.config is not None
        try:
            edit = with_probe(text, chamber, place, probe)
        except InputError:
            continue
        assert named(edit.text, chamber, place) == probe
        assert check_text(edit.text).parsed.config is not None
        assert without_probes(edit.text) == without_probes(text)
        lost = set(comments(text)) - set(comments(edit.text))
        # A line that goes takes the note on that line along, and nothing else.
        assert len(lost) <= sum("has no probe now" in sentence for sentence in edit.said)
        assert ("\r\n" in edit.text) is ("\r\n" in text)
        assert bool(edit.said) is (edit.text != text)
        text = edit.text


def test_a_room_probe_may_be_shared() -> None:
    own_room = SHED.replace("room: 28-000000000002,", "room: 28-000000000012,")
    edit = with_probe(own_room, "south-bench", Place.ROOM, "28-000000000002")
    assert named(edit.text, "south-bench", Place.ROOM) == "28-000000000002"
    assert named(edit.text, "north-bench", Place.ROOM) == "28-000000000002"


def test_a_block_list_keeps_its_layout() -> None:
    text = SHED.replace(
        "      substrate: 28-000000000001   # on the wet layer\n",
        "      substrate:\n        - 28-000000000001  # left\n        - 28-000000000004  # right\n",
    )
    edit = with_probe(text, "north-bench", Place.SUBSTRATE_2, NEW)
    assert edit.text == text.replace("28-000000000004", NEW)


@pytest.mark.parametrize("step", [2, 3, 4, 8])
def test_the_indentation_stays(step: int) -> None:
    text = re.sub(r"^(?:  )+", lambda m: " " * (len(m[0]) // 2 * step), SHED, flags=re.MULTILINE)
    edit = with_probe(text, "north-bench", Place.MAT, NEW)
    assert edit.text.split() == text.replace("28-000000000003\n", f"{NEW}\n").split()
    stripped = [re.sub(r"\S.*", "", line) for line in edit.text.splitlines()]
    assert stripped == [re.sub(r"\S.*", "", line) for line in text.splitlines()]


def test_a_missing_section_is_made() -> None:
    text = re.sub(r"    probes: \{.*\n", "", SHED)
    edit = with_probe(text, "south-bench", Place.SUBSTRATE, NEW)
    assert data(edit.text)["chambers"]["south-bench"]["probes"] == {"substrate": NEW}


def test_an_empty_section_is_filled() -> None:
    text = re.sub(r"    probes: \{.*\n", "    probes:\n", SHED)
    edit = with_probe(text, "south-bench", Place.MAT, NEW)
    assert data(edit.text)["chambers"]["south-bench"]["probes"] == {"mat": NEW}


def test_a_placeholder_may_change_places() -> None:
    text = SHED.replace("28-000000000001 ", "28-xxxxxxxxxxxx ")
    edit = with_probe(text, "north-bench", Place.SUBSTRATE, "28-000000000003")
    assert named(edit.text, "north-bench", Place.SUBSTRATE) == "28-000000000003"
    assert named(edit.text, "north-bench", Place.MAT) == "28-xxxxxxxxxxxx"


def test_nothing_to_do_is_nothing_done() -> None:
    edit = with_probe(SHED, "north-bench", Place.MAT, "28-000000000003")
    assert edit.text == SHED
    assert edit.said == ()


@pytest.mark.parametrize(
    ("text", "chamber", "place", "probe", "sentence"),
    [
        ("chambers: [\n", "north-bench", Place.MAT, NEW, "before this is right"),
        ("cycle: 10\n", "north-bench", Place.MAT, NEW, "there is no box north-bench"),
        ("chambers:\n  a:\n", "a", Place.MAT, NEW, "nothing is written below a"),
        ("chambers: {a: {x: 1}}\n", "a", Place.SUBSTRATE_2, NEW, "no first probe"),
        (SHED, "north-bench", Place.SUBSTRATE_2, "28-000000000001", "no first probe"),
        (SHED, "south-bench", Place.TOP, "28-000000000001", "this key is missing"),
        (SHED, "south-bench", Place.MAT, "beef", "is not the name of a probe"),
    ],
)
def test_refusals(text: str, chamber: str, place: Place, probe: str, sentence: str) -> None:
    with pytest.raises(InputError, match=re.escape(sentence)):
        with_probe(text, chamber, place, probe)


def test_the_file_is_replaced_and_the_old_one_kept(tmp_path: Path) -> None:
    path = tmp_path / "c.yaml"
    path.write_text("old\n")
    path.chmod(0o640)
    kept = replace_config(path, "old\n", "new\n")
    assert path.read_text() == "new\n"
    assert kept == tmp_path / "c.yaml.before"
    assert kept.read_text() == "old\n"
    assert path.stat().st_mode & 0o777 == 0o640
    assert sorted(os.listdir(tmp_path)) == ["c.yaml", "c.yaml.before"]


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real.yaml").write_text("old\n")
    link = tmp_path / "c.yaml"
    link.symlink_to("real.yaml")
    replace_config(link, "old\n", "new\n")
    assert link.is_symlink()
    assert (tmp_path / "real.yaml").read_text() == "new\n"


def test_a_file_changed_meanwhile_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "c.yaml"
    path.write_text("newer\n")
    with pytest.raises(InputError, match="changed meanwhile"):
        replace_config(path, "old\n", "new\n")
    assert os.listdir(tmp_path) == ["c.yaml"]
    assert path.read_text() == "newer\n"


def test_a_folder_in_the_way_leaves_everything_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "c.yaml"
    path.write_text("old\n")
    (tmp_path / "c.yaml.before").mkdir()
    with pytest.raises(InputError, match="cannot be replaced"):
        replace_config(path, "old\n", "new\n")
    assert path.read_text() == "old\n"
    assert sorted(os.listdir(tmp_path)) == ["c.yaml", "c.yaml.before"]
