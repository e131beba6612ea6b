"""jogtune read, record and measure."""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

from ..files import InputFault, refuse_existing, write_whole
from ..logs.join import Join, join_logs
from ..logs.log import Log, say_count
from ..logs.map_file import map_text
from ..logs.read import read_log
from ..logs.record import record
from ..logs.write import write_log
from ..units import parse_quantity
from ..words.log_notes import told
from ..words.logs import first_lines, log_answer, log_why
from ..words.speak import spoken
from .options import add_layers, let_minus_through, print_layer


def add_read_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `jogtune read`."""
    parser.add_argument("log", metavar="LOG", help="a log of any shape: text, gzip or Parquet")
    parser.add_argument("--map", metavar="MAP.toml", help="what the columns mean (default: LOG.map.toml, else a guess)")
    parser.add_argument("--out", metavar="TIDY.csv", help="write the tidy log here (.csv, .csv.gz or .parquet)")
    parser.add_argument("--join", metavar="MACHINE.csv", help="the machine's own recording of the session, to be joined")
    parser.add_argument("--join-map", metavar="MAP.toml", help="what the columns of that recording mean")
    parser.add_argument("--keep-map", metavar="MAP.toml", help="write the map that was used here")
    parser.add_argument("--strict", action="store_true", help="refuse a log in which anything is wrong or doubtful")
    parser.add_argument("--why", action="store_true", help="print everything that was noticed")
    parser.add_argument("--table", action="store_true", help="print the first lines and what became of each")
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
    tidy = log if join is None else join.log
    if args.json:
        print(json.dumps(log_as_json(tidy) | ({} if join is None else join_as_json(join)), indent=1))
    else:
        print(log_why(tidy) if args.why else log_answer(tidy))
        if join is not None:
            print("\n".join(["", *spoken(join.notes)]))
        if args.table and not args.log.endswith(".parquet"):
            print("\nThe first lines and what became of them:\n" + first_lines(args.log, log).to_string(index=False))
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
    """What `jogtune read --join --json` adds: how the two clocks stand to each other, with 95 % intervals."""
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
    """
    return {
        "source": log.source,
        "rows_in": log.rows_in,
        "rows_out": log.rows_out,
        "tidy_rows": len(log.rows),
        "noticed": told(log.noticed),
        "remarks": told(log.remarks),
        "position_kind": log.position_kind,
        "simulated": log.simulated,
        "guessed": log.guessed,
        "map": None if log.map is None else map_text(log.map),
    }


def add_measure_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `jogtune measure`."""
    parser.add_argument("log", metavar="LOG", help="the jog log")
    parser.add_argument("--machine", required=True, metavar="MACHINE.toml", help="the machine it was recorded on")
    parser.add_argument("--map", metavar="MAP.toml", help="the column map of the log, where it is not a tidy one")
    parser.add_argument(
        "--ladder", metavar="0.01,0.1,1",
        help="what rungs 1, 2, 3 ... are, where the log gives numbers only; in the machine's own unit, or add mm or in",
    )  # fmt: skip
    add_layers(parser)
    let_minus_through(parser)
    parser.set_defaults(run=run_measure)


def run_measure(args: argparse.Namespace) -> int:
    """Measure a log, print what it says; returns the exit code."""
    from ..measure.measure import measure
    from ..words.measured import measured_answer, measured_json, measured_table, measured_why

    found = measure(args.machine, args.log, ladder=args.ladder, columns=args.map)
    print_layer(args, found, measured_answer, measured_why, measured_table, measured_json)
    return 0
