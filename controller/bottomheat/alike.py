"""The word that was most likely meant.  Pure."""

from __future__ import annotations

from collections.abc import Iterable


def alike(word: str, words: Iterable[str], share: float = 0.6) -> list[str]:
    """The word of ``words`` that is most like ``word``, or none.

    Args:
        word: what was written.
        words: what can be meant.
        share: how much of it has to be alike, 0 to 1 (``difflib.SequenceMatcher.ratio``).
    """
    import difflib  # only a mistake needs it, and the service has to stay small

    return difflib.get_close_matches(word, list(words), n=1, cutoff=share)
