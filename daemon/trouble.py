"""Which exit status belongs to which error."""

from __future__ import annotations

from adapters.errors import AdapterError
from daemon.config.file import ConfigurationError
from daemon.exit_status import ExitStatus
from daemon.report.writing import PageNotWritten
from daemon.store.errors import HistoryError
from daemon.store.spool import SpoolError, WordError


def status_of(error: BaseException) -> ExitStatus:
    """Return the exit status for an error; INTERNAL when it is a bug of ours."""
    if isinstance(error, HistoryError):
        return ExitStatus.TRY_AGAIN if error.passing else ExitStatus.INPUT_OUTPUT
    for kind, status in (
        (ConfigurationError, ExitStatus.CONFIGURATION),
        (SpoolError, ExitStatus.CANNOT_CREATE),
        (PageNotWritten, ExitStatus.CANNOT_CREATE),
        (WordError, ExitStatus.DATA),
        (AdapterError, ExitStatus.UNAVAILABLE),
    ):
        if isinstance(error, kind):
            return status
    return ExitStatus.INTERNAL
