"""A small JSON file that either reads back exactly as written or is refused.

The file is canonical JSON with the format's name, its version and a SHA-256 over the rest, so that
a flipped bit, a cut-off end and a hand edit are all noticed.  It is replaced as a whole: temporary
file in the same folder, fsync, rename, fsync of the folder.
"""

from __future__ import annotations

import importlib
import json
import os
from contextlib import suppress
from pathlib import Path
from typing import Any

MAX_BYTES = 65_536
"""Latches, proofs and wirings do not come near it; a larger file is not one of ours."""

_MODE = 0o640


def read_sealed(path: Path, form: str, version: int, *, most_bytes: int = MAX_BYTES) -> Any:
    """Return the payload of a sealed file of at most ``most_bytes``.

    Raises:
        OSError: the file cannot be read; FileNotFoundError where there is none.
        ValueError: damaged, or another format or version; the text says which, without the path.
    """
    with path.open("rb") as file:
        data = file.read(most_bytes + 1)
    if len(data) > most_bytes:
        raise ValueError(f"is larger than {most_bytes} bytes")
    try:
        document = json.loads(data)
    except (ValueError, RecursionError):
        raise ValueError("is damaged: not the text that was written") from None
    if not isinstance(document, dict) or document.get("format") != form:
        raise ValueError("is another kind of file")
    if document.get("version") != version:
        raise ValueError(f"has version {document.get('version')!r}, not {version}")
    payload = document.get("payload")
    try:
        intact = data == _sealed_bytes(payload, form, version)
    except (ValueError, RecursionError):
        intact = False
    if not intact:
        raise ValueError("is damaged: its checksum does not fit")
    return payload


def write_sealed(path: Path, payload: Any, form: str, version: int) -> None:
    """Replace a sealed file durably: after the return it survives a power cut.

    Raises:
        OSError: not written; what was there before is still there, or (where only the folder's
            own fsync failed) the new content is.
    """
    data = _sealed_bytes(payload, form, version)
    fresh = path.with_name(f".{path.name}.new")
    try:
        flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW | os.O_CLOEXEC
        with open(os.open(fresh, flags, _MODE), "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(fresh, path)
    except OSError:
        with suppress(OSError):
            fresh.unlink()
        raise
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _sealed_bytes(payload: Any, form: str, version: int) -> bytes:
    body = {"format": form, "payload": payload, "version": version}
    return _canonical({**body, "sha256": _sha256_hex(_canonical(body))}) + b"\n"


def _sha256_hex(data: bytes) -> str:
    """SHA-256 by the interpreter's own code where it is built in.

    hashlib would load OpenSSL, which costs the keeper 3.7 MB of memory (measured, x86-64).
    """
    for module in ("_sha2", "_sha256", "hashlib"):
        try:
            made = importlib.import_module(module).sha256(data)
        except ImportError:
            continue
        return str(made.hexdigest())
    raise OSError("this Python has no SHA-256")


def _canonical(value: Any) -> bytes:
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return text.encode("ascii")
