"""Configs as the log keeps them."""

from __future__ import annotations

from bottomheat.config import Config


def kept_config(text: str) -> Config | None:
    """A config as the log keeps it, which is without its secrets; None where it is of no use."""
    from bottomheat.config_parse import parse
    from bottomheat_drivers.config_yaml import check_text

    loaded = check_text(text)
    if loaded.parsed.config is not None:
        return loaded.parsed.config
    data = None if loaded.plain is None else loaded.plain.data
    if not isinstance(data, dict):
        return None
    return parse({key: value for key, value in data.items() if key != "alerts"}, {}).config
