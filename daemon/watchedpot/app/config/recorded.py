"""Rules from the text of a configuration as a ledger keeps it."""

from __future__ import annotations

import json
from typing import Any

from pydantic import TypeAdapter, ValidationError

from watchedpot.core.rules import CellRules
from watchedpot.errors import LedgerError


def rules_of(text: str) -> tuple[CellRules, ...]:
    """The cells of a recorded configuration, as they were judged then.

    What an older version did not know yet has its default.

    Parameters
    ----------
    text
        ``Configuration.text``.

    Raises
    ------
    LedgerError
        It is no such text.
    """
    try:
        found: Any = json.loads(text)
        return TypeAdapter(tuple[CellRules, ...]).validate_python(found["cells"])
    except (ValidationError, ValueError, KeyError, TypeError) as exc:
        raise LedgerError("recorded configuration", f"it does not read back: {exc}") from exc
