"""What ``check``, ``today``, ``ready`` and ``season`` say of the relays: from file and log."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bottomheat.errors import LogError

if TYPE_CHECKING:
    from bottomheat.config import Config
    from bottomheat.relay_life import Life
    from bottomheat.season.ledger import Dated
    from bottomheat.season.relays import Contact


def lives_of(config: Config, path: Path | None = None) -> tuple[dict[Contact, Life], str | None]:
    """The life of every relay, and why the count that was kept cannot be used, or None.

    The file may be some hours old; what has closed since then is known from the log.

    Args:
        config: the accepted config.
        path: the log; None: the config's.  Beside it lies the file.
    """
    from bottomheat.relay_life import resumed
    from bottomheat.season.relays import HEAT, contacts_of, counts_of, life_of, told
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.desk_file import contacts_file
    from bottomheat_drivers.log import LogReader

    log = Path(config.log) if path is None else path
    store = contacts_file(log.absolute().parent)
    kept = {}
    try:
        kept = counts_of(store.load())
        trouble = store.failure()
    except ValueError as error:
        trouble = f"{error}."
    logged: dict[str, int] | None = None
    entries: list[Dated] = []
    try:
        with LogReader(log) as reader:
            logged = {name: reader.closings(name) for name in config.chambers}
            entries = reader.season_entries()
    except LogError:
        pass  # said where the log is looked at
    said, clock = told(entries), SystemClock()
    now_ms = clock.wall_ms() if clock.synchronised() else None
    found = {}
    for contact in contacts_of(config):
        of_log = logged[contact[0]] if logged is not None and contact[1] == HEAT else None
        count = resumed(kept.get(contact), of_log, now_ms, lost=trouble is not None)
        found[contact] = life_of(contact, count, config, said, now_ms)
    return found, trouble
