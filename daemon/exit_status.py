"""How a command ends, in numbers that scripts and systemd know (BSD sysexits(3))."""

from __future__ import annotations

from enum import IntEnum


class ExitStatus(IntEnum):
    """The sysexits that dewlid uses."""

    OK = 0
    USAGE = 64
    """The command line is wrong."""
    DATA = 65
    """A file of readings, or what the keeper said, is wrong."""
    NO_INPUT = 66
    """A file that was named is not there."""
    UNAVAILABLE = 69
    """A probe, an outlet or another part outside does not work."""
    INTERNAL = 70
    """A bug of ours."""
    CANNOT_CREATE = 73
    """A file or folder cannot be written."""
    INPUT_OUTPUT = 74
    """The store cannot be used."""
    TRY_AGAIN = 75
    """It may work later: the disk is full, or another dewlid is using the store."""
    CONFIGURATION = 78
    """The config is wrong; starting again does not help."""
