"""Plain sentences for what pydantic finds wrong in a config.

Pydantic finds the faults; nothing of its wording reaches a grower.  Each sentence says what is
wrong and, after a semicolon, what would be right.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType
from typing import Any

from bottomheat.alike import alike
from bottomheat.config_numbers import finite, number, out_of_range, shown, such_as

_SYNONYMS = MappingProxyType(
    {
        "setpoint": "callus_zone",
        "target": "callus_zone",
        "temperature": "callus_zone",
        "power": "watts",
        "pin": "gpio",
        "f": "factor",
        "hysteresis": "differential",
        "ceiling": "layer_ceiling",
        "r": "resistance",
        "slope": "factor",
        "correction": "add",
        "offset": "add",
    }
)


def nearest(key: str, known: Iterable[str]) -> str | None:
    """Find the known key that was most likely meant, if any is near."""
    known = list(known)
    meant = _SYNONYMS.get(key.lower())
    if meant in known:
        return meant
    close = alike(key.lower().replace("-", "_"), known)
    return close[0] if close else None


def unknown_key(key: str, known: Iterable[str], elsewhere: Iterable[str]) -> str:
    """Say that a key does not exist here, and which was meant or where it belongs."""
    known, elsewhere = list(known), list(elsewhere)
    say = f"there is no key {shown(key)} here"
    if meant := nearest(key, known):
        return f"{say}; did you mean {meant}?"
    if elsewhere:
        return f"{say}; it belongs under {' or '.join(elsewhere)}"
    return f"{say}; the keys here are {', '.join(known)}" if known else f"{say}; take it out"


def sentence(error: Mapping[str, Any], name: str, example: object) -> str:
    """Translate one entry of ``ValidationError.errors()``; keys are dealt with by the caller.

    Args:
        error: type, ctx and input of the entry.
        name: attribute name of the field, which carries its unit.
        example: a value that would be right, or None.
    """
    speak = _SENTENCES.get(error["type"])
    if speak is None:
        return f"{shown(error['input'])} is not accepted here" + such_as(example, "; write ")
    return speak(error, name, example)


def _bare(value: object) -> str:
    return shown(value).strip('" ').lower()


def _flag(error: Mapping[str, Any], _name: str, _example: object) -> str:
    value = error["input"]
    bare = _bare(value)
    if isinstance(value, str) and bare in ("true", "false"):
        return f"{shown(value)} is in quotes, which makes it text; write {bare} without quotes"
    if bare in ("yes", "on", "1"):
        return f"{shown(value)} is not understood here; write true"
    if bare in ("no", "off", "0"):
        return f"{shown(value)} is not understood here; write false"
    return f"{shown(value)} is neither true nor false; write true or false"


def _text(error: Mapping[str, Any], name: str, example: object) -> str:
    value = error["input"]
    if value is None:
        return "nothing is written here" + such_as(example, "; write for instance ")
    if isinstance(example, str) and re.fullmatch(r"[0-9a-f]{2}-.*", example):
        return _probe(error, name, example)
    return f"{shown(value)} is not text" + such_as(example, "; write for instance ")


def _probe(error: Mapping[str, Any], _name: str, example: object) -> str:
    value = error["input"]
    wanted = f"write the name of the probe's folder in the 1-Wire devices folder, like {example}"
    if type(value) is int and 0 <= value < 10**14:
        value = str(value)
    if not isinstance(value, str):
        return f"{shown(value)} is not the name of a probe; {wanted}"
    if re.fullmatch(r"[0-9A-Fa-f]{2}-[0-9A-Fa-f]{12}", value.strip()):
        how = "with small letters" if value.strip() == value else "without spaces"
        return f"{shown(value)} is not written as its folder is; write it {how}: {_id(value)}"
    digits = re.sub(r"[^0-9a-f]", "", value.lower())
    if len(digits) == 14:
        return f"{shown(value)} is not the name of a probe; write {digits[:2]}-{digits[2:]}"
    return f"{shown(value)} is not the name of a probe; {wanted}"


def no_probe(name: str, example: str) -> str:
    """Say that a key below ``corrections`` is not the name of a probe, and what would be."""
    return _probe({"input": name}, "", example)


def correction_wanted(value: object) -> str:
    """Say that something else stands where a probe's correction belongs."""
    if value is None:
        return "nothing is written for this probe; write for instance {add: 0.19}"
    add = "0.19"
    if isinstance(value, int | float) and not isinstance(value, bool) and -2 <= value <= 2:
        add = f"{value:g}"
    return f"{shown(value)} stands here; write it as {{add: {add}}}"


def _id(value: str) -> str:
    return value.strip().lower()


def _pattern(error: Mapping[str, Any], name: str, example: object) -> str:
    if isinstance(example, str) and re.fullmatch(r"[0-9a-f]{2}-.*", example):
        return _probe(error, name, example)
    return f"{shown(error['input'])} is not written as it should be" + such_as(
        example, "; write for instance "
    )


def _choice(error: Mapping[str, Any], _name: str, _example: object) -> str:
    choices = re.findall(r"'([^']*)'", str(error["ctx"].get("expected", "")))
    return _one_of(error["input"], choices)


def _one_of(value: object, choices: list[str]) -> str:
    close = alike(_bare(value), choices)
    right = f"write {close[0]}" if close else f"write one of {', '.join(choices)}"
    what = "nothing is written here" if value is None else f"{shown(value)} is not known here"
    return f"{what}; {right}"


def _method(error: Mapping[str, Any], _name: str, _example: object) -> str:
    methods = ["fixed", "temperature-factor", "heat-flow", "direct"]
    given = error["input"].get("method")
    if given is None:
        return f"no method is named; write method: and one of {', '.join(methods)}"
    return f"method {_one_of(given, methods)}"


def _section(error: Mapping[str, Any], name: str, _example: object) -> str:
    value = error["input"]
    if value is None:
        return "nothing is written below this key; write its keys there, each on its own line"
    if name == "chambers" and isinstance(value, list):
        return "a list stands here; write the name of each box as a key, such as north-bench:"
    if name == "batches" and isinstance(value, list):
        return "a list stands here; write the name of each batch as a key, such as MUL-1:"
    return f"{shown(value)} stands here; write keys with values below it, each on its own line"


def _count(_error: Mapping[str, Any], name: str, _example: object) -> str:
    if name == "chambers":
        return "no box is described here; write at least one, at most 16"
    return "one or two probes can lie on the wet layer; write one name, or two in brackets"


def _own(error: Mapping[str, Any], _name: str, _example: object) -> str:
    return str(error["ctx"]["error"])


_Speak = Callable[[Mapping[str, Any], str, object], str]
_SENTENCES: Mapping[str, _Speak] = MappingProxyType(
    {
        "float_type": number,
        "int_type": number,
        "int_from_float": number,
        "int_parsing_size": number,
        "finite_number": finite,
        "greater_than": out_of_range,
        "greater_than_equal": out_of_range,
        "less_than": out_of_range,
        "less_than_equal": out_of_range,
        "bool_type": _flag,
        "string_type": _text,
        "string_pattern_mismatch": _pattern,
        "literal_error": _choice,
        "union_tag_not_found": _method,
        "union_tag_invalid": _method,
        "model_type": _section,
        "model_attributes_type": _section,
        "dict_type": _section,
        "too_short": _count,
        "too_long": _count,
        "value_error": _own,
    }
)
