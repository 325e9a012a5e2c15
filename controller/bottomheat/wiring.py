"""The keeper's wiring: what it needs of the config, as plain JSON.

The keeper has to stay small, so it does not load the config's parser.  A short-lived child does
(``python -m bottomheat.wiring CONFIG``) and prints this JSON.  The keeper leaves a sealed copy in
the run and the state folder, so that the lines can be opened after a crash without the config,
and so that a config spoiled by a slip of the pen does not leave a cold bed after a restart.
"""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bottomheat.errors import BottomheatError, ConfigError
from bottomheat.keeper import KeeperLine, SeriesLine

if TYPE_CHECKING:
    from bottomheat.config import Config

FILE_NAME = "keeper-wiring.json"
FORM = "bottomheat keeper wiring"
VERSION = 1


@dataclass(frozen=True, slots=True)
class SounderLine:
    """The GPIO line of a buzzer or lamp in the shed; it heats nothing."""

    gpio: int
    active_high: bool


@dataclass(frozen=True, slots=True)
class Wiring:
    """Everything that the keeper needs to know.

    Attributes:
        config: absolute path of the config it came from.
        run_folder: folder for sockets.
        state_folder: folder for the latch file.
        w1_devices: the kernel's folder of 1-Wire devices.
        lines: the relays.
        chip: number of the GPIO chip once a keeper has opened it, or None.
        sounder: what sounds in the shed, or None.
    """

    config: str
    run_folder: str
    state_folder: str
    w1_devices: str
    lines: tuple[KeeperLine, ...]
    chip: int | None = None
    sounder: SounderLine | None = None

    @property
    def socket(self) -> Path:
        """Where the keeper listens for leases."""
        return Path(self.run_folder) / "keeper.sock"

    @property
    def latch_file(self) -> Path:
        """The keeper's own latches."""
        return Path(self.state_folder) / "keeper-latch.json"

    @property
    def outputs(self) -> tuple[tuple[int, bool], ...]:
        """Every relay line: GPIO number, and whether its contact closes when it is high."""
        return tuple(_outputs(self.lines))

    def with_chip(self, chip: int | None) -> Wiring:
        """Return the same wiring with the number of its GPIO chip."""
        return replace(self, chip=chip)

    def as_plain(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return asdict(self)


def from_plain(plain: Any) -> Wiring:
    """Make a wiring from plain data; one that was kept before there were sounders has none.

    Raises:
        ValueError: it is not exactly a wiring.
    """
    try:
        lines = tuple(_line(entry) for entry in plain["lines"])
        chip = plain["chip"]
        wiring = Wiring(
            config=_text(plain["config"]),
            run_folder=_text(plain["run_folder"]),
            state_folder=_text(plain["state_folder"]),
            w1_devices=_text(plain["w1_devices"]),
            lines=lines,
            chip=None if chip is None else _gpio(chip),
            sounder=_sounder(plain.get("sounder")),
        )
    except (AttributeError, KeyError, TypeError) as error:
        raise ValueError(f"it is no wiring ({error!r})") from error
    if not lines:
        raise ValueError("it names no relay")
    gpios = [gpio for gpio, _ in wiring.outputs]
    if len(set(gpios)) != len(gpios):
        raise ValueError("it names one GPIO line for two relays")
    if wiring.sounder is not None and wiring.sounder.gpio in gpios:
        raise ValueError("it names one GPIO line for a relay and the sounder")
    return wiring


def wiring_of(config: Config, path: Path) -> Wiring:
    """Return the wiring of a checked config that was read from ``path``.

    Raises:
        ConfigError: a series relay has no probe to go by, or two outputs share a line.
    """
    lines = []
    for name, chamber in config.chambers.items():
        series = chamber.keeper.series_relay
        if series is not None and chamber.keeper_probe is None:
            raise ConfigError(
                f"{path}: chamber {name} has a series relay and no mat probe for it to go by; "
                "name one under probes.mat or keeper.probe."
            )
        lines.append(
            KeeperLine(
                chamber=name,
                gpio=chamber.heater.gpio,
                active_high=chamber.heater.active_high,
                probe=chamber.keeper_probe,
                limit_c=chamber.limits.mat_c,
                series=None if series is None else SeriesLine(series.gpio, series.active_high),
            )
        )
    gpios = [gpio for gpio, _ in _outputs(lines)]
    twice = sorted({gpio for gpio in gpios if gpios.count(gpio) > 1})
    if twice:
        raise ConfigError(f"{path}: GPIO {twice[0]} is named for two relays; give each its own.")
    sounder = config.sounder
    if sounder is not None and sounder.gpio in gpios:
        raise ConfigError(
            f"{path}: GPIO {sounder.gpio} is named for a relay and for the sounder; "
            "give each its own."
        )
    return Wiring(
        config=os.path.abspath(path),
        run_folder=config.run_folder,
        state_folder=os.path.dirname(os.path.abspath(config.log)),
        w1_devices=config.w1_devices,
        lines=tuple(lines),
        sounder=None if sounder is None else SounderLine(sounder.gpio, sounder.active_high),
    )


def main(arguments: list[str]) -> int:
    """Print the wiring of the config file given as the only argument."""
    from bottomheat_drivers.config_yaml import load_config

    path = Path(arguments[0])
    try:
        wiring = wiring_of(load_config(path), path)
    except BottomheatError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_code
    sys.stdout.write(json.dumps(wiring.as_plain(), allow_nan=False))
    return 0


def _outputs(lines: tuple[KeeperLine, ...] | list[KeeperLine]) -> Iterator[tuple[int, bool]]:
    for line in lines:
        yield line.gpio, line.active_high
        if line.series is not None:
            yield line.series.gpio, line.series.active_high


def _line(entry: Mapping[str, Any]) -> KeeperLine:
    series = entry["series"]
    probe = entry["probe"]
    limit = entry["limit_c"]
    if isinstance(limit, bool) or not isinstance(limit, int | float) or not math.isfinite(limit):
        raise ValueError(f"{limit!r} is no temperature limit")
    return KeeperLine(
        chamber=_text(entry["chamber"]),
        gpio=_gpio(entry["gpio"]),
        active_high=_flag(entry["active_high"]),
        probe=None if probe is None else _text(probe),
        limit_c=float(limit),
        series=None
        if series is None
        else SeriesLine(_gpio(series["gpio"]), _flag(series["active_high"])),
    )


def _sounder(entry: Mapping[str, Any] | None) -> SounderLine | None:
    if entry is None:
        return None
    return SounderLine(_gpio(entry["gpio"]), _flag(entry["active_high"]))


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value:
        raise ValueError(f"{value!r} is no text")
    return value


def _gpio(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 63:
        raise ValueError(f"{value!r} is no GPIO number")
    return value


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"{value!r} is neither true nor false")  # noqa: TRY004
    return value


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
