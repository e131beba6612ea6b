"""The command line's side of reading and recording: arguments in, a few lines or JSON out, exit code back."""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..files import InputFault, refuse_existing, write_whole
from ..units import parse_quantity
from .columns import map_text
from .join import Join, describe_join, join_logs
from .lines import byte_chunks, open_log
from .read import Log, read_log, write_log
from .record import record
from .row_count import say_count
from .told import told

__all__ = ["describe_log", "first_lines", "join_as_json", "log_as_json"]


def add_read_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `jogtune read`."""
    parser.add_argument("log", metavar="LOG", help="a log of any shape: text, gzip or Parquet")
    parser.add_argument("--map", metavar="MAP.toml", help="what the columns mean (default: LOG.map.toml, else a guess)")
    parser.add_argument("--out", metavar="TIDY.csv", help="write the tidy log here (.csv, .csv.gz or .parquet)")
    parser.add_argument("--join", metavar="MACHINE.csv", help="the machine's own recording of the session, to be joined")
    parser.add_argument("--join-map", metavar="MAP.toml", help="what the columns of that recording mean")
    parser.add_argument("--keep-map", metavar="MAP.toml", help="write the map that was used here")
    parser.add_argument("--strict", action="store_true", help="refuse a log in which anything is wrong or doubtful")
    parser.add_argument("--json", action="store_true", help="print rows_in, rows_out and what was noticed as JSON")
    parser.add_argument("--overwrite", action="store_true", help="allow --out and --keep-map to replace a file")
    parser.set_defaults(run=run_read)


def add_record_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `jogtune record`."""
    parser.add_argument("port", metavar="PORT", help="the serial port, such as /dev/ttyACM0 or COM3")
    parser.add_argument("--out", metavar="LOG.csv", help="the file to write, line by line (default: jog_DATE_TIME.csv)")
    parser.add_argument("--baud", type=int, default=115_200, metavar="N", help="bits per second (default 115200)")
    parser.add_argument("--for", dest="duration", metavar='"10 min"', help="stop after so long (default: on Ctrl-C)")
    parser.add_argument("--delimiter", default=",", metavar="C", help="what stands between time and line (default ,)")
    parser.add_argument("--overwrite", action="store_true", help="allow LOG.csv to be replaced")
    parser.set_defaults(run=run_record)


def run_read(args: argparse.Namespace) -> int:
    """Read a log, tell what became of it; 0 done, 2 where the log or its map is at fault or no row could be read."""
    try:
        log = read_log(args.log, columns=args.map, strict=args.strict)
        join = _joined(log, args)
        _write_what_was_asked(log, log if join is None else join.log, args)
    except InputFault as fault:
        print(fault, file=sys.stderr)
        return 2
    if args.json:
        print(json.dumps(log_as_json(log) if join is None else log_as_json(join.log) | join_as_json(join), indent=1))
    else:
        print(describe_log(log) if join is None else "\n".join([describe_log(join.log), "", *describe_join(join)]))
        if not args.log.endswith(".parquet"):
            print("\nthe first lines and what became of them:\n" + first_lines(args.log, log).to_string(index=False))
    if log.rows_out == 0:
        count = say_count(log.rows_in, "row")
        print(f"{log.source}: none of its {count} could be read: check the map", file=sys.stderr)
        return 2
    return 0


def _joined(log: Log, args: argparse.Namespace) -> Join | None:
    if args.join is None:
        return None
    return join_logs(log, read_log(args.join, columns=args.join_map, strict=args.strict))


def join_as_json(join: Join) -> dict[str, Any]:
    """What `jogtune read --join --json` adds: how the two clocks stand to each other, with 95 % intervals.

    >>> join = Join(log=None, at_s=9.0, offset_s=5.0, offset_low_s=4.9, offset_high_s=5.1, drift=None,
    ...             drift_low=None, drift_high=None, stretches=1, residual_s=0.002)
    >>> join_as_json(join)["join"]["offset_s"]
    5.0
    """
    names = ("at_s", "offset_s", "offset_low_s", "offset_high_s", "drift", "drift_low", "drift_high", "stretches")
    return {"join": {name: getattr(join, name) for name in names}}


def _write_what_was_asked(log: Log, tidy: Log, args: argparse.Namespace) -> None:
    wanted = [Path(name) for name in (args.out, args.keep_map) if name]
    refuse_existing(wanted, overwrite=args.overwrite)
    if args.out:
        write_log(tidy, args.out, overwrite=args.overwrite)
    if args.keep_map and log.map is not None:
        write_whole(args.keep_map, map_text(log.map, explained=True), overwrite=args.overwrite)


def run_record(args: argparse.Namespace) -> int:
    """Record a serial device until Ctrl-C, for a time, or until the port vanishes; 2 where the input is at fault."""
    try:
        seconds = None if args.duration is None else _seconds(args.duration)
        if len(args.delimiter) != 1 or not args.delimiter.isascii() or args.delimiter.isalnum():
            raise InputFault("--delimiter", [f"{args.delimiter!r}: must be one sign such as , or ;"])
        out = args.out or time.strftime("jog_%Y%m%d_%H%M%S.csv")
        done = record(
            args.port, out, baud=args.baud, delimiter=args.delimiter, seconds=seconds, overwrite=args.overwrite,
            started=lambda: print(f"recording {args.port} to {out}; Ctrl-C ends it", file=sys.stderr),
        )  # fmt: skip
    except InputFault as fault:
        print(fault, file=sys.stderr)
        return 2
    print(f"{say_count(done.lines, 'line')} in {done.seconds:.1f} s to {done.path} ({done.ended})")
    return 0


def _seconds(text: str) -> float:
    try:
        if text.strip().endswith("min"):
            return 60 * float(text.strip().removesuffix("min"))
        return float(parse_quantity(text, "time").value)
    except ValueError as error:
        raise InputFault("--for", [f'{text!r}: must be a time such as "30 s" or "10 min"']) from error


def log_as_json(log: Log) -> dict[str, Any]:
    """What `jogtune read --json` prints: rows_in == rows_out + len(noticed).

    `tidy_rows` differs from `rows_out` only where a log has a column per axis and two axes turned within one row.

    >>> from jogtune.logs.read import read_log
    >>> log = read_log("datasets/logs/inlay_router_simulated.csv")
    >>> said = log_as_json(log)
    >>> said["rows_in"] == said["rows_out"] + len(said["noticed"]), said["simulated"], said["guessed"]
    (True, True, False)
    """
    return {
        "source": log.source,
        "rows_in": log.rows_in,
        "rows_out": log.rows_out,
        "tidy_rows": len(log.rows),
        "noticed": log.noticed.to_dict("records"),
        "remarks": log.remarks.to_dict("records"),
        "position_kind": log.position_kind,
        "simulated": log.simulated,
        "guessed": log.guessed,
        "map": None if log.map is None else map_text(log.map),
    }


def describe_log(log: Log) -> str:
    """A log in a few lines: counts, the map where it was guessed, what was noticed.

    >>> from .columns import Clock, Counter
    >>> empty = pd.DataFrame({"line": [], "what": [], "done": []})
    >>> rows = pd.DataFrame({"time_s": [0.0], "axis": ["X"], "detents": [1], "rung": [1]})
    >>> log = Log(rows=rows, noticed=empty, remarks=empty, rows_in=1, rows_out=1, position_kind=None,
    ...           source="a.csv", simulated=True)
    >>> print(describe_log(log))
    a.csv (simulated): 1 row in, 1 out, 0 left out; 0.0 s, 1 detent turned
    """
    parts = [_headline(log)]
    if log.map is not None and log.guessed:
        parts.append(f"read by this map, which is a GUESS; keep and correct it with --keep-map:\n{map_text(log.map)}")
    parts += ["\n".join(told(title, table)) for title, table in (("left out", log.noticed), ("also noticed", log.remarks))]
    return "\n\n".join(part.rstrip() for part in parts if part)


def _headline(log: Log) -> str:
    label = " (simulated)" if log.simulated else ""
    kind = f"; position is {log.position_kind}" if log.position_kind else ""
    span = float(log.rows["time_s"].iloc[-1] - log.rows["time_s"].iloc[0]) if len(log.rows) else 0.0
    turned = int(log.rows["detents"].abs().sum()) if len(log.rows) else 0
    return (
        f"{log.source}{label}: {say_count(log.rows_in, 'row')} in, {log.rows_out} out, {len(log.noticed)} left out; "
        f"{span:.1f} s, {say_count(turned, 'detent')} turned{kind}"
    )


def first_lines(path: str | Path, log: Log, *, count: int = 12) -> pd.DataFrame:
    """The first lines of a text log beside what became of each: a look at a map before it is trusted.

    Columns: line, text, became (the tidy row, why it was left out, or that it is no row).

    >>> from jogtune.logs.read import read_log
    >>> log = read_log("datasets/logs/inlay_router_simulated.csv")
    >>> table = first_lines("datasets/logs/inlay_router_simulated.csv", log, count=6)
    >>> table["became"].tolist()[0], table["became"].tolist()[-1][:20]
    ('no row', 'time_s 0.04, axis Z,')
    """
    start, stream = open_log(Path(path))
    with stream:
        text = next(byte_chunks(start, stream, 1 << 16), b"").decode("utf-8", "replace")
    texts = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")[:count]
    numbers = range(1, len(texts) + 1)
    return pd.DataFrame({
        "line": numbers, "text": [_short(text) for text in texts], "became": [_became(log, n) for n in numbers],
    })  # fmt: skip


def _became(log: Log, line: int) -> str:
    left_out = log.noticed[log.noticed["line"] == line]
    if len(left_out):
        return f"left out: {left_out['what'].iloc[0]}"
    rows = [] if log.lines is None else np.flatnonzero(log.lines[: 4 * line] == line).tolist()
    tidy = [
        ", ".join(f"{name} {_said(value)}" for name, value in log.rows.iloc[row].items() if value == value and value != "")
        for row in rows
    ]
    return "; ".join(tidy) or "no row"


def _said(value: object) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _short(text: str) -> str:
    text = "".join(sign if sign.isprintable() else " " for sign in text)
    return text if len(text) <= 60 else text[:57] + "..."
