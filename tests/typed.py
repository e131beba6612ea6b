"""A command as it is typed, without the net that turns faults into an exit code."""

from __future__ import annotations

from jogtune.cli.main import _parser


def typed(*words: object) -> int:
    """Run a command; a fault is raised."""
    given = _parser(str(words[0])).parse_args([str(word) for word in words])
    given.command_line = [str(word) for word in words]
    return int(given.run(given) or 0)
