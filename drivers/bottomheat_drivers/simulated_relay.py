"""A relay on a simulated chamber, with faults to order."""

from __future__ import annotations

from bottomheat.errors import DriverError


class SimulatedRelay:
    """A relay whose contact may do other than its line says.

    Args:
        name: of its chamber, for messages.
    """

    def __init__(self, name: str = "simulated") -> None:
        self._name = name
        self._level = False
        self._closings = 0
        self._released = False
        self._welded = False
        self._welds_next = False
        self._dead_coil = False
        self._refuses = False

    def set(self, closed: bool) -> None:
        """Drive the line.

        Raises:
            DriverError: the line has been let go, or was told to refuse.
        """
        if self._released or self._refuses:
            state = "has been let go" if self._released else "does not take its level"
            raise DriverError(
                f"The relay line of {self._name} {state}: treat the contact as open and failed."
            )
        if closed and not self._level:
            self._closings += 1
            self._welded = self._welded or self._welds_next
        self._level = closed

    @property
    def is_closed(self) -> bool:
        """The level that the line is driven to."""
        return self._level

    @property
    def contact_closed(self) -> bool:
        """Whether heat flows in truth, which nobody but the simulation knows."""
        return self._welded or (self._level and not self._dead_coil)

    @property
    def closings(self) -> int:
        """Closings commanded since this object was made."""
        return self._closings

    def weld(self) -> None:
        """Let the contact stick closed, whatever the line says."""
        self._welded = True

    def weld_at_next_closing(self) -> None:
        """Let the contact stick when it closes next, as contacts do."""
        self._welds_next = True

    def kill_coil(self) -> None:
        """Let the contact stay open, whatever the line says (unless it is welded)."""
        self._dead_coil = True

    def refuse(self) -> None:
        """Let the line keep its level: every ``set`` fails from now on."""
        self._refuses = True

    def repair(self) -> None:
        """Undo every fault."""
        self._welded = self._welds_next = self._dead_coil = self._refuses = False

    def close(self) -> None:
        """Open the contact, then let the line go; idempotent.  A weld stays welded."""
        self._level = False
        self._released = True
