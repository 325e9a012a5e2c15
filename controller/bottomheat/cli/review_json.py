"""A review as plain data; times UTC ms, temperatures °C, lengths of time h; pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from bottomheat.cli.record_text import Shown, as_data
from bottomheat.review.causes import ADVICE
from bottomheat.review.diagnose import Diagnosis
from bottomheat.review.episodes import Episode
from bottomheat.review.features import Candidate
from bottomheat.review.story import (
    BatchToll,
    BoxToll,
    Overview,
    Story,
    in_short,
    reset,
    steps,
    sure,
    title,
)


def story_data(story: Story) -> dict[str, Any]:
    """All of a story, the whole timeline too."""
    found: dict[str, Any] = _plain(
        {
            "title": title(story.episode, story.found),
            "from_ms": story.from_ms,
            "to_ms": story.to_ms,
            "standing": story.standing,
            "clock_sure": story.sure,
            "log_ends_ms": story.now_ms,
            "latched": story.latched,
            "episode": None if story.episode is None else _episode(story.episode),
            "timeline": [asdict(each) for each in story.entries],
            "causes": [{"boxes": each.boxes, **_diagnosis(each.diagnosis)} for each in story.found],
            "boxes": [_toll(each) for each in story.tolls],
            "do_now": steps(story),
            "reset": reset(story),
        }
    )
    return found


def overview_data(found: Overview) -> dict[str, Any]:
    """All of an overview."""
    data: dict[str, Any] = _plain(
        {
            "from_ms": found.from_ms,
            "to_ms": found.to_ms,
            "clock_sure": found.sure,
            "latched": found.latched,
            "unrecorded_h": found.gaps_h,
            "boxes": [
                {
                    "chamber": each.chamber,
                    **asdict(each.tally),
                    "in_band_h": each.tally.in_band_h,
                    "in_band_fraction": each.tally.in_band_frac,
                    "low_expanded_k": each.low_k,
                    "high_expanded_k": each.high_k,
                    "batches": [_batch(batch) for batch in each.batches],
                }
                for each in found.boxes
            ],
            "batch": None if found.batch is None else _batch(found.batch),
            "episodes": [
                {"title": each.title or in_short(each.episode), **_episode(each.episode)}
                for each in found.glances
            ],
            "notes": found.notes,
            "timeline": [asdict(each) for each in found.entries],
        }
    )
    return data


def _episode(each: Episode) -> dict[str, Any]:
    return asdict(each)


def _diagnosis(diagnosis: Diagnosis) -> dict[str, Any]:
    return {
        "first": _candidate(diagnosis.first),
        "well_ahead": sure(diagnosis),
        "ranked": [_candidate(each) for each in diagnosis.ranked],
        "inspect": ADVICE[diagnosis.first.cause].inspect,
        "reset": ADVICE[diagnosis.first.cause].reset,
    }


def _candidate(each: Candidate) -> dict[str, Any]:
    since_s = each.since_s
    return {
        "cause": each.cause,
        "place": each.place,
        "weight": each.weight,
        "since_ms": None if since_s is None else round(since_s * 1000),
        "marks": [
            {
                "weight": mark.weight,
                "text": mark.text,
                "at_ms": None if mark.at_s is None else round(mark.at_s * 1000),
            }
            for mark in each.marks
        ],
    }


def _toll(toll: BoxToll) -> dict[str, Any]:
    return {
        "chamber": toll.chamber,
        "back_in_band_ms": toll.back_ms,
        "room_c": toll.room_c,
        "record": as_data(Shown(toll.chamber, toll.record)),
        "batches": [_batch(each) for each in toll.batches],
    }


def _batch(each: BatchToll) -> dict[str, Any]:
    return {
        "name": each.name,
        "made_of": each.words,
        "record": as_data(Shown(each.name, each.record, verdict=each.verdict)),
    }


def _plain(value: Any) -> Any:
    """The same without what JSON has no word for."""
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
