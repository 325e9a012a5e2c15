"""What a review tells of a stretch of time: what, why, how bad, what now.  Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from bottomheat.alarm_words import TOLD
from bottomheat.review.causes import ADVICE, NO_RESET, NOT_SAFE, PLUG, Cause, named
from bottomheat.review.diagnose import CLOSE, ENOUGH, Diagnosis
from bottomheat.review.episodes import BY_HAND, Episode
from bottomheat.review.features import Candidate
from bottomheat.review.timeline import Entry, alarm_words
from bottomheat.review.verdict import Level, Verdict

if TYPE_CHECKING:
    from bottomheat.review.record import ThermalRecord
    from bottomheat.review.tally import Tally

CLEAR: Final = 2.0
"""A cause this far ahead of the next is named without "most likely" (judgement)."""
NOTHING_LOST: Final = "Nothing to throw away on this evidence."
_TITLES: Final = {Cause.POWER_CUT: "power cut"}
_GAPS: Final = {
    "power": "power cut",
    "stopped": "service stopped",
    "log failed": "log not written",
    "unknown": "nothing recorded",
}


@dataclass(frozen=True, slots=True)
class Found:
    """What the diagnosis says of one box, or of several to which the same happened."""

    boxes: tuple[str, ...]
    diagnosis: Diagnosis


@dataclass(frozen=True, slots=True)
class BatchToll:
    """What a batch went through: its record over that time, and what it means."""

    name: str
    words: str
    record: ThermalRecord
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class BoxToll:
    """How bad it was in a box.

    Attributes:
        chamber: its name.
        record: of the box against its setpoint, from the first sign until it was back in band.
        back_ms: since when it was in band for good, UTC ms; None: not within the time looked at.
        room_c: coldest and warmest room, °C; None: not known.
        batches: those that stood in it.
    """

    chamber: str
    record: ThermalRecord
    back_ms: int | None
    room_c: tuple[float, float] | None
    batches: tuple[BatchToll, ...]


@dataclass(frozen=True, slots=True)
class Story:
    """All that is told of an episode, or of a stretch of time without one.

    Attributes:
        from_ms: first sign of it, or begin of the stretch, UTC ms.
        to_ms: end of its last alarm or gap, UTC ms.
        episode: None: no alarm and no gap in that time.
        found: the causes.
        tolls: how bad, box by box.
        entries: the timeline.
        latched: boxes that wait for ``reset cutoff``.
        sure: whether a synchronised clock places it.
        now_ms: where the log ends, UTC ms.
    """

    from_ms: int
    to_ms: int
    episode: Episode | None
    found: tuple[Found, ...]
    tolls: tuple[BoxToll, ...]
    entries: tuple[Entry, ...]
    latched: tuple[str, ...]
    sure: bool
    now_ms: int

    @property
    def standing(self) -> bool:
        """Whether something of it still stands."""
        return self.episode is not None and self.episode.standing


@dataclass(frozen=True, slots=True)
class Glance:
    """An episode in a line; ``title`` names the cause where it was looked into."""

    episode: Episode
    title: str


@dataclass(frozen=True, slots=True)
class BoxGlance:
    """A box over the whole stretch; the uncertainties (k = 2) of its extremes in K, None: open."""

    chamber: str
    tally: Tally
    low_k: float | None
    high_k: float | None
    batches: tuple[BatchToll, ...] = ()


@dataclass(frozen=True, slots=True)
class Overview:
    """A stretch of time in few lines.

    Attributes:
        from_ms: begin, UTC ms.
        to_ms: end, UTC ms.
        boxes: box by box.
        glances: the episodes, oldest first.
        gaps_h: how long nothing was recorded, h.
        notes: alarms that are no fault, each in words with how often.
        batch: the batch that it is about, or None.
        latched: boxes that wait for ``reset cutoff``.
        sure: whether a synchronised clock places all of it.
    """

    from_ms: int
    to_ms: int
    boxes: tuple[BoxGlance, ...]
    glances: tuple[Glance, ...]
    gaps_h: float
    notes: tuple[str, ...]
    batch: BatchToll | None
    latched: tuple[str, ...]
    sure: bool
    entries: tuple[Entry, ...] = ()


def together(diagnoses: Mapping[str, Diagnosis]) -> tuple[Found, ...]:
    """The same cause in several boxes is told once, with the evidence of the first of them."""
    boxes: dict[tuple[object, ...], list[str]] = {}
    for name, diagnosis in diagnoses.items():
        first = diagnosis.first
        boxes.setdefault((first.cause, first.place), []).append(name)
    return tuple(Found(tuple(names), diagnoses[names[0]]) for names in boxes.values())


def title(episode: Episode | None, found: Sequence[Found]) -> str:
    """What it was, in a few words that begin with a capital."""
    causes = [
        _TITLES.get(each.diagnosis.first.cause)
        or named(each.diagnosis.first.cause, each.diagnosis.first.place)
        for each in found
        if each.diagnosis.first.cause not in (Cause.NONE, Cause.CANNOT_TELL)
    ]
    if causes:
        return _capital("; ".join(dict.fromkeys(causes)))
    if episode is None:
        return "No fault found" if found else "No alarm"
    return in_short(episode)


def in_short(episode: Episode) -> str:
    """An episode by its alarms and gaps, without a diagnosis."""
    said = [
        _GAPS.get(each.gap, each.gap) if each.gap is not None else _alarm(each.alarm)
        for each in episode.troubles
    ]
    words = list(dict.fromkeys(said))
    more = f" and {len(words) - 2} more" if len(words) > 2 else ""
    return _capital("; ".join(words[:2]) + more)


def _alarm(alarm: object) -> str:
    found = next((each for each in TOLD if each == alarm), None)
    return "alarm" if found is None else alarm_words(found)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def latched(episode: Episode) -> tuple[str, ...]:
    """The boxes that wait for a reset."""
    names = (
        each.chamber or "all boxes"
        for each in episode.troubles
        if each.to_ms is None and each.alarm is not None and TOLD[each.alarm].latching
    )
    return tuple(dict.fromkeys(names))


def rivals(diagnosis: Diagnosis) -> tuple[Candidate, ...]:
    """Causes that cannot be told from the first one."""
    first = diagnosis.first
    if first.cause in (Cause.NONE, Cause.CANNOT_TELL):
        return ()
    return tuple(
        each
        for each in diagnosis.ranked
        if _other(each, first) and each.weight >= max(ENOUGH, first.weight - CLOSE)
    )


def others(diagnosis: Diagnosis, most: int = 2) -> tuple[Candidate, ...]:
    """The next causes with something that speaks for them, the likeliest first."""
    near = rivals(diagnosis)
    rest = [
        each
        for each in diagnosis.ranked
        if _other(each, diagnosis.first) and each not in near and each.weight > 0
    ]
    return tuple(rest[:most])


def ruled_out(diagnosis: Diagnosis) -> tuple[Candidate, ...]:
    """Causes that something speaks for, and more against."""
    return tuple(
        each
        for each in diagnosis.ranked
        if _other(each, diagnosis.first)
        and each.weight <= 0
        and any(mark.weight > 0 for mark in each.marks)
    )


def sure(diagnosis: Diagnosis) -> bool:
    """Whether the first cause is well ahead of the others."""
    rest = [each.weight for each in diagnosis.ranked if _other(each, diagnosis.first)]
    return diagnosis.first.weight - max(rest, default=0.0) >= CLEAR


def _other(each: Candidate, first: Candidate) -> bool:
    return (each.cause, each.place) != (first.cause, first.place)


def steps(story: Story) -> tuple[str, ...]:
    """What to do now, in order."""
    made: list[str] = []
    for each in story.found:
        where = f" ({', '.join(each.boxes)})" if len(story.found) > 1 else ""
        causes = (each.diagnosis.first, *rivals(each.diagnosis))
        if all(one.cause is Cause.NONE for one in causes):
            continue
        for cause in dict.fromkeys(one.cause for one in causes):
            made += [f"{step}{where}" for step in ADVICE[cause].inspect]
    made.sort(key=lambda step: not step.startswith(PLUG))
    for toll in story.tolls:
        for batch in toll.batches:
            if batch.verdict.level >= Level.PAUSED:
                made.append(f"{batch.name}: {batch.verdict.test}.")
    if any(toll.batches for toll in story.tolls):
        made.append(NOTHING_LOST if _harmless(story.tolls) else _TEST_DECIDES)
    return tuple(dict.fromkeys(made)) or ("Nothing.",)


_TEST_DECIDES: Final = "Throw nothing away before the test: temperature alone decides nothing."


def _harmless(tolls: Iterable[BoxToll]) -> bool:
    return all(batch.verdict.level < Level.CHECK for toll in tolls for batch in toll.batches)


def reset(story: Story) -> str:
    """Whether it is safe to reset, and after what; what speaks against it comes first."""
    if not story.latched:
        return "Nothing to reset."
    found = [
        each.diagnosis
        for each in story.found
        if set(each.boxes) & set(story.latched) or "all boxes" in story.latched
    ]
    said = dict.fromkeys(
        ADVICE[one.cause].reset for each in found for one in (each.first, *rivals(each))
    )
    if not found or any(ADVICE[each.first.cause].reset == NO_RESET for each in found):
        # That never cuts heat out: then it is not what did.
        said[ADVICE[Cause.CANNOT_TELL].reset] = None
    return " ".join(
        sorted((each for each in said if each != NO_RESET), key=lambda one: NOT_SAFE not in one)
    )


def reset_command(story: Story) -> str:
    """The command that resets, once that is safe."""
    only = story.latched[0] if len(story.latched) == 1 else ""
    return f"bottomheat reset cutoff {'' if only == 'all boxes' else only}".rstrip()


def stopped_by_hand(episode: Episode | None) -> bool:
    """Whether all that happened is that somebody stopped the service."""
    return episode is not None and all(
        each.gap == "stopped" and each.what.startswith(BY_HAND) for each in episode.troubles
    )
