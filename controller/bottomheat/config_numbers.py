"""Plain sentences about numbers in a config: text where a number belongs, units, °F, bounds."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

_NUMBER = re.compile(r"\s*([-+]?(?:\d+(?:[.,]\d+)?|[.,]\d+))\s*(.*?)\s*", re.DOTALL)
_TIME_OF_DAY = re.compile(r"\d{1,2}:\d{2}(:\d{2})?")
_THOUSANDS = re.compile(r"\d{1,3}([,_ ]\d{3})+")

_UNITS = MappingProxyType(
    {
        "gain_per_k": "duty per K",
        "lower_per_day_k": "K a day",
        "days": "days",
        "_mm": "mm",
        "_k_per_w": "K/W",
        "_c": "°C",
        "_k": "K",
        "_s": "s",
        "_h": "h",
        "_w": "W",
        "watts": "W",
    }
)
_SECONDS = MappingProxyType({"s": 1.0, "sec": 1.0, "min": 60.0, "m": 60.0, "h": 3600.0})


def shown(value: object) -> str:
    """Show a value as the file has it, short and on one line."""
    match value:
        case None:
            return "nothing"
        case bool():
            return "true" if value else "false"
        case int() | float():
            try:
                text = repr(value)
            except ValueError:  # a number of thousands of digits
                return "a very long number"
        case Mapping():
            return "a section of keys"
        case list() | tuple() | set():
            return "a list"
        case _:
            text = f'"{value}"'
    text = "".join(c if c.isprintable() else "?" for c in text)
    return text if len(text) <= 48 else text[:44] + '..."'


def unit_of(name: str) -> str:
    """Name the unit of a config attribute by its longest ending; empty if it has none."""
    return next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")


def fahrenheit_in_c(fahrenheit: float) -> float:
    """Convert °F to °C, rounded to 0.1 °C."""
    return round((fahrenheit - 32.0) / 1.8, 1)


def such_as(example: object, words: str = ", such as ") -> str:
    """Give an example, if there is one, after some words."""
    return "" if example is None else f"{words}{shown(example).strip(chr(34))}"


def _of(unit: str) -> str:
    words = {"s": "seconds", "h": "hours", "W": "watts", "K": "kelvin"}
    return f" of {words.get(unit, unit)}" if unit else ""


def number(error: Mapping[str, Any], name: str, example: object) -> str:
    """Say that something else stands where a number belongs."""
    value, whole = error["input"], error["type"].startswith("int")
    unit = unit_of(name)
    want = ("a whole number" if whole else "a number") + _of(unit)
    want += such_as(example)
    match value:
        case None:
            return f"nothing is written here; write {want}"
        case bool():
            return f"{shown(value)} is not a number; write {want}"
        case float() if whole and value.is_integer() and abs(value) < 1e9:
            return f"a whole number is wanted; write {int(value)} without a point"
        case str():
            return _number_in_text(value, unit, want, whole=whole)
        case float() | int():
            return f"{shown(value)} is not usable here; write {want}"
        case _:
            return f"{shown(value)} stands where one number belongs; write {want}"


def _number_in_text(text: str, unit: str, want: str, *, whole: bool) -> str:
    show, bare = shown(text), text.strip()
    if _TIME_OF_DAY.fullmatch(bare):
        return f"{show} is a time of day; write {want}"
    if whole and _THOUSANDS.fullmatch(bare):
        return f"{show} is not a plain number; write {re.sub('[,_ ]', '', bare)}"
    found = _NUMBER.fullmatch(text)
    if found is None:
        digits = re.fullmatch(r"gpio[ _-]?(\d{1,2})", bare, re.IGNORECASE)
        if digits:
            return f"{show} is text; write the number alone: {digits[1]}"
        return f"{show} is not a number; write {want}"
    digits_text, rest = found[1].replace(",", "."), found[2].lower().strip(" .")
    if not rest:
        if "," in found[1]:
            return f"{show} has a decimal comma; write it with a point: {digits_text}"
        return f"{show} is in quotes, which makes it text; write the number alone: {digits_text}"
    number = float(digits_text)
    if rest in ("f", "°f", "deg f", "fahrenheit") and unit == "°C":
        celsius = fahrenheit_in_c(number)
        return f"{show} is in °F, {celsius:g} °C; write the number alone, in °C: {celsius:g}"
    if unit == "s" and rest in _SECONDS:
        return f"{show} is text; write the number of seconds alone: {number * _SECONDS[rest]:g}"
    if re.fullmatch(r"[a-z°µ/%. ]{1,12}", rest):
        alone = f": {digits_text}" if rest in _spellings(unit) else f", {want}"
        return f"{show} is text; write the number alone{alone}"
    return f"{show} is not a number; write {want}"


def _spellings(unit: str) -> tuple[str, ...]:
    return {
        "°C": ("c", "°c", "deg c", "degc", "celsius", "°", "grad", "degrees"),
        "K": ("k", "kelvin", "°c", "c"),
        "W": ("w", "watt", "watts"),
        "K/W": ("k/w", "kelvin per watt", "°c/w", "c/w"),
        "h": ("h", "hours", "hour"),
        "mm": ("mm", "millimetres"),
        "days": ("d", "day", "days"),
        "K a day": ("k", "k a day", "k/d", "k per day"),
    }.get(unit, ())


def finite(error: Mapping[str, Any], name: str, example: object) -> str:
    """Say that a number is not finite."""
    return (
        f"{shown(error['input'])} is not an ordinary number; write a number{_of(unit_of(name))}"
        + such_as(example)
    )


def out_of_range(error: Mapping[str, Any], name: str, _example: object) -> str:
    """Bounds come as ``low`` and ``high`` in ctx, put there by the caller with the field's own."""
    context, value = error["ctx"], error["input"]
    low, high = context.get("low"), context.get("high")
    unit = unit_of(name)
    tail = f" {unit}" if unit else ""
    within = (
        f"write {low:g} to {high:g}{tail}"
        if low is not None and high is not None
        else f"write {low:g}{tail} or more"
        if low is not None
        else f"write {high:g}{tail} or less"
    )
    if name.endswith("_c") and low is not None and high is not None:
        celsius = fahrenheit_in_c(value)
        if value > high and low <= celsius <= high:
            return (
                f"{shown(value)} looks like °F; {shown(value)} °F is {celsius:g} °C: "
                f"write {celsius:g}"
            )
    if name == "callus_zone_c" and value > (high or math.inf):
        in_f = "" if value < 86 else f" ({shown(value)} °F is {fahrenheit_in_c(value):g} °C)"
        return f"{shown(value)} °C is more than cuttings survive{in_f}; {within}"
    word = "too low" if low is not None and value < low else "too high"
    if value in (low, high):
        word = "just outside what is allowed"
    return f"{shown(value)}{tail} is {word}; {within}"
