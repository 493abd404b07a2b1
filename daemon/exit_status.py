"""How a command ends, in numbers that scripts and systemd know (BSD sysexits(3)). One fault, one number, whatever command."""

from __future__ import annotations

from enum import IntEnum


class ExitStatus(IntEnum):
    """The sysexits that dewlid uses."""

    OK = 0
    USAGE = 64
    DATA = 65
    NO_INPUT = 66
    UNAVAILABLE = 69
    INTERNAL = 70
    CANNOT_CREATE = 73
    INPUT_OUTPUT = 74
    TRY_AGAIN = 75
    CONFIGURATION = 78


MEANINGS: dict[ExitStatus, str] = {
    ExitStatus.OK: "all is well, or what was asked for is done",
    ExitStatus.USAGE: "the command is called wrongly: no such command or option, something is missing, or too much is said",
    ExitStatus.DATA: "what was said cannot be: no number where one belongs, out of its range, no such chamber, probe, alarm,"
    " advice or word, or a recording that holds nothing; nothing was taken down",
    ExitStatus.NO_INPUT: "a file that was named is not there or cannot be read",
    ExitStatus.UNAVAILABLE: "a probe, a broker, a mail server or another outlet does not work",
    ExitStatus.INTERNAL: "a fault in dewlid itself; please report it with what was printed",
    ExitStatus.CANNOT_CREATE: "a file or folder that was to be written cannot be",
    ExitStatus.INPUT_OUTPUT: "the record, or a copy of it, cannot be read or is damaged",
    ExitStatus.TRY_AGAIN: "it may work later: the disk is full, another dewlid uses the record, the daemon does not run, or"
    " something is not ready yet",
    ExitStatus.CONFIGURATION: "the config is wrong, or lacks what the command needs",
}
"""As manual page and README.md tell it."""
