"""What the alerts keep over a restart: one sealed file in a folder of their own."""

from __future__ import annotations

import json
import os
from contextlib import suppress
from pathlib import Path

from pydantic import ValidationError

from bottomheat.alerts.kept import Kept
from bottomheat_drivers.sealed_file import read_sealed, write_sealed

FORM = "bottomheat alerts"
VERSION = 1
MOST_BYTES = 2_000_000
"""Twice what the outbox and the alarms of sixteen boxes can come to."""
BOOT = Path("/proc/sys/kernel/random/boot_id")


class AlertStore:
    """Keeps the waiting messages and what has been told."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "alerts.json"

    def load(self) -> tuple[Kept | None, str | None]:
        """What was kept, or None; and what is wrong with it, in one sentence, or None."""
        try:
            payload = read_sealed(self.path, FORM, VERSION, most_bytes=MOST_BYTES)
            return Kept.model_validate_json(json.dumps(payload)), None
        except FileNotFoundError:
            return None, None
        except OSError as error:
            why = f"cannot be read ({error.strerror})"
        except ValidationError:
            why = "is damaged: its content is not what is kept there"
        except ValueError as error:
            why = str(error)
        with suppress(OSError):
            os.replace(self.path, self.path.with_suffix(".damaged"))
        return None, (
            f"the file of waiting messages {self.path} {why}: what waited is lost, and what "
            "stands is told again"
        )

    def save(self, kept: Kept) -> str | None:
        """Keep it durably; returns why it could not be kept, in one sentence, or None."""
        try:
            write_sealed(self.path, kept.model_dump(mode="json"), FORM, VERSION)
        except OSError as error:
            return (
                f"messages cannot be kept on the disk of {self.path.parent} ({error.strerror}); "
                "after a restart some may be lost or come twice"
            )
        return None


def boot_id() -> str:
    """The kernel's id of this boot of the machine; empty where it gives none."""
    try:
        return BOOT.read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return ""
