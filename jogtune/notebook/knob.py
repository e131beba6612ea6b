"""feel()."""

from __future__ import annotations

import itertools
import queue
import threading
import time
import uuid
from collections import Counter
from collections.abc import Iterable
from fractions import Fraction
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import anywidget
import numpy as np
import traitlets

from ..axis.follow import Habit
from ..charts.ink import named
from ..choose.cover import derive_ladder
from ..files import Fault, InputFault
from ..ladder.ladder import Ladder, as_ladder
from ..machine.file import as_machine
from ..machine.model import Axis, Machine
from ..units import UNIT_FACTORS, say_distance, say_number
from .goals import _Goal, _plan_goals, _start_of
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


_COLUMNS = {  # of a row that a page sends: at least, at most
    "number": (0, 1e9), "time_s": (0, 1e9), "detents": (-1e9, 1e9), "rung": (1, 99), "gain_mm": (0, 1e6),
    "position_mm": (-1e12, 1e12), "goal_mm": (0, 1e9), "tolerance_mm": (0, 1e9), "ladder": (0, 1), "task": (-1, 999),
    "marker": (0, 8),
}  # fmt: skip
_LEAST, _MOST = np.array(list(_COLUMNS.values())).T
_WHOLE = np.isin(list(_COLUMNS), ["number", "detents", "rung", "ladder", "task", "marker"])
_WITH_GOAL = np.isin(list(_COLUMNS), ["goal_mm", "tolerance_mm"])  # nan where no goal is shown
_STRANGE = "a message that no page of this knob can have sent was left out"
_OLD_PAGE = "the knob is open in a newer page: turn it there, as what is turned in an older one is left out"
_MARKERS = (
    "", "goal shown", "goal reached", "goal skipped", "limits off", "limits on", "practice shown", "practice reached",
    "practice skipped",
)  # fmt: skip
_ON_SCREEN = "mouse wheel, trackpad, keys or touch; results don't carry over to a real knob"
_REAL = "a real hand control on the on-screen axis, motor power off"
_HERE = Path(__file__).parent
_SCRIPT = "\n".join((_HERE / name).read_text(encoding="utf-8") for name in ("axis.js", "session.js", "knob.js"))


class Knob(anywidget.AnyWidget):
    """A knob, a ladder or two and an axis on the screen; everything turned is kept as a jog log.

    `machine` sets limits and link, `axis` names the axis (default: the first). `goals` per ladder follow after a few of
    `practice`; a goal counts when the axis has rested within its tolerance for `dwell_s`. `blind` hides which ladder is on.
    `habit` says how the controller treats turning that is too fast, and at what speed it moves (see `Habit`; default: owe,
    dash). The link's jitter and losses are not simulated.

    It can't know your machine, your room, your hands. It calculates and draws; it moves nothing. Raises `InputFault` with every
    fault of the arguments."""

    _esm = _SCRIPT
    _css = (_HERE / "knob.css").read_text(encoding="utf-8")
    _setup = traitlets.Dict().tag(sync=True)

    def __init__(
        self, machine: str | Path | Machine, *ladders: str | Ladder, axis: str | None = None, seed: int = 1, person: str = "",
        blind: bool = False, habit: Habit | None = None, goals: int = 6, practice: int = 2, dwell_s: float = 0.5,
    ) -> None:  # fmt: skip
        self.habit = habit or Habit()
        _check(len(ladders), self.habit, goals, practice, dwell_s)
        self.machine, self.person, self.blind, self.dwell_s = as_machine(machine), person, blind, dwell_s
        self.axis = self.machine.axis(axis) if axis else self.machine.axes[0]
        self.ladders = tuple(as_ladder(ladder, self.machine) for ladder in ladders or (derive_ladder(self.machine),))
        self.goals = _plan_goals(self.machine, self.axis, self.ladders, each=goals, practice=practice, seed=seed)
        self.control = _ON_SCREEN
        self._pages: dict[float, dict[int, np.ndarray[Any, Any]]] = {}  # rows by number, of each page by when it began [ms]
        self._left_out: Counter[str] = Counter()
        self._lock = threading.Lock()
        super().__init__(_setup=self._describe())
        self.on_msg(self._hear)

    def _describe(self) -> dict[str, Any]:
        axis, link = self.axis, self.machine.link
        unit = self.machine.shown_unit(axis)
        return {
            "id": uuid.uuid4().hex,
            "turn": {"number": 0, "total": 0},  # of a real control, when the page is loaded
            "limits": {
                "top": axis.top_speed_mm_s, "ramp": axis.ramp_mm_s2, "interval": link.report_interval_s,
                "delay": link.delay_s, "habit": self.habit.too_fast, "limit": self.habit.limit_mm, "move": self.habit.speed,
            },
            "start": _start_of(axis),
            "reach": axis.reach_mm,
            "dwell": self.dwell_s,
            "blind": self.blind,
            "ladders": [[float(gain) for gain in self._gains(ladder)] for ladder in self.ladders],
            "tasks": [
                {"goal": g.goal_mm, "tolerance": g.tolerance_mm, "ladder": g.ladder, "practice": g.practice, "kind": g.kind}
                for g in self.goals
            ],
            "unit": {"name": unit, "size": float(UNIT_FACTORS[unit])},
            "decimals": min(6, len(say_number(self.machine.readout.step_mm / UNIT_FACTORS[unit]).partition(".")[2])),
            "labels": self._labels(unit),
        }  # fmt: skip

    def _labels(self, unit: str) -> dict[str, Any]:
        shown = [["" if self.blind else say_distance(g, unit) for g in self._gains(ldr)] for ldr in self.ladders]
        named = ["per click"] if len(self.ladders) == 1 else ["ladder A", "ladder B"]
        return {
            "title": f"{self.axis.name} of {self.machine.name}", "axis": f"axis {self.axis.name}",
            "ladders": ["rung"] * 2 if self.blind else named, "rungs": shown,
            "hint": "Click the axis, then turn the wheel, drag, or press the arrow keys; 1 to 9 choose the rung.",
            "note": "A mouse wheel or keys don't feel like a real knob: times found here don't carry over to it.",
            "real": "Turned by a real hand control. Motor power off, hands clear of the machine.",
        }  # fmt: skip

    def _gains(self, ladder: Ladder) -> list[Fraction]:
        return list(dict.fromkeys(ladder.on(self.axis)))

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
        else:
            self.send({"kind": "say", "text": self._save_beside()})

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

    def _save_beside(self) -> str:
        """Save under the first free name in the working folder; what to tell the person."""
        stem = "knob_" + ("".join(c if c.isalnum() else "_" for c in self.person) or "log")
        names = (Path(f"{stem}_{n}.csv") for n in itertools.count(1))
        try:
            return f"Saved as {self.save(next(name for name in names if not name.exists()))}."
        except (ValueError, OSError) as fault:
            return f"Not saved. {fault}"

    def frame(self) -> pd.DataFrame:
        """The rows so far in the tidy schema, one per report that says something.

        Times are the browser's, in seconds since the sitting began; markers name goal and ladder. A page that was loaded anew
        goes on in time where its predecessor ends. Raises RuntimeError where rows are still on their way from the browser."""
        import pandas as pd

        with self._lock:
            pages = [(began, [page[n] for n in sorted(page)]) for began, page in sorted(self._pages.items())]
        if pages and pages[-1][1][-1][0] + 1 != len(pages[-1][1]):
            raise RuntimeError("rows are still on their way from the browser: wait a moment and ask again")
        parts = [np.empty((0, len(_COLUMNS)))]
        for (began, rows), (after, _) in itertools.pairwise([*pages, (np.inf, [])]):
            part = np.array(rows)
            part[:, 1] += (began - pages[0][0]) / 1000
            parts.append(part[part[:, 1] < (after - pages[0][0]) / 1000])
        raw = pd.DataFrame(np.concatenate(parts), columns=list(_COLUMNS))
        return pd.DataFrame({
            "time_s": raw["time_s"], "axis": self.axis.name, "detents": raw["detents"].astype("int64"),
            "gain_mm": raw["gain_mm"], "rung": raw["rung"].astype("int64"), "position_mm": raw["position_mm"],
            "goal_mm": raw["goal_mm"], "tolerance_mm": raw["tolerance_mm"], "person": self.person,
            "marker": [self._marker(int(m), int(t)) for m, t in zip(raw["marker"], raw["task"], strict=True)],
        })  # fmt: skip

    def _marker(self, code: int, task: int) -> str:
        if not 0 <= task < len(self.goals) or not code:
            return _MARKERS[code]
        goal = self.goals[task]
        number = task + 1 - (0 if goal.practice else sum(g.practice for g in self.goals))
        return f"{_MARKERS[code]}: {number}, {goal.kind}, ladder {'AB'[goal.ladder]}"

    def notes(self) -> dict[str, str]:
        """What stands at the head of a saved log."""
        ladders = {f"ladder {'AB'[i]}": ladder.say() for i, ladder in enumerate(self.ladders)}
        return {
            "simulated": "no", "axis": "simulated on the screen; the hand is real", "position": "commanded",
            "machine": self.machine.name, "hand control": self.control,
            "clock": "the browser's, seconds since the sitting began", "habit": f"{self.habit.too_fast}, {self.habit.speed}",
            **ladders, **{f"left out, {n}": why for why, n in self._left_out.items()},
        }  # fmt: skip

    def log(self) -> Log:
        """The log so far (see `frame`), as `jogtune.logs.read.read_log` would return it."""
        import tempfile

        from ..logs.read import read_log

        with tempfile.TemporaryDirectory() as folder:
            return read_log(self.save(Path(folder) / "on_screen_knob.csv"))

    def save(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Save the log as CSV, whole or not at all; raises `InputFault` if the file exists already."""
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
        _draw_ladder(side, self._labels(unit)["rungs"][0])
        _draw_strip(strip, self.axis, self.goals[:1], unit)
        strip.set_title(f"{named(self.axis.name, 20)} of {named(self.machine.name)}: run this cell to turn the knob", fontsize=9)
        file = BytesIO()
        figure.savefig(file, format="png")
        return file.getvalue()

    def _repr_mimebundle_(self, **kwargs: Any) -> tuple[dict[str, Any], dict[str, Any]]:
        """The widget, and beside it a still for pages where no kernel runs."""
        words = f"On-screen knob: {self.axis.name} of {self.machine.name}, {len(self.goals)} goals."
        return _bundle(super()._repr_mimebundle_(**kwargs), self.still(), words), {}


def feel(
    machine: str | Path | Machine, *ladders: str | Ladder, axis: str | None = None, blind: bool = False, seed: int = 1,
    **knob: Any,
) -> Knob:  # fmt: skip
    """The on-screen knob with one ladder or two to compare; without any, the one that covers the range.

    `knob` holds the further arguments of `Knob`."""
    return Knob(machine, *ladders, axis=axis, blind=blind, seed=seed, **knob)


def _checked(content: Any, buffers: Any, sitting: str) -> np.ndarray[Any, Any]:
    """The rows that a message brings, none but with the kind "rows"; raises where any of it is not as a page has it."""
    kind, began = content["kind"], content["began"]
    rows = np.frombuffer(buffers[0] if kind == "rows" else b"", dtype="<f8").reshape(-1, len(_COLUMNS))
    cells = (rows >= _LEAST) & (rows <= _MOST) & ((rows == np.rint(rows)) | ~_WHOLE) | np.isnan(rows) & _WITH_GOAL
    number, time_s = np.diff(rows[:, :2], axis=0).T
    fine = [content["id"] == sitting, kind == ("rows" if len(rows) else "save"), type(began) in (int, float) and 0 <= began <= 1e15]
    if not all([*fine, cells.all(), (number == 1).all(), (time_s >= 0).all()]):
        raise ValueError
    return rows


def _check(ladders: int, habit: Habit, goals: int, practice: int, dwell_s: float) -> None:
    simple = habit.queue is None and habit.rung_change == "keep"
    rules = (
        ("ladders", ladders, ladders <= 2, "must be one or two"),
        ("habit", None, simple, "the on-screen axis has no queue and keeps what it owes; leave both at their default"),
        ("goals", goals, 0 <= goals <= 200, "must be 0 to 200"),
        ("practice", practice, 0 <= practice <= 200, "must be 0 to 200"),
        ("dwell_s", dwell_s, 0 < dwell_s <= 10, "must be above 0 and at most 10 seconds"),
    )
    if faults := [Fault(name, value, rule) for name, value, fine, rule in rules if not fine]:
        raise InputFault("on-screen knob", faults)


def _draw_ladder(ax: Any, labels: list[str]) -> None:
    for height, label in enumerate(labels):
        ax.text(1.15, height, f"{height + 1}   {label}".rstrip(), va="center", fontsize=8)
    ax.hlines(range(len(labels)), 0, 1, color="0.4", lw=2)
    ax.vlines([0, 1], -0.5, len(labels) - 0.5, color="0.4", lw=2)
    ax.set(xlim=(-0.2, 3.2))
    ax.set_axis_off()


def _draw_strip(ax: Any, axis: Axis, goals: tuple[_Goal, ...], unit: str) -> None:
    size, start = float(UNIT_FACTORS[unit]), _start_of(axis)
    for goal in goals:
        half, place = max(goal.tolerance_mm / 2, 0.004 * axis.reach_mm) / size, goal.goal_mm / size
        ax.axvspan(place - half, place + half, ymax=0.55, hatch="////", fc="none", ec="#006f50")
        ax.annotate("goal", (place, 0.62), ha="center", color="#006f50", fontsize=8)
    ax.plot(start / size, 0.12, "v", color="#0063a0", ms=11)
    ax.annotate("axis", (start / size, 0.3), ha="center", color="#0063a0", fontsize=8)
    ax.set(xlim=(0, axis.reach_mm / size), ylim=(0, 1), yticks=[], xlabel=unit)
    ax.spines[["left", "right", "top"]].set_visible(False)
