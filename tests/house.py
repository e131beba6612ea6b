"""The house: rooms from the ground up, the files of each in order. A file imports only from what stands before it.

`python tests/house.py` prints the tree that DEVELOPERS.md shows, from the first line of each file, then each room's lines.
"""

from __future__ import annotations

import ast
from pathlib import Path

PACKAGE = Path(__file__).resolve().parent.parent / "jogtune"
ROOMS = {
    "": "signs files units notes shown",
    "machine": "model start readers fields file edit",
    "ladder": "ladder steps",
    "axis": "pursuit runon limits outstanding link follow lanes advice row near",
    "hand": "person chain actions estimate parts touch controls together fit",
    "choose": "base cover tasks score people prefer search columns trial why allot suggest",
    "logs": "map map_file lines cells head roles guess clock check tidy log parquet read record join",
    "measure": "figure bursts rests standards tune script use measured measure many predict times compare classroom since",
    "bench": "readings explain weigh diagnose commission checks",
    "words": "say tables notes hand_notes touch_notes log_notes ramp_notes findings checks short speak measured logs allot answer compare html",
    "charts": "ink ladder hand logs compare burst pictures",
    "screen": "goals setup page",
    "hand_over": "table data header moves paper card legend sheet commission page export",
    "lessons": "exercise results people one_click resolution speed link hand ladder controls own_ladder",
    "notebook": "canvas panel compare machine choose knob respond route lessons panels",
    "cli": "new commands classes main",
}
APART = ("__init__.py", "__main__.py")
"""The front door, which looks up lazily, and the module that calls the command line."""


def order() -> list[str]:
    """Every file below the package, in the order of the house."""
    return [f"{room}/{name}.py".lstrip("/") for room, names in ROOMS.items() for name in names.split()]


def first_line(path: Path) -> str:
    """What a file is for: the first line of its docstring, without the full stop."""
    text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    return text.split("\n")[0].rstrip(".")


def tree() -> str:
    """The house as a tree."""
    lines = ["jogtune/"]
    for room, names in ROOMS.items():
        if room:
            lines.append(f"  {room + '/':<22}{first_line(PACKAGE / room / '__init__.py')}")
        lines += [f"{'    ' if room else '  '}{name + '.py':<{20 if room else 22}}{first_line(PACKAGE / room / f'{name}.py')}" for name in names.split()]
    return "\n".join(line.rstrip() for line in lines)


def sizes() -> str:
    """Lines and files of each room and of the package, all its Python counted, and the longest file."""
    lines = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in PACKAGE.rglob("*.py")}
    rooms = {room or "top": [n for path, n in lines.items() if path.parent == PACKAGE / room] for room in ROOMS}
    longest = max(lines, key=lambda path: lines[path])
    said = [f"{room} {sum(counts):,} ({len(counts)})" for room, counts in (*rooms.items(), ("all", list(lines.values())))]
    return f"lines (files): {', '.join(said)}; longest {longest.name} {lines[longest]}"


if __name__ == "__main__":
    print(f"{tree()}\n\n{sizes()}")
