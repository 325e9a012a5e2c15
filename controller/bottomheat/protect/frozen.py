"""Frozen records with many fields, copied with a few changes, every cycle."""

from __future__ import annotations

from typing import TypeVar, cast

T = TypeVar("T")


def changed(record: T, **changes: object) -> T:
    """Copy a frozen dataclass without slots, with some fields changed.

    Does what ``dataclasses.replace`` does, at a tenth of its cost for a record of sixty fields, by
    copying the instance's dictionary.  For records whose ``__post_init__`` does nothing.

    Args:
        record: the old one; it is not changed.
        changes: new values by field.

    Raises:
        TypeError: there is no such field.
    """
    kind: type[object] = type(record)
    if not changes.keys() <= record.__dict__.keys():
        unknown = ", ".join(sorted(changes.keys() - record.__dict__.keys()))
        raise TypeError(f"{kind.__name__} has no field {unknown}")
    new = cast(T, object.__new__(kind))
    new.__dict__.update(record.__dict__)
    new.__dict__.update(changes)
    return new
