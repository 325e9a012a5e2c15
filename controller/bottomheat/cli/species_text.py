"""What ``species`` shows: numbers with where they come from, as text and as plain data."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Final

from bottomheat.season.ledger import Stage
from bottomheat.season.species import (
    NOT_KNOWN,
    SPECIES,
    VALUES,
    Needs,
    doubts,
    needs,
    plain,
)

if TYPE_CHECKING:
    from bottomheat.config_season import OwnSpecies

WIDTH: Final = 80
LABELS: Final[Mapping[str, str]] = {
    "band_c": "band",
    "slow_below_c": "slow below",
    "stops_below_c": "stops below",
    "warm_limit_c": "too warm above",
    "injury_c": "harmed above",
    "kills_c": "dies above",
    "ceiling_c": "wet layer at most",
    "days": "usual time",
    "latest_days": "latest day",
}
"""What a grower calls each number."""
WINS: Final = (
    "Numbers of your own win over these: season, species in the config. What is marked weak or "
    "from memory is a place to begin, not a fact."
)


def names(own: Mapping[str, OwnSpecies]) -> list[str]:
    """All species there are, the table's and the grower's."""
    return [*SPECIES, *(name for name in own if name not in SPECIES)]


def listed(own: Mapping[str, OwnSpecies]) -> str:
    """All species, one a line."""
    lines = ["What it wants at the callus zone while it calluses", ""]
    for name in names(own):
        wants = needs(name, Stage.CALLUSING, own)
        days = "" if wants.days is None else wants.said("days")
        lines.append(f"{name:<15} {wants.said('band_c'):<34} {days}".rstrip())
    return "\n".join([*lines, "", *wrap(WINS, WIDTH), "One species: bottomheat species NAME"])


def one(name: str, own: Mapping[str, OwnSpecies]) -> str:
    """All that is known of a species, each number with where it comes from."""
    row = SPECIES.get(name)
    lines = [name if row is None else row.words]
    if row is None:
        lines.append("Not in the table: what you see is yours, or not known.")
    for note in () if row is None else row.notes:
        lines += wrap(note, WIDTH)
    for stage in Stage:
        wants = needs(name, stage, own)
        until = f"until {wants.until} {wants.mark('until')}"
        lines += ["", *wrap(f"{stage.value.upper()}  {until}", WIDTH, subsequent_indent="  ")]
        lines += _values(wants)
        for doubt in doubts(wants):
            lines += _hanging(f"! {doubt}")
    return "\n".join([*lines, "", *wrap(WINS, WIDTH)])


def _values(wants: Needs) -> Iterator[str]:
    """Each number with its mark, then where they come from, each source once."""
    unknown: list[str] = []
    sources: dict[str, list[str]] = {}
    for name in VALUES:
        value = getattr(wants, name)
        if value is None:
            unknown.append(LABELS[name])
            continue
        perhaps = "perhaps " if wants.weak(name) else ""
        yield f"  {LABELS[name]:<18} {perhaps + plain(name, value):<22} {wants.mark(name)}"
        text = wants.sources[name].text
        if text != wants.sources[name].confidence.value:
            sources.setdefault(text, []).append(LABELS[name])
    if unknown:
        yield from _hanging(f"{NOT_KNOWN}: {', '.join(unknown)}")
    for text, labels in sources.items():
        yield from _hanging(f"{', '.join(labels)}: {text}")


def _hanging(text: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ")


def as_plain(name: str, own: Mapping[str, OwnSpecies]) -> dict[str, Any]:
    """All that is known of a species, for ``--json``; what is not known is null."""
    row = SPECIES.get(name)
    return {
        "name": name,
        "words": name if row is None else row.words,
        "on_rooted_stock": row is not None and row.on_rooted_stock,
        "notes": [] if row is None else list(row.notes),
        "stages": {stage.value: _stage(needs(name, stage, own)) for stage in Stage},
    }


def _stage(wants: Needs) -> dict[str, Any]:
    shown: dict[str, Any] = {"until": wants.until}
    for name in VALUES:
        value, source = getattr(wants, name), wants.sources.get(name)
        shown[name] = (
            None
            if source is None
            else {
                "value": list(value) if isinstance(value, tuple) else value,
                "confidence": source.confidence.value,
                "source": source.text,
            }
        )
    shown["doubts"] = list(doubts(wants))
    return shown
