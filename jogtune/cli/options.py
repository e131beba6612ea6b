"""Options said once."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from typing import Any


def let_minus_through(parser: argparse.ArgumentParser) -> None:
    """Take "-1,2" after an option for its value, so that it is refused in our words; argparse knows only plain "-1"."""
    parser._negative_number_matcher = re.compile(r"-[\d.]")


def add_layers(parser: argparse.ArgumentParser) -> None:
    """Add the options that ask for more than the answer."""
    group = parser.add_mutually_exclusive_group()
    group.add_argument("--why", action="store_true", help="everything that was noted, instead of the answer")
    group.add_argument("--table", action="store_true", help="every figure, in one table")
    group.add_argument("--cautions", action="store_true", help="the cautions alone")
    group.add_argument("--json", action="store_true", help="print JSON for scripts")


def print_layer(
    args: argparse.Namespace, found: Any, answer: Callable[[Any], str], why: Callable[[Any], str],
    table: Callable[[Any], str], to_json: Callable[[Any], Any],
) -> None:  # fmt: skip
    """Print a result as it was asked for: the answer, why, the table, the cautions, or JSON."""
    import json

    from ..words.plain import spoken_cautions

    if args.json:
        print(json.dumps(to_json(found), indent=2, allow_nan=False))
    elif args.cautions:
        print("\n".join(spoken_cautions(found.notes)))
    else:
        print((why if args.why else table if args.table else answer)(found))
