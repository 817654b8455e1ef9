"""Questions to a ledger, also one in use: suspects, history, export."""

from __future__ import annotations

from watchedpot.app.questions.commands import add_parser

__all__ = ["add_parser"]
