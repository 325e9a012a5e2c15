"""What holds for every test."""

import signal

from hypothesis import settings

# Figures of speed belong in benchmarks: on a busy machine a deadline fails what is right.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

# A shell that runs this in the background hands Ctrl-C down as ignored, and to the commands under
# test as well, which some tests interrupt.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
