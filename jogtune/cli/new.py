"""A machine file; every key."""

import os
import shlex
import textwrap
from collections.abc import Iterator, Mapping
from pathlib import Path

from ..files import Fault, InputFault, write_whole
from ..machine.fields import DRIVES, KEYS
from ..machine.file import SAMPLES, SHIPPED, read_machine
from ..machine.readers import Field
from ..signs import tell, wide
from ..words.say import counted

_SHIPPED = SHIPPED
_WIDE, _COMMENT, _KEY, _EXAMPLE = 100, 34, 17, 27
"""Columns: of a line; where a comment begins; of a key and of an example in the table of keys."""
_TITLES = {
    "": "the machine", "knob": "the knob of the hand control", "selector": "the switch that sets the distance of a click",
    "link": "between knob and machine", "readout": "the position display", "firmware": "what moves the motors",
    "axis": "one for each axis", "task": "one for each thing done; without any: cross, go near and nudge on every axis",
    "hand": "the person at the knob", "stick": "a stick to compare with", "buttons": "step buttons to compare with",
    "probe": "a touch probe, to find the work with",
}  # fmt: skip
_HEAD = """\
# A machine and its hand control. Change these figures into your own, then run
#   jogtune suggest {name}
# A figure is text with its unit, as you would say it: "6000 mm/min", "80 per mm", "0.001 in".
# Only three are NEEDED. Any other you may leave out or call "unknown": then what stands behind "else"
# holds or is assumed, and the answer says so. A key behind a # is one that few need: take the # away.
"""
_NEEDED = """\
Needed are steps, top_speed and finest of one axis. Any other key may be left out or "unknown": then what stands behind "else" \
holds or is assumed, and the answer says so."""
_KEPT, _UNSURE = ("name", "show_in", "steps"), ("slack", "calm_speed", "remainder")
"""Keys that stand in the file though nothing is assumed without them; and what nobody should guess."""
_Y = {"name": '"Y"', "reach": '"400 mm"'}
_Z = {"name": '"Z"', "top_speed": '"1500 mm/min"', "ramp": '"250 mm/s2"', "reach": '"80 mm"'}
_FEEL = {
    "name": '"touch off on paper"', "axis": '"Z"', "kind": '"feel"', "distance": '"2 mm"', "tolerance": '"0.02 mm"',
    "limit": '"0.1 mm"',
}  # fmt: skip


def _beginning(file: str, begin: str | None) -> str | bytes:
    """What a new machine file begins with: a plausible machine, or the bytes of a sample or of a sound machine file."""
    if begin is None:
        return _new_text(Path(file).name)
    if os.path.isfile(begin):
        read_machine(begin)
        return Path(begin).read_bytes()
    if begin not in SAMPLES:
        raise InputFault("--from", [Fault("", begin, "is no machine file and no sample", f"samples are {', '.join(SAMPLES)}")])
    return SAMPLES[begin].read_bytes()


def _shared(notebooks: Path, *, own_work: bool = False) -> dict[Path, Path]:
    """The notebooks and the data beside them, by their places from the folder that holds both: where own work is to be done in
    them, without solutions and teacher's pages."""
    found = [*notebooks.glob("*.ipynb"), *notebooks.with_name("datasets").rglob("*.*")]
    if not own_work:
        found += [*notebooks.glob("solutions/*.ipynb"), *notebooks.glob("teacher/*.md")]
    return {path.relative_to(notebooks.parent): path for path in found if path.is_file()}


def _copied(notebooks: Path, into: Path) -> Path:
    """A copy of the notebooks with the data beside them; what is there already is left as it is. The paths are absolute."""
    places = {into / place: path for place, path in _shared(notebooks).items() if into not in path.parents}
    new = [place for place in places if not place.exists()]
    for place in new:
        write_whole(place, places[place].read_bytes(), make_folder=True)
    tell(f"{into}: {counted(len(new), 'file')} copied, {len(places) - len(new)} there already and left as they are")
    return into / notebooks.name


def _new_text(name: str) -> str:
    """A sound machine file: belts on X and Y, a screw on Z; every key with what it is and what happens without it."""
    parts = [_HEAD.format(name=shlex.quote(name)).rstrip()]
    for table, keys in KEYS.items():
        out = table != "" and all(field.start is None for field in keys.values())
        head, only_feel = f"{'# ' * out}{_brackets(table)}", ("limit",) if table == "task" else ()
        title = [_put(head, _TITLES.get(table, ""))] if table else []
        parts.append("\n".join([*title, *(_line(key, field, out) for key, field in keys.items() if key not in only_feel)]))
        if table == "axis":
            parts += ["\n".join([head, *_another(own, drive)]) for own, drive in ((_Y, ""), (_Z, "motor"))]
        if table == "task":
            parts.append("\n".join([head, *(_line(key, keys[key], out, value) for key, value in _FEEL.items())]))
    return "\n\n".join(parts) + "\n"


def _line(key: str, field: Field, out: bool = False, value: str = "") -> str:
    """A key with its value and its comment; behind a # where it is optional, or all of its table is."""
    if key in DRIVES:
        return f"#   or: {key} = {field.example}"
    return _put(f"{'# ' * (out or not _active(key, field))}{key} = {value or _value(key, field)}", _what(field))


def _active(key: str, field: Field) -> bool:
    return field.required or field.start is not None or key in _KEPT


def _value(key: str, field: Field) -> str:
    return '"unknown"' if key in _UNSURE else field.example


def _another(own: Mapping[str, str], drive: str) -> Iterator[str]:
    """The keys of a further axis, without comments."""
    for key, field in KEYS["axis"].items():
        if key == "steps" and drive:
            yield f"{drive} = {KEYS['axis'][drive].example}"
        elif key not in DRIVES and _active(key, field):
            yield f"{key} = {own.get(key, _value(key, field))}"


def _what(field: Field) -> str:
    """What a key is, and what holds without it; of one that is needed how to find it."""
    three = not field.unknown and field.without
    end = field.without if three else "needed" if field.required else f"else {field.without}" if field.without else ""
    return "; ".join(filter(None, [f"{'NEEDED: ' if three else ''}{field.words}", end]))


def _put(text: str, comment: str) -> str:
    """A comment beside a line, folded."""
    at = max(_COMMENT, len(text) + 2)
    return "\n".join(f"{text * (n == 0):<{at}}# {line}" for n, line in enumerate(textwrap.wrap(comment, _WIDE - at - 2))) or text


def _keys_text() -> str:
    """Every key: an example, what it is and what happens without it."""
    parts = [textwrap.fill(_NEEDED, wide(_WIDE))]
    for table, keys in KEYS.items():
        title = f"{_brackets(table)}  {_TITLES.get(table, '')}".strip()
        own = {f"{name} = {{ ... }}  of an axis": drive for name, drive in DRIVES.items()} if table == "axis" else {}
        for head, rows in ((title, keys), *own.items()):
            parts.append("\n".join([head, *(_row(key, field) for key, field in rows.items())]))
    return "\n\n".join(parts)


def _brackets(table: str) -> str:
    many = table in ("axis", "task")
    return f"{'[' * (1 + many)}{table}{']' * (1 + many)}" if table else ""


def _row(key: str, field: Field) -> str:
    example = "{ ... }" if key in DRIVES else field.example
    what = "instead of steps: see below" if key in DRIVES else _what(field)
    text = textwrap.wrap(what, _WIDE - _KEY - _EXAMPLE - 6) if wide(_WIDE) == _WIDE else [what]
    heads = [f"  {key:<{_KEY}}  {example:<{_EXAMPLE}}  ", *[" " * (_KEY + _EXAMPLE + 6)] * len(text)]
    return "\n".join(f"{head}{line}".rstrip() for head, line in zip(heads, text, strict=False))
