"""The commands."""

import os
import shlex
import signal
import sys
import time
from argparse import Namespace
from collections.abc import Sequence
from pathlib import Path

from ..files import Fault, InputFault, checked_path, refuse_existing, write_set, write_whole
from ..shown import Shown
from ..signs import tell, wide
from ..words.say import counted


def _lab(given: Namespace) -> int:
    """Hand over to JupyterLab, for this computer only, on a copy of the notebooks, beside the machine file where one is named;
    --folder alone is opened where it lies."""
    import importlib.util
    import subprocess

    from ..machine.file import read_machine
    from .new import _SHIPPED, _copied

    if not 1 <= given.port <= 65535:
        raise InputFault("jogtune lab", [f"--port {given.port}: must be 1 to 65535"])
    folder = Path(given.folder or _SHIPPED / "notebooks").resolve()
    if not folder.is_dir():
        raise InputFault("jogtune lab", [f"{folder} is no folder: name that of the notebooks with --folder"])
    if importlib.util.find_spec("jupyterlab") is None:
        raise InputFault("jogtune lab", ['JupyterLab is not installed: pip install ".[lab]" in the clone'])
    if given.machine is not None:
        read_machine(given.machine)
    if given.into or not given.folder:
        folder = _copied(folder, Path(given.into or Path(given.machine or "").parent / "jogtune_notebooks").resolve())
    if given.machine is not None:
        tell(f'In a notebook, name your machine "{Path(given.machine).resolve().as_posix()}".')
    command = [sys.executable, "-m", "jupyterlab", "--ip=127.0.0.1", f"--port={given.port}", *["--no-browser"] * given.no_browser]
    command += [f"--ServerApp.root_dir={folder.parent}", f"--LabApp.default_url=/lab/tree/{folder.name}"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--allow-root")  # a container's only user; the address stays this computer's own
    if os.name != "nt":
        os.execv(sys.executable, command)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # no handing over there: Ctrl-C is for JupyterLab
    return subprocess.call(command)


def _new(given: Namespace) -> None:
    """A machine file to begin with, or a table of all its keys."""
    from .new import _beginning, _keys_text

    if given.keys and (given.file is not None or given.begin is not None):
        raise InputFault("jogtune new", ["--keys: prints and writes nothing: leave out file and --from"])
    if given.keys:
        tell(_keys_text())
    elif given.file is None:
        raise InputFault("jogtune new", ["names no file to write: as in jogtune new my_machine.toml, or --keys"])
    else:
        place = write_whole(given.file, _beginning(given.file, given.begin), overwrite=given.overwrite)
        tell(f"Wrote {place}. Change its figures, then run: {shlex.join(['jogtune', 'suggest', str(place)])}")


_NOTHING_READ = 2
_LAYER_NAMES = ("why", "table", "cautions")


def _suggest(given: Namespace) -> None:
    """A ladder for a machine, or one of one's own judged; and the folder asked for."""
    from ..choose.suggest import judge, machine_of
    from ..choose.suggest import suggest as find

    machine, log = machine_of(given.machine, given.steps, given.top_speed, given.finest), None
    if given.log is not None:  # pandas takes longer to load than all the rest
        from ..logs.read import read_log

        log = read_log(given.log, progress=given.progress)
    if given.out is not None:
        from ..hand_over.page import check_folder

        check_folder(checked_path(given.out), overwrite=given.overwrite)
    if given.ladder is not None:
        answer = judge(machine, given.ladder, progress=given.progress)
    else:
        answer = find(machine, rungs=given.rungs, series=given.series, base=given.base, multipliers=given.multipliers,
                      free=given.free, progress=given.progress)  # fmt: skip
    written = []
    if given.out is not None:
        from ..hand_over.page import write_folder

        inputs, command = {"machine file": given.machine, "log": given.log}, shlex.join(["jogtune", *given.command_line])
        written = write_folder(answer, Path(given.out), log=log, inputs=inputs, command=command, overwrite=given.overwrite)
    _print_result(answer, given, log=log)
    if written and not given.json:
        page = next(path for path in written if path.suffix == ".html")
        tell(f"\nWrote {len(written)} files. Open {page} in a browser.")


def _read(given: Namespace) -> int:
    """Any delimited log made tidy; 2 where none of its rows could be read."""
    from ..logs.join import join_logs
    from ..logs.read import read_log, tidy_file, write_log

    refuse_existing([Path(name) for name in (given.out, given.keep_map) if name], overwrite=given.overwrite)
    if given.join is None:
        log = tidy = tidy_file(given.log, given.out, columns=given.map, strict=given.strict, overwrite=given.overwrite,
                               progress=given.progress, keep_map=given.keep_map)  # fmt: skip
        join = None
    else:
        log, other = (read_log(one, columns=its, strict=given.strict, progress=given.progress)
                      for one, its in ((given.log, given.map), (given.join, given.join_map)))  # fmt: skip
        join = join_logs(log, other)
        tidy = join.log
        beside = {given.keep_map: log.map_text(explained=True)} if given.keep_map and log.map is not None else {}
        if given.out:
            write_log(tidy, given.out, overwrite=given.overwrite, beside=beside)
        elif beside:
            write_set(beside, overwrite=given.overwrite)
    _print_result(tidy, given, join=join)
    if log.rows_out == 0:
        tell(f"{log.source}: none of its {counted(log.rows_in, 'row')} could be read: check the map", sys.stderr)
        return _NOTHING_READ
    return 0


def _record(given: Namespace) -> None:
    """What a serial device prints, written down until Ctrl-C, for a time, or until the port stays away."""
    from ..logs.record import record as write_down

    seconds = None if given.duration is None else _seconds(given.duration)
    if len(given.delimiter) != 1 or not given.delimiter.isascii() or given.delimiter.isalnum():
        raise InputFault("--delimiter", [Fault("", given.delimiter, "must be one sign such as , or ;")])
    out = given.out or time.strftime("jog_%Y%m%d_%H%M%S.csv")
    done = write_down(
        given.port, out, baud=given.baud, delimiter=given.delimiter, seconds=seconds, overwrite=given.overwrite,
        started=lambda: tell(f"recording {given.port} to {out}; Ctrl-C ends it", sys.stderr),
        vanished=lambda: tell(f"{given.port} vanished: plug it in again within a minute, or Ctrl-C ends it", sys.stderr),
    )  # fmt: skip
    tell(f"{counted(done.lines, 'line')} in {done.seconds:.1f} s to {done.path} ({done.ended})")


def _seconds(text: str) -> float:
    from ..units import parse_quantity

    try:
        return float(parse_quantity(text, "time").value)
    except ValueError as error:
        raise InputFault("--for", [Fault("", text, 'must be a time such as "30 s" or "10 min"')]) from error


def _measure(given: Namespace) -> None:
    """What hand and machine did in a log, or in many."""
    from ..machine.file import read_machine
    from ..measure.many import Logs
    from ..measure.measure import measure

    if given.script:
        return _print_script(given)
    if not given.log or given.axis is not None:
        rule = "--axis: goes with --script" if given.log else "names no log: give one, or --script for what to turn"
        raise InputFault("jogtune measure", [rule])
    machine, logs = read_machine(given.machine), Logs.find(given.log)
    if list(logs.names) == given.log[:1]:
        if given.out is not None or given.overwrite or given.scheduler:
            raise InputFault("jogtune measure", ["--out, --overwrite and --scheduler: are for many logs: name a folder"])
        return _print_result(measure(machine, given.log[0], ladder=given.ladder, columns=given.map, progress=given.progress), given)
    if given.out is not None:
        refuse_existing([checked_path(given.out) / name for name in ("logs.csv", "rungs.csv")], overwrite=given.overwrite)
    with Logs.workers(given.scheduler) as executor:
        found = logs.measure(machine, ladder=given.ladder, columns=given.map, executor=executor, progress=given.progress)
    written = found.write(given.out, overwrite=given.overwrite) if given.out is not None else []
    _print_result(found, given)
    return _print_written(written, given)


def _print_script(given: Namespace) -> None:
    """What to turn for a log that tells the ramps of an axis."""
    from textwrap import fill

    from ..choose.suggest import suggest as choose
    from ..ladder.ladder import parse_ladder
    from ..machine.file import read_machine
    from ..measure.script import script_notes
    from ..words.speak import spoken

    if given.log or any(vars(given)[name] for name in (*_LAYER_NAMES, "json", "map", "out", "scheduler")):
        raise InputFault("jogtune measure", ["--script: takes --machine, --axis and --ladder alone, and no log"])
    machine = read_machine(given.machine)
    ladder = choose(machine).ladder if given.ladder is None else parse_ladder(given.ladder, machine)
    for text in spoken(script_notes(machine, ladder, given.axis)):
        tell(fill(text, wide(), subsequent_indent="  ", break_on_hyphens=False))


def _compare(given: Namespace) -> None:
    """Ladders side by side, on a machine and on logs; or a class, person by person; or what changed from log to log."""
    if given.before is not None or given.after is not None:
        return _compare_since(given)
    faults = [f"--seed {given.seed}: must be 0 or above"] if given.seed < 0 else []
    if given.folder is not None or given.roster is not None:
        return _compare_class(given, faults)
    from ..ladder.ladder import parse_ladder
    from ..logs.read import read_log
    from ..machine.file import read_machine
    from ..measure.compare import compare as weigh
    from ..measure.many import Logs

    machine = read_machine(given.machine)
    ladders = [parse_ladder(text, machine) for text in given.ladder]
    if len(ladders) < 2:
        faults.append("needs two ladders or more: give --ladder again, as in --ladder 0.01,0.1,1 --ladder 0.02,0.2,2")
    if len(set(ladders)) < len(ladders):
        faults.append("names the same ladder twice: give each once")
    logs = Logs.find(given.log)
    each = {"map": given.map, "made-with": given.made_with}
    for (name, some), noun in zip(each.items(), ("map", "ladder"), strict=True):
        if len(some) > 1 and len(some) != len(logs.names):
            counts = f"{counted(len(some), noun)}, {counted(len(logs.names), 'log')}"
            faults.append(f"has {counts}: give one --{name} for all logs, or one per --log")
    if given.out is not None or given.overwrite:
        faults.append("--out and --overwrite: are for a class: add --class and --roster")
    if faults:
        raise InputFault("jogtune compare", faults)
    maps, made_with = (some if len(some) > 1 else (some or [None]) * len(logs.names) for some in each.values())
    if list(logs.names) == given.log:
        read = [read_log(log, columns=one, progress=given.progress) for log, one in zip(given.log, maps, strict=True)]
        return _print_result(weigh(machine, ladders, read, made_with=made_with, seed=given.seed), given)
    with Logs.workers(given.scheduler) as executor:
        tried = logs.read(machine, maps, executor=executor, progress=given.progress)
        good = [(log, ladder) for log, ladder in zip(tried, made_with, strict=True) if not isinstance(log, str)]
        unread = [log for log in tried if isinstance(log, str)]
        if not good:
            raise InputFault("logs", ["none could be read", *unread])
        found = weigh(machine, ladders, [log for log, _ in good], made_with=[ladder for _, ladder in good],
                      seed=given.seed, executor=executor)  # fmt: skip
    for text in unread:
        tell(" ".join(["left out:", *text.split("\n")[:2]]), sys.stderr)
    return _print_result(found, given)


def _compare_since(given: Namespace) -> None:
    from ..measure.since import compare_since

    faults = [] if given.before and given.after else ["--before and --after: go together: give both logs"]
    if given.ladder or given.log or given.folder or given.roster or given.out or given.overwrite:
        faults.append("--before and --after: take --map alone: leave out --ladder, --log, --class, --roster and --out")
    if len(given.map) > 2:
        faults.append("--map: give one for both logs, or one for each")
    if faults:
        raise InputFault("jogtune compare", faults)
    maps = ((given.map * 2)[:2] if len(given.map) != 2 else given.map) or (None, None)
    found = compare_since(given.machine, given.before, given.after, maps, progress=given.progress)
    return _print_result(found, given)


def _compare_class(given: Namespace, faults: list[str]) -> None:
    from ..machine.file import read_machine
    from ..measure.classroom import compare_class, read_roster
    from ..measure.many import Logs

    if given.folder is None:
        faults.append("--roster: goes with --class FOLDER: name the folder with the logs")
    elif not Path(given.folder).is_dir():
        faults.append(f"--class {given.folder}: is no folder: name the one with the logs")
    if given.roster is None:
        faults.append("--class: needs --roster FILE.csv with the columns file, person and, optional, ladder and order")
    if given.ladder or given.log:
        faults.append("--ladder and --log: a class has its ladders and logs in the roster: leave them out")
    if len(given.map) > 1:
        faults.append("--map: give it once for the whole class, or put LOG.map.toml beside a log")
    machine = read_machine(given.machine)
    if faults:
        raise InputFault("jogtune compare", faults)
    entries, columns = read_roster(machine, given.roster), given.map[0] if given.map else None
    with Logs.workers(given.scheduler) as executor:
        found = compare_class(machine, given.folder, entries, columns=columns, executor=executor, progress=given.progress)
    if not found.counts:
        raise InputFault(str(given.folder), ["no log of the roster could be measured", *found.unread])
    written = found.write(given.out, overwrite=given.overwrite) if given.out is not None else []
    _print_result(found, given)
    _print_written(written, given)


def _print_written(written: Sequence[Path], given: Namespace) -> None:
    if written and not given.json:
        tell(f"\nWrote {' and '.join(str(place) for place in written)}.")


def _export(given: Namespace) -> None:
    """Every file asked for, or none of them where one can't be; prints their names."""
    from ..choose.suggest import machine_of, own_answer
    from ..choose.suggest import suggest as find
    from ..hand_over.export import KINDS, check_export, export_all
    from ..ladder.ladder import parse_ladder

    asked = {name: getattr(given, name) for name in KINDS if getattr(given, name)}
    if not asked:
        raise InputFault("jogtune export", [f"names no file to write: add one of {', '.join(f'--{name}' for name in KINDS)}"])
    machine = machine_of(given.machine, given.steps, given.top_speed, given.finest)
    check_export(asked, machine, overwrite=given.overwrite)
    knob = {"person": given.person, "number": given.number, "other": given.other and parse_ladder(given.other, machine)}
    if "knob" not in asked and any(knob.values()):
        raise InputFault("jogtune export", ["--other, --person and --number are for the knob's page: add --knob knob.html"])
    if given.ladder is None:
        answer = find(machine, rungs=given.rungs, series=given.series, base=given.base, multipliers=given.multipliers,
                      progress=given.progress)  # fmt: skip
    else:
        answer = own_answer(machine, parse_ladder(given.ladder, machine))
    for path in export_all(answer, asked, overwrite=given.overwrite, **knob):
        tell(f"wrote {path}")


def _readings(given: Namespace) -> None:
    """What a dial indicator's readings say: the verdict per axis and the ranked causes."""
    from ..bench.diagnose import diagnose

    _print_result(diagnose(given.machine, given.readings), given)


def _checks(given: Namespace) -> None:
    """What passed and failed of the tests at the machine."""
    from ..bench.checks import judge_checks

    _print_result(judge_checks(given.machine, given.checks), given)


def _print_result(found: Shown, given: Namespace, **beside: object) -> None:
    """Print a result as it was asked for: JSON, why, the table, the cautions, or the answer. `beside` goes to its words."""
    if given.json:
        tell(found.to_json(**beside), end="", as_json=True)
    else:
        tell(found.told([layer for layer in _LAYER_NAMES if getattr(given, layer)], **beside))
