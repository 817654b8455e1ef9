"""Command that prints the JSON Schema of the configuration files."""

from __future__ import annotations

import json
import sys

from watchedpot.app.config.model import json_schema


def schema_text() -> str:
    """The schema as it stands in the file."""
    return json.dumps(json_schema(), indent=2) + "\n"


if __name__ == "__main__":
    sys.stdout.write(schema_text())
