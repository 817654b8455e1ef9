"""Set-up of the log and the names of everything that is logged.

One line for each change of state, never one for each poll: polls are counted, not logged. The
record is in the ledger; the log is for whoever runs the daemon.
"""

from __future__ import annotations

import logging
import sys
from typing import Final, TextIO

import structlog
from structlog.typing import Processor

DAEMON_STARTED: Final = "daemon_started"
DAEMON_STOPPED: Final = "daemon_stopped"
CONFIGURATION_CHANGED: Final = "configuration_changed"
SOURCE_UP: Final = "source_up"
SOURCE_LOST: Final = "source_lost"
SOURCE_LINK: Final = "source_link"
SOURCE_SKEW: Final = "source_skew"
SOURCE_TRUSTS_ANY: Final = "source_trusts_any"
READINGS_DROPPED: Final = "readings_dropped"
LEDGER_OPENED: Final = "ledger_opened"
LEDGER_FAILED: Final = "ledger_failed"
REJUDGING_FAILED: Final = "rejudging_failed"
ENTRY_UNREADABLE: Final = "entry_unreadable"
ENTRIES_FAILED: Final = "entries_failed"
LEDGER_RECOVERED: Final = "ledger_recovered"
WEB_BOUND: Final = "web_bound"
ENTRY_TAKEN: Final = "entry_taken"
ENTRY_REFUSED: Final = "entry_refused"
TOKENS_FAILED: Final = "tokens_failed"
EVENT: Final = "event"

EVENTS: Final = frozenset(
    {
        DAEMON_STARTED,  # version, revision, cells
        DAEMON_STOPPED,  # reason
        CONFIGURATION_CHANGED,  # revision, previous
        SOURCE_UP,  # source, connections: answers again, or for the first time
        SOURCE_LOST,  # source, reason, text: does not answer, or cannot be reached
        SOURCE_LINK,  # source, link, diagnosis: still lost, but for another reason
        SOURCE_SKEW,  # source, skew_s, text: its clock is too far off, or right again
        SOURCE_TRUSTS_ANY,  # source, text: whoever answers is believed, as configured
        READINGS_DROPPED,  # source, rows: the queue was full
        LEDGER_OPENED,  # path, events, rows
        REJUDGING_FAILED,  # problem: what a failed check put in doubt stays as it was judged
        ENTRY_UNREADABLE,  # file: what somebody left for the daemon; it was set aside
        ENTRIES_FAILED,  # problem: an entry, or all of them, cannot be taken at present
        LEDGER_FAILED,  # problem: it cannot be written from now on
        LEDGER_RECOVERED,  # rows that were lost in between
        WEB_BOUND,  # host, port
        ENTRY_TAKEN,  # entry, target, who
        ENTRY_REFUSED,  # entry, target, who, why
        TOKENS_FAILED,  # problem: of the file of those who may act; empty when it is over
        EVENT,  # kind, cell, zone, sentence: what the core found, as the ledger has it
    }
)
"""Every name of a log line."""

SOURCE_WARNINGS: Final = frozenset({SOURCE_LINK, SOURCE_SKEW, SOURCE_TRUSTS_ANY})
"""What a source says that is neither an event nor a fault of the program."""

# Both libraries write an error for each request without an answer, so one for each poll of a
# silent device; the adapters turn the same into our own errors and counters. uvicorn writes a
# warning for each connection too many, but an error only for a bug behind a request.
LIBRARY_LEVELS: Final = {
    "asyncua": logging.CRITICAL,
    "pymodbus": logging.CRITICAL,
    "uvicorn": logging.ERROR,
    "asyncio": logging.WARNING,
}


def configure(
    level: str = "info", *, stream: TextIO | None = None, is_terminal: bool | None = None
) -> None:
    """Route all logs, ours and those of the libraries, to one stream.

    Parameters
    ----------
    level
        Lowest level of our own lines: debug, info, warning or error. Debug also lets the
        libraries speak from warning upwards, each silent poll included.
    stream
        Where to write; standard error by default.
    is_terminal
        Whether lines are for a person at a terminal, else JSON; by default what the stream
        says of itself.
    """
    target = stream if stream is not None else sys.stderr
    for_person = is_terminal if is_terminal is not None else target.isatty()
    first: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.stdlib.PositionalArgumentsFormatter(),
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    last: list[Processor] = (
        [structlog.dev.ConsoleRenderer(colors=True)]
        if for_person
        else [structlog.processors.dict_tracebacks, structlog.processors.JSONRenderer()]
    )
    handler = logging.StreamHandler(target)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=first,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last],
        )
    )
    own_level = logging.getLevelNamesMapping()[level.upper()]
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(own_level)
    for name, library_level in LIBRARY_LEVELS.items():
        quiet = min(library_level, logging.WARNING) if own_level == logging.DEBUG else library_level
        logging.getLogger(name).setLevel(quiet)
    logging.captureWarnings(capture=True)
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *first,
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=False,
    )
