"""What the house promises of its sources: words once, a sentence per kind, no run of lines twice, a light front door."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

import jogtune
from house import PACKAGE
from jogtune.words.speak import _SENTENCES
from places import ROOT

NUMBERS = ("machine", "ladder", "axis", "hand", "choose", "logs", "measure", "bench")
"""Rooms that hold numbers and no sentences."""
TABLES = {"machine/fields.py", "machine/readers.py", "logs/map_file.py", "hand/person.py"}
"""Tables of keys with their examples, and of figures with their sources: what stands there is data."""
MOST_WORDS, MOST_EQUAL, MOST_NAMES = 3, 5, 14
PARTS = ("rule", "cure", "hint", "fault")
"""Names that hold a part of a fault."""
STILL = {"bench/readings.py": 7, "machine/file.py": 1, "machine/model.py": 1}
"""What reads like a sentence still: rules of faults on their way to a helper, a dial's name, a machine in one line; this
list may only shrink."""

FILES = {path.relative_to(PACKAGE).as_posix(): path.read_text(encoding="utf-8") for path in sorted(PACKAGE.rglob("*.py"))}
TREES = {name: ast.parse(text) for name, text in FILES.items()}


def name_of(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def texts(node: ast.AST) -> Iterator[tuple[int, str]]:
    """The strings below a node that a person might read: no docstring, no fault, no raised error, no list to be split."""
    if isinstance(node, ast.Raise) or (isinstance(node, ast.Call) and re.search(r"fault", name_of(node), re.IGNORECASE)):
        return
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return
    if isinstance(node, ast.Call) and name_of(node) == "split":
        return
    if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name) and node.targets[0].id in PARTS:
        return
    if isinstance(node, ast.JoinedStr):
        yield node.lineno, " ".join(part.value for part in node.values if isinstance(part, ast.Constant) and isinstance(part.value, str))
        return
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.lineno, node.value
        return
    for child in ast.iter_child_nodes(node):
        yield from texts(child)


def sentences(tree: ast.AST) -> list[tuple[int, str]]:
    return [(line, text) for line, text in texts(tree) if len(re.findall(r"[^\W\d_]{2,}", text)) > MOST_WORDS and " " in text.strip()]


def test_rooms_of_numbers_hold_no_sentence() -> None:
    found = {name: sentences(tree) for name, tree in TREES.items() if name.split("/")[0] in NUMBERS and name not in TABLES}
    over = {name: told for name, told in found.items() if len(told) > STILL.get(name, 0)}
    assert over == {}
    assert {name: len(found[name]) for name in STILL} == STILL, "fewer now: shrink the list"


def test_a_sentence_is_found_and_what_is_none_is_not() -> None:
    def count(text: str) -> int:
        return len(sentences(ast.parse(text)))

    assert count('x = "the axis runs on"') == 1
    assert count('x = f"axis {name} runs on too far"') == 1
    assert count('x = {"a": ["one", "the axis runs on"]}') == 1
    assert count('"""The axis runs on."""\nx = "runs on"\ny = "one two three four".split()') == 0
    assert count('rule = "must be one of these"') == 0
    assert count('raise ValueError("must be one of these")') + count('faults.append(Fault("a", 1, "must be one of these"))') == 0


# ------------------------------------------------------------ kinds


def strings(name: str) -> set[str]:
    return {node.value for node in ast.walk(TREES[name]) if isinstance(node, ast.Constant) and isinstance(node.value, str)}


def test_each_sentence_has_a_kind_that_is_used() -> None:
    keys = {
        node: None
        for name in FILES if name.startswith("words/")
        for table in ast.walk(TREES[name]) if isinstance(table, ast.Dict)
        for node in table.keys
    }  # fmt: skip
    used = {
        node.value
        for tree in TREES.values()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in keys
    }
    computed = {kind for kind in _SENTENCES if any(kind.startswith(stem) for stem in COMPUTED)}
    assert set(_SENTENCES) - used - computed == set()


COMPUTED: tuple[str, ...] = ()
"""Beginnings of kinds whose names are put together from parts."""


def kinds_of(tree: ast.AST) -> set[str]:
    """Kinds that a file gives to a note: `Note(kind=...)`, or the first argument of a helper that takes a `kind`."""
    helpers = {
        node.name
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and [arg.arg for arg in node.args.args][:1] == ["kind"] and "Note" in ast.dump(node)
    }
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and (name_of(node) == "Note" or name_of(node) in helpers):
            given = [word.value for word in node.keywords if word.arg == "kind"] + (node.args[:1] if name_of(node) in helpers else [])
            found |= {leaf.value for value in given for leaf in _leaves(value) if isinstance(leaf.value, str)}
    return found


def _leaves(value: ast.AST) -> Iterator[ast.Constant]:
    if isinstance(value, ast.Constant):
        yield value
    elif isinstance(value, ast.IfExp):
        yield from (*_leaves(value.body), *_leaves(value.orelse))


def test_each_kind_of_a_note_has_a_sentence() -> None:
    kinds = {name: kinds_of(tree) for name, tree in TREES.items() if not name.startswith("words/")}
    assert len(set().union(*kinds.values())) > 40
    assert {name: found - set(_SENTENCES) for name, found in kinds.items() if found - set(_SENTENCES)} == {}


# ------------------------------------------------------------ runs of lines, the front door


def runs_twice(files: dict[str, str], least: int) -> list[tuple[str, int, str, int]]:
    """Where a run of so many non-blank lines stands a second time: file and line of both. Imports may look alike."""
    seen: dict[tuple[str, ...], tuple[str, int]] = {}
    found = []
    for name, text in files.items():
        lines = [(number, line.rstrip()) for number, line in enumerate(text.splitlines(), start=1) if line.strip()]
        for at in range(len(lines) - least + 1):
            run = tuple(line for _, line in lines[at : at + least])
            if all(re.match(r"(from|import) |    \w+,$|\)$|if TYPE_CHECKING:|    from ", line) for line in run):
                continue
            if run in seen:
                found.append((*seen[run], name, lines[at][0]))
            seen.setdefault(run, (name, lines[at][0]))
    return found


def test_no_run_of_lines_stands_twice() -> None:
    assert runs_twice(FILES, MOST_EQUAL + 1) == []


def test_a_run_that_stands_twice_is_found() -> None:
    run = "\n".join(f"x = {n}" for n in range(6))
    assert runs_twice({"a.py": run, "b.py": f"y = 1\n\n{run}"}, 6) == [("a.py", 1, "b.py", 3)]
    assert runs_twice({"a.py": run, "b.py": run.replace("x = 3", "x = 4")}, 6) == []


def test_the_front_door_is_narrow() -> None:
    assert len(jogtune.__all__) <= MOST_NAMES
    assert all(getattr(jogtune, name) is not None for name in jogtune.__all__)


def public_names() -> dict[tuple[str, str], bool]:
    """Every function and class without underscore, by room and name, and whether anything outside its room names it; the
    exercises of lessons, `check_...`, aside: each is a question in a notebook."""
    rooms: dict[str, str] = {}
    for path in PACKAGE.rglob("*.py"):
        room = path.parent.name if path.parent != PACKAGE else path.stem
        rooms[room] = rooms.get(room, "") + path.read_text(encoding="utf-8")
    books = "".join(p.read_text(encoding="utf-8") for p in (ROOT / "notebooks").rglob("*") if p.suffix in (".ipynb", ".md"))
    words = {room: set(re.findall(r"\w+", text)) for room, text in (rooms | {"notebooks": books}).items()}
    found = {}
    for path in PACKAGE.rglob("*.py"):
        room = path.parent.name if path.parent != PACKAGE else path.stem
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            hidden = ("_", "check_") if room == "lessons" else "_"
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith(hidden):
                found[room, node.name] = any(node.name in known for other, known in words.items() if other != room)
    return found


def test_a_name_without_underscore_is_used_outside_its_room() -> None:
    names = public_names()
    print(f"{len(names)} public functions and classes")
    assert [name for name, used in names.items() if not used] == []
    assert len(names) <= 341
