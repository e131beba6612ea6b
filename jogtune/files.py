"""Faults; text in, files out, all or none."""

from __future__ import annotations

import errno
import io
import json
import os
import shutil
import signal
import stat
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

from .signs import cut, visible


class Fault(str):
    """One thing that is wrong, as a sentence and in its parts: `where` (field or line), `value`, `rule`, `cure`.

    Where a panel words the cure in its own way, `kind` names what happened.

    >>> Fault("axis Z: top_speed", "-300 mm/min", "must be above 0", "give the speed without a sign")
    'axis Z: top_speed = "-300 mm/min": must be above 0: give the speed without a sign'
    """

    where: str
    value: object
    rule: str
    cure: str
    kind: str

    def __new__(cls, where: str = "", value: object = None, rule: str = "", cure: str = "", kind: str = "") -> Fault:
        head = " = ".join(part for part in (where, "" if value is None else _shown(value)) if part)
        fault = super().__new__(cls, visible(": ".join(part for part in (visible(head, keep=""), rule, cure) if part)))
        fault.where, fault.value, fault.rule, fault.cure, fault.kind = where, value, rule, cure, kind
        return fault


def _shown(value: object) -> str:
    """A value as a text file has it, on one line and no longer than 60 characters."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict | list):
        return "{...}" if isinstance(value, dict) else "[...]"
    if isinstance(value, int) and abs(value) >= 10**60:
        return "a number of over 60 digits"  # Python writes none of over 4300
    text = '"' + value.replace("\n", "\\n") + '"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + ("..." + text[-1] if text[-1] == '"' else "...")


def quoted(names: Sequence[str | int]) -> str:
    """Columns' names as a fault shows them: the first twelve, long ones cut, then how many more."""
    short = (name if isinstance(name, int) or len(name) <= 30 else name[:29] + "…" for name in names[:12])
    return ", ".join(map(repr, short)) + (f" and {len(names) - 12} more" if len(names) > 12 else "")


_MOST_SHOWN = 100  # faults in one message


class InputFault(ValueError):
    """Everything that is wrong with one input, said at once.

    `source` is the file or option, `faults` a `Fault` each; a plain sentence becomes one that has only a rule.

    >>> print(InputFault("m.toml", ['name = "": must not be empty: give the machine a name']))
    m.toml: 1 fault
      - name = "": must not be empty: give the machine a name
    """

    def __init__(self, source: str, faults: Iterable[str]) -> None:
        self.source = source
        self.faults: list[Fault] = [fault if isinstance(fault, Fault) else Fault(rule=fault) for fault in faults]
        count = len(self.faults)
        head = f"{visible(cut(source, 200), keep='')}: {count} fault" + ("" if count == 1 else "s")
        more = [f"  - and {count - _MOST_SHOWN} more"] if count > _MOST_SHOWN else []
        super().__init__("\n".join([head, *(f"  - {fault}" for fault in self.faults[:_MOST_SHOWN]), *more]))

    def __reduce__(self) -> tuple[type, tuple[str, list[Fault]]]:
        return type(self), (self.source, self.faults)


def progress_bar(total: int, what: str, unit: str, *, shown: bool) -> Any:
    """A bar on the error stream while something long is done; bytes are counted in thousands."""
    from tqdm import tqdm

    alone = type("Bar", (tqdm,), {"monitor_interval": 0, "_lock": threading.RLock()})  # needs no thread and no process
    return alone(total=total, desc=what, unit=unit, unit_scale=unit == "B", disable=not shown, leave=False)


_Content = str | bytes | Callable[[BinaryIO], object]
_STAGE, _SET, _OLD, _LOCK = ".jogtune-", ".jogtune-set", ".jogtune-old-", ".jogtune-lock"
_WAIT_S, _STALE_S = 10.0, 3600.0  # for another run; after which a lock counts no more that no system ends (our choice)


def write_whole(path: str | Path, content: _Content, *, overwrite: bool = False, make_folder: bool = False) -> Path:
    """Write one file: see `write_set`."""
    return write_set({path: content}, overwrite=overwrite, make_folder=make_folder)[0]


def write_set(
    contents: Mapping[Any, _Content], *, overwrite: bool = False, make_folder: bool = False, seen: Mapping[Path, str] | None = None
) -> list[Path]:
    """Write files (or have them written, piece by piece): whatever stops it, all of them stand new or all are as they were.

    All are made in hidden folders beside their places; then a journal is renamed there, then the files. What a killed run left
    of that is done by the next that writes there. A folder that is made (`make_folder`) and holds all is renamed as a whole. A
    file that is there raises `InputFault` unless `overwrite` is set, and always where it no longer holds the text that was `seen`
    in it. Text is written as UTF-8 with line feeds. Returns the paths."""
    files = {checked_path(path): content for path, content in contents.items()}
    refuse_existing(files, overwrite=overwrite)
    kept = "what was there is kept" if any(map(os.path.lexists, files)) else "nothing was written"
    stages, ready = dict[Path, Path](), dict[Path, Path]()
    try:
        with ExitStack() as held:
            for place, content in files.items():
                with _told(place, kept):
                    home = _home(place, make_folder)
                    if home not in stages:
                        stages[home] = held.enter_context(_staged(home, make_folder))
                    ready[place] = stages[home] / place.relative_to(home)
                    ready[place].parent.mkdir(parents=True, exist_ok=True)
                    sink = _Sink(ready[place], "xb")
                _fill(sink, content, place, kept)
            with _told(next(iter(files)), kept):
                _commit(stages, ready, overwrite, seen or {})
    except KeyboardInterrupt as stop:
        raise KeyboardInterrupt(*stop.args or [kept]) from None
    return list(files)


class _Sink(io.FileIO):
    """Keeps why it could not be written, which what writes into it may tell in its own words."""

    failed: OSError | None = None

    def write(self, data: Any, /) -> int:
        try:
            return super().write(data)
        except OSError as error:
            self.failed = error
            raise


def _fill(sink: _Sink, content: _Content, place: Path, kept: str) -> None:
    data = content.encode("utf-8", "backslashreplace") if isinstance(content, str) else content
    try:
        with io.BufferedWriter(sink) as stream:
            stream.write(data) if isinstance(data, bytes) else data(stream)
            with _told(place, kept):
                stream.flush()
                os.fsync(sink.fileno())
    except Exception:
        if sink.failed is None:
            raise
        with _told(place, kept):
            raise sink.failed from None


@contextmanager
def _told(place: Path, kept: str) -> Iterator[None]:
    """Tell what the system refuses as an `InputFault`."""
    try:
        yield
    except OSError as error:
        rule, cure = f"can't write here ({error.strerror or error})", "check name and rights, or choose another folder"
        if error.errno == errno.ENOENT and not os.path.exists(place.parent):
            rule, cure = f"there is no folder {place.parent}", "make it first, or check the name"
        elif error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            cure = "make room, or choose another folder"
        raise InputFault(str(place), [Fault(rule=rule, cure=f"{cure}; {kept}")]) from error


def _home(place: Path, make_folder: bool) -> Path:
    """The folder where a file is to be or, if folders are to be made, the highest of those."""
    home = place.parent
    while make_folder and not os.path.exists(home) and not os.path.exists(home.parent) and home != home.parent:
        home = home.parent
    return home


@contextmanager
def _staged(home: Path, make_folder: bool) -> Iterator[Path]:
    """A hidden folder, held while the run lives, in one where files are to be or, if that is to be made, beside it."""
    near = home.parent if make_folder and not os.path.lexists(home) else home
    stage = near / f"{_STAGE}{os.urandom(8).hex()}"
    with ExitStack() as held:
        with _locked(near, _WAIT_S):
            stage.mkdir()
            held.enter_context(_locked(stage))
        try:
            yield stage
        finally:
            shutil.rmtree(stage, ignore_errors=True)


def _commit(stages: Mapping[Path, Path], ready: Mapping[Path, Path], overwrite: bool, seen: Mapping[Path, str]) -> None:
    """Put all files in their places: alone in their folders, one of which another run may have made meanwhile."""
    there = [one for pair in stages.items() for one in (pair[0], pair[1].parent) if os.path.isdir(one)]
    with ExitStack() as held:
        for _, folder in sorted({os.stat(one)[1:3]: one for one in there}.items()):  # by inode: no two wait for each other
            held.enter_context(_locked(folder, _WAIT_S))
            _settle(folder)
        if all(folder in there or not os.path.exists(folder) for folder in stages):
            _refuse(ready, overwrite=overwrite)
            for place in (place for place, text in seen.items() if os.path.lexists(place) and read_text(place) != text):
                cure = "save under another name, or read it again; what was there is kept"
                raise InputFault(str(place), [Fault(rule="has changed since it was read", cure=cure, kind="changed")])
            with _deaf("the whole new set is written"):
                return _put(stages, ready)
    _commit(stages, ready, overwrite, seen)


def _put(stages: Mapping[Path, Path], ready: Mapping[Path, Path]) -> None:
    """Rename a new folder that is all there is, else file by file; where one can't be replaced, those before it are put back."""
    made = [home for home in stages if not os.path.exists(home)]
    if made and len(stages) == 1:
        (stages[made[0]] / _LOCK).unlink(missing_ok=True)
        os.rename(stages[made[0]], made[0])
        return
    before = {place: new.with_name(_OLD + place.name) for place, new in ready.items() if os.path.lexists(place)}
    if len(ready) > 1:
        for place, old in before.items():
            with suppress(OSError):  # a file system without links, or another user's file
                os.link(place, old)
        _journal(stages)
    try:
        for place, new in ready.items():
            place.parent.mkdir(parents=True, exist_ok=True)
            os.replace(new, place)
    except OSError:
        for place, new in ready.items():
            if not os.path.lexists(new):
                with suppress(FileNotFoundError):
                    os.replace(before[place], place) if place in before else place.unlink()
        for folder in sorted((one for home in made for one in (home, *home.rglob("*"))), reverse=True):
            with suppress(OSError):  # another run's file may be in it
                folder.rmdir()
        raise


def _journal(stages: Mapping[Path, Path]) -> None:
    """Write in each hidden folder where the files of all belong; the first one's, which is the last, makes the others count."""
    for stage in list(stages.values())[::-1]:
        text = json.dumps([[os.path.relpath(one, stage) for one in (new, to)] for to, new in stages.items()])
        with open(stage / _OLD, "x", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(stage / _OLD, stage / _SET)


def _settle(folder: Path) -> None:
    """Do the rest of what killed runs have committed in a folder, and sweep what they have not; what lives is left alone."""
    for stage in folder.glob(f"{_STAGE}*"):
        with suppress(FileNotFoundError):  # its run, or another, may just be clearing it away
            about, sticky = stage.lstat(), folder.stat().st_mode & stat.S_ISVTX
            if not stat.S_ISDIR(about.st_mode) or (sticky and about.st_uid != os.geteuid()):
                continue
            with _locked(stage) as free:
                if free and (stage / _SET).exists():
                    _finish([[stage / name for name in pair] for pair in json.loads((stage / _SET).read_text(encoding="utf-8"))])
                if free:
                    shutil.rmtree(stage, ignore_errors=True)


def _finish(together: Sequence[Sequence[Path]]) -> None:
    """Rename what is left of a set that counts, by its hidden folders and where their files belong."""
    first = together[0][0] / _SET
    for new, place in ((new, to / new.relative_to(one)) for one, to in together if first.exists() for new in one.rglob("*")):
        if not new.name.startswith(_STAGE) and not new.is_dir():
            with suppress(FileNotFoundError):  # another run did it, from another folder of the set
                place.parent.mkdir(parents=True, exist_ok=True)
                os.replace(new, place)
    first.unlink(missing_ok=True)


@contextmanager
def _locked(folder: Path, wait_s: float = 0.0) -> Iterator[bool]:
    """Hold a folder for this run alone: false where another run does, or a fault if it still does after `wait_s`."""
    until_s = time.monotonic() + wait_s
    while (let_go := _hold(folder)) is None and time.monotonic() < until_s:
        time.sleep(0.005)
    if wait_s and let_go is None:
        raise InputFault(str(folder), [Fault(rule="another run is writing here", cure="wait, or choose another folder")])
    try:
        yield let_go is not None
    finally:
        if let_go is not None:
            let_go()


def _hold(folder: Path) -> Callable[[], None] | None:
    """Hold a folder by the system's lock, which ends with the run, else by a file."""
    with suppress(ImportError, PermissionError):
        import fcntl

        handle = os.open(folder, os.O_RDONLY)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return partial(os.close, handle)
        except OSError as error:
            os.close(handle)
            if isinstance(error, BlockingIOError):
                return None
    mark = folder / _LOCK
    with suppress(FileNotFoundError):
        if time.time() - mark.stat().st_mtime > _STALE_S:
            mark.unlink()
    with suppress(FileExistsError):
        os.close(os.open(mark, os.O_CREAT | os.O_EXCL))
        return partial(mark.unlink, missing_ok=True)
    return None


@contextmanager
def _deaf(done: str) -> Iterator[None]:
    """Hear Ctrl-C only at the end, and then say what is done; in the main thread, as no other hears it."""
    heard: list[int] = []
    main = threading.current_thread() is threading.main_thread()
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM) if main}
    try:
        for number in before:
            signal.signal(number, lambda number, _: heard.append(number))
        yield
    finally:
        for number, hearer in before.items():
            signal.signal(number, hearer or signal.SIG_DFL)
    try:
        for again in heard[:1]:
            signal.raise_signal(again)
    except KeyboardInterrupt:
        raise KeyboardInterrupt(done) from None


def checked_path(path: str | Path) -> Path:
    """A path that names something; empty text and a NUL byte raise `InputFault`."""
    if not str(path).strip() or "\0" in str(path):
        raise InputFault("file name", [Fault("", str(path), "is empty or holds a NUL byte", "name a file or a folder")])
    return Path(path)


def refuse_existing(paths: Iterable[Path], *, overwrite: bool = False) -> None:
    """Raise one `InputFault` that names every path already there, unless `overwrite` is set; first `_settle` their folders."""
    places = list(paths)
    for folder in {above for place in places for above in place.parents}:
        with suppress(OSError):
            if any(folder.glob(f"{_STAGE}*")):
                with _locked(folder, _WAIT_S):
                    _settle(folder)
    _refuse(places, overwrite=overwrite)


def _refuse(paths: Iterable[Path], *, overwrite: bool) -> None:
    there = [path for path in paths if os.path.lexists(path)]
    folders = [path for path in there if os.path.isdir(path)]
    if folders:
        raise InputFault(str(folders[0]), [f"{path} is a folder: name a file" for path in folders])
    if there and not overwrite:
        names = ", ".join(path.name for path in there[:3]) + (f" and {len(there) - 3} more" if len(there) > 3 else "")
        verb = "exists and is" if len(there) == 1 else "exist and are"
        rule, cure = f"{names} {verb} not overwritten unasked", "choose another place, or add --overwrite"
        raise InputFault(str(there[0].parent), [Fault(rule=rule, cure=cure, kind="exists")])


_MOST_TEXT_BYTES = 4 << 20  # of a machine file, a map, a roster or readings (our choice)


def read_text(path: str | Path) -> str:
    """The text of a UTF-8 file (with or without a byte order mark), or one clear `InputFault`."""
    place = Path(path)
    try:
        about = place.stat()
        if not stat.S_ISREG(about.st_mode) or about.st_size > _MOST_TEXT_BYTES:
            rule = "is a folder" if stat.S_ISDIR(about.st_mode) else "is a device, a pipe or larger than 4 MiB"
            raise InputFault(str(place), [Fault(rule=rule, cure="name a file")])
        return place.read_bytes().decode("utf-8-sig")
    except InputFault:
        raise
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        fault = f"line {line}: byte 0x{error.object[error.start]:02x} is not UTF-8: save the file as UTF-8"
        raise InputFault(str(place), [fault]) from error
    except (OSError, ValueError) as error:  # a name may hold what no file system takes
        reason = getattr(error, "strerror", None) or error
        raise InputFault(str(place), [f"can't be read ({reason}): check the name and the rights"]) from error
