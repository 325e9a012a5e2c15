"""What the temperatures mean for a batch, in words, with the test that decides.  Pure.

Hours beyond the limits of species and stage are what counts, never a maximum alone.  Temperature
condemns nothing: the worst that is said is "probably damaged", and each verdict says what to look
at.  No delay in days is worked out, because no published model of it exists for these species.
How many hours make a finding is judgement throughout; what they do has its own mark.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Final

from bottomheat.review.parts import Beyond, Span
from bottomheat.review.record import ThermalRecord
from bottomheat.season.ledger import Batch, Kind, Stage, Zone

if TYPE_CHECKING:
    from bottomheat.season.needs import Needs

WITH_LEAVES: Final = frozenset({"olive", "rosemary"})
"""Their cuttings are not dormant."""
UNKNOWN_CHECK_H: Final = 24.0
"""So long without data in a heated box asks for a look, h (judgement)."""
AGAIN: Final = "look again in 7 days"


class Level(IntEnum):
    """How bad it is; the worst finding rules."""

    NO_HARM = 0
    PAUSED = 1
    CHECK = 2
    DAMAGED = 3


LEVEL_WORDS: Final = {
    Level.NO_HARM: "no harm expected",
    Level.PAUSED: "growth paused",
    Level.CHECK: "check before deciding",
    Level.DAMAGED: "probably damaged",
}


@dataclass(frozen=True, slots=True)
class Rule:
    """What hours beyond one limit mean.

    Attributes:
        says: what they do, with how well that is known.
        check_h: from so many hours on: look, h.
        damaged_h: from so many hours on: probably damaged, h; None: never by this limit.
        doubtful: whether it counts that the estimate's uncertainty reaches ``check_h``.
        own: how well the limit itself is known where no species gives it.
    """

    says: str
    check_h: float
    damaged_h: float | None = None
    doubtful: bool = False
    own: str = ""


RULES: Final[Mapping[str, Rule]] = {
    "kills_c": Rule("hours of it kill callus and cambium", 0.25, 2.0, doubtful=True),
    "deadly_c": Rule(
        "hours of it kill callus and cambium of apple [quoted second-hand]; "
        "for other species [judgement]",
        0.5,
        4.0,
        doubtful=True,
        own="[judgement]",
    ),
    "hot_c": Rule(
        "a day of it browns the callus and burns reserves [from memory]",
        2.0,
        24.0,
        doubtful=True,
        own="[from memory]",
    ),
    "injury_c": Rule(
        "a day or more of it stops and browns the callus and burns reserves [from memory]",
        2.0,
        24.0,
        doubtful=True,
    ),
    "frost_c": Rule(
        "callus and root tips may have frozen [judgement]", 0.5, doubtful=True, own="[judgement]"
    ),
    "cold_wet_c": Rule(
        "days of it in a wet medium raise the risk of rot [judgement]", 48.0, own="[judgement]"
    ),
    "warm_limit_c": Rule(
        "hours of it make soft, brittle callus, early buds and mould "
        "[quoted second-hand, from memory]",
        4.0,
    ),
}
"""By the name of a limit; the gravest first."""
PAUSED_FROM_H: Final = 1.0
"""Less time below ``slow_below_c`` is not worth a word, h (judgement)."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What one limit, or missing data, means.

    Attributes:
        level: how bad.
        words: a sentence without a full stop, with its marks of confidence.
        test: what to look at.
        stage: of the batch then; None: it is about the record as a whole.
        rank: among findings of one level the lowest counts most.
    """

    level: Level
    words: str
    test: str
    stage: Stage | None = None
    rank: int = 0


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the record means for a batch.

    Attributes:
        level: the worst of the findings.
        words: the verdict.
        findings: why, the worst first.
        test: what to look at, and when again.
        not_measured: what nobody knows.
        paused: time below what the species grows at.
    """

    level: Level
    words: str
    findings: tuple[Finding, ...]
    test: str
    not_measured: tuple[str, ...]
    paused: Span


def judge(record: ThermalRecord, batch: Batch) -> Verdict:
    """What the record means for the batch.

    Args:
        record: of this batch, over any window.
        batch: it.
    """
    findings = sorted(_findings(record, batch), key=lambda each: (-each.level, each.rank))
    level = findings[0].level if findings else Level.NO_HARM
    slow = [each.span for each in record.limits if each.name == "slow_below_c"]
    paused = sum(slow, Span())
    words = LEVEL_WORDS[level]
    if level is Level.PAUSED:
        words = f"growth paused for about {stretch(paused)}"
        if record.unknown_h >= 0.5:
            words += f" and maybe some of {length(record.unknown_h)} without data"
        words += "; no harm expected"
    tests = [each.test for each in findings if each.level is level]
    test = tests[0] if tests else _look(batch)
    return Verdict(level, words, tuple(findings), test, _not_measured(record, batch), paused)


def stretch(span: Span) -> str:
    """A length of time with its bounds where they differ: "40 min (between 0 and 75)"."""
    if span.most_h <= 2.0:
        scale, unit, digits = 60.0, "min", 0
    elif span.most_h < 10.0:
        scale, unit, digits = 1.0, "h", 1
    elif span.most_h < 96.0:
        scale, unit, digits = 1.0, "h", 0
    else:
        scale, unit, digits = 1 / 24, "days", 1
    shown, least, most = (
        _number(value * scale, digits) for value in (span.hours, span.least_h, span.most_h)
    )
    if least == most:
        return f"{shown} {unit}"
    return f"{shown} {unit} (between {least} and {most})"


def length(hours: float) -> str:
    """A length of time that is certain: "40 min", "5.5 h", "10 days"."""
    return stretch(Span(hours, hours, hours))


def _number(value: float, digits: int) -> str:
    # A half goes up, whichever way the sum was rounded.
    text = f"{value + 1e-9:.{digits}f}"
    return text.rstrip("0").rstrip(".") if digits else text


def _findings(record: ThermalRecord, batch: Batch) -> Iterator[Finding]:
    if record.known_h <= 0.0:
        yield Finding(Level.CHECK, "no probe has measured it: nothing can be said", _look(batch))
        return
    several = len({each.stage for each in record.limits}) > 1
    for out in record.limits:
        wants = _wants(record, out.stage)
        found = _paused(out, wants, batch) if out.name == "slow_below_c" else None
        if out.name in RULES and not _beside_the_point(out, wants):
            found = _by_rule(out, RULES[out.name], wants, batch)
        if found is not None:
            words = f"while {out.stage}, {found.words}" if several else found.words
            rank = list(RULES).index(out.name) if out.name in RULES else len(RULES)
            yield Finding(found.level, words, found.test, out.stage, rank)
    if record.longest_unknown_h >= UNKNOWN_CHECK_H:
        words = f"{length(record.longest_unknown_h)} without data: nobody knows what happened then"
        yield Finding(Level.CHECK, words, _cut(batch))


def _wants(record: ThermalRecord, stage: Stage) -> Needs | None:
    return next((each.piece.needs for each in record.parts if each.piece.stage is stage), None)


def _beside_the_point(out: Beyond, wants: Needs | None) -> bool:
    """Whether a limit that holds for all species says nothing of this one."""
    if wants is None:
        return False
    if out.name == "cold_wet_c":
        # Plants that are to stand cool are not at risk by standing cool.
        low_c = wants.band_c[0] if wants.band_c is not None else None
        least_c = low_c if wants.slow_below_c is None else wants.slow_below_c
        return out.stage is Stage.HARDENING or least_c is None or least_c < out.limit_c
    if out.name == "hot_c":
        return wants.injury_c is not None and not wants.weak("injury_c")
    return out.name == "deadly_c" and wants.kills_c is not None


def _paused(out: Beyond, wants: Needs | None, batch: Batch) -> Finding | None:
    if out.span.hours < PAUSED_FROM_H:
        return None
    mark = "" if wants is None else f" {wants.mark('slow_below_c')}"
    if batch.species in WITH_LEAVES:
        after = "cuttings with leaves are not dormant: look at the leaves [judgement]"
    elif out.stage is Stage.CALLUSING:
        after = "dormant wood takes no harm from cold nights [from memory]"
    else:
        after = "roots wait and take no harm from a cool spell [judgement]"
    return Finding(
        Level.PAUSED,
        f"below {out.limit_c:g} °C{mark} for {stretch(out.span)}: growth paused; {after}",
        _look(batch),
    )


def _by_rule(out: Beyond, rule: Rule, wants: Needs | None, batch: Batch) -> Finding | None:
    span = out.span
    level = _level(span, rule)
    if level is None:
        return None
    if level is Level.DAMAGED and wants is not None and wants.weak(out.name):
        level = Level.CHECK
    source = None if wants is None else wants.sources.get(out.name)
    mark = rule.own if wants is None or source is None else wants.mark(out.name)
    test = _press(batch) if out.name == "warm_limit_c" else _cut(batch)
    words = f"{out.side} {out.limit_c:g} °C {mark} {_how_long(span)}: "
    words += "too short to matter" if level is Level.NO_HARM else rule.says
    if (
        batch.species == "grapevine"
        and out.stage is Stage.CALLUSING
        and out.name in ("kills_c", "deadly_c")
    ):
        words += "; dormant wood of grapevine stands 50 °C for 30 min [literature], new callus not"
    return Finding(level, words, test)


def _level(span: Span, rule: Rule) -> Level | None:
    """How bad so many hours are; None: not worth a word."""
    if span.hours >= rule.check_h:
        sure = span.least_h >= rule.check_h
        if rule.damaged_h is not None and span.hours >= rule.damaged_h and sure:
            return Level.DAMAGED
        return Level.CHECK
    if rule.doubtful and span.most_h >= rule.check_h:
        return Level.CHECK
    # A minute beyond a limit is said, so that nobody wonders, and does no harm.
    return Level.NO_HARM if span.hours * 60.0 >= 1.0 else None


def _how_long(span: Span) -> str:
    if span.hours * 60.0 < 0.5:
        return f"not by the estimate, but {length(span.most_h)} of it possible"
    return f"for {stretch(span)}"


# -- tests


def _at_union(batch: Batch) -> bool:
    return batch.kind is Kind.GRAFTS and batch.zone is Zone.UNION


def _cut(batch: Batch) -> str:
    if not batch.open:
        return _alive(batch)
    if _at_union(batch):
        return f"open five unions: callus white and firm, or brown and wet? {AGAIN}"
    if batch.stage is not Stage.CALLUSING:
        return (
            "lift five: roots white and firm, or brown and soft? cut their bases: green and firm, "
            f"or brown, wet and sour? {AGAIN}"
        )
    return f"cut five bases: green and firm, or brown, wet and sour? {AGAIN}"


def _press(batch: Batch) -> str:
    if not batch.open:
        return _alive(batch)
    what = "unions" if _at_union(batch) else "bases"
    return (
        f"press the callus of five {what}: firm, or soft? count the buds that move, look for "
        f"mould; {AGAIN}"
    )


def _look(batch: Batch) -> str:
    if not batch.open:
        return _alive(batch)
    if batch.species in WITH_LEAVES:
        return f"leaves firm and green, or limp, yellow, dropped? {AGAIN}"
    what = "unions" if _at_union(batch) else "bases"
    seen = "callus" if batch.stage is Stage.CALLUSING else "roots"
    return f"at the next look count {seen} on ten {what}; {AGAIN}"


def _alive(batch: Batch) -> str:
    return f"it is closed: count what lives, bottomheat batch count {batch.name} --alive N"


def _not_measured(record: ThermalRecord, batch: Batch) -> tuple[str, ...]:
    found = ["moisture"]
    if batch.kind is Kind.GRAFTS and (batch.zone is Zone.BASE or record.unmeasured_h > 0):
        found.append("temperature of the unions")
    if record.unknown_h >= 1 / 60:
        found.append(f"{length(record.unknown_h)} without data")
    for why, hours in record.reasons:
        found.append(f"{length(hours)}: {why}")
    return tuple(found)
