"""What the controller needs of the outside world, as small Protocols.

Each has at least two implementations in ``bottomheat_drivers``: the real one, and a working fake
that ships with the project because the rehearsal and the tests run on it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from bottomheat.calibration.ledger import ProbeCheck, ReferenceEntry
from bottomheat.model import Event, Place, Raw, Record

if TYPE_CHECKING:  # the keeper must stay small, and the config's parser is large
    from bottomheat.config import Config
    from bottomheat.season.ledger import SeasonEntry


class Clock(Protocol):
    """Time.  Control uses ``monotonic_s`` alone."""

    def monotonic_s(self) -> float:
        """Seconds on a clock that is never stepped."""
        ...

    def wall_ms(self) -> int:
        """Milliseconds of UTC since 1970, right only when ``synchronised``."""
        ...

    def synchronised(self) -> bool:
        """Whether the wall clock has been set from outside since boot."""
        ...


class Probes(Protocol):
    """All probes of all chambers."""

    def read_all(self, now_s: float) -> Mapping[str, Mapping[Place, Raw]]:
        """One reading a probe, by chamber; returns by its deadline and never raises."""
        ...

    def close(self) -> None:
        """Stop reading; idempotent."""
        ...


class Relay(Protocol):
    """One relay line.  ``closed`` means that heat may flow."""

    def set(self, closed: bool) -> None:
        """Close or open the contact.

        Raises:
            DriverError: the line did not take the level; the caller treats it as open-and-failed.
        """
        ...

    @property
    def is_closed(self) -> bool:
        """The level that the line is driven to, read back."""
        ...

    @property
    def closings(self) -> int:
        """Closings since this object was made (never edges)."""
        ...

    def close(self) -> None:
        """Open the contact, then let the line go; idempotent."""
        ...


@dataclass(frozen=True, slots=True)
class Lease:
    """The daemon's word to the keeper: these chambers may be heated, for the lease time from now.

    Attributes:
        sent_s: monotonic time of sending, so that a lease that waited in a queue is seen as old.
        heat: chambers whose heat relay may be closed; every other chamber's is opened.
        reset: ask the keeper to clear its own latch (it decides by its own probe).
        open_series: chambers whose series relay has to open, because the daemon takes the first
            contact to be welded or is proving that the second one opens; it can only ask for open.
        sound: an alarm of the first level stands that nobody has seen: sound the shed's sounder.
        wiring: what the daemon takes to be wired to what; a keeper on another wiring gives no heat,
            because this chamber's word would close that chamber's relay.
    """

    sent_s: float
    heat: frozenset[str]
    reset: frozenset[str] = frozenset()
    wiring: str = ""
    open_series: frozenset[str] = frozenset()
    sound: bool = False


@dataclass(frozen=True, slots=True)
class LineStatus:
    """What the keeper says about one chamber's relay."""

    chamber: str
    closed: bool
    closings: int
    latched: bool
    reason: str
    probe_c: float | None
    series_closed: bool | None


@dataclass(frozen=True, slots=True)
class KeeperStatus:
    """The keeper's last answer."""

    at_s: float
    pid: int
    lines: tuple[LineStatus, ...]

    def line(self, chamber: str) -> LineStatus | None:
        """The named chamber's line, or None where the keeper does not know it."""
        return next((line for line in self.lines if line.chamber == chamber), None)


class KeeperLink(Protocol):
    """The daemon's end of the line to the keeper; never blocks and never raises."""

    def send(self, lease: Lease) -> bool:
        """Send a lease; False if nobody took it."""
        ...

    def status(self) -> KeeperStatus | None:
        """The newest answer received, or None if there was none yet."""
        ...

    def close(self) -> None:
        """Tell the keeper to open every line, then hang up; idempotent."""
        ...


class Journal(Protocol):
    """The log, as the loop sees it: never blocks, never raises."""

    def record(self, records: Sequence[Record], events: Sequence[Event]) -> None:
        """Take a cycle's rows; drops the oldest and counts when its queue is full."""
        ...

    def note_clock(self, monotonic_s: float, wall_ms: int, synchronised: bool) -> None:
        """Tie monotonic to wall time (a ``clock`` row)."""
        ...

    def note_config(self, text: str, checksum: str) -> None:
        """Keep the text of an accepted config."""
        ...

    def note_tending(
        self,
        chamber: str,
        doing: str,
        note: str = "",
        for_s: float | None = None,
        lid: str | None = None,
    ) -> None:
        """Keep that a box is tended: what is done, for how long, how the lid lies from then on.

        ``doing`` is "done" where a spell is over early; ``for_s`` and ``lid`` are None where they
        were not said.
        """
        ...

    def note_reference(self, entry: ReferenceEntry) -> None:
        """Keep a reading of a trusted thermometer, with its pairing."""
        ...

    def note_drop(self, number: int, note: str) -> None:
        """Mark a reading as dropped, and why; the reading stays."""
        ...

    def note_probe_check(self, check: ProbeCheck) -> None:
        """Keep a comparison of a probe."""
        ...

    def note_borrowing(self, chamber: str, probe: str, for_s: float | None, note: str = "") -> None:
        """Keep that a borrowed probe begins to teach, for ``for_s``; with None that it ends."""
        ...

    def note_borrowed(self, chamber: str, celsius: float, at_s: float) -> None:
        """Keep one reading of the borrowed probe: monotonic s of this run."""
        ...

    def note_season(self, entry: SeasonEntry, number: int | None = None) -> None:
        """Keep an entry of the season's ledger, by its number; None: the one after the newest."""
        ...

    def write_soon(self) -> None:
        """Have what is waiting written now, for a reader that waits; returns at once."""
        ...

    def failure(self) -> str | None:
        """Why rows are not reaching the disk at present, or None when all is well."""
        ...

    def close(self) -> None:
        """Write what is waiting, within a bounded time; idempotent."""
        ...


class BorrowedProbes(Protocol):
    """Probes that teach for some days: read beside the loop, never used by control."""

    def lend(self, chamber: str, probe: str) -> None:
        """Begin to read this probe for a chamber, in place of one that it had; returns at once."""
        ...

    def give_back(self, chamber: str) -> None:
        """Stop reading the chamber's borrowed probe; idempotent."""
        ...

    def newest(self) -> Mapping[str, Raw]:
        """The newest answer by chamber; never blocks and never raises."""
        ...

    def close(self) -> None:
        """Stop reading all; idempotent."""
        ...


@dataclass(frozen=True, slots=True)
class Latch:
    """A latched cutoff: who, why, when."""

    chamber: str
    cause: str
    wall_ms: int


class LatchStore(Protocol):
    """A small checksummed file that survives a power cut.

    A missing or unreadable file reads as latched for every chamber.
    """

    def load(self) -> Mapping[str, Latch]:
        """The latched chambers.

        Raises:
            LatchError: missing or damaged; the caller treats every chamber as latched.
        """
        ...

    def save(self, latches: Mapping[str, Latch]) -> None:
        """Replace the file durably (temporary file, fsync, rename, fsync of the folder).

        Raises:
            LatchError: not written; the caller gives no heat.
        """
        ...

    def withdraw(self) -> None:
        """Remove what is stored, where a new latch cannot be saved; never raises.

        A full disk still lets a file go, and a missing one reads as latched at the next start,
        while the old content would read as clear.
        """
        ...


class ServiceManager(Protocol):
    """The service manager's notification protocol (sd_notify)."""

    def ready(self) -> None:
        """Start-up is finished."""
        ...

    def status(self, line: str) -> None:
        """One line for ``systemctl status``."""
        ...

    def alive(self) -> None:
        """A whole healthy cycle is done: pet the watchdog."""
        ...

    def reloading(self, monotonic_s: float) -> None:
        """The config is being re-read; ``ready`` follows."""
        ...

    def stopping(self) -> None:
        """Shutting down."""
        ...


@dataclass(frozen=True, slots=True)
class ConfigChange:
    """The outcome of looking at the config file again."""

    config: Config | None
    text: str
    checksum: str
    problems: tuple[str, ...]


class ConfigSource(Protocol):
    """The config file, watched."""

    def poll(self, *, force: bool = False) -> ConfigChange | None:
        """None if the file has not changed since the last call (``force``: look anyway)."""
        ...

    def accept(self, change: ConfigChange) -> None:
        """Keep a checksummed copy of an accepted config in the state folder."""
        ...


class Signals(Protocol):
    """What the process was asked to do from outside."""

    @property
    def stop_requested(self) -> bool:
        """Whether to end."""
        ...

    def take_reload(self) -> bool:
        """Whether a re-read of the config was asked for since the last call."""
        ...


class ProofStore(Protocol):
    """Remembers for which wiring the probes and plugs were proved."""

    def matches(self, fingerprint: str) -> bool:
        """Whether this wiring was proved; False when the file is missing or damaged."""
        ...

    def save(self, fingerprint: str) -> None:
        """Keep it durably.

        Raises:
            LatchError: not written.
        """
        ...


class DeskStore(Protocol):
    """Remembers over a restart which alarms were seen or paused; nothing of safety is in it."""

    def load(self) -> Any:
        """What was saved last, as plain JSON data; None where there is none that can be used."""
        ...

    def save(self, payload: Any) -> None:
        """Have it kept; never blocks and never raises."""
        ...

    def failure(self) -> str | None:
        """Why it could not be read or kept, or None."""
        ...


class PowerSupply(Protocol):
    """The supply of the machine itself."""

    def undervoltage(self) -> str | None:
        """What the kernel says of a supply voltage that is too low, or None; never blocks."""
        ...


Handler = Callable[[Mapping[str, Any]], Mapping[str, Any]]
"""A control request in, its answer out; both are plain JSON objects."""


class ControlServer(Protocol):
    """Serves the commands that talk to the daemon, in the time between cycles."""

    def serve_until(self, deadline_s: float, handler: Handler) -> bool:
        """Answer requests until the deadline or a signal; True if a signal cut it short."""
        ...

    def close(self) -> None:
        """Close and remove the socket; idempotent."""
        ...
