"""feel()."""

from __future__ import annotations

import contextlib
import itertools
import queue
import threading
import time
import uuid
from collections import Counter
from collections.abc import Iterable
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import anywidget
import numpy as np
import traitlets

from ..charts.ink import named
from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from ..screen.goals import Goal, start_of
from ..screen.page import knob_script, knob_style
from ..screen.setup import COLUMNS, ON_SCREEN, Sitting, plan_sitting
from ..units import UNIT_FACTORS
from .panel import _bundle

if TYPE_CHECKING:
    import pandas as pd

    from ..logs.log import Log
    from ..logs.map import LogMap
    from ..logs.record import JogRow

_FRAME_S = 1 / 60  # reports of a real control go to the browser at most this often


class _Feed:
    """Reports of a real hand control on their way to the screen.

    `stop()` ends it; `detents` is the running total sent on, `fault` says what failed."""

    def __init__(self, knob: Knob, rows: Iterable[JogRow], ended: threading.Event) -> None:
        self.knob, self.fault = knob, ""
        self.detents = 0
        self._waiting: queue.SimpleQueue[JogRow | None] = queue.SimpleQueue()
        self._ended = ended
        work = (lambda: self._read(rows), self._send)
        self._threads = [threading.Thread(target=target, daemon=True) for target in work]
        for thread in self._threads:
            thread.start()

    def stop(self, patience_s: float = 2.0) -> None:
        """End the feed; what was read is still sent."""
        self._ended.set()
        self.join(patience_s)

    def join(self, patience_s: float | None = None) -> None:
        """Wait until the reports have ended and all were sent."""
        for thread in self._threads:
            thread.join(patience_s)

    def _read(self, rows: Iterable[JogRow]) -> None:
        try:
            for row in rows:
                self._waiting.put(row)
                if self._ended.is_set():
                    break
        except Exception as fault:  # told to the person: nothing else looks at this thread
            self.fault = str(fault)
            self.knob.send({"kind": "say", "text": f"The hand control can't be followed. {fault}"})
        self._waiting.put(None)

    def _send(self) -> None:
        while True:
            waiting = [self._waiting.get()]
            while not self._waiting.empty():
                waiting.append(self._waiting.get())
            batch = [row for row in waiting if row is not None]
            if batch:
                self.detents += sum(row.detents for row in batch)
                self.knob._turn(batch)
            if waiting[-1] is None:
                return
            time.sleep(_FRAME_S)


_LEAST, _MOST = np.array(list(COLUMNS.values())).T
_WHOLE = np.isin(list(COLUMNS), ["number", "detents", "rung", "ladder", "task", "marker"])
_WITH_GOAL = np.isin(list(COLUMNS), ["goal_mm", "tolerance_mm"])  # nan where no goal is shown
_STRANGE = "a message that no page of this knob can have sent was left out"
_OLD_PAGE = "the knob is open in a newer page: turn it there, as what is turned in an older one is left out"
_REAL = "a real hand control on the on-screen axis, motor power off"
_BESIDE_S = 10.0  # rows of a sitting that isn't saved are written beside the notebook so often, and at each rest


class Knob(anywidget.AnyWidget):
    """A knob, a ladder or two and an axis on the screen; everything turned is kept as a jog log.

    `machine` sets limits and link, `axis` names the axis (default: the first). `goals` per ladder follow after a few of
    `practice`; a goal counts when the axis has rested within its tolerance for `dwell_s`. `blind` hides which ladder is on until
    the last goal; `number` of the `person` in a class balances who meets which first. `controls` adds "stick" and "buttons" to
    be compared with the "knob". `habit` says how the controller treats turning that is too fast, and at what speed it moves
    (see `Habit`; default: owe, dash). The link's jitter and losses are not simulated.

    Rows that aren't saved lie in the page, and in `knob_<person>_unsaved_<time>.csv` beside the notebook. It can't know your
    machine, your room, your hands. It calculates and draws; it moves nothing. Raises `InputFault` with every fault of the
    arguments."""

    _esm = knob_script("lab")
    _css = knob_style()
    _setup = traitlets.Dict().tag(sync=True)

    def __init__(self, machine: str | Path | Machine, *ladders: str | Ladder, **options: Any) -> None:
        self.sitting: Sitting = plan_sitting(machine, ladders, **options)
        self.machine, self.axis, self.ladders, self.goals = (
            self.sitting.machine, self.sitting.axis, self.sitting.ladders, self.sitting.goals,
        )  # fmt: skip
        self.control = ON_SCREEN
        self._pages: dict[float, dict[int, np.ndarray[Any, Any]]] = {}  # rows by number, of each sitting by when it began [ms]
        self._left_out: Counter[str] = Counter()
        self._lock = threading.Lock()
        self._written, self._saved = time.monotonic(), 0
        turn = {"number": 0, "total": 0}  # of a real control, when the page is loaded
        super().__init__(_setup={"id": uuid.uuid4().hex, "turn": turn, **self.sitting.setup()})
        self.on_msg(self._hear)

    def set_state(self, sync_data: object) -> None:
        """What a page would set of the knob: nothing."""
        self._leave_out(_STRANGE)

    def _hear(self, _: object, content: Any, buffers: Any) -> None:
        """Take in a message; Lab may call this on a thread of its own."""
        try:
            rows = _checked(content, buffers, self._setup["id"])
        except Exception:  # it may be anything
            return self._leave_out(_STRANGE)
        if content["kind"] == "rows":
            self._keep(content["began"], rows)
            if time.monotonic() - self._written > _BESIDE_S:
                self._write_beside()
        elif content["kind"] == "rest":
            self._write_beside()
        else:
            self.send({"kind": "say", "text": self._save_here()})

    def _write_beside(self) -> None:
        """Write what isn't saved yet beside the notebook; where that can't be, the page still has it."""
        self._written = time.monotonic()
        with contextlib.suppress(RuntimeError, ValueError, OSError):
            if len(self.frame()) > self._saved:
                self._write(self._beside, overwrite=True)

    @property
    def _beside(self) -> Path:
        """The file of what isn't saved; a sitting has the same one after a restart."""
        began = time.strftime("%Y%m%d_%H%M%S", time.gmtime(max(self._pages) / 1000))
        return Path(f"knob_{_plain(self.sitting.person)}_unsaved_{began}.csv")

    def _leave_out(self, why: str) -> None:
        """Count it; the first of its kind is told."""
        with self._lock:
            if not self._left_out[why]:
                self.send({"kind": "say", "text": f"Mind: {why}."})
            self._left_out[why] += 1

    def _keep(self, began: float, rows: np.ndarray[Any, Any]) -> None:
        """Keep rows that are not kept yet; a page is known from its first row on."""
        with self._lock:
            page = self._pages.setdefault(began, {}) if rows[0, 0] == 0 else self._pages.get(began, {})
            for row in rows if page or rows[0, 0] == 0 else ():
                page.setdefault(int(row[0]), row.copy())
            whole, newest = len(page) > rows[-1, 0], max(self._pages, default=began)
        if began + 1000 * rows[-1, 1] >= newest > began:
            self._leave_out(_OLD_PAGE)
        elif not whole:
            self.send({"kind": "resend"})

    def _turn(self, batch: list[JogRow]) -> None:
        """Send reports of a real control, as totals of all that turned this knob."""
        with self._lock:
            turn = self._setup["turn"]
            totals = list(itertools.accumulate((row.detents for row in batch), initial=turn["total"]))[1:]
            turn.update(number=turn["number"] + 1, total=totals[-1])
            reports = [(total, row.rung) for total, row in zip(totals, batch, strict=True)]
            self.send({"kind": "turn", "number": turn["number"], "reports": reports})

    def _save_here(self) -> str:
        """Save under the first free name in the working folder; what to tell the person."""
        names = (Path(f"knob_{_plain(self.sitting.person)}_{n}.csv") for n in itertools.count(1))
        try:
            return f"Saved as {self.save(next(name for name in names if not name.exists()))}."
        except (ValueError, OSError, RuntimeError) as fault:
            return f"Not saved. {fault}"

    def kept(self) -> None:
        """What was turned so far lies in a file: the page need keep it no longer, nor the file of what isn't saved."""
        self._saved = len(self.frame())
        with contextlib.suppress(OSError, ValueError):  # where nothing has been turned there is none
            self._beside.unlink(missing_ok=True)
        self.send({"kind": "saved", "rows": self._saved})

    def frame(self) -> pd.DataFrame:
        """The rows so far in the tidy schema, one per report that says something.

        Times are the browser's, in seconds since the sitting began; markers name goal and ladder. One begun anew goes on in
        time where its predecessor ends. Raises RuntimeError where rows are still on their way from the browser."""
        with self._lock:
            pages = [(began, [page[n] for n in sorted(page)]) for began, page in sorted(self._pages.items())]
        if pages and pages[-1][1][-1][0] + 1 != len(pages[-1][1]):
            raise RuntimeError("rows are still on their way from the browser: wait a moment and ask again")
        parts = [np.empty((0, len(COLUMNS)))]
        for (began, rows), (after, _) in itertools.pairwise([*pages, (np.inf, [])]):
            part = np.array(rows)
            part[:, 1] += (began - pages[0][0]) / 1000
            parts.append(part[part[:, 1] < (after - pages[0][0]) / 1000])
        return self.sitting.frame(np.concatenate(parts))

    def notes(self) -> dict[str, str]:
        """What stands at the head of a saved log."""
        return {**self.sitting.head(self.control), **{f"left out, {n}": why for why, n in self._left_out.items()}}

    def log(self) -> Log:
        """The log so far (see `frame`), as `jogtune.logs.read.read_log` would return it."""
        import tempfile

        from ..logs.read import read_log

        with tempfile.TemporaryDirectory() as folder:
            return read_log(self._write(Path(folder) / "on_screen_knob.csv"))

    def save(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Save the log as CSV, whole or not at all; raises `InputFault` if the file exists already."""
        place = self._write(path, overwrite=overwrite)
        self.kept()
        return place

    def _write(self, path: str | Path, *, overwrite: bool = False) -> Path:
        from ..logs.read import write_log

        return write_log(self.frame(), path, overwrite=overwrite, notes=self.notes())

    def follow_port(self, port: str, columns: LogMap | str | Path, *, baud: int = 115_200) -> _Feed:
        """Let a hand control on a serial port turn the on-screen axis; its lines are read by a column map.

        `columns` is a `LogMap` or the path of a map file, the same as for its logs. Motor power off: the control may be wired
        to a machine as well. Returns at once; `stop()` of what it returns ends it."""
        from ..logs.map import LogMap
        from ..logs.map_file import read_map
        from ..logs.record import iter_serial

        ended = threading.Event()
        log_map = columns if isinstance(columns, LogMap) else read_map(columns)
        return self.follow(iter_serial(port, log_map, baud=baud, stop=ended.is_set), ended=ended)

    def follow(self, rows: Iterable[JogRow], *, ended: threading.Event | None = None) -> _Feed:
        """Let rows that come from elsewhere turn the on-screen axis, one report each, as they come."""
        self.control = _REAL
        return _Feed(self, rows, ended or threading.Event())

    def still(self) -> bytes:
        """A picture (PNG) of axis, first goal and ladder, for where no widget can run."""
        from matplotlib.figure import Figure

        figure = Figure(figsize=(7.2, 2.4), dpi=120, layout="constrained")
        side, strip = figure.subplots(1, 2, width_ratios=[1, 5])
        unit = self.machine.shown_unit(self.axis)
        _draw_ladder(side, self._setup["labels"]["rungs"][0])
        _draw_strip(strip, self.axis, self.goals[:1], unit)
        strip.set_title(f"{named(self.axis.name, 20)} of {named(self.machine.name)}: run this cell to turn the knob", fontsize=9)
        file = BytesIO()
        figure.savefig(file, format="png")
        return file.getvalue()

    def _repr_mimebundle_(self, **kwargs: Any) -> tuple[dict[str, Any], dict[str, Any]]:
        """The widget, and beside it a still for pages where no kernel runs."""
        words = f"On-screen knob: {self.axis.name} of {self.machine.name}, {len(self.goals)} goals."
        return _bundle(super()._repr_mimebundle_(**kwargs), self.still(), words), {}


def feel(machine: str | Path | Machine, *ladders: str | Ladder, **knob: Any) -> Knob:
    """The on-screen knob with one ladder or two to compare; without any, the one that covers the range.

    `knob` holds the further arguments of `Knob`."""
    return Knob(machine, *ladders, **knob)


def _plain(person: str) -> str:
    return "".join(c if c.isalnum() else "_" for c in person) or "log"


def _checked(content: Any, buffers: Any, sitting: str) -> np.ndarray[Any, Any]:
    """The rows that a message brings, none but with the kind "rows"; raises where any of it is not as a page has it."""
    kind, began = content["kind"], content["began"]
    rows = np.frombuffer(buffers[0] if kind == "rows" else b"", dtype="<f8").reshape(-1, len(COLUMNS))
    cells = (rows >= _LEAST) & (rows <= _MOST) & ((rows == np.rint(rows)) | ~_WHOLE) | np.isnan(rows) & _WITH_GOAL
    number, time_s = np.diff(rows[:, :2], axis=0).T
    whole = kind in (("rows",) if len(rows) else ("save", "rest"))
    fine = [content["id"] == sitting, whole, type(began) in (int, float) and 0 <= began <= 1e15]
    if not all([*fine, cells.all(), (number == 1).all(), (time_s >= 0).all()]):
        raise ValueError
    return rows


def _draw_ladder(ax: Any, labels: list[str]) -> None:
    for height, label in enumerate(labels):
        ax.text(1.15, height, f"{height + 1}   {label}".rstrip(), va="center", fontsize=8)
    ax.hlines(range(len(labels)), 0, 1, color="0.4", lw=2)
    ax.vlines([0, 1], -0.5, len(labels) - 0.5, color="0.4", lw=2)
    ax.set(xlim=(-0.2, 3.2))
    ax.set_axis_off()


def _draw_strip(ax: Any, axis: Axis, goals: tuple[Goal, ...], unit: str) -> None:
    size, start = float(UNIT_FACTORS[unit]), start_of(axis)
    for goal in goals:
        half, place = max(goal.tolerance_mm / 2, 0.004 * axis.reach_mm) / size, goal.goal_mm / size
        ax.axvspan(place - half, place + half, ymax=0.55, hatch="////", fc="none", ec="#006f50")
        ax.annotate("goal", (place, 0.62), ha="center", color="#006f50", fontsize=8)
    ax.plot(start / size, 0.12, "v", color="#0063a0", ms=11)
    ax.annotate("axis", (start / size, 0.3), ha="center", color="#0063a0", fontsize=8)
    ax.set(xlim=(0, axis.reach_mm / size), ylim=(0, 1), yticks=[], xlabel=unit)
    ax.spines[["left", "right", "top"]].set_visible(False)
