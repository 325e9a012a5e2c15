"""Every file in config/ is a good config, and speaks of no key that does not exist."""

import json
import re
from pathlib import Path

import pytest

from bottomheat.config_parse import known_keys, schema
from bottomheat_drivers.config_yaml import load_checked, read_text
from bottomheat_drivers.yaml_lines import read

FILES = sorted((Path(__file__).parents[2] / "config").glob("*.yaml"))
each = pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)


def test_there_is_a_sample() -> None:
    assert "chamber.yaml" in [path.name for path in FILES]


@each
def test_file_is_accepted(path: Path) -> None:
    parsed = load_checked(path)
    assert parsed.problems == ()
    assert parsed.config is not None


@each
def test_every_key_is_known(path: Path) -> None:
    plain = read(read_text(path))
    for place in plain.lines:
        named = place[:1] in (("chambers",), ("corrections",))
        keys = tuple("*" if named and n == 1 else key for n, key in enumerate(place))
        if keys and keys[1:] != ("*",) and isinstance(keys[-1], str):
            assert keys in known_keys()


@each
def test_every_key_in_its_notes_is_known(path: Path) -> None:
    known = {keys[-1] for keys in known_keys()}
    for line in path.read_text(encoding="utf-8").splitlines():
        note = re.match(r"\s*#\s+([a-z_]+):( |$)", line)
        if note and note[1] not in ("bottomheat",):
            assert note[1] in known, line


def test_sample_shows_every_key() -> None:
    text = (FILES[0].parent / "chamber.yaml").read_text(encoding="utf-8")
    missing = {keys[-1] for keys in known_keys() if not re.search(rf"\b{keys[-1]}:", text)}
    assert missing == set()


@each
def test_schema_accepts_the_file(path: Path) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    made = schema()
    jsonschema.Draft202012Validator.check_schema(made)
    checker = jsonschema.Draft202012Validator(made)
    data = read(read_text(path)).data
    assert [error.message for error in checker.iter_errors(data)] == []
    data["chambers"]["north-bench"]["callus_zone"] = 77
    assert [list(error.absolute_path) for error in checker.iter_errors(data)] == [
        ["chambers", "north-bench", "callus_zone"]
    ]


def test_schema_is_json_and_closed() -> None:
    made = json.loads(json.dumps(schema()))
    assert made["additionalProperties"] is False
    assert all(part["additionalProperties"] is False for part in made["$defs"].values())
