"""Faults; text in, files out, all or none."""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Callable, Iterable, Sequence
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

    return tqdm(total=total, desc=what, unit=unit, unit_scale=unit == "B", disable=not shown, leave=False)


def write_whole(
    path: str | Path, content: str | bytes | Callable[[BinaryIO], object], *, overwrite: bool = False, make_folder: bool = False
) -> Path:
    """Write a file (or have it written, piece by piece) beside its place, then rename it there, so that it is whole or absent.

    An existing file raises `InputFault` unless `overwrite` is set, a missing folder unless `make_folder` is. Text is written as
    UTF-8 with line feeds. Returns the path."""
    place = checked_path(path)
    refuse_existing([place], overwrite=overwrite)
    data = content.encode("utf-8", "backslashreplace") if isinstance(content, str) else content
    try:
        if make_folder:
            place.parent.mkdir(parents=True, exist_ok=True)
        handle, beside = tempfile.mkstemp(prefix=f".{place.name}.", dir=place.parent)
    except FileNotFoundError as error:
        raise InputFault(str(place), [f"there is no folder {place.parent}: make it first, or check the name"]) from error
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputFault(str(place), [f"can't write here ({reason}): choose another folder"]) from error
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data) if isinstance(data, bytes) else data(stream)
        os.chmod(beside, 0o644)
        os.replace(beside, place)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
    return place


def checked_path(path: str | Path) -> Path:
    """A path that names something; empty text raises `InputFault`."""
    if not str(path).strip():
        raise InputFault("file name", ['"": is empty: name a file or a folder'])
    return Path(path)


def refuse_existing(paths: Iterable[Path], *, overwrite: bool = False) -> None:
    """Raise one `InputFault` that names every path already there, unless `overwrite` is set."""
    there = [path for path in paths if path.exists() or path.is_symlink()]
    folders = [path for path in there if path.is_dir()]
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
