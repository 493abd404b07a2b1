"""Keys of earlier versions that set nothing any more: a config that has them goes on working, `dewlid check` names them."""

from __future__ import annotations

import copy
from typing import Any

from daemon.config.file import ConfigFault, ConfigText
from daemon.config.toml_lines import KeyPath

_GONE = {
    ("chamber", "lid_dew", "probability"), ("chamber", "lid_dew", "drip_load_g_m2"), ("chamber", "lid_dew", "drip_alarm_share"),
    ("telling", "flood_count"), ("telling", "flood_window"),
}  # fmt: skip


def gone_keys(config: ConfigText) -> list[KeyPath]:
    """Return where such keys stand in a config."""
    return [path for path in config.lines if (path[0], *path[2:]) in _GONE or path in _GONE]


def without_gone(config: ConfigText) -> dict[str, Any]:
    """Return the tables of a config without them."""
    tables = copy.deepcopy(dict(config.tables))
    for path in gone_keys(config):
        table: Any = tables
        for part in path[:-1]:
            table = table[part]
        del table[path[-1]]
    return tables


def told(config: ConfigText) -> list[ConfigFault]:
    """Return a warning for each."""
    return [
        ConfigFault(config.line(path), path, "sets nothing any more: dewlid knows the figure itself; delete this line")
        for path in gone_keys(config)
    ]
