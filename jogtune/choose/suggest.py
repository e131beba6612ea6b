"""suggest() and judge()."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from itertools import combinations
from math import log
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from ..axis.near import axis_notes, ladder_cautions, standing_notes
from ..axis.row import Row, frame, rows
from ..files import Fault, InputFault
from ..hand.controls import KnobControl
from ..hand.person import Hand
from ..hand.touch import _Touch
from ..ladder.ladder import Ladder, SeriesValue, as_ladder
from ..machine.file import as_machine, machine_from_numbers
from ..machine.model import Machine, Task
from ..notes import Note
from ..shown import Shown
from .allot import _Allotment
from .base import _Base, _derive_base
from .columns import _Choice, _choose_ladder, _own_choice, _Table, _table_of
from .cover import _derive_candidates, derive_ladder
from .prefer import _NEAR_SHARE, Search
from .search import _free_ladder
from .tasks import _Asked, make_mix
from .trial import _Tried, _try_assumed
from .why import _assumed_notes, _given_up, _ladder_reasons, _out_of_reach, _rung_reasons, _search_reasons, _table_notes, _task_time

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, kw_only=True, repr=False)
class Suggestion(Shown):
    """A ladder for a machine and everything that is to be said of it.

    `notes` say why each rung is there and what was given up, with every caution; `search` is what was found about expected
    times (None where ranked by coverage), `free` the clicks of any distance [mm] that would be fastest and their time [s],
    where asked for; `shared` says what distances for each axis would win (None: no axes share theirs). Of a ladder of one's own
    `verdict` is "keep", "change" or "can't tell", and `better` the ladder suggested instead, with the share of task time that
    it saves and the `changes` that make the one of the other. `bases` of fixed multipliers stand with their times, the chosen
    one first."""

    machine: Machine
    ladder: Ladder
    base: _Base
    series: str
    candidates: tuple[SeriesValue, ...]
    notes: tuple[Note, ...]
    search: Search | None = None
    free: tuple[tuple[float, ...], float] | None = None
    shared: _Table | None = None
    bases: tuple[tuple[Fraction, float], ...] = ()
    changes: tuple[_Change, ...] = ()
    tried: tuple[_Tried, ...] = ()
    verdict: Literal["", "keep", "change", "can't tell"] = ""
    better: Ladder | None = None
    saves_share: float | None = None

    @property
    def missed_by_mm(self) -> Fraction:
        """By how much the finest rung misses the finest wish [mm]."""
        return max(Fraction(0), self.ladder.gains_mm[0] - self.machine.finest_wish_mm)

    @cached_property
    def allotment(self) -> _Allotment | None:
        """Which control moves what; None where the file names neither stick nor buttons."""
        if self.machine.stick is None and self.machine.buttons is None:
            return None
        mix = self.search.mix if self.search else make_mix(self.machine, self.ladder)
        return _Allotment(machine=self.machine, ladder=self.ladder, mix=mix)

    @property
    def rows(self) -> tuple[Row, ...]:
        """What each rung does on each axis."""
        return rows(self.machine, self.ladder)

    @property
    def touching(self) -> tuple[_Touch, ...]:
        """How to touch off, by hand and with a probe, where the machine has such tasks or a probe."""
        known = {} if self.search is None else dict(zip(self.search.mix.tasks, self.search.tasks, strict=True))
        return KnobControl.touches(self.machine, self.ladder, known)

    @property
    def table(self) -> pd.DataFrame:
        """The same as a tidy table: a row per position and axis, units in the names of the columns."""
        return frame(self.rows)

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Further tidy tables: `tasks` of the mix, `near` the plainest of the near-best ladders, `counts` the best ladder of
        each number of rungs."""
        import pandas as pd

        if self.search is None:
            return {}
        tasks = [
            {
                "task": task.name, "axis": task.axis, "distance_mm": task.distance_mm, "tolerance_mm": task.tolerance_mm,
                "weight": task.weight, "time_s": estimate.mean_s, "sd_s": estimate.sd_s,
                "impossible_share": estimate.share_impossible, "moves": estimate.moves, "switches": estimate.switches,
                "route": " ".join(str(leg.position) for leg in estimate.route),
            }
            for task, estimate in zip(self.search.mix.tasks, self.search.tasks, strict=True)
        ]  # fmt: skip
        near, counts = (
            pd.DataFrame({
                "rungs": [len(one.ladder.multipliers) for one in ladders], "ladder": [one.ladder.say() for one in ladders],
                "time_s": [one.time_s for one in ladders],
            })
            for ladders in (self.search.plainest, self.search.curve)
        )  # fmt: skip
        return {"tasks": pd.DataFrame(tasks), "near": near, "counts": counts}


def suggest(
    machine: Machine | str | Path | None = None, *, steps_per_mm: float | Fraction | str | None = None,
    top_speed: str | None = None, finest: str | None = None, rungs: int | None = None, series: str = "plain",
    base: str | Fraction | None = None, by: Literal["time", "coverage"] = "time", tasks: Sequence[Task] | None = None,
    hand: Hand | None = None, keep: Sequence[int] = (), multipliers: Sequence[int] | str | None = None,
    most_rungs: int | None = None, most_run_on_mm: float | None = None,
    top_speed_mm_s: Mapping[str, float] | None = None, executor: Executor | None = None,
    progress: bool | Callable[[float], None] = False, stop: Callable[[], bool] | None = None, free: bool = False,
) -> Suggestion:  # fmt: skip
    """The recommended ladder for a machine (or its file, or three numbers of one axis, "80 per mm", "6000 mm/min", "0.02 mm"):
    the plainest among those that do its tasks fastest. What is not known of the machine is assumed and tried at the ends of its
    range (`tried`).

    `tasks` and `hand` default to what the machine file says. `rungs` exactly so many, `most_rungs` at most; `keep` multipliers
    that must be on it; `multipliers` are all of them, where the selector is engraved: the plainest base is found for them.
    `most_run_on_mm` and `top_speed_mm_s` (per axis) as in `_Asked`. The base (×1) is always on the
    ladder, as the finest move wanted. `by="coverage"` asks no hand and no tasks, only how well a ladder covers the range: quick
    enough to follow a slider. `progress` shows a bar, or is called with the share of ladders that are scored; `stop` is asked
    now and then, and ends the search with `SearchStopped` when it says yes. Raises `InputFault` where an option can't be met.

    >>> from jogtune.machine.file import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> suggest(router).ladder.say()
    '0.02, 0.1, 0.5, 2, 8 mm'
    >>> suggest(router, by="coverage").ladder.say()
    '0.02, 0.1, 0.5, 5 mm'
    """
    machine = machine_of(machine, steps_per_mm, top_speed, finest)
    engraved = _engraved(machine, multipliers, rungs)
    if by == "coverage" and engraved:
        raise InputFault("multipliers", [Fault("by", by, "asks no times, and bases are told apart by them", 'take by = "time"')])
    if by == "coverage":
        found = _derive_base(machine.columns[0], base=base)
        ladder = derive_ladder(machine, rungs=rungs, series=series, base=base)
        values = _derive_candidates(machine.columns[0], base=found, series=series)
        return _answer(machine, _Choice(ladder=ladder, base=found, values=values), series=series)
    asked = _Asked(
        rungs=rungs, series=series, base=base, tasks=None if tasks is None else tuple(tasks), hand=hand, keep=tuple(keep),
        multipliers=engraved, most_rungs=most_rungs, most_run_on_mm=most_run_on_mm, top_speed_mm_s=top_speed_mm_s or {},
        executor=executor, progress=progress, stop=stop,
    )  # fmt: skip
    choice = _choose_ladder(machine, asked)
    tried = None if engraved else _try_assumed(machine, choice.ladder, asked)  # an engraved selector can't take another
    answer = _answer(machine, choice, series=series, tried=tried)
    reference = choice.reference
    return _with_free(answer, _free_ladder(reference), reference.best.time_s) if free and reference else answer


def _engraved(machine: Machine, multipliers: Sequence[int] | str | None, rungs: int | None) -> tuple[int, ...]:
    """Fixed multipliers, typed or as numbers; raises `InputFault` where they can't be those of the selector."""
    if multipliers is None:
        return ()
    parts = re.split(r"[,;\s×x]+", multipliers.strip()) if isinstance(multipliers, str) else list(map(str, multipliers))
    numbers = [int(part) for part in parts if re.fullmatch(r"[0-9]{1,7}", part)]
    faults = []
    if len(numbers) < len(parts) or any(b <= a for a, b in itertools.pairwise([0, *numbers])):
        rule = "must be whole numbers that rise from 1 or more"
        faults.append(Fault("multipliers", ",".join(parts)[:60], rule, "as in 1,5,10,50"))
    if len(numbers) > (positions := machine.selector.positions):
        faults.append(Fault("multipliers", rule=f"are {len(numbers)}", cure=f"the selector has {positions} positions"))
    if rungs is not None and rungs != len(numbers):
        faults.append(Fault("rungs", rungs, f"and {len(numbers)} multipliers are given", "give one of them"))
    if faults:
        raise InputFault("--multipliers", faults)
    return tuple(numbers)


def _with_free(answer: Suggestion, free: tuple[tuple[float, ...], float], best_s: float) -> Suggestion:
    """The answer with what plain numbers cost against clicks of any distance, near the best ladder of the reference column."""
    figures = {"gains_mm": free[0], "time_s": free[1], "costs_share": best_s / free[1] - 1}
    note = Note(kind="free_clicks", figures=figures, unit=answer.machine.show_in)
    return replace(answer, free=free, notes=(*answer.notes, note))


def machine_of(machine: Machine | str | Path | None, steps: object, top_speed: object, finest: object) -> Machine:
    """A machine, that of a file, or that of three numbers; raises `InputFault` where both or neither is given."""
    numbers = (steps, top_speed, finest)
    if machine is None and None not in numbers:
        return machine_from_numbers(*numbers)
    if machine is None or any(number is not None for number in numbers):
        rule = "is given beside numbers" if machine is not None else "is missing"
        raise InputFault("machine", [Fault(rule=rule, cure="give a machine file, or all of steps, top speed and finest")])
    return as_machine(machine)


def _answer(
    machine: Machine, choice: _Choice, *, series: str, own: bool = False, tried: tuple[_Tried, ...] | None = None
) -> Suggestion:  # fmt: skip
    """A ladder that was chosen (or is one's `own`) with its notes."""
    ladder, base, search = choice.ladder, choice.base, choice.search
    tried = tuple(_Tried(assumed=one) for one in machine.assumed) if tried is None else tried
    first, *others = _ladder_reasons(machine, ladder, base, series, choice.values)
    table = None if search is None else _table_of(machine, ladder, search)
    timed = [] if search is None else [_task_time(search)] if own else list(_search_reasons(machine, search))
    notes = (
        *_bases_notes(machine, choice.bases), *standing_notes(machine), *ladder_cautions(machine, ladder),
        *_given_up(machine, ladder), *(() if search is None else _out_of_reach(machine, search)), first, *timed, *others,
        *_table_notes(machine, table), *_assumed_notes(tried), *axis_notes(machine, ladder),
        *_rung_reasons(machine, ladder, search),
    )  # fmt: skip
    return Suggestion(machine=machine, ladder=ladder, base=base, series=series, candidates=choice.values, notes=notes,
                      search=search, shared=table, bases=choice.bases, tried=tried)  # fmt: skip


def _bases_notes(machine: Machine, bases: Sequence[tuple[Fraction, float]]) -> Iterator[Note]:
    """The base of fixed multipliers and the next best two, and what each costs against the chosen one."""
    if bases:
        (base, time), *others = bases
        told = [(other, other_s / time - 1) for other, other_s in others[:2]]
        yield Note(kind="fixed_multipliers", figures={"base_mm": base, "others": told, "count": len(bases)}, unit=machine.show_in)


def own_answer(machine: Machine, ladder: Ladder, *, tasks: Sequence[Task] | None = None, hand: Hand | None = None) -> Suggestion:
    """Everything to be said about a ladder of one's own: not searched, but timed on the machine's tasks."""
    base = _derive_base(machine.columns[0], base=ladder.base_mm)
    search = _own_choice(machine, ladder, _Asked(tasks=None if tasks is None else tuple(tasks), hand=hand))
    values = tuple(SeriesValue(multiplier=m, exact=Fraction(m)) for m in ladder.multipliers)
    return _answer(machine, _Choice(ladder=ladder, base=base, values=values, search=search), series="your own", own=True)


def judge(
    machine: Machine | str | Path, ladder: Ladder | str, *, tasks: Sequence[Task] | None = None, hand: Hand | None = None,
    progress: bool | Callable[[float], None] = False, stop: Callable[[], bool] | None = None,
) -> Suggestion:  # fmt: skip
    """A ladder of one's own held against the suggested one: keep it, change it, or can't tell (within 5 %: our choice)."""
    machine = as_machine(machine)
    ladder = as_ladder(ladder, machine)
    own = own_answer(machine, ladder, tasks=tasks, hand=hand)
    other = suggest(machine, tasks=tasks, hand=hand, progress=progress, stop=stop)
    mine, theirs = own.search, other.search
    assert mine is not None
    assert theirs is not None
    saves = 1 - theirs.chosen.time_s / mine.chosen.time_s
    unmet, could = (sum(estimate.share_impossible for estimate in found.tasks) for found in (mine, theirs))
    more_unmet = unmet > could + 1e-9
    verdict: Literal["keep", "change", "can't tell"]
    verdict, kind = "can't tell", "ladder_cant_tell"
    if other.ladder == ladder or (saves <= 0 and not more_unmet):
        verdict, kind = "keep", "ladder_keep"
    elif saves > _NEAR_SHARE or more_unmet:
        verdict, kind = "change", "ladder_change"
    changes = tuple(_changes(machine, ladder, other.ladder)) if verdict == "change" else ()
    figures = {"saves_share": saves, "ladder": other.ladder.say(), "more_unmet": more_unmet, "changes": changes}
    note = Note(kind=kind, figures=figures, unit=machine.show_in)
    own = replace(own, search=replace(mine, every=theirs.every))
    return replace(own, verdict=verdict, better=other.ladder, saves_share=saves, changes=changes, notes=(note, *own.notes))


@dataclass(frozen=True, kw_only=True)
class _Change:
    """One rung of one's own made another [mm or degrees]; None where it is added or dropped. `axis` "" is all that share."""

    axis: str
    unit: str
    from_mm: Fraction | None
    to_mm: Fraction | None


def _changes(machine: Machine, mine: Ladder, theirs: Ladder) -> Iterator[_Change]:
    """What makes one ladder the other: rungs that both have stay, those between are paired in order of likeness."""
    told: set[tuple[object, ...]] = set()
    for axis in machine.axes:
        pair = mine.on(axis), theirs.on(axis)
        if pair[0] == pair[1] or (*pair, axis.rotary) in told:
            continue
        told.add((*pair, axis.rotary))
        shared = not axis.rotary and pair == (mine.gains_mm, theirs.gains_mm)
        for old, new in _paired(*(sorted(set(gains) - set(others)) for gains, others in (pair, pair[::-1]))):
            yield _Change(axis="" if shared else axis.name, unit=machine.shown_unit(axis), from_mm=old, to_mm=new)


def _paired(old: list[Fraction], new: list[Fraction]) -> Iterator[tuple[Fraction | None, Fraction | None]]:
    """Each of the fewer with the nearest in ratio of the more, in order; the rest alone, ascending."""
    few, many = (old, new) if len(old) <= len(new) else (new, old)
    best = min(combinations(range(len(many)), len(few)), default=(),
               key=lambda at: sum(abs(log(few[k] / many[i])) for k, i in enumerate(at)))  # fmt: skip
    beside = dict(zip(best, few, strict=True))
    for i, one in enumerate(many):
        yield (beside.get(i), one) if few is old else (one, beside.get(i))
