"""What holds for every test."""

import signal
from pathlib import Path

import pytest
from hypothesis import settings

# Figures of speed belong in benchmarks: on a busy machine a deadline fails what is right.  The
# same code is given the same examples, so that what passes here passes elsewhere; new ones are
# looked for with --hypothesis-profile=hunt.
settings.register_profile("hunt", deadline=None)
settings.register_profile("the same", deadline=None, derandomize=True)
settings.load_profile("the same")

# A shell that runs this in the background hands Ctrl-C down as ignored, and to the commands under
# test as well, which some tests interrupt.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# What takes long comes first, so that two workers end at about the same time; and the rig's two
# files are apart, because the first one builds the image that both need.
ORDER = ("rig/test_power.py", "cli", "rig/test_services.py", "shell", "")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Sort the files of tests, each as a whole."""
    here = Path(__file__).parent

    def place(item: pytest.Item) -> int:
        path = item.path.relative_to(here).as_posix() if here in item.path.parents else ""
        return next(number for number, start in enumerate(ORDER) if path.startswith(start))

    items.sort(key=place)
