"""What an entry about a batch comes to, in a few lines for a small screen."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import tzinfo
from typing import Any

from bottomheat.cli.batch_when import day_words
from bottomheat.season.ledger import What

NOT_RUNNING = "The service is not running: no heat, no alarm. The log has this for its start."
CLOCK_NOT_SET = "The clock is not set: the date is filled in once it is."


def told(
    answer: Mapping[str, Any],
    *,
    running: bool,
    clock_set: bool,
    now_ms: int,
    zone: tzinfo | None = None,
) -> str:
    """What the answer means for the grower.

    Args:
        answer: what ``season.answer`` made of an entry that was taken.
        running: the service runs; otherwise only the log knows.
        clock_set: the wall clock can be trusted.
        now_ms: UTC ms.
        zone: time zone of the days; None is this machine's.
    """
    lines = [_kept(answer, now_ms, zone)]
    if answer["kept"] and answer["at_ms"] is None and not clock_set:
        lines.append(CLOCK_NOT_SET)
    lines += (_box(box) for box in answer["boxes"])
    lines += (f"! {_ended(text)}" for text in (*answer["conflicts"], *answer["notes"]))
    lines += _next(answer, zone)
    if not running:
        lines.append(NOT_RUNNING)
    return "\n".join(lines)


def _kept(answer: Mapping[str, Any], now_ms: int, zone: tzinfo | None) -> str:
    what, batch = answer["what"], answer["batch"]
    name = "" if batch is None else f"{batch} "
    corrects, was = answer["corrects"], answer["was"]
    if not answer["kept"]:
        if corrects is not None:
            return f"Nothing new: no. {corrects} says so already."
        return f"Nothing new: {_as_before(what, answer)}."
    if what == What.WITHDRAW:
        return f"No. {corrects} is withdrawn and stays in the list: {name}{was}."
    instead = "" if corrects is None else f", instead of no. {corrects}"
    day = ""
    at_ms = answer["at_ms"]
    if at_ms is not None and day_words(at_ms, zone) != day_words(now_ms, zone):
        day = f"; {day_words(at_ms, zone)}"
    note = f"; {answer['note']}" if answer["note"] else ""
    word, text = "Kept", f"{name}{answer['said']}"
    if what == What.DONE:
        word, text = "Done", str(answer["said"]).removeprefix("done: ")
    return f"{word} (no. {answer['number']}{instead}): {text}{day}{note}."


def _as_before(what: str, answer: Mapping[str, Any]) -> str:
    batch, stands = answer["batch"], answer["stands"]
    if stands is not None and what == What.STAGE:
        return f"{batch} is {stands['stage']} already"
    if stands is not None and what == What.MOVE:
        return f"{batch} stands there already ({stands['place']})"
    return f"{batch} is so already"


def _box(box: Mapping[str, Any]) -> str:
    name, set_c, before_c = box["box"], f"{box['setpoint_c']:g} °C", f"{box['before_c']:g}"
    if not box["in_use"]:
        return f"{name} is not in use: no heat."
    layer = f", wet layer {box['ceiling_c']:g} at most"
    if not box["changed"] and box["per_day_k"] is not None:
        rate = f"by {box['per_day_k']:g} K a day"
        return f"{name} goes on down from {before_c} to {set_c} {rate} for {box['lead']}."
    if box["setpoint_c"] == box["before_c"] and not box["new_lead"]:
        whose = f"for {box['lead']}" if box["lead"] is not None else "as the config says"
        return f"{name} stays at {set_c} {whose}{layer if box['changed'] else ''}."
    at_once_c, per_day_k = box["at_once_c"], box["per_day_k"]
    if at_once_c is not None and per_day_k is not None:
        how = f"from {before_c} to {at_once_c:g} at once, then to {set_c} by {per_day_k:g} K a day"
    elif at_once_c is not None:
        how = f"from {before_c} to {set_c} at once"
    elif per_day_k is not None:
        how = f"from {before_c} to {set_c} by {per_day_k:g} K a day"
    elif box["setpoint_c"] != box["before_c"]:
        how = f"from {before_c} to {set_c}"
    else:
        how = f"stays at {set_c}"
    return f"{name}: {how}{layer}. {_ended(box['why'][:1].upper() + box['why'][1:])}"


def _ended(text: str) -> str:
    """The sentence with its end."""
    return text if text.endswith((".", "?", "!")) else f"{text}."


def _next(answer: Mapping[str, Any], zone: tzinfo | None) -> Iterator[str]:
    for step in answer["next"]:
        day = f" {day_words(step['at_ms'], zone)}" if "at_ms" in step else ""
        if step["do"] is None:
            yield f"Next: {_ended(step['text'] + day)}"
        else:
            yield f"Next: {step['text']}:\n  bottomheat {step['do']}"
