"""From how a box answers to the tunings of its loop: published rules, margins, what to expect."""
