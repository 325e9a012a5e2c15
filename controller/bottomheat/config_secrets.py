"""The text of a config without what must not be kept or shown: addresses hold passwords."""

from __future__ import annotations

import re

_KEY = re.compile(r"^(\s*)(?:-\s*)?(addresses|heartbeat)\s*:(.*)$")
_INSIDE = re.compile(r"[{,]\s*(addresses|heartbeat)\s*:")
HIDDEN = "(hidden)"


def without_secrets(text: str) -> str:
    """Return a config's text with addresses and heartbeat replaced by a word.

    Works on the text, line by line, so that notes and layout stay; whatever belongs to the key by
    its indentation goes with it.  ``addresses_file`` stays: it is a name, not a secret.

    Args:
        text: of a YAML config, checked or not.
    """
    kept: list[str] = []
    depth: int | None = None
    for line in text.splitlines():
        indent = len(line) - len(line.lstrip())
        bare = line.strip()
        if depth is not None:
            below = indent > depth or (indent == depth and bare.startswith(("-", "]", "}")))
            if bare and not bare.startswith("#") and below:
                continue
            if bare and not bare.startswith("#"):
                depth = None
        match = _KEY.match(line)
        if match is None or depth is not None:
            inside = _INSIDE.search(line)
            kept.append(line if inside is None else f"{line[: inside.end()]} {HIDDEN}")
            depth = depth if inside is None else indent
            continue
        depth = len(match.group(1))
        kept.append(f"{match.group(1)}{match.group(2)}: {HIDDEN}")
    return "\n".join(kept) + ("\n" if text.endswith("\n") else "")
