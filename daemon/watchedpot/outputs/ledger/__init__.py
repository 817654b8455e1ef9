"""The record: readings, events and states in one SQLite file that can be proven whole."""

from watchedpot.outputs.ledger.links import Fault
from watchedpot.outputs.ledger.made import (
    Disposition,
    RecordedPart,
    ZoneOfPart,
    dispositions,
    part_events,
    parts,
    verdicts,
)
from watchedpot.outputs.ledger.reader import (
    AlarmTransition,
    Checkpoint,
    Configuration,
    RecordedBlock,
    RecordedEvent,
    RecordedExcursion,
    Run,
    alarm_transitions,
    blocks,
    checkpoints,
    configurations,
    events,
    excursions,
    newest_ns,
    runs,
)
from watchedpot.outputs.ledger.record import Batch, Resumed, config_revision
from watchedpot.outputs.ledger.retention import Retention
from watchedpot.outputs.ledger.state import dump_state, load_state
from watchedpot.outputs.ledger.verify import Report, verify
from watchedpot.outputs.ledger.writer import Ledger, Receipt

__all__ = [
    "AlarmTransition",
    "Batch",
    "Checkpoint",
    "Configuration",
    "Disposition",
    "Fault",
    "Ledger",
    "Receipt",
    "RecordedBlock",
    "RecordedEvent",
    "RecordedExcursion",
    "RecordedPart",
    "Report",
    "Resumed",
    "Retention",
    "Run",
    "ZoneOfPart",
    "alarm_transitions",
    "blocks",
    "checkpoints",
    "config_revision",
    "configurations",
    "dispositions",
    "dump_state",
    "events",
    "excursions",
    "load_state",
    "newest_ns",
    "part_events",
    "parts",
    "runs",
    "verdicts",
    "verify",
]
