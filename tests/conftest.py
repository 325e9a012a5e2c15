"""What holds for every test."""

import signal

# A shell that runs this in the background hands Ctrl-C down as ignored, and to the commands under
# test as well, which some tests interrupt.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
