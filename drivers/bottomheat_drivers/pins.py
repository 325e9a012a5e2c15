"""Pin factories for gpiozero, chosen explicitly.

gpiozero left to itself tries one back end after the other and only warns.  Here it is the Pi's own
lines through lgpio or, where the environment says so, its mock; anything else is an error.  The
libraries are imported where they are needed: they take seconds on a small Pi.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from bottomheat.errors import DriverError

MOCK_PINS = "BOTTOMHEAT_MOCK_PINS"
"""Names a file that shows the mock lines' levels to the world outside the process."""

LGPIO_REMEDY = (
    "sudo apt install python3-lgpio, and make the environment with --system-site-packages, as "
    "README says"
)
"""One way on every Raspberry Pi OS: its own package, because lgpio has no wheel for Python 3.13."""


def pin_kind() -> str:
    """Return the kind of pins that the environment asks for: ``mock`` or ``lgpio``.

    ``GPIOZERO_PIN_FACTORY`` is gpiozero's own variable.

    Raises:
        DriverError: it names a back end that leaves a glitch or a line behind.
    """
    kind = os.environ.get("GPIOZERO_PIN_FACTORY", "lgpio")
    if kind not in ("lgpio", "mock"):
        raise DriverError(
            f"GPIOZERO_PIN_FACTORY is {kind!r}: only lgpio (a Pi's own lines) and mock (no "
            "hardware) are supported; unset it."
        )
    return kind


def pin_factory(kind: str) -> Any:
    """Return a gpiozero pin factory.

    Args:
        kind: ``lgpio``, or ``mock`` for pins without hardware.

    Raises:
        DriverError: lgpio, the GPIO device or the permission to use it is missing, or this is
            not a Raspberry Pi.
    """
    if kind == "mock":
        from gpiozero.pins.mock import MockFactory, MockPin

        file = os.environ.get(MOCK_PINS)
        return MockFactory(pin_class=_mirrored(Path(file), MockPin) if file else MockPin)
    if kind != "lgpio":
        raise DriverError(f"there is no kind of pins called {kind!r}: use lgpio or mock.")
    return _lgpio_factory()


@contextmanager
def line_errors(doing: str) -> Iterator[None]:
    """Turn what gpiozero and lgpio raise into a DriverError that begins with ``doing``."""
    try:
        yield
    except _library_errors() as error:
        raise DriverError(f"{doing}: {_sentence(error)}") from error


def _library_errors() -> tuple[type[Exception], ...]:
    """The base classes of what the loaded libraries raise; both derive from Exception itself.

    Looked up at the moment of failure, because what was never loaded cannot have raised, and the
    program that opens the lines after a crash must not wait for gpiozero's import.
    """
    named = (("gpiozero", "GPIOZeroError"), ("lgpio", "error"))
    found = (getattr(sys.modules.get(module), name, None) for module, name in named)
    return (OSError, *(each for each in found if each is not None))


def _sentence(error: Exception) -> str:
    text = str(error).strip().strip("'\"")
    if "busy" in text.lower():
        return "the line is busy: another program drives it; stop that first"
    return text or type(error).__name__


def load_lgpio() -> Any:
    """Return the module lgpio.

    Raises:
        DriverError: missing, empty (as a release of 2021 is, which pip takes where no later one
            has a wheel), or without a folder for its working files.
    """
    # It makes a FIFO in the folder LG_WD, or else in the current one, when it is imported.
    try:
        import lgpio
    except ImportError as error:
        raise DriverError(
            "the Python module lgpio, which drives a Pi's lines, is missing "
            f"({error}): {LGPIO_REMEDY}."
        ) from error
    except OSError as error:
        raise DriverError(
            f"lgpio cannot make its working files ({error.strerror or error}): set LG_WD to a "
            "folder that this user may write to."
        ) from error
    if not hasattr(lgpio, "gpiochip_open"):
        raise DriverError(
            "the Python module lgpio is an empty one, which drives no line: "
            f"{sys.executable} -m pip uninstall lgpio, then {LGPIO_REMEDY}."
        )
    return lgpio


def _lgpio_factory() -> Any:
    lgpio = load_lgpio()
    from gpiozero.pins.lgpio import LGPIOFactory, LGPIOPin

    class SteadyPin(LGPIOPin):  # type: ignore[misc]
        """A line that never leaves the level asked for, neither at its start nor at its end."""

        def output_with_state(self, state: bool) -> None:
            """Claim the line as an output that is at its level from the first instant.

            The parent claims it low and then writes the level, which closes an active-low relay
            for an instant at every start.
            """
            handle = self.factory._handle  # noqa: SLF001 (a pin has no other way to its chip)
            lgpio.gpio_claim_output(handle, self._number, int(bool(state)))

        def close(self) -> None:
            """Free the line, leaving it to the kernel as it is.

            The parent makes it a floating input with its pull resistor off, which leaves the relay
            to chance.  A stock Pi kernel keeps the level of a freed output (off: see
            ``GpioRelay.close``), one with strict_gpiod returns it to its boot state.
            """
            handle = self.factory._handle  # noqa: SLF001
            if handle is not None:
                with suppress(lgpio.error):  # not claimed: nothing to free
                    lgpio.gpio_free(handle, self._number)

    try:
        with line_errors("the GPIO lines cannot be opened"):
            factory = LGPIOFactory()
            factory.pin_class = SteadyPin
    except DriverError as error:
        raise DriverError(
            f"{error}; this must be a Raspberry Pi, and its user in the group gpio."
        ) from error
    return factory


def _mirrored(file: Path, base: Any) -> Any:
    """A mock pin whose level is mirrored into ``file`` and stays there when the pin is let go.

    That is what the lines of a Pi do after the end of a process, unless strict_gpiod is set.
    """

    class MirroredPin(base):  # type: ignore[misc]
        def _set_state(self, value: float) -> None:
            super()._set_state(value)
            mirror_level(file, self._number, bool(value))

    return MirroredPin


def mirror_level(file: Path, gpio: int, level: bool) -> None:
    """Set one line's level in the file of mock lines; readers never see half a file."""
    levels = mirrored_levels(file)
    if levels.get(gpio) is level:
        return
    levels[gpio] = level
    fresh = file.with_name(f".{file.name}.{os.getpid()}")
    fresh.write_text(json.dumps({str(key): int(levels[key]) for key in sorted(levels)}))
    os.replace(fresh, file)


def mirrored_levels(file: Path) -> dict[int, bool]:
    """Return the levels in the file of mock lines by GPIO number; empty where there is none."""
    try:
        text = file.read_text()
    except FileNotFoundError:
        return {}
    return {int(gpio): bool(level) for gpio, level in json.loads(text).items()}
