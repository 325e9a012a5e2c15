"""Plain data in; a checked config, or everything that is wrong with it, out."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Annotated, Any, get_args, get_origin

from pydantic import ValidationError
from pydantic.fields import FieldInfo

from bottomheat.config import (
    Alerts,
    ChamberConfig,
    Config,
    Correction,
    Direct,
    FixedOffset,
    Heater,
    HeatFlow,
    Helper,
    KeeperSection,
    Limits,
    LineOf,
    OwnNeeds,
    OwnSpecies,
    Parsed,
    Path,
    Pid,
    Probes,
    Problem,
    SeasonSection,
    Section,
    SeriesRelay,
    Sounder,
    TemperatureFactor,
    WrittenBatch,
)
from bottomheat.config_check import review
from bottomheat.config_numbers import shown, such_as
from bottomheat.config_sections import Model
from bottomheat.config_words import correction_wanted, no_probe, sentence, unknown_key

_METHODS: Mapping[str, type[Section]] = MappingProxyType(
    {
        "fixed": FixedOffset,
        "temperature-factor": TemperatureFactor,
        "heat-flow": HeatFlow,
        "direct": Direct,
    }
)

_OFFSETS = ("offset", "offset_ajar", "offset_off")
"""Keys of a box that hold an offset, for the lid on, ajar and off."""

_SECTIONS: Mapping[Path, tuple[type[Section], str]] = MappingProxyType(
    {
        (): (Config, "the top of the file"),
        ("sounder",): (Sounder, "sounder"),
        ("alerts",): (Alerts, "alerts"),
        ("helper",): (Helper, "helper"),
        ("corrections", "*"): (Correction, "corrections and the name of a probe"),
        ("chambers", "*"): (ChamberConfig, "the name of a box"),
        ("chambers", "*", "heater"): (Heater, "heater"),
        ("chambers", "*", "probes"): (Probes, "probes"),
        ("chambers", "*", "limits"): (Limits, "limits"),
        ("chambers", "*", "pid"): (Pid, "pid"),
        ("chambers", "*", "model"): (Model, "model"),
        ("chambers", "*", "keeper"): (KeeperSection, "keeper"),
        ("chambers", "*", "keeper", "series_relay"): (SeriesRelay, "keeper.series_relay"),
        ("chambers", "*", "helper"): (Helper, "helper"),
        ("season",): (SeasonSection, "season"),
        ("season", "species", "*"): (OwnSpecies, "season.species and the name of a species"),
        **{
            ("season", "species", "*", stage): (OwnNeeds, "a stage of a species")
            for stage in ("callusing", "rooting", "hardening-off")
        },
        ("batches", "*"): (WrittenBatch, "the name of a batch"),
    }
)

_NAMED: tuple[Path, ...] = (("chambers",), ("corrections",), ("batches",), ("season", "species"))
"""Where the next key is a name that the grower gives."""

_REMINDERS: Path = ("season", "reminders")
_REMINDER = FieldInfo(ge=0, le=366, examples=[4])
"""Of every reminder, whatever its name."""

_A_PROBE = "28-000000000001"


def parse(data: object, line_of: LineOf | None = None) -> Parsed:
    """Check plain data (dicts, lists, text, numbers) as a config; never raises.

    Args:
        data: what the file holds.
        line_of: where a path stands in the file; its nearest parent's line is used where a key
            itself has none.
    """
    config, problems = _fields(data)
    crossed, warnings = review(data)
    problems = [*problems, *crossed]
    return Parsed(
        config=None if problems else config,
        problems=_in_order(problems, line_of),
        warnings=_in_order(warnings, line_of),
    )


def schema() -> dict[str, Any]:
    """Make the JSON Schema (draft 2020-12) of the config file, for editors."""
    made = Config.model_json_schema(by_alias=True)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **made,
        "title": "bottomheat config",
    }


def known_keys() -> frozenset[tuple[str, ...]]:
    """Every key that a config may have, as a path with ``*`` for the name of a box."""
    return frozenset(
        (*(str(part) for part in path), key)
        for path, section in _all_sections()
        for key in _keys(section)
    )


def offset_keys(method: str) -> frozenset[str]:
    """Every key that an offset with this method may have; none of an unknown method."""
    return frozenset(_keys(_METHODS.get(method)))


def _all_sections() -> Iterator[tuple[Path, type[Section]]]:
    yield from ((path, section) for path, (section, _) in _SECTIONS.items())
    for key in _OFFSETS:
        yield from ((("chambers", "*", key), section) for section in _METHODS.values())


def _in_order(found: list[Problem], line_of: LineOf | None) -> tuple[Problem, ...]:
    lined = (replace(problem, line=_line(problem.path, line_of)) for problem in found)
    return tuple(dict.fromkeys(sorted(lined, key=lambda problem: problem.line or 0)))


def _line(path: Path, line_of: LineOf | None) -> int | None:
    if line_of is None:
        return None
    ask = line_of.get if isinstance(line_of, Mapping) else line_of
    for length in range(len(path), -1, -1):
        line = ask(path[:length])
        if line is not None:
            return line
    return None


def _fields(data: object) -> tuple[Config | None, list[Problem]]:
    """Check every field by itself."""
    try:
        # by_name is for code that builds a Config; a file has one spelling for each key.
        return Config.model_validate(data, by_alias=True, by_name=False), []
    except ValidationError as error:
        found = error.errors(include_url=False)
    return None, [
        Problem(path, None, _message(entry, path, data))
        for entry in found
        if not _of_the_other_kind(entry)
        for path in [_without_secret(_path(entry, data))]
    ]


def _of_the_other_kind(entry: Mapping[str, Any]) -> bool:
    """One probe or a list of two: pydantic complains once for each; say what was meant."""
    if "substrate" not in entry["loc"] or isinstance(entry["loc"][-1], int):
        return False
    is_list = isinstance(entry["input"], list)
    kind: str = entry["type"]
    return kind == ("string_type" if is_list else "list_type")


def _path(entry: Mapping[str, Any], data: object) -> Path:
    """Where in the data an error is; pydantic's path also names the kinds that it tried."""
    loc: tuple[str | int, ...] = entry["loc"]
    path: list[str | int] = []
    here: object = data
    for position, part in enumerate(loc):
        a_kind = (position == 3 and loc[0] == "chambers" and loc[2] in _OFFSETS) or (
            position == 4 and loc[2:4] == ("probes", "substrate")
        )
        if a_kind or part == "[key]":
            continue
        if isinstance(here, Mapping):
            here = here.get(part)
        elif isinstance(here, list) and isinstance(part, int):
            here = here[part]
        path.append(part)
    return tuple(path)


def _without_secret(path: Path) -> Path:
    """The path, without a key below ``alerts`` that may be an address in the wrong place."""
    if path[:1] != ("alerts",):
        return path
    return tuple(p if isinstance(p, int) or re.fullmatch(r"[\w-]{1,40}", p) else "?" for p in path)


def _hidden(kind: str, example: object) -> str:
    """Say what is wrong with a text that may hold a secret, without showing it."""
    if kind in ("model_type", "model_attributes_type"):
        return "text stands here; write keys with values below it, each on its own line"
    if kind == "list_type":
        return "text stands here; write a list in brackets, as in the sample"
    said = "this text is too long" if kind == "string_too_long" else "this text is not accepted"
    return said + such_as(example, "; write for instance ")


def _message(entry: Mapping[str, Any], path: Path, data: object) -> str:
    kind = entry["type"]
    if kind == "invalid_key":
        return "a key must be a word; write it in letters"
    if entry["loc"][-1:] == ("[key]",):
        return _name(str(path[-1]), path[0])
    if not path:
        return f"{shown(data)} stands where the whole config belongs; start from the sample file"
    section, field_name, field = _field(path, data)
    key = str(path[-1])
    if kind == "extra_forbidden":
        return unknown_key(key, _keys(section), _homes(key, section))
    if kind == "missing":
        return _missing(key, field)
    if path[0] == "corrections" and kind in ("model_type", "model_attributes_type"):
        return correction_wanted(entry["input"])
    low, high, example = _facts(field_name, field)
    if isinstance(example, list) and isinstance(path[-1], int):
        example = example[min(path[-1], len(example) - 1)]
    if path[0] == "alerts" and isinstance(entry["input"], str):
        return _hidden(kind, example)
    context = {**entry.get("ctx", {}), "low": low, "high": high}
    return sentence({**entry, "ctx": context}, field_name, example)


def _name(name: str, place: object) -> str:
    """Say that a name has letters that it may not have, and what would do."""
    match place:
        case "chambers":
            small, what, example = True, "a box", "north-bench"
        case "season":
            small, what, example = True, "a species", "mulberry"
        case "batches":
            small, what, example = False, "a batch", "MUL-1"
        case _:
            return no_probe(name, _A_PROBE)
    plain = re.sub(r"[^A-Za-z0-9]+", "-", name.lower() if small else name)
    plain = plain.strip("-")[:31].strip("-") or example
    letters = "small letters" if small else "letters"
    return (
        f"{shown(name)} cannot be the name of {what}, which has {letters}, digits and hyphens, "
        f"31 at most; write {plain}"
    )


def _section_at(path: Path, data: object) -> type[Section] | None:
    """Which section's keys stand below a path."""
    place = tuple("*" if path[:n] in _NAMED else p for n, p in enumerate(path))
    if place[:2] == ("chambers", "*") and place[2:] in [(key,) for key in _OFFSETS]:
        here: object = data
        for part in path:
            here = here.get(part) if isinstance(here, Mapping) else None
        method = here.get("method") if isinstance(here, Mapping) else None
        return _METHODS.get(method) if isinstance(method, str) else None
    found = _SECTIONS.get(place)
    return None if found is None else found[0]


def _keys(section: type[Section] | None) -> dict[str, tuple[str, FieldInfo]]:
    """Keys of a section as a file has them, each with its attribute's name and field."""
    if section is None:
        return {}
    fields = section.model_fields
    return {field.alias or name: (name, field) for name, field in fields.items()}


def _field(path: Path, data: object) -> tuple[type[Section] | None, str, FieldInfo | None]:
    """The section, attribute name and field that a path is about."""
    named = path[:-1] if isinstance(path[-1], int) else path
    if named[:-1] == _REMINDERS:
        return None, "days", _REMINDER
    section = _section_at(named[:-1], data)
    name, field = _keys(section).get(str(named[-1]), (str(named[-1]), None))
    return section, name, field


def _homes(key: str, here: type[Section] | None) -> list[str]:
    """Where else a key exists, in the words of the file."""
    homes = [
        label
        for section, label in _SECTIONS.values()
        if section is not here and key in _keys(section)
    ]
    homes += [
        f"offset with method: {method}"
        for method, section in _METHODS.items()
        if section is not here and key in _keys(section) and key != "method"
    ]
    return list(dict.fromkeys(homes))


def _missing(key: str, field: FieldInfo | None) -> str:
    annotation = None if field is None else field.annotation
    if isinstance(annotation, type) and issubclass(annotation, Section):
        needed = [k for k, (_, f) in _keys(annotation).items() if f.is_required()]
        return f"this section is missing; write {key}: and below it {', '.join(needed)}"
    if key == "offset":
        return "this section is missing; write offset: {method: temperature-factor, factor: 0.75}"
    if key == "chambers":
        return "no box is described; write chambers: and below it the name of each box"
    _, _, example = _facts(key, field)
    return f"this key is missing; write {key}: {'...' if example is None else example}"


def _bounds(field: FieldInfo) -> Iterator[object]:
    """The bounds of a field; of a pair, those of its numbers."""
    yield from field.metadata
    for kind in (field.annotation, *get_args(field.annotation)):
        pair = get_args(kind)[0] if get_origin(kind) is Annotated else kind
        if get_origin(pair) is tuple:
            for part in get_args(get_args(pair)[0])[1:]:
                yield from getattr(part, "metadata", ())


def _facts(name: str, field: FieldInfo | None) -> tuple[float | None, float | None, object]:
    """Bounds of a field and a value that would be right."""
    if field is None:
        return None, None, None
    low: float | None = None
    high: float | None = None
    for bound in _bounds(field):
        low = next((b for n in ("ge", "gt") if (b := getattr(bound, n, None)) is not None), low)
        high = next((b for n in ("le", "lt") if (b := getattr(bound, n, None)) is not None), high)
    example = field.examples[0] if field.examples else None
    if name in ("substrate", "room", "mat", "callus", "top", "probe"):
        example = _A_PROBE
    return low, high, example
