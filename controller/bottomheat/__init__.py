"""bottomheat: holds the callus zone of a propagation box at its target on bottom heat."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("bottomheat")
except PackageNotFoundError:  # run from a source tree that was never installed
    __version__ = "0+source"
