"""Which exit status belongs to which error, and what is said of it."""

from __future__ import annotations

from adapters.calendar_file import CalendarRefused
from adapters.errors import AdapterError
from daemon.config.edit import EditRefused
from daemon.config.file import ConfigurationError
from daemon.desk.closed_loop import LineRefused
from daemon.desk.options import Lacking, UsageError
from daemon.desk.replay import NothingToReplay, RecordingUnreadable
from daemon.exit_status import ExitStatus
from daemon.report.writing import NotWritten
from daemon.store.errors import TO_BE_LET_IN, HistoryError
from daemon.store.spool import SpoolError, WordError


def status_of(error: BaseException) -> ExitStatus:
    """Return the exit status for an error; INTERNAL when it is a bug of ours."""
    if isinstance(error, HistoryError):
        return ExitStatus.TRY_AGAIN if error.passing else ExitStatus.INPUT_OUTPUT
    return next((status for kind, status in _STATUS.items() if isinstance(error, kind)), ExitStatus.INTERNAL)


def text_of(error: BaseException) -> str:
    """Return what is said of an error that is none of our bugs."""
    if not isinstance(error, OSError) or error.filename is None:
        return str(error)
    to_do = TO_BE_LET_IN if isinstance(error, PermissionError) else "look at its path, owner and mode"
    return f"{error.filename}: {error.strerror}; {to_do}"


_STATUS: dict[type[BaseException], ExitStatus] = {
    UsageError: ExitStatus.USAGE,
    EditRefused: ExitStatus.DATA,
    WordError: ExitStatus.DATA,
    LineRefused: ExitStatus.DATA,
    NothingToReplay: ExitStatus.DATA,
    RecordingUnreadable: ExitStatus.NO_INPUT,
    SpoolError: ExitStatus.CANNOT_CREATE,
    NotWritten: ExitStatus.CANNOT_CREATE,
    CalendarRefused: ExitStatus.CANNOT_CREATE,
    AdapterError: ExitStatus.UNAVAILABLE,
    ConfigurationError: ExitStatus.CONFIGURATION,
    Lacking: ExitStatus.CONFIGURATION,
    FileNotFoundError: ExitStatus.NO_INPUT,
    OSError: ExitStatus.INPUT_OUTPUT,
}
"""What is named first holds: a refused calendar is an adapter's error too."""
