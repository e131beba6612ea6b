"""Many logs, many cores."""

from __future__ import annotations

import glob
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor, as_completed
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from ..files import Fault, InputFault, checked_path, progress_bar, write_set
from ..ladder.ladder import Ladder, as_ladder
from ..logs.log import Log, RowCount
from ..logs.map import LogMap
from ..logs.read import read_log
from ..machine.model import Machine
from ..notes import Note, Severity
from ..shown import Shown
from ..signs import harmless, visible
from .measure import _prepared, measure
from .measured import Measured

if TYPE_CHECKING:
    from multiprocessing import Process
    from multiprocessing.connection import Connection

_ENDINGS = (".csv", ".tsv", ".txt", ".log", ".gz", ".parquet")


@dataclass(frozen=True, kw_only=True, repr=False)
class _ManyMeasured(Shown):
    """What many logs say. `logs` has a row per log, `table` a row per log, rung and axis turned; `unread` lists logs that could
    not be measured, with the reason."""

    machine: Machine
    logs: pd.DataFrame = field(repr=False)
    table: pd.DataFrame = field(repr=False)
    unread: tuple[str, ...]
    counts: tuple[RowCount, ...]
    simulated: bool

    @property
    def notes(self) -> tuple[Note, ...]:
        simulated = [Note(kind="logs_simulated", severity=Severity.MIND)] * self.simulated
        left_out = (note for count in self.counts for note in count.notes)
        return (*simulated, *left_out, Note(kind="past_turning", severity=Severity.CAUTION))

    def write(self, folder: str | Path, *, overwrite: bool = False) -> list[Path]:
        return _write_tables({"logs.csv": self.logs, "rungs.csv": self.table}, folder, overwrite=overwrite)


def _write_tables(
    tables: Mapping[str, pd.DataFrame], folder: str | Path, *, overwrite: bool, beside: Mapping[str, bytes] | None = None
) -> list[Path]:
    """Tables as CSV, and what is beside them, in a folder, made where missing; no cell is a formula."""
    place = checked_path(folder)
    contents: dict[Path, str | bytes] = {place / name: content for name, content in (beside or {}).items()}
    contents |= {place / name: table.map(harmless).to_csv(index=False, lineterminator="\n") for name, table in tables.items()}
    return write_set(contents, overwrite=overwrite, make_folder=True)


@dataclass(frozen=True)
class Logs:
    """Logs by their names, read or measured side by side: who does it, and who is done first, changes nothing."""

    names: tuple[str, ...]

    @classmethod
    def find(cls, names: Iterable[str]) -> Logs:
        """The logs of files, folders and patterns such as logs/*.csv, each once; `InputFault` where one holds none."""
        found = {name: _named(name) for name in names}
        cure = f"name files that end in {', '.join(_ENDINGS)}"
        if faults := [Fault(f'"{name}"', rule="holds no log", cure=cure) for name, logs in found.items() if not logs]:
            raise InputFault("logs", faults)
        return cls(tuple(dict.fromkeys(log for logs in found.values() for log in logs)))

    @staticmethod
    @contextmanager
    def workers(scheduler: str | None = None) -> Iterator[Executor | None]:
        """All cores of this computer, or the Dask cluster at an address, whose workers see the logs under the same names. None
        where no process may be started: then it goes one after the other."""
        if scheduler is None:
            with _cores() or nullcontext() as cores:
                yield cores
            return
        try:
            from distributed import Client

            client: Any = Client(scheduler, timeout=10)  # type: ignore[no-untyped-call]
        except (ImportError, OSError, ValueError) as error:
            cure = 'start a scheduler there; pip install ".[cluster]" in the clone'
            raise InputFault("--scheduler", [Fault("", scheduler, f"does not answer ({str(error)[:80]})", cure)]) from error
        with client:
            yield client.get_executor()

    def measure(
        self, machine: Machine, *, ladder: Ladder | str | None = None, columns: LogMap | str | Path | None = None,
        executor: Executor | None = None, progress: bool = False,
    ) -> _ManyMeasured:  # fmt: skip
        """Measure each. One that fails is told, and the rest go on; raises `InputFault` where none could be measured."""
        held = None if ladder is None else as_ladder(ladder, machine)
        todo = [(name, machine, held, columns) for name in self.names]
        done, unread = _apart(_each(_measure_log, todo, executor, progress=progress))
        if not done:
            raise InputFault("logs", ["none could be measured", *unread])
        logs, tables, counts, simulated = zip(*done, strict=True)
        table = pd.concat(tables, ignore_index=True)
        return _ManyMeasured(machine=machine, logs=pd.DataFrame(list(logs)), table=table, unread=unread, counts=counts,
                             simulated=any(simulated))  # fmt: skip

    def read(
        self, machine: Machine, columns: Sequence[LogMap | str | Path | None], *, executor: Executor | None = None,
        progress: bool = False,
    ) -> list[Any]:  # fmt: skip
        """Each `Log`, or the text that says why it can't be used on the machine; `columns` are their maps."""
        todo = [(name, machine, one) for name, one in zip(self.names, columns, strict=True)]
        return _each(_read_one, todo, executor, progress=progress)


def _named(name: str) -> list[str]:
    """The logs that a name stands for: itself, what a folder holds, or what fits a pattern."""
    if Path(name).is_dir():
        inside = [path for path in Path(name).iterdir() if not path.name.startswith(".") and path.name != "roster.csv"]
        found = [str(path) for path in inside if path.suffix.lower() in _ENDINGS]
    elif Path(name).exists() or not glob.has_magic(name):
        return [name]
    else:
        found = glob.glob(name, recursive=True)
    return sorted(path for path in found if Path(path).is_file())


def _read_one(name: str, machine: Machine, columns: LogMap | str | Path | None) -> Log:
    log = read_log(name, columns=columns)
    RowCount(source=name, rows_in=0, rows_out=0).plus(log).refuse_if_none()
    _prepared(log.rows.assign(gain_mm=0.0), machine, None, name)
    return log


def _measure_log(name: str, machine: Machine, ladder: Ladder | None, columns: LogMap | str | Path | None) -> tuple[Any, ...]:
    """One log, in whichever process: its row, its rungs, what was left out of it, whether it is simulated."""
    found = measure(machine, name, ladder=ladder, columns=columns)
    table, row = found.table, {
        "log": visible(found.source), "rows": found.rows, "left_out": found.count.left_out, "minutes": found.duration_s / 60,
        "clicks": sum(rung.detents for rung in found.rungs), "tasks": len(found.tasks),
        "median_task_s": float(found.tasks["time_s"].median()), **found.turn_rate_median.columns("turn_rate", "_detents_s"),
    }  # fmt: skip
    for axis in found.axes.values():
        row |= axis.slack_mm.columns(f"slack_{axis.axis}", "_mm")
    table.insert(0, "log", visible(name))
    return row, table, found.count, found.simulated


def _measure_all(machine: Machine, logs: Sequence[Log], executor: Executor | None) -> list[Measured]:
    """Logs that were read, measured; raises `InputFault` for the first that can't be."""
    if executor is None:
        return [measure(machine, log) for log in logs]
    found, unread = _apart(_each(measure, [(machine, log) for log in logs], executor))
    if unread:
        raise InputFault("logs", unread)
    return found


def _apart(found: Sequence[Any]) -> tuple[list[Any], tuple[str, ...]]:
    """What was made, and the texts that say why something was not."""
    return [one for one in found if not isinstance(one, str)], tuple(one for one in found if isinstance(one, str))


def _serve(pipe: Connection, near: Connection) -> None:
    """What a process does, deaf to Ctrl-C: what comes through its pipe, until that is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    near.close()
    with suppress(EOFError, OSError):
        while True:
            work, one = pipe.recv()
            pipe.send(work(*one))


def _cores() -> _Cores | None:
    with suppress(ImportError, OSError, RuntimeError):
        return _Cores(os.cpu_count() or 1)
    return None


class _Cores(ThreadPoolExecutor):
    """A thread for each process and a pipe between the two: a process that dies takes only what it has in hand, which is done
    once more, and nobody waits for the rest of its message. When left, all are ended, whatever they do."""

    def __init__(self, count: int) -> None:
        super().__init__(count)
        self._left, self._one_by_one = False, threading.Lock()
        self._begun: list[Process] = []
        self._free = [self._begin() for _ in range(count)]

    def _begin(self) -> Connection:
        import multiprocessing

        with self._one_by_one:  # another process would hold the far end open
            if self._left:
                raise BrokenExecutor
            near, far = multiprocessing.Pipe()
            self._begun.append(multiprocessing.Process(target=_serve, args=(far, near), daemon=True))
            self._begun[-1].start()
            far.close()
        return near

    def submit(self, work: Callable[..., Any], /, *one: Any) -> Future[Any]:  # type: ignore[override]
        return super().submit(self._ask, (work, one))

    def _ask(self, question: tuple[Callable[..., Any], tuple[Any, ...]]) -> Any:
        pipe = self._free.pop()
        try:
            for _ in range(2):
                with suppress(EOFError, OSError):
                    pipe.send(question)
                    return pipe.recv()
                pipe = self._begin()
            raise BrokenExecutor
        finally:
            self._free.append(pipe)

    def __exit__(self, *_: object) -> None:
        self.shutdown(wait=False, cancel_futures=True)
        with self._one_by_one:
            self._left = True
            for process in self._begun:
                process.kill()
        self.shutdown()


def _each(
    work: Callable[..., Any], todo: Sequence[tuple[Any, ...]], executor: Executor | None, *, progress: bool = False
) -> list[Any]:
    """What `work` makes of each, in their order, or a text that says why it failed; the first argument names it."""
    futures: list[Future[Any]] = []
    try:
        with progress_bar(len(todo), "logs", " logs", shown=progress) as bar:
            if executor is None:
                return list(_counted(bar, (_tried(work, one) for one in todo)))
            futures += [executor.submit(_tried, work, one) for one in todo]
            list(_counted(bar, as_completed(futures)))
        failed = [future.exception() for future in futures]
        return [_why_not(one[0], failed[n]) if failed[n] else futures[n].result() for n, one in enumerate(todo)]
    finally:
        for future in futures:
            future.cancel()


def _counted(bar: Any, done: Iterable[Any]) -> Iterator[Any]:
    for one in done:
        bar.update()
        yield one


def _tried(work: Callable[..., Any], one: tuple[Any, ...]) -> Any:
    """With one BLAS thread: the same bits anywhere."""
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    try:
        with threadpool_limits(1, "blas"):
            return work(*one)
    except Exception as error:
        return _why_not(one[0], error)


def _why_not(name: object, error: BaseException | None) -> str:
    if isinstance(error, InputFault):
        return str(error)
    killed = isinstance(error, BrokenExecutor)
    rule = "ended the process that measured it, twice" if killed else f"{type(error).__name__}: {str(error)[:80]}"
    return str(InputFault(str(name), [Fault(rule=rule, cure="try it alone")]))
