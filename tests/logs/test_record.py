"""The serial logger, on a real pair of pseudo-terminals, with a device that vanishes and a recorder that is killed."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
import tty
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from jogtune.files import InputFault
from jogtune.logs import record as recorder
from jogtune.logs.map import LogMap, _Clock, _Counter
from jogtune.logs.read import iter_log, read_log
from jogtune.logs.record import JogRow, _LiveReader, _open_port, iter_serial, record

pytest.importorskip("serial")
RECORDED = LogMap(
    time=_Clock(column=2, unit="us"), knob=_Counter(columns=(("", 3),), wraps_at=256), delimiter=",", header=False
)


class FakeDevice:
    """Prints a numbered line every so often on its own end of a pseudo-terminal, then pulls the plug."""

    def __init__(self, *, rate: float, lines: int, unfinished: bytes = b"") -> None:
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        fcntl.ioctl(self._master, termios.TIOCPKT, struct.pack("i", 1))  # tells when the port is opened
        self.port = os.ttyname(self._slave)
        self.printed, self.printed_at = 0, list[float]()
        self._rate, self._lines, self._unfinished = rate, lines, unfinished
        self.vanish_after_s = 0.3
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def _run(self) -> None:
        self._await_opening()
        start = time.monotonic()
        for number in range(self._lines):
            self.printed_at.append(time.time())
            os.write(self._master, line(number))
            self.printed = number + 1
            if self._stop.wait(max(0.0, start + (number + 1) / self._rate - time.monotonic())):
                break
        os.write(self._master, self._unfinished)
        self._stop.wait(self.vanish_after_s)
        while self._unread() and not self._stop.wait(0.05):
            pass
        self.vanish()

    def _await_opening(self) -> None:
        """Whoever opens a port throws away what came before: print once that has been done."""
        while not self._stop.is_set():
            if select.select([self._master], [], [], 0.05)[0] and os.read(self._master, 1)[0] & termios.TIOCPKT_FLUSHREAD:
                return

    def _unread(self) -> int:
        """Bytes that no reader has taken yet."""
        return int(struct.unpack("i", fcntl.ioctl(self._slave, termios.FIONREAD, struct.pack("i", 0)))[0])

    def vanish(self) -> None:
        if self._master >= 0:
            os.close(self._master)
            os.close(self._slave)
            self._master = -1

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(timeout=10)
        self.vanish()


def line(number: int) -> bytes:
    return b"%d,%d\r\n" % (1000 * number, number % 256)


def recorded_numbers(place: Path) -> list[int]:
    rows = [text.split(",") for text in place.read_text().splitlines() if not text.startswith("#")]
    assert all(len(row) == 3 for row in rows)
    return [int(row[1]) // 1000 for row in rows]


@pytest.fixture
def device() -> Iterator[FakeDevice]:
    fake = FakeDevice(rate=1000, lines=2000, unfinished=b"2000000,2")
    yield fake
    fake.stop()


def test_a_device_at_1_khz_that_vanishes_costs_only_the_unfinished_line(tmp_path: Path, device: FakeDevice) -> None:
    place = tmp_path / "session.csv"
    device.start()
    done = record(device.port, place, seconds=600, wait_s=0)
    began = time.time() - done.seconds  # at the latest
    assert done.ended == "port vanished"
    assert device.printed == done.lines == 2000
    assert recorded_numbers(place) == list(range(2000))
    assert "# unfinished: " in place.read_text()
    log = read_log(place, columns=RECORDED)
    assert log.rows_in == log.rows_out == 2000
    assert log.rows["detents"].sum() == 1999
    host_s = [float(text.split(",")[0]) for text in place.read_text().splitlines() if not text.startswith("#")]
    assert host_s == sorted(host_s)
    assert all(printed - began - 0.001 <= at for at, printed in zip(host_s, device.printed_at, strict=True)), "noted before it came"
    assert host_s[-1] <= done.seconds


def test_after_kill_9_every_finished_line_is_in_the_file(tmp_path: Path, device: FakeDevice) -> None:
    place = tmp_path / "session.csv"
    code = f"from jogtune.logs.record import record; record({device.port!r}, {str(place)!r})"
    child = subprocess.Popen([sys.executable, "-c", code], cwd=Path(__file__).parents[2])
    try:
        wait_for(lambda: place.exists() and place.stat().st_size > 0)
        device.start()
        wait_for(lambda: place.read_bytes().count(b"\n") > 500)
        before = recorded_numbers(place)
        os.kill(child.pid, signal.SIGKILL)
    finally:
        child.kill()
        child.wait(timeout=10)
    numbers = recorded_numbers(place)
    assert numbers == list(range(len(numbers)))
    assert len(numbers) >= len(before) > 490
    log = read_log(place, columns=RECORDED)
    assert log.rows_out == len(numbers)
    assert log.left_out == len(log.noticed) == 0


def wait_for(true: object, seconds: float = 300) -> None:
    end = time.monotonic() + seconds
    while not true():  # type: ignore[operator]
        assert time.monotonic() < end, "nothing came"
        time.sleep(0.01)


def test_a_recording_never_goes_over_an_existing_file(tmp_path: Path) -> None:
    place = tmp_path / "a.csv"
    place.write_text("mine")
    with pytest.raises(InputFault, match="exists and is not overwritten"):
        record("/dev/null", place)
    assert place.read_text() == "mine"


def test_a_port_that_is_not_there_is_one_clear_fault(tmp_path: Path) -> None:
    with pytest.raises(InputFault, match="can't be opened"):
        _open_port(str(tmp_path / "ttyNONE"))
    with pytest.raises(InputFault, match="can't be opened"):
        record(str(tmp_path / "ttyNONE"), tmp_path / "a.csv")
    assert not (tmp_path / "a.csv").exists()


def test_recording_is_announced_once_port_and_file_are_open(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from jogtune.cli.main import main

    said: list[bool] = []
    with pytest.raises(InputFault, match="can't be opened"):
        record(str(tmp_path / "ttyNONE"), tmp_path / "a.csv", started=lambda: said.append(True))
    assert said == []
    assert main(["record", str(tmp_path / "ttyNONE"), "--out", str(tmp_path / "a.csv")]) == 2
    assert "Ctrl-C ends it" not in capsys.readouterr().err
    fake = FakeDevice(rate=200, lines=100_000)
    fake.start()
    try:
        record(fake.port, tmp_path / "a.csv", seconds=0.1, started=lambda: said.append((tmp_path / "a.csv").exists()))
        assert said == [True]
        assert main(["record", fake.port, "--out", str(tmp_path / "b.csv"), "--for", "100 ms"]) == 0
        assert f"recording {fake.port} to {tmp_path / 'b.csv'}" in capsys.readouterr().err
    finally:
        fake.stop()


def test_time_over_and_stop_end_a_recording(tmp_path: Path) -> None:
    fake = FakeDevice(rate=200, lines=100_000)
    fake.start()
    try:
        assert record(fake.port, tmp_path / "a.csv", seconds=0.5).ended == "time over"
        assert record(fake.port, tmp_path / "b.csv", stop=lambda: lines_in(tmp_path / "b.csv") > 30).ended == "stopped"
    finally:
        fake.stop()
    assert read_log(tmp_path / "b.csv", columns=RECORDED).rows_out > 20


def lines_in(place: Path) -> int:
    return place.read_bytes().count(b"\n")


# ------------------------------------------------------------------ line ends, and a port that comes and goes


class FakePort:
    """Gives out its pieces one by one, then is gone."""

    in_waiting = 0

    def __init__(self, *pieces: bytes) -> None:
        self._pieces = list(pieces)
        self.closed = False

    def read(self, size: int = 1) -> bytes:
        if not self._pieces:
            raise OSError("device disconnected")
        return self._pieces.pop(0)

    def close(self) -> None:
        self.closed = True


def plugged(monkeypatch: pytest.MonkeyPatch, *ports: FakePort | None) -> None:
    """Each opening finds the next of these ports; None, and after the last: nothing is there."""
    left = list(ports)

    def opened(name: str, **_: object) -> FakePort:
        port = left.pop(0) if left else None
        if port is None:
            raise InputFault(name, ["can't be opened"])
        return port

    monkeypatch.setattr(recorder, "_open_port", opened)
    monkeypatch.setattr(recorder, "_LOOK_AGAIN_S", 0.001)


def cut(text: bytes, size: int) -> FakePort:
    return FakePort(*(text[i : i + size] for i in range(0, len(text), size)))


@pytest.mark.parametrize("size", [1, 3, 7, 5000])
@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r", b"\r\r\n"])
def test_lines_may_end_in_lf_crlf_or_cr(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, end: bytes, size: int) -> None:
    text = b"".join(b"%d,%d" % (1000 * n, n % 256) + end for n in range(500))
    plugged(monkeypatch, cut(text, size))
    done = record("fake", tmp_path / "a.csv", wait_s=0)
    assert done.lines == 500
    assert recorded_numbers(tmp_path / "a.csv") == list(range(500))
    assert "# unfinished" not in (tmp_path / "a.csv").read_text()
    log = read_log(tmp_path / "a.csv", columns=RECORDED)
    assert log.rows_in == log.rows_out == 500
    reader = _LiveReader(RECORDED_DEVICE)
    rows = [row for i in range(0, len(text), size) for row in reader.feed(text[i : i + size])]
    assert [row.detents for row in rows] == [0] + [1] * 498
    assert reader.noticed == []


def test_a_clock_that_is_set_is_told_and_changes_no_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = iter([1e9, *[1e9] * 100, *[1e9 - 3600] * 100, *[1e9 + 86400] * 10_000])
    monkeypatch.setattr("jogtune.logs.record.time.time", lambda: next(clock))
    text = b"".join(b"%d,%d\n" % (1000 * n, n % 256) for n in range(300))
    plugged(monkeypatch, cut(text, 10))
    assert record("fake", tmp_path / "a.csv", wait_s=0).lines == 300
    assert recorded_numbers(tmp_path / "a.csv") == list(range(300))
    told = [line for line in (tmp_path / "a.csv").read_text().splitlines() if "clock set" in line]
    assert [re.sub(r"at .*", "", line) for line in told] == ["# computer's clock set by -3600.0 s ", "# computer's clock set by +90000.0 s "]
    log = read_log(tmp_path / "a.csv", columns=RECORDED)
    assert log.rows_in == log.rows_out == 300
    assert log.rows["time_s"].is_monotonic_increasing


ENDLESS = b"".join(b"J,%d,%d" % (1000 * n, n % 256) for n in range(1000))


def test_no_line_end_in_4_kib_is_refused_with_advice_and_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "a.csv"
    plugged(monkeypatch, port := cut(ENDLESS, 100))
    with pytest.raises(InputFault, match=r'fake: 1 fault\n.*no line end came in 4096 bytes: check the baud rate.*lines = "\*,J\*".*a.csv.map.toml'):
        record("fake", place, wait_s=0)
    assert port.closed
    assert place.read_bytes().partition(b"# unfinished: ")[2] == ENDLESS[:4100] + b"\n# ended: no line end\n"
    with pytest.raises(InputFault, match="device: 1 fault\n.*no line end came in 4096 bytes"):
        _LiveReader(RECORDED_DEVICE).feed(ENDLESS)
    with pytest.raises(InputFault, match="no line end came in 4096 bytes"):
        _LiveReader(replace(RECORDED_DEVICE, lines="Q*")).feed(ENDLESS)


def test_without_line_ends_the_map_says_how_a_line_begins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.csv.map.toml").write_text(
        'delimiter = ","\nheader = false\nlines = "*,J*"\n[time]\ncolumn = 1\n[knob]\ncolumn = 4\nwraps_at = 256\n'
    )
    plugged(monkeypatch, cut(ENDLESS, 100))
    assert record("fake", tmp_path / "a.csv", wait_s=0).lines == 999  # the last is unfinished, as nothing follows
    log = read_log(tmp_path / "a.csv")
    assert log.rows_in == log.rows_out == 999
    assert log.rows["detents"].sum() == 998
    reader = _LiveReader(replace(RECORDED, lines="J,*"))
    assert sum(len(reader.feed(ENDLESS[i : i + 100])) for i in range(0, len(ENDLESS), 100)) == 998


def test_one_overlong_line_costs_only_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = line(0) + b"x" * 5000 + b"\n" + b"".join(map(line, range(1, 10)))
    plugged(monkeypatch, cut(text, 50))
    record("fake", tmp_path / "a.csv", wait_s=0)
    assert (tmp_path / "a.csv").read_bytes().count(b"x") == 5000
    log = read_log(tmp_path / "a.csv", columns=RECORDED)
    assert (log.rows_out, log.left_out) == (10, 1)


def test_a_device_that_comes_back_goes_on_in_the_same_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = b"".join(map(line, range(101)))
    after = b"77,7\r\n" + b"".join(map(line, range(50)))
    first, second, told = cut(before + b"101000,10", 9), cut(after, 9), list[str]()
    plugged(monkeypatch, first, None, None, second)
    done = record("fake", tmp_path / "a.csv", wait_s=0.5, vanished=lambda: told.append("vanished"))
    assert done.ended == "port vanished"
    assert done.lines == 151
    assert first.closed
    assert second.closed
    assert told == ["vanished", "vanished"]
    text = (tmp_path / "a.csv").read_text()
    assert "# unfinished: 101000,10\n# unplugged from " in text
    assert " s\n# unfinished: 77,7\n" in text
    log = read_log(tmp_path / "a.csv", columns=RECORDED)
    assert log.rows_in == log.rows_out == 151  # clock and count began again, and no row is lost by it
    assert log.rows["detents"].sum() == 100 + 49
    (gap,) = [note for note in log.remarks if note.kind == "unplugged"]
    assert gap.where.line == 3 + 101 + 2
    assert gap.figures["gap_s"] >= 0.002  # looked for twice in vain


@pytest.mark.parametrize("after", [1, 3, 8, 9])
def test_rows_of_a_clock_that_restarts_after_a_gap_are_kept(tmp_path: Path, after: int) -> None:
    place = tmp_path / "log.csv"
    rows = [f"{n * 40_000},{n},X,1" for n in range(50)]
    place.write_text("\n".join(["t_us,count,axis,rung", *rows, "# unplugged from 2.0 to 5.0 s", *rows[:after]]) + "\n")
    log = read_log(place)
    assert log.rows_out == 50 + after
    assert log.rows["detents"].sum() == 49 + after - 1  # the first count after the gap says nothing


def test_a_gap_at_any_place_of_a_block_counts_anew(tmp_path: Path) -> None:
    rows = [f"{n / 10:.1f},{n % 256}" for n in range(300)]
    for at in (0, 1, 7, 150, 299, 300):
        place = tmp_path / f"{at}.csv"
        place.write_text("\n".join([*rows[:at], "# unplugged from 1.0 to 3.5 s", *rows[100:]]) + "\n")
        log_map = replace(RECORDED, time=_Clock(column=1), knob=_Counter(columns=(("", 2),)))
        whole = read_log(place, columns=log_map)
        assert whole.rows_in == whole.rows_out == at + 200
        assert whole.rows["detents"].sum() == max(at - 1, 0) + 199
        assert [note.figures["gap_s"] for note in whole.remarks if note.kind == "unplugged"] == [2.5]
        for size in (64, 300):
            parts = list(iter_log(place, columns=log_map, block_bytes=size))
            assert [n for part in parts for n in part.rows["detents"]] == whole.rows["detents"].tolist()


def test_a_real_port_is_opened_again(tmp_path: Path) -> None:
    name, told = tmp_path / "ttyFAKE", list[bool]()
    first, second = FakeDevice(rate=1000, lines=50), FakeDevice(rate=1000, lines=50)
    second.vanish_after_s = 30
    name.symlink_to(first.port)

    def swap() -> None:
        name.unlink()
        name.symlink_to(second.port)
        second.start()
        told.append(True)

    first.start()
    try:
        done = record(str(name), tmp_path / "a.csv", seconds=600, vanished=swap, stop=lambda: lines_in(tmp_path / "a.csv") > 100)
    finally:
        first.stop()
        second.stop()
    assert told == [True]
    assert done.ended == "stopped"
    assert recorded_numbers(tmp_path / "a.csv")[:51] == [*range(50), 1]
    log = read_log(tmp_path / "a.csv", columns=RECORDED)
    assert log.left_out == 0


def test_a_full_disk_is_a_clear_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    plugged(monkeypatch, cut(b"1,2\n", 9))
    with pytest.raises(InputFault, match="can't be written"):
        record("fake", "/dev/full", overwrite=True)


@pytest.mark.parametrize("rate", [25, 200])
def test_live_rows_come_as_they_are_printed_and_no_click_is_lost(rate: int) -> None:
    fake = FakeDevice(rate=rate, lines=2 * rate)
    log_map = LogMap(
        time=_Clock(column=1, unit="us"), knob=_Counter(columns=(("", 2),), wraps_at=256), delimiter=",", header=False
    )
    reader = _LiveReader(log_map)
    rows: list[JogRow] = []
    fake.start()
    try:
        for row in iter_serial(fake.port, log_map, reader=reader):
            rows.append(row)
            assert row.host_s <= time.time()
    finally:
        fake.stop()
    assert len(rows) == 2 * rate - 1  # the line in hand at the start is passed over
    assert [row.detents for row in rows] == [0] + [1] * (2 * rate - 2)
    assert reader.noticed == []
    assert rows[-1].time_s == pytest.approx((2 * rate - 1) / 1000)
    assert all(row.host_s >= printed for row, printed in zip(rows, fake.printed_at[1:], strict=True)), "noted before it came"


def test_live_reader_agrees_with_reading_the_file(tmp_path: Path) -> None:
    text = b"".join(line(i) if i % 17 else b"chatter\r\n" for i in range(1, 400))
    reader = _LiveReader(RECORDED_DEVICE)
    rows = [row for i in range(0, len(text), 7) for row in reader.feed(text[i : i + 7])]
    place = tmp_path / "a.csv"
    place.write_bytes(text.split(b"\n", 1)[1])
    log = read_log(place, columns=RECORDED_DEVICE)
    assert [row.detents for row in rows] == log.rows["detents"].tolist()
    assert [row.time_s for row in rows] == log.rows["time_s"].tolist()
    assert tuple(reader.noticed) == log.noticed


RECORDED_DEVICE = LogMap(
    time=_Clock(column=1, unit="us"), knob=_Counter(columns=(("", 2),), wraps_at=256), delimiter=",", header=False
)
