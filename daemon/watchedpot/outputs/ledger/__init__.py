"""The record: readings, events and states in one SQLite file that can be proven whole."""

from watchedpot.outputs.ledger.reader import (
    AlarmTransition,
    Configuration,
    RecordedBlock,
    RecordedEvent,
    RecordedExcursion,
    Run,
    alarm_transitions,
    blocks,
    configurations,
    events,
    excursions,
    runs,
)
from watchedpot.outputs.ledger.record import Batch, Resumed, Retention, config_revision
from watchedpot.outputs.ledger.state import dump_state, load_state
from watchedpot.outputs.ledger.verify import Fault, Report, verify
from watchedpot.outputs.ledger.writer import Ledger, Receipt

__all__ = [
    "AlarmTransition",
    "Batch",
    "Configuration",
    "Fault",
    "Ledger",
    "Receipt",
    "RecordedBlock",
    "RecordedEvent",
    "RecordedExcursion",
    "Report",
    "Resumed",
    "Retention",
    "Run",
    "alarm_transitions",
    "blocks",
    "config_revision",
    "configurations",
    "dump_state",
    "events",
    "excursions",
    "load_state",
    "runs",
    "verify",
]
