"""Options said once."""

from __future__ import annotations

import argparse
import re


def let_minus_through(parser: argparse.ArgumentParser) -> None:
    """Take "-1,2" after an option for its value, so that it is refused in our words; argparse knows only plain "-1"."""
    parser._negative_number_matcher = re.compile(r"-[\d.]")
