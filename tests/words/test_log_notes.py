"""Each thing noticed in a log: a log that has it, and one just short of it; and its sentence."""

from __future__ import annotations

import gzip
import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from jogtune.logs.log import Log
from jogtune.logs.map import LogMap, _Clock, _Counter, _Length, _RungColumn
from jogtune.logs.read import read_log
from jogtune.words.log_notes import _LOG_NOTES
from jogtune.words.speak import speak

HEAD = "time_s,axis,detents,gain_mm"
TIDY = [f"{0.04 * n:.2f},X,{n % 3},0.1" for n in range(1, 41)]
"""Forty regular reports of increments in the tidy schema."""

COUNTER = LogMap(time=_Clock(column=1), knob=_Counter(columns=(("", 2),)), delimiter=",", header=False)
INCREMENTS = replace(COUNTER, knob=_Counter(columns=(("", 2),), kind="increments"))


def tidy(*rows: str, head: str = HEAD, end: str = "\n", at: int = 20) -> str:
    """The tidy log with some rows in the place of one."""
    return "\n".join([head, *TIDY[:at], *rows, *TIDY[at + len(rows) :]]) + end


def counts(changed: dict[int, int] | None = None, *, times: dict[int, float] | None = None, each: int = 1, rows: int = 40, every_s: float = 0.04) -> str:
    """A running count, a row each 40 ms; some counts or times changed."""
    lines = [f"{(times or {}).get(n, every_s * n):.4f},{(changed or {}).get(n, each * n)}" for n in range(rows)]
    return "\n".join(lines) + "\n"


def gapped(intervals: float, rests: int = 30) -> str:
    """Seventy reports, one after so many intervals; some of them of a count that stands still."""
    at, total, lines = 0.0, 0, []
    for n in range(70):
        at += 0.04 * (intervals if n == 65 else 1)
        total += n >= rests
        lines.append(f"{at:.4f},{total}")
    return "\n".join(lines) + "\n"


def late(by_s: float, *, from_row: int = 20, to_row: int = 21) -> dict[int, float]:
    return {n: 0.04 * n - by_s for n in range(from_row, to_row)}


def mapped(base: LogMap = COUNTER, *, knob: dict[str, Any] | None = None, **parts: Any) -> LogMap:
    return replace(base, **parts, **({} if knob is None else {"knob": replace(base.knob, **knob)}))  # type: ignore[type-var]


PAIRS = LogMap(time=_Clock(column="T", unit="ms"), knob=_Counter(columns=(("", "N"),)), pairs="=", delimiter=" ")
RUNG = mapped(rung=_RungColumn(column=3, means="rung", ladder=(Fraction(1, 10), Fraction(1), Fraction(5))))
NAMED = mapped(rung=_RungColumn(column=3, names=(("fine", Fraction(1, 10)), ("coarse", Fraction(1)))))


def three(third: str) -> str:
    return "".join(f"{0.04 * n:.2f},{n},{third if n == 20 else {'4': '3', '3': '3'}.get(third, 'fine')}\n" for n in range(40))


def pairs(odd: str) -> str:
    return "".join(f"{odd if n == 20 else f'T={40 * n} N={n}'}\n" for n in range(40))


def raw(step: int, columns: str = "us,count", more: str = "", rows: int = 200) -> str:
    """A log that nobody gave a map for."""
    return "\n".join([columns, *(f"{40_000 * n},{step * (n % 40)}{more}" for n in range(rows))]) + "\n"


CASES: list[tuple[str, str | bytes, str | bytes, LogMap | None]] = [
    # rows left out
    ("line_too_long", tidy("9" * 2**24), tidy("9" * 100), None),
    ("nul_bytes", tidy("0.84,X,\0,0.1"), tidy("0.84,X,1,0.1"), None),
    ("open_quote", tidy('0.84,"X,1,0.1'), tidy('0.84,"X",1,0.1'), None),
    ("no_pair", pairs("T 800 N 20"), pairs("T=800 N=20"), PAIRS),
    ("cell_count", tidy("0.84,X,1"), tidy("0.84,X,1,0.1"), None),
    ("half_written", tidy(at=40, end="\n1.64,X,1"), tidy(at=40, end="\n1.64,X,1,0.1"), None),
    ("must_be_a_number", tidy("0.84,X,one,0.1"), tidy("0.84,X,1,0.1"), None),
    ("is_blank", tidy("0.84,X,,0.1"), tidy("0.84,X,0,0.1"), None),
    ("must_be_whole", tidy("0.84,X,1.5,0.1"), tidy("0.84,X,1.0,0.1"), None),
    ("beyond_its_wrap", counts({20: 256}), counts({20: 255}), mapped(knob={"wraps_at": 256})),
    ("must_be_above_zero", three("0").replace("fine", "0.05"), three("0.1").replace("fine", "0.05"), mapped(tolerance=_Length(column=3))),
    ("gain_must_be_above_zero", three("0").replace("fine", "0.05"), three("0.1").replace("fine", "0.05"), mapped(rung=_RungColumn(column=3))),
    ("label_too_long", tidy(f"0.84,{'X' * 201},1,0.1"), tidy(f"0.84,{'X' * 200},1,0.1"), None),
    ("not_named_in_the_map", three("medium"), three("coarse"), NAMED),
    ("must_be_a_position", three("4"), three("3"), RUNG),
    ("says_the_same_again", tidy(TIDY[19]), tidy("0.81,X,1,0.1"), None),
    ("time_below_zero", counts(times={n: 0.04 - 0.041 * (n == 20) for n in range(40)}), counts(times={n: 0.04 - 0.04 * (n == 20) for n in range(40)}),
     mapped(time=_Clock(column=1, kind="since_last"))),
    # a misread clock comes back: 600 s; a late row: 2 s (our choices)
    ("clock_jumps_and_returns", counts(times={20: 0.76 + 600.1}), counts(times={20: 0.76 + 1}), COUNTER),
    ("late", counts(times=late(1.99, from_row=60, to_row=61), rows=80), counts(times=late(2.1, from_row=60, to_row=80), rows=80), COUNTER),
    ("clock_restarts", counts(times=late(2.1, from_row=60, to_row=80), rows=80), counts(times=late(1.99, from_row=60, to_row=61), rows=80), COUNTER),
    # faster than any hand: 5000 clicks a second
    ("too_fast", counts({20: 201}), counts({20: 199}), INCREMENTS),
    ("count_jumps_and_returns", counts({20: 6000}), counts({20: 21}), COUNTER),
    ("count_restarts", counts({n: n - 25 for n in range(25, 40)}, each=10), counts({n: 200 + n for n in range(25, 40)}, each=10), COUNTER),
    ("clock_and_count_restart", counts({n: n - 60 for n in range(60, 80)}, times=late(2.4, from_row=60, to_row=80), rows=80),
     counts(times=late(2.4, from_row=60, to_row=80), rows=80), COUNTER),
    # 32 clicks at 250 a second and more are questioned; beyond 5000 a second they are no hand's
    ("count_leaps", counts({n: 300 + n for n in range(20, 40)}), counts({n: 150 + n for n in range(20, 40)}), COUNTER),
    # rows that stayed
    ("late_kept", counts(dict.fromkeys(range(40), 1), times=late(0.5)), counts(dict.fromkeys(range(40), 1)), INCREMENTS),
    ("clock_wraps", "".join(f"{(2**32 - 10 + n) % 2**32},{n}\n" for n in range(40)), "".join(f"{(2**31 - 10 + n) % 2**31},{n}\n" for n in range(40)),
     mapped(time=_Clock(column=1, unit="us"))),
    ("count_wraps", counts({n: 250 + n - 256 * (n > 5) for n in range(40)}), counts({n: 250 + n for n in range(40)}), COUNTER),
    # three and a half intervals, from fifty rows on; where all but two in a hundred rows move, only changes are told
    ("reports_missing", gapped(3.6), gapped(3.4), COUNTER),
    ("clicks_missing", gapped(3.6), gapped(3.4), INCREMENTS),
    ("unplugged", tidy("# unplugged from 1.5 to 9 s"), tidy("# unplugged"), None),
    ("only_changes", gapped(3.6, rests=2), gapped(3.6, rests=3), COUNTER),
    # the file as a whole
    ("chatter", tidy("# hello"), tidy("0.84,X,1,0.1"), None),
    ("column_names_again", tidy(HEAD), tidy("0.84,X,1,0.1"), None),
    ("not_in_utf_8", tidy("0.84,\xb5,1,0.1").encode("latin-1"), tidy("0.84,\xb5,1,0.1").encode(), None),
    ("no_line_end", tidy(end=""), tidy(), None),
    ("packing_damaged", gzip.compress(counts(rows=2000).encode())[:-40], gzip.compress(counts(rows=2000).encode()), COUNTER),
    ("map_guessed", raw(1), tidy(), None),
    ("not_in_the_tidy_schema", tidy(head=f"{HEAD},gaol_mm", end="").replace("0.1\n", "0.1,1\n") + ",1\n", tidy(), None),
    ("changes_are_multiples", raw(4, rows=21), raw(4, rows=20), None),
    ("changes_may_be_multiples", raw(4, "us,clicks"), raw(3, "us,clicks"), None),
    ("columns_not_used", raw(1, "us,count,colour", ",red"), raw(1), None),
    ("rung_looks_like_a_position", three("2").replace("fine", "1"), three("0.2").replace("fine", "0.1"), mapped(rung=_RungColumn(column=3))),
]  # fmt: skip
ELSEWHERE = {"map_beside_the_log", "grew", "clocks_apart", "clocks_drift", "drift_not_told", "rows_left_out"}
"""Tested below, in tests/logs/test_join.py and test_changing.py."""


def read(folder: Path, content: str | bytes, columns: LogMap | None) -> Log:
    packed = isinstance(content, bytes) and content[:2] == b"\x1f\x8b"
    place = folder / ("log.csv.gz" if packed else "log.csv")
    place.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_log(place, columns=columns)


@pytest.mark.parametrize("case", range(len(CASES)), ids=lambda n: CASES[n][0])
def test_what_is_noticed_and_what_falls_short_of_it(case: int, tmp_path: Path) -> None:
    kind, over, under, columns = CASES[case]
    for content, there in ((over, True), (under, False)):
        log = read(tmp_path, content, columns)
        found = [note for note in log.notes if note.kind == kind]
        assert bool(found) == there, [note.kind for note in log.notes]
        for note in found:
            told = speak(note)
            assert re.match(r"^[A-Z\[].*\.$", told, re.DOTALL), told
            assert not re.search(r"[{}]|None|nan|  ", told), told
            assert note.where.line is None or str(note.where.line) in told


def test_every_kind_has_a_case() -> None:
    assert {kind for kind, *_ in CASES} | ELSEWHERE == set(_LOG_NOTES)
