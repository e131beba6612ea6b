"""Hostile files: whatever stands in a machine file, a map or a table, a command ends with 0 or 2, in words and soon."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import signal
import time
import tomllib
import traceback
from collections import Counter
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from jogtune.cli.main import main
from jogtune.logs import map_file
from jogtune.machine.fields import DRIVES, KEYS
from jogtune.machine.readers import Field, _Within
from machine_text import SOUND
from places import MACHINES, ROOT

Tables = dict[str, Any]
LONGEST_S = 2.0  # of the processor's time
SAMPLES: dict[str, Tables] = {path.stem: tomllib.loads(path.read_text(encoding="utf-8")) for path in sorted(MACHINES.glob("*.toml"))}
SAMPLES |= {"sound": SOUND, "least": {"axis": [{"steps": "80 per mm", "top_speed": "6000 mm/min", "finest": "0.02 mm"}]}}
MAP: Tables = {
    "": {"delimiter": ",", "header": True}, "time": {"column": "t", "unit": "ms"}, "knob": {"column": "n", "counts_per_detent": 4},
    "axis": {"column": "axis"}, "rung": {"column": "rung", "ladder": ["0.01 mm", "0.1 mm"]}, "position": {"column": "x", "unit": "mm"},
}  # fmt: skip
POINTING: Tables = tomllib.loads((ROOT / "datasets/logs/pointing_trials.map.toml").read_text(encoding="utf-8"))
LOG = "t,n,axis,rung,x,goal,tol,who\n" + "".join(f"{40 * i},{4 * i},X,{1 + i % 2},{i / 100},1,0.1,ann\n" for i in range(60))

LONG = "9" * 400
ANY = [
    "nan", "-nan", "inf", "-inf", "1e999", "-1e999", "1e-999", "1e400", "-0.0", "0", "-1", "1.5", "0x7fffffffffffffff", f"0x{'f' * 400}", f"0x{'f' * 4000}", f"-0x{'f' * 4000}", f"0b{'1' * 20_000}", "1e-99999999", "1e99999999", "1e9999999999999999999999", f"0.5{'0' * 5000}1",
    "0b101", "0o17", LONG, f"-{LONG}", "9" * 5000, f"{LONG}.5", f"0.{'0' * 400}1", "1_000", "true", "false",
    "1979-05-27T07:32:00Z", "1979-05-27", "07:32:00", '""', '" "', '"unknown"', '"nan mm"', '"inf mm/s"', '"1e999 mm"', '"1e99 mm"',
    '"1e-99 mm"', f'"{LONG} mm"', f'"0.{LONG} mm"', '"1/0 mm"', f'"1/{"9" * 50} mm"', '"1e99/1e-99 per mm"', '"0 mm"', '"-1 mm"', '"1 mm"',
    '"1 deg"', '"1 s"', '"12"', '"1:1"', '"0:0"', f'"{"9" * 55}:1"', '"\u0661\u0662 mm"', '"\\u0000"', '"\\u202e"', '"\\U0001f600"', '"a\\nb"', f'"{"x" * 10_000}"',
    "[]", "[[]]", "[nan]", "[inf, 1]", f"[{LONG}]", f"[-{LONG}, {LONG}]", "[1e999]", f"[0x{'f' * 4000}]", "[1e-99999999]", "[true]", '["1 mm", 3]', f'["{LONG} mm"]', "[[1], [2]]", "[{}]", "[{a = 1}]", "[{name = []}]", "[1979-05-27]",
    "{}", "{a = 1}", "{a = nan}", '{a = {b = {c = "d"}}}', '{"" = ""}', '{X = []}', '{a = "1 mm", b = 2}', "{column = 1}", '{steps = 200, divide = 16, lead = "8 mm"}',
    '[{from = "0 s", rung = 1}]', '[{from = nan, rung = inf}]', f'[{{from = "0 s", rung = {LONG}}}]', '[{from = {}, rung = []}]', "[" * 100 + "]" * 100,
]  # fmt: skip


class _TooLongError(BaseException):
    pass


def _run(arguments: list[str]) -> str:
    """What went wrong with a command, "" for nothing: its traceback's last place, its exit code or its time."""

    def stop(*_: object) -> None:
        raise _TooLongError

    before, began = signal.signal(signal.SIGVTALRM, stop), time.process_time()
    signal.setitimer(signal.ITIMER_VIRTUAL, 5 * LONGEST_S)
    out, err = io.StringIO(), io.StringIO()
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = main(arguments)
    except BaseException as error:
        frames = [frame for frame in traceback.extract_tb(error.__traceback__) if "jogtune/" in frame.filename and "tests/" not in frame.filename]
        return f"{type(error).__name__} in {Path(frames[-1].filename).name}:{frames[-1].name}" if frames else repr(error)
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)
    took = time.process_time() - began
    if took > LONGEST_S:
        return f"took {took:.1f} s"
    said = err.getvalue()
    if code not in (0, 2) or (code == 2) != bool(said):
        return f"code {code}"
    if "Traceback" in said or any(len(line) > 1500 for line in said.replace(max(arguments, key=len), "").splitlines()) or len(said.splitlines()) > 300:
        return "not said in short lines"
    return ""


def _raw(value: object) -> str:
    """A value as TOML; text that is marked stands as it is."""
    if isinstance(value, _As):
        return value
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {_raw(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_raw, value)) + "]"
    return json.dumps(value) if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else repr(value)


class _As(str):
    """TOML text of a value."""


def _text(tables: Mapping[str, Any]) -> str:
    """Tables as TOML: the values of the head, then a table each, one that became another thing as a value."""
    heads = {key: value for key, value in tables.items() if key and not isinstance(value, dict) and not _many(value)}
    parts = ["".join(f"{json.dumps(key)} = {_raw(value)}\n" for key, value in {**tables.get("", {}), **heads}.items())]
    for name, value in tables.items():
        for table in value if _many(value) else [value] if name and isinstance(value, dict) else []:
            lines = "".join(f"{json.dumps(key)} = {_raw(one)}\n" for key, one in table.items())
            parts.append(f"{'[[' if _many(value) else '['}{name}{']]' if _many(value) else ']'}\n{lines}")
    return "\n".join(parts)


def _many(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(one, dict) for one in value)


def _extremes(field: Field) -> list[str]:
    """The ends of what a key takes, as TOML: taken from the bounds that its reader knows or says."""
    if isinstance(field.read, _Within):
        low, high = field.read.low.removeprefix("from "), field.read.high
        return [f'"{low}"', f'"{high}"'] + [f'"{number} {unit}"' for number in (0.001, 1, 30) for unit in [high.partition(" ")[2]]]
    said = ""
    with contextlib.suppress(ValueError, TypeError, KeyError):
        field.read(10**12)
    try:
        field.read(-(10**12))
    except (ValueError, TypeError) as error:
        said = str(error)
    found = re.search(r"([\d.]+) to ([\d.]+)", said)
    if found:
        ends = [found[1], found[2]]
        return ends + [f'"{one} per mm"' for one in ends] if "per mm" in said else ends
    return [f'"{word}"' for word in re.findall(r'"(\w+)"', said)] or [field.example or "1"]


def _keys(of: Mapping[str, Mapping[str, Field]]) -> list[tuple[str, str, Field]]:
    return [(table, key, field) for table, fields in of.items() for key, field in fields.items()]


MACHINE_KEYS = _keys({**KEYS, **DRIVES})
MAP_KEYS = _keys({"": map_file._FILE_KEYS, **{name: keys for name, (_, keys) in map_file._TABLES.items()}})


@st.composite
def _hostile(draw: st.DrawFn, samples: list[Tables], keys: list[tuple[str, str, Field]], mild: bool) -> str:
    """A sample with up to four keys changed: to anything or, `mild`, to the ends of what they take."""
    tables = json.loads(json.dumps(draw(st.sampled_from(samples))))
    for _ in range(draw(st.integers(1, 8 if mild else 4))):
        name, key, field = draw(st.sampled_from(keys))
        kind = 1 if mild else draw(st.integers(0, 9))
        value = _As(draw(st.sampled_from(_extremes(field) if kind <= 2 else ANY)))
        if name in DRIVES:
            drive = {part: _As(one.example) for part, one in DRIVES[name].items() if one.example}
            name, key, value = "axis", name, _As(_raw({**drive, key: value}))
        if not mild and kind == 9 and name:  # the whole table is another thing
            tables[name] = value
            continue
        place = tables.setdefault(name, [{}] if name in ("task",) else {}) if name else (tables.setdefault("", {}) if "" in tables else tables)
        if isinstance(place, list) and not isinstance(place, _As):
            if name == "task" and len(place) < 9:
                place.append({})
            place = draw(st.sampled_from(place))
        if isinstance(place, dict):
            if key in DRIVES or (name == "axis" and key == "steps"):
                for other in ("steps", *DRIVES):
                    place.pop(other, None)
            place[key if kind != 8 else draw(st.sampled_from(["nan", "x" * 300, "\u202e", "a\x1b[31m", " ", "travel"]))] = value
    return _text(tables)


def _swept(count: int, name: str, strategy: st.SearchStrategy[str], run: Callable[[str], str]) -> Counter[str]:
    """How many generated files fell in which way; said."""
    fallen, tried = Counter[str](), Counter[str]()

    @settings(max_examples=count, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(strategy)
    def sweep(text: str) -> None:
        tried["all"] += 1
        if found := run(text):
            fallen[found] += 1

    sweep()
    print(f"\n{name}: {tried['all']} tried, {fallen.total()} fallen: {dict(fallen)}")
    return fallen


SWEEPS = [pytest.param(75, id="some"), pytest.param(5000, id="many", marks=pytest.mark.heavy)]


@pytest.mark.parametrize("count", SWEEPS)
@pytest.mark.parametrize("mild", [False, True], ids=["hostile", "extreme"])
def test_machine_files(tmp_path: Path, count: int, mild: bool) -> None:
    """Every file is read whole by `new --from`; `suggest`, which then reckons for a second or more, has a trial of its own."""
    file = tmp_path / "machine.toml"

    def run(text: str) -> str:
        file.write_text(text, encoding="utf-8")
        (tmp_path / "new.toml").unlink(missing_ok=True)
        return _run(["new", str(tmp_path / "new.toml"), "--from", str(file)])

    assert not _swept(count, f"machine mild={mild}", _hostile(list(SAMPLES.values()), MACHINE_KEYS, mild), run)


@pytest.mark.heavy
@pytest.mark.parametrize("mild", [False, True], ids=["hostile", "extreme"])
def test_what_can_be_read_is_reckoned_with(tmp_path: Path, mild: bool) -> None:
    """No traceback, and none takes over ten seconds; how many take over two is told."""
    file, slow = tmp_path / "machine.toml", list[str]()

    def run(text: str) -> str:
        file.write_text(text, encoding="utf-8")
        found = _run(["suggest", str(file)])
        slow.extend([found] * found.startswith("took"))
        return "" if found in slow else found

    fallen = _swept(250, f"suggest mild={mild}", _hostile(list(SAMPLES.values()), MACHINE_KEYS, mild), run)
    print(f"of these {len(slow)} took over {LONGEST_S} s, the longest {max(slow, default='none')}")
    assert not fallen


@pytest.mark.parametrize("count", SWEEPS)
@pytest.mark.parametrize("mild", [False, True], ids=["hostile", "extreme"])
def test_maps(tmp_path: Path, count: int, mild: bool) -> None:
    file, log = tmp_path / "map.toml", tmp_path / "log.csv"
    log.write_text(LOG, encoding="utf-8")

    def run(text: str) -> str:
        file.write_text(text, encoding="utf-8")
        return _run(["read", str(log), "--map", str(file)]) or _run(["measure", str(log), "--machine", str(MACHINES / "inlay_router.toml"), "--map", str(file)])

    assert not _swept(count, f"map mild={mild}", _hostile([MAP, POINTING], MAP_KEYS, mild), run)


def _bytes(kind: str, sound: bytes) -> bytes:
    """A file of one kind, made from a sound one."""
    many, line = 10_000, sound.index(b"\n") + 1
    return {
        "empty": lambda: b"", "bom": lambda: b"\xef\xbb\xbf" + sound, "bom twice": lambda: b"\xef\xbb\xbf" * 2 + sound, "utf-16": lambda: sound.decode().encode("utf-16"),
        "nul": lambda: sound[:line] + b"\0" + sound[line:], "nul only": lambda: b"\0" * 5000, "not utf-8": lambda: sound + b"# \xff\xfe\n",
        "cr only": lambda: sound.replace(b"\n", b"\r"), "crlf": lambda: sound.replace(b"\n", b"\r\n"), "cut": lambda: sound[: len(sound) // 2],
        "arrays": lambda: b"a = " + b"[" * many + b"]" * many, "open arrays": lambda: b"a = " + b"[" * 2_000_000, "tables": lambda: b"a = " + b"{a = " * many + b"1" + b"}" * many,
        "dotted": lambda: b"a." * many + b"a = 1", "dotted header": lambda: b"[" + b"a." * many + b"a]\nb = 1", "dotted, quoted": lambda: b'"a" . ' * many + b"a = 1",
        "dotted in a table": lambda: b"knob = {" + b"a." * many + b"a = 1}", "dotted, million": lambda: b"a." * 1_900_000 + b"a = 1", "many dotted": lambda: b"".join(b"k%d.a.b.c.d.e.f.g = 1\n" % i for i in range(100_000)),
        "arrays in reach": lambda: b"a = " + b"[" * 200 + b"]" * 200 + b"\n" + sound, "keys": lambda: b"".join(b"k%d = 1\n" % i for i in range(300_000)) + sound,
        "keys of one table": lambda: b"[knob]\n" + b"".join(b"steadi%d = 1\n" % i for i in range(200_000)), "million keys": lambda: b"".join(b"k%d=1\n" % i for i in range(1_000_000)),
        "long key": lambda: b"k" * 3_000_000 + b" = 1\n" + sound, "long text": lambda: b'name = "' + b"n" * 3_000_000 + b'"\n', "long line": lambda: sound + b"," * 3_000_000, "long number": lambda: b"name = 0." + b"9" * 3_000_000, "long hex": lambda: b"name = 0x" + b"f" * 3_000_000,
        "axes": lambda: b'[[axis]]\nname = "X"\n' * 150_000, "tasks": lambda: sound + b"[[task]]\n" * 300_000, "dates": lambda: b"a = 1979-05-27T07:32:00Z\nb = 99999-01-01\n", "lists": lambda: b"[selector]\nangles = [" + b"1," * 1_500_000 + b"]",
        "presses": lambda: sound + b"\n[buttons]\nsteps = [" + b'"1 mm",' * 400_000 + b"]\n", "names": lambda: b"[axis]\nnames = {" + b", ".join(b'a%d = "X"' % i for i in range(200_000)) + b"}", "changes": lambda: b"[rung]\nchanges = [" + b", ".join(b'{from = "%d s", rung = 1}' % i for i in range(120_000)) + b"]",
        "rows": lambda: sound + b"x,y\n" * 1_000_000, "just over": lambda: sound + b"#" * ((4 << 20) - len(sound) + 1), "large": lambda: sound + b"#" * (70 << 20), "quotes": lambda: sound + b'"' * 3_000_001, "newlines": lambda: sound + b"\n" * 3_000_000, "surrogate": lambda: sound + b"# \xed\xa0\x80",
    }[kind]()  # fmt: skip


KINDS = ["empty", "bom", "bom twice", "utf-16", "nul", "nul only", "not utf-8", "cr only", "crlf", "cut", "arrays", "open arrays", "tables", "dotted", "dotted header", "dotted, quoted", "dotted in a table", "dotted, million", "many dotted", "arrays in reach", "keys", "keys of one table", "million keys", "long key", "long text", "long line", "long number", "long hex", "axes", "tasks", "dates", "lists", "presses", "names", "changes", "rows", "just over", "large", "quotes", "newlines", "surrogate"]


def _readers(folder: Path) -> dict[str, tuple[bytes, Callable[[str], list[str]]]]:
    """Each file that a command reads whole: a sound one, and the command."""
    router, log = str(MACHINES / "inlay_router.toml"), folder / "log.csv"
    log.write_text(LOG, encoding="utf-8")
    return {
        "new": (Path(router).read_bytes(), lambda name: ["new", str(folder / "out" / "new.toml"), "--from", name]),
        "map": (_text(MAP).encode(), lambda name: ["read", str(log), "--map", name]),
        "readings": (b"axis,unit,gain,detents,reading\nX,mm,0.1,0,0\nX,mm,0.1,10,1.0\n", lambda name: ["readings", name, "--machine", router]),
        "checks": (b"test,axis,position,measured\n", lambda name: ["checks", name, "--machine", router]),
        "roster": (b"file,person,ladder,order\nlog.csv,ann,a,1\n", lambda name: ["compare", router, "--class", str(folder), "--roster", name]),
    }  # fmt: skip


@pytest.mark.parametrize("reader", ["new", "map", "readings", "checks", "roster"])
def test_whatever_bytes_a_file_holds(tmp_path: Path, reader: str) -> None:
    sound, command = _readers(tmp_path)[reader]
    assert not _run(command(os.devnull)).startswith("took")
    fallen = {}
    (tmp_path / "out").mkdir()
    for kind in KINDS:
        (tmp_path / "out" / "new.toml").unlink(missing_ok=True)
        file = tmp_path / "file.toml"
        file.write_bytes(_bytes(kind, sound))
        if found := _run(command(str(file))):
            fallen[kind] = found
    print(f"\nbytes, {reader}: {len(KINDS)} tried, {len(fallen)} fallen: {fallen}")
    assert not fallen


@pytest.mark.parametrize("reader", ["new", "map", "readings", "checks", "roster"])
def test_whatever_a_name_stands_for(tmp_path: Path, reader: str) -> None:
    sound, command = _readers(tmp_path)[reader]
    (tmp_path / "out").mkdir()
    os.mkfifo(tmp_path / "fifo")
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "deep").mkdir()
    (tmp_path / "locked").write_bytes(sound)
    (tmp_path / "locked").chmod(0)
    names = [
        "", " ", ".", "/", str(tmp_path), str(tmp_path / "fifo"), "/dev/zero", "/dev/null", "/dev/stdin", str(tmp_path / "loop"), str(tmp_path / "no" / "such"), f"{tmp_path}/{'x' * 300}",
        f"{tmp_path}/{'y/' * 3000}z", str(tmp_path / "a\0b"), "\0", str(tmp_path / "a\udc80b"), "\ud800", str(tmp_path / "a\nb"), str(tmp_path / "log.csv" / "below"), "~nobody/x", "\x1b[31mred", "-", "file://x", "http://localhost/x",
    ] + ([str(tmp_path / "locked")] if os.geteuid() else [])  # fmt: skip
    fallen = {}
    for name in names:
        if found := _run(command(name)):
            fallen[name[-20:]] = found
    print(f"\nnames, {reader}: {len(names)} tried, {len(fallen)} fallen: {fallen}")
    assert not fallen
