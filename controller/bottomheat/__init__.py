"""bottomheat: holds the callus zone of a propagation box at its target on bottom heat."""

__version__ = "0.1.0"  # the build reads it here; reading it from metadata costs 2.6 MiB
