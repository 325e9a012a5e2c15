"""How far a batch has come, and which step is proposed next.  Pure.

The tool proposes, the grower decides.  Without a synchronised clock no day is counted and the last
known stage goes on.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from bottomheat.season.ledger import DAY_MS, UNHEATED, Batch, Kind, Look, Stage
from bottomheat.season.species import Needs, on_rooted_stock

if TYPE_CHECKING:
    from bottomheat.config_season import SeasonSection

ENOUGH_SHARE: Final = 0.8
"""Of a sample, callused: time for the next stage (common practice, no source)."""
HARDENED_DAYS: Final = (5, 10)
"""How long hardening off takes, days (common practice, no source)."""
CLOCK_NOT_SET: Final = "the clock is not set: no days are counted and the stage stays as it is"
COOL_TOPS: Final = (
    "vent, shade, or move to a cooler room; lower no heat before the callus has been checked"
)
"""What helps buds that move too early (common practice, no source)."""
_PATTERN: Final = re.compile(r"lower-to ([0-9]{1,2}(?:\.[0-9]{1,2})?)")


@dataclass(frozen=True, slots=True)
class Keep:
    """Past its latest day a stage goes on as it is."""


@dataclass(frozen=True, slots=True)
class LowerTo:
    """Past its latest day the setpoint goes down to this temperature, °C."""

    celsius: float


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a batch has come.

    Attributes:
        stage: the one that was last entered.
        day: whole days since it was made; None without a synchronised clock.
        stage_day: whole days in its stage; None without a synchronised clock.
        expected: how many days the stage usually takes, from and to; None: not known.
        expected_mark: how far that can be trusted, as "[weak]".
        proposal: what is proposed and why, one sentence without a full stop, or None.
        step: the stage that is proposed, or None.
        move_out: whether to take it out of the box is proposed.
        overdue: its latest day in this stage has come.
        light_due: it should have light and has not been given any.
        buds_ahead: at the last look more buds moved than bases or unions had callused.
        notes: what else is to be known, each a sentence without a full stop.
    """

    stage: Stage
    day: int | None
    stage_day: int | None
    expected: tuple[int, int] | None
    expected_mark: str = ""
    proposal: str | None = None
    step: Stage | None = None
    move_out: bool = False
    overdue: bool = False
    light_due: bool = False
    buds_ahead: bool = False
    notes: tuple[str, ...] = ()


def at_latest(text: str) -> Keep | LowerTo:
    """What ``at_latest`` says, from the config or of a batch: "keep" or "lower-to 18".

    Raises:
        ValueError: it says neither.
    """
    if text == "keep":
        return Keep()
    found = _PATTERN.fullmatch(text)
    if found is None:
        shown = "".join(c if c.isprintable() else "?" for c in text[:30])
        raise ValueError(f'"{shown}" is neither keep nor lower-to and a temperature')
    return LowerTo(float(found[1]))


def latest_action(
    batch: Batch, wants: Needs, season_cfg: SeasonSection, now_ms: int | None
) -> Keep | LowerTo:
    """What is to be done about a batch today, because its stage has lasted too long.

    Args:
        batch: its own ``at_latest`` wins over the config's.
        wants: of its species and stage.
        season_cfg: the config's part about the season.
        now_ms: UTC ms; None: not known, and nothing is done.

    Returns:
        ``Keep`` until the latest day has come, and where none is known.
    """
    if now_ms is None or not _overdue(batch, wants, now_ms):
        return Keep()
    return _said(batch, season_cfg)


def _said(batch: Batch, season_cfg: SeasonSection) -> Keep | LowerTo:
    try:
        return at_latest(season_cfg.at_latest if batch.at_latest is None else batch.at_latest)
    except ValueError:  # an entry of another version: no heat is changed by what nobody can read
        return Keep()


def _overdue(batch: Batch, wants: Needs, now_ms: int) -> bool:
    latest = wants.latest_days
    return batch.open and latest is not None and batch.stage_days(now_ms) >= latest


def last_counted(batch: Batch, *names: str) -> Look | None:
    """The last look at which all of these were counted of a sample, or None."""
    for look in reversed(batch.looks):
        if all(look.share(name) is not None for name in names):
            return look
    return None


def ahead(look: Look) -> bool:
    """Whether at a look a larger share had moving buds than had callus."""
    buds, callused = look.share("buds"), look.share("callused")
    return buds is not None and callused is not None and buds > callused


def buds_broke(batch: Batch, now_ms: int | None = None) -> Look | None:
    """The first look at which a bud moved, until then, or None."""
    for look in batch.looks:
        if look.buds and (now_ms is None or look.at_ms <= now_ms):
            return look
    return None


def light_due(batch: Batch, season_cfg: SeasonSection, now_ms: int) -> bool:
    """Whether it should have light and has not: at bud break or by day, whichever comes first.

    The day is ``light_after`` of the config, 14 by default (common practice, no source).
    """
    if not batch.open or batch.light_ms is not None:
        return False
    by_day = now_ms - batch.made_ms >= season_cfg.light_after_days * DAY_MS
    return by_day or buds_broke(batch, now_ms) is not None


def following(batch: Batch) -> Stage | None:
    """The stage after its present one; grafts on stocks that have roots need no rooting."""
    match batch.stage:
        case Stage.CALLUSING:
            grafted = batch.kind is Kind.GRAFTS and on_rooted_stock(batch.species)
            return Stage.HARDENING if grafted else Stage.ROOTING
        case Stage.ROOTING:
            return Stage.HARDENING
        case Stage.HARDENING:
            return None


def progress(
    batch: Batch, wants: Needs, season_cfg: SeasonSection, now_ms: int, *, clock_sure: bool
) -> Progress:
    """How far a batch has come, and what is proposed.

    Args:
        batch: what the ledger tells of it.
        wants: of its species and stage.
        season_cfg: the config's part about the season.
        now_ms: UTC ms.
        clock_sure: the wall clock is synchronised.
    """
    stage_day = batch.stage_days(now_ms) if clock_sure and batch.open else None
    overdue = clock_sure and _overdue(batch, wants, now_ms)
    notes = [] if clock_sure or not batch.open else [CLOCK_NOT_SET]
    proposal, step, move_out = _proposed(batch, wants, stage_day)
    early = batch.open and _buds_ahead(batch)
    if early:
        notes.append(_early_words(batch))
    if overdue:
        notes.append(_overdue_words(batch, wants, season_cfg, stage_day))
    if batch.open and batch.stage is Stage.HARDENING and stage_day is not None:
        notes.append(hardening_step(batch.place, stage_day, season_cfg.lower_per_day_k))
    return Progress(
        stage=batch.stage,
        day=batch.days(now_ms) if clock_sure else None,
        stage_day=stage_day,
        expected=wants.days,
        expected_mark="" if wants.days is None else wants.mark("days"),
        proposal=proposal,
        step=step,
        move_out=move_out,
        overdue=overdue,
        light_due=clock_sure and light_due(batch, season_cfg, now_ms),
        buds_ahead=early,
        notes=tuple(notes),
    )


_NOTHING: Final[tuple[str | None, Stage | None, bool]] = (None, None, False)


def _proposed(
    batch: Batch, wants: Needs, stage_day: int | None
) -> tuple[str | None, Stage | None, bool]:
    """The next step in words, the stage it leads to, whether moving out would do as well."""
    if not batch.open:
        return _NOTHING
    callused, rooted = _enough(batch, "callused"), _tips(batch)
    match batch.stage:
        case Stage.CALLUSING:
            step = following(batch)
            if callused is not None and (rooted is None or step is Stage.HARDENING):
                return f"{callused}: {_on_to(step, batch)}", step, False
            if callused is not None or _enough(batch, "rooted") is not None:
                return (
                    f"{rooted}: {_on_to(Stage.HARDENING, batch)}",
                    Stage.HARDENING,
                    _heated(batch),
                )
        case Stage.ROOTING:
            if rooted is not None:
                return (
                    f"{rooted}: {_on_to(Stage.HARDENING, batch)}",
                    Stage.HARDENING,
                    _heated(batch),
                )
        case Stage.HARDENING:
            last = None if wants.days is None else wants.days[1]
            if last is not None and stage_day is not None and stage_day >= last:
                out = "move it out, or " if _heated(batch) else ""
                return f"hardened off for {stage_day} days: {out}pot it up", None, _heated(batch)
    return _NOTHING


def _heated(batch: Batch) -> bool:
    return batch.place != UNHEATED


def _on_to(step: Stage | None, batch: Batch) -> str:
    if step is not Stage.HARDENING:
        return "go on to rooting, cooler than for callus"
    return "harden off, or move it out to where it is cooler" if _heated(batch) else "harden off"


def _enough(batch: Batch, name: str) -> str | None:
    look = last_counted(batch, name)
    share = None if look is None else look.share(name)
    if look is None or share is None or share < ENOUGH_SHARE - 1e-9:
        return None
    return f"{getattr(look, name)} of {look.sampled} {name}"


def _tips(batch: Batch) -> str | None:
    """The last count of roots in words, where there were any."""
    look = last_counted(batch, "rooted")
    if look is None or not look.rooted:
        return None
    return f"{look.rooted} of {look.sampled} with root tips"


def _buds_ahead(batch: Batch) -> bool:
    """Whether buds move that have no callus to feed them, as far as was seen."""
    if batch.stage is Stage.HARDENING:
        return False
    look = last_counted(batch, "buds")
    buds = None if look is None else look.share("buds")
    if not buds:
        return False
    callus = last_counted(batch, "callused")
    callused = None if callus is None else callus.share("callused")
    return callused is None or buds > callused


def _early_words(batch: Batch) -> str:
    buds, callus = last_counted(batch, "buds"), last_counted(batch, "callused")
    seen = "" if buds is None else f"{buds.buds} of {buds.sampled} with moving buds"
    if callus is None:
        return f"{seen} and no count of callus: count it before you change anything; {COOL_TOPS}"
    return (
        f"buds are ahead of the callus ({seen}, {callus.callused} of {callus.sampled} callused): "
        f"{COOL_TOPS}"
    )


def _overdue_words(
    batch: Batch, wants: Needs, season_cfg: SeasonSection, stage_day: int | None
) -> str:
    action = _said(batch, season_cfg)
    late = (
        f"day {stage_day} of {batch.stage}, and day {wants.latest_days} was the latest "
        f"{wants.mark('latest_days')}: look and decide"
    )
    if not _heated(batch):
        return late
    if isinstance(action, LowerTo):
        return f"{late}; until then at_latest asks for no more than {action.celsius:g} °C for it"
    return f"{late}; until then its heat is kept (at_latest: keep)"


def hardening_step(place: str, stage_day: int, lower_per_day_k: float) -> str:
    """What hardening off asks for on a day (common practice, no source).

    Args:
        place: where the batch stands.
        stage_day: whole days since hardening off began.
        lower_per_day_k: how fast the setpoint is lowered, K a day.
    """
    if place == UNHEATED:
        if stage_day < HARDENED_DAYS[0]:
            return "hardening off: shade it, keep frost and wind away, let in a little more air"
        return "hardening off: more light and air each day, no frost"
    if stage_day < 3:
        return f"hardening off: heat goes down {lower_per_day_k:g} K a day, lid still on"
    if stage_day < HARDENED_DAYS[0]:
        return f"hardening off: lid ajar, heat goes down {lower_per_day_k:g} K a day to 15 to 18 °C"
    if stage_day < HARDENED_DAYS[1]:
        return "hardening off: lid further open each day, then off"
    return "hardening off: lid off, then heat off"
