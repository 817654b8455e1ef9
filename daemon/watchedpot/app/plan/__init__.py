"""Answers to "what would happen", as a person reads them: numbers, one picture, one caution.

``core.whatif`` and ``core.supply`` compute. Here the rules are looked up, and whatever they do
not know is said: ``warmth`` of a charge, ``charges`` and their use, ``tip`` of the nozzle.
"""

from __future__ import annotations

from watchedpot.app.plan.answer import Answer, Use
from watchedpot.app.plan.charges import shift, size
from watchedpot.app.plan.tip import tip
from watchedpot.app.plan.warmth import ready, setback

__all__ = ["Answer", "Use", "ready", "setback", "shift", "size", "tip"]
