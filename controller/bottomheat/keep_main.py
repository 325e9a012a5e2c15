"""Runs the keeper, or opens its lines, without loading the command line's libraries.

``python -m bottomheat.keep_main keep|open-lines CONFIG`` is for unit files and ``bottomheat run``;
people use the commands ``bottomheat keep`` and ``bottomheat open-lines``, which do the same.
"""

from __future__ import annotations

import logging
import sys
from pathlib import Path

from bottomheat.errors import INTERNAL, BottomheatError

_USAGE = "usage: python -m bottomheat.keep_main keep|open-lines CONFIG [--with-parent FD]"
_MISUSE = 2


def main(arguments: list[str]) -> int:
    """Do what the arguments say; returns the exit status."""
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(levelname)s %(message)s")
    parent_fd: int | None = None
    match arguments:
        case ["keep", config, "--with-parent", fd] if fd.isdecimal():
            parent_fd = int(fd)
        case ["keep" | "open-lines", config]:
            pass
        case _:
            sys.stderr.write(f"{_USAGE}\n")
            return _MISUSE
    from bottomheat.app_keeper import keep, open_all

    try:
        if arguments[0] == "keep":
            keep(Path(config), parent_fd=parent_fd)
        else:
            open_all(Path(config))
    except BottomheatError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_code
    except Exception:
        # The lines are open: every way out of the keeper's composition opens them.
        logging.getLogger(__name__).exception("a fault in bottomheat itself")
        return INTERNAL
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
