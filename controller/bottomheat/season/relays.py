"""The relays of a box: when each was changed, as the grower says, and what its count comes to.

Pure, and small: the service has it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Final

from bottomheat.relay_life import Count, Life, from_plain, life
from bottomheat.season.ledger import Dated, What, standing

if TYPE_CHECKING:
    from bottomheat.config import Config

HEAT: Final = "relay"
SERIES: Final = "series-relay"
CONTACTS: Final = (HEAT, SERIES)
"""The relays of a box, by the name that is said to ``done``."""

Contact = tuple[str, str]
"""A box, and which of its relays."""

Told = Mapping[Contact, int | None]


def contacts_of(config: Config) -> tuple[Contact, ...]:
    """Every relay that the boxes of a config have."""
    return tuple(
        (name, contact)
        for name, box in config.chambers.items()
        for contact in CONTACTS
        if contact == HEAT or box.keeper.series_relay is not None
    )


def told(entries: Iterable[Dated]) -> Told:
    """When each relay was changed last, UTC ms, by box and name; None: all of it was taken back.

    One that is missing was never said to be changed, or the ledger that said so is lost.
    """
    kept = list(entries)
    found: dict[Contact, int | None] = {key: None for each in kept if (key := _key(each))}
    for each in standing(kept):
        key = _key(each)
        if key is not None:
            found[key] = max(found[key] or 0, each.at_ms)
    return found


def _key(dated: Dated) -> Contact | None:
    entry = dated.entry
    name = entry.data.get("reminder") if entry.what is What.DONE else None
    if name not in CONTACTS or entry.chamber is None:
        return None
    return entry.chamber, str(name)


def life_of(contact: Contact, count: Count, config: Config, said: Told, now_ms: int | None) -> Life:
    """The life of a relay, by what its box's config rates it for.

    Where the ledger knows nothing of a change, what the count itself remembers holds.

    Args:
        contact: which relay, of a box that the config has.
        count: what is kept of it.
        config: the accepted config.
        said: what the grower said of changed relays.
        now_ms: UTC ms; None: the clock is not set.
    """
    heater = config.chambers[contact[0]].heater
    rated = heater.rated_closings if heater.relay == "mechanical" else None
    remembered = count.changes[-1][0] if count.changes else None
    return life(count, rated, said.get(contact, remembered), now_ms)


def counts_of(payload: object) -> dict[Contact, Count]:
    """The counts of what was kept, None for nothing.

    Raises:
        ValueError: it is not what is kept there.
    """
    if payload is None:
        return {}
    try:
        boxes = payload["boxes"]  # type: ignore[index]
        return {
            (name, contact): from_plain(each)
            for name, contacts in boxes.items()
            for contact, each in contacts.items()
        }
    except (KeyError, TypeError, AttributeError):
        raise ValueError("the closings that were kept are not what is kept there") from None
