"""Entry point of ``watchedpot`` and of ``python -m watchedpot``."""

from __future__ import annotations

import sys

from watchedpot.app.cli import main

if __name__ == "__main__":
    sys.exit(main())
