"""The serial logger, on a real pair of pseudo-terminals, with a device that vanishes and a recorder that is killed."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from jogtune.files import InputFault
from jogtune.logs.map import LogMap, _Clock, _Counter
from jogtune.logs.read import read_log
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
        self.port = os.ttyname(self._slave)
        self.printed = 0
        self._rate, self._lines, self._unfinished = rate, lines, unfinished
        self.vanish_after_s = 0.3
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def _run(self) -> None:
        self._stop.wait(0.5)  # opening a port throws away what came before: print once it is open
        start = time.monotonic()
        for number in range(self._lines):
            os.write(self._master, line(number))
            self.printed = number + 1
            if self._stop.wait(max(0.0, start + (number + 1) / self._rate - time.monotonic())):
                break
        os.write(self._master, self._unfinished)
        self._stop.wait(self.vanish_after_s)
        self.vanish()

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
    done = record(device.port, place, seconds=30)
    assert done.ended == "port vanished"
    assert device.printed == done.lines == 2000
    assert recorded_numbers(place) == list(range(2000))
    assert "# unfinished: " in place.read_text()
    log = read_log(place, columns=RECORDED)
    assert log.rows_in == log.rows_out == 2000
    assert log.rows["detents"].sum() == 1999
    host_s = [float(text.split(",")[0]) for text in place.read_text().splitlines() if not text.startswith("#")]
    assert host_s == sorted(host_s)
    assert 1.5 < host_s[-1] - host_s[0] < 20


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


def wait_for(true: object, seconds: float = 30) -> None:
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
        assert record(fake.port, tmp_path / "b.csv", stop=lambda: fake.printed > 150).ended == "stopped"
    finally:
        fake.stop()
    assert read_log(tmp_path / "b.csv", columns=RECORDED).rows_out > 20


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
    finally:
        fake.stop()
    assert len(rows) == 2 * rate - 1  # the line in hand at the start is passed over
    assert [row.detents for row in rows] == [0] + [1] * (2 * rate - 2)
    assert reader.noticed == []
    assert rows[-1].time_s == pytest.approx((2 * rate - 1) / 1000)
    assert rows[-1].host_s - rows[0].host_s == pytest.approx((2 * rate - 5) / rate, rel=0.5)


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
