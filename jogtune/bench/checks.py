"""Commissioning tests judged."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..files import Fault, InputFault
from ..ladder.ladder import parse_ladder
from ..machine.file import as_machine
from ..machine.model import Machine
from ..machine.readers import read_rows
from ..notes import Note, Severity, Where
from ..shown import Shown
from .commission import Commissioning, _Check
from .readings import _cell

if TYPE_CHECKING:
    import pandas as pd

_NOT_DONE, _FAILED = ("", "not done", "n/a", "-", "–"), ("fail", "failed", "fails")


@dataclass(frozen=True, kw_only=True)
class _Judged:
    """A test's figure as filled in, in mm or degrees (None: none given), and what it makes: "pass", "fail" or "not done".

    `said` is who, when and what was remarked."""

    check: _Check
    measured: float | None
    verdict: str
    said: Mapping[str, str]


@dataclass(frozen=True, kw_only=True, repr=False)
class _Checked(Shown):
    """What was tried on a machine, figure by figure, and what it showed. Evidence of what was tried, no safety approval.

    `sheet` is the SHA-256 of the machine file that the sheet was made from."""

    asked: Commissioning
    sheet: str
    figures: tuple[_Judged, ...]

    @property
    def machine(self) -> Machine:
        """The machine that was tried."""
        return self.asked.machine

    @cached_property
    def tests(self) -> dict[str, str]:
        """The verdict of each test by its number: "fail" where a figure fails, "not done" where one is open, else "pass"."""
        found: dict[str, list[str]] = {}
        for one in self.figures:
            found.setdefault(re.sub(r"\D", "", one.check.test), []).append(one.verdict)
        return {test: _worst(verdicts) for test, verdicts in found.items()}

    @property
    def verdict(self) -> str:
        """The verdict of all tests together."""
        return _worst(self.tests.values())

    @property
    def notes(self) -> tuple[Note, ...]:
        """What failed, which tests don't apply, whether the sheet is another machine file's, and what this is no proof of."""
        other = (Note(kind="checks_of_another_file", severity=Severity.MIND),) if self.sheet != self.machine.sha256 else ()
        mend = (Note(kind="try_after_change", severity=Severity.CAUTION),) if self.verdict == "fail" else ()
        evidence = Note(kind="checks_are_evidence", severity=Severity.CAUTION)
        failed = (
            Note(kind="check_failed", severity=Severity.MIND, where=Where(axes=(one.check.axis,), positions=(one.check.position,)),
                 figures={"check": one.check, "measured": one.measured}, unit=one.check.unit)
            for one in self.figures if one.verdict == "fail"
        )  # fmt: skip
        return (*other, *failed, *self.asked.left_out, *mend, evidence)

    @property
    def table(self) -> pd.DataFrame:
        """A row per figure, as it was to be and as it was filled in; distances in mm, or degrees on a rotary axis."""
        import pandas as pd

        due = ("test", "axis", "position", "what", "predicted", "allowance", "rule", "unit", "per", "tool")
        return pd.DataFrame([
            {name: getattr(one.check, name) for name in due} | {"measured": one.measured, "verdict": one.verdict, **one.said}
            for one in self.figures
        ])  # fmt: skip


def _worst(verdicts: Iterable[str]) -> str:
    said = set(verdicts)
    return next((word for word in ("fail", "not done") if word in said), "pass" if said else "not done")


def judge_checks(machine: Machine | str | Path, checks: str | Path) -> _Checked:
    """Judge the table of a commissioning sheet as it was filled in, by the machine file; `checks` is its CSV.

    What is predicted is worked out anew, for the ladder that the table names. Raises `InputFault` with every fault."""
    machine, source, faults = as_machine(machine), str(checks), list[Fault]()
    table, _ = read_rows(source, ("test", "axis", "position", "measured"))
    sheet = {_cell(row, "what"): _cell(row, "measured") for _, row in table if _cell(row, "test") == "sheet"}
    if "ladder" not in sheet:
        raise InputFault(source, [Fault("test", rule="has no row sheet, ladder", cure="keep the first rows as they were written")])
    asked = Commissioning.of(machine, parse_ladder(sheet["ladder"], machine))
    known = {(one.test, one.axis, str(one.position)): one for one in asked.checks}
    found: dict[tuple[str, str, str], _Judged] = {}
    for line, row in table:
        key = (_cell(row, "test"), _cell(row, "axis").removeprefix("'"), _cell(row, "position").removesuffix(".0"))
        where = f"line {line}: test {', '.join(key)}"
        if key[0] == "sheet" or not any(key):
            continue
        if None in row:
            faults.append(Fault(f"line {line}", rule="has more cells than the head", cure="quote a number that has a comma"))
        elif key not in known:
            faults.append(Fault(where, rule=f"is no figure of {machine.name} with this ladder", cure="write a new sheet for it"))
        elif key in found:
            faults.append(Fault(where, rule="stands twice", cure="keep one"))
        else:
            found[key] = _judged(known[key], row, f"{where}: measured", faults)
    if faults:
        raise InputFault(source, faults)
    figures = tuple(found.get(key) or _judged(one, {}, "", faults) for key, one in known.items())
    return _Checked(asked=asked, sheet=sheet.get("machine file", ""), figures=figures)


def _judged(check: _Check, row: Mapping[Any, Any], where: str, faults: list[Fault]) -> _Judged:
    """One figure judged; a decimal comma and the unit behind the number will do."""
    said = _cell(row, "measured")
    unit, plain, measured = check.read_in, said.lower(), None
    verdict = "not done" if plain in _NOT_DONE else "fail" if plain in _FAILED else ""
    if not verdict:
        number = re.fullmatch(r"\+?([-−]?\d{1,9}(?:[.,]\d{1,20})?)", plain.removesuffix(unit).strip())
        if number is None:
            faults.append(Fault(where, said, f'must be a number of {unit}, empty, "not done" or "fail"', "write what was measured"))
        else:
            measured = float(number[1].replace(",", ".").replace("−", "-")) / check.shown(1.0)
            if check.rule == "most" and measured < 0:
                faults.append(Fault(where, said, "must be 0 or more", "leave out the sign"))
            verdict = "pass" if check.passes(measured) else "fail"
    told = {name.replace(" ", "_"): _cell(row, name) for name in ("done by", "date", "remark")}
    return _Judged(check=check, measured=measured, verdict=verdict, said=told)
