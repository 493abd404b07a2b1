"""What the rules are given of the config."""

from __future__ import annotations

from daemon.config.checks import zone_of
from daemon.config.configuration import Configuration
from rules.settings import Settings


def settings_of(configuration: Configuration) -> Settings:
    """Return what the rules are given of the config: everything but the connections."""
    return Settings(
        site=configuration.site,
        zone=zone_of(configuration.site.time_zone),
        rooms=dict(configuration.room),
        chambers=dict(configuration.chamber),
        probes=dict(configuration.probe),
        telling=configuration.telling,
        care=dict(configuration.care),
    )
