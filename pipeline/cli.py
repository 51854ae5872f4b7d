"""The command: the only place for logging set-up, exit codes and error printing."""

from __future__ import annotations

import sys


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    print("sleeveline: not built yet", file=sys.stderr)
    return 1
