"""Exercise: answer, slips, verdict."""

import html
import inspect
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from ..units import parse_number

_WITHIN = 0.01
_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven")


@dataclass(frozen=True, kw_only=True)
class _Verdict:
    """What is said of one answer; `passed` only where it is right."""

    passed: bool
    words: str
    entered: bool = True

    @property
    def opening(self) -> str:
        """The first words: how the answer stands."""
        if not self.entered:
            return "Nothing entered yet"
        return "Right" if self.passed else "Not yet"

    def __repr__(self) -> str:
        return f"{self.opening}: {self.words}"

    def __bool__(self) -> bool:
        return self.passed

    def _repr_html_(self) -> str:
        mark = "✓" if self.passed else "→" if self.entered else "…"
        style = f"border-left: 4px {'solid' if self.passed else 'dashed'} currentColor; padding: 0.3em 0.8em; max-width: 60em"
        return f'<div style="{style}"><b>{mark} {self.opening}.</b> {html.escape(_capital(self.words))}</div>'


def _right(words: str) -> _Verdict:
    return _Verdict(passed=True, words=words)


def _not_yet(words: str) -> _Verdict:
    return _Verdict(passed=False, words=words)


def _nothing(what: str) -> _Verdict:
    return _Verdict(passed=False, entered=False, words=f"put {what} in place of the three dots and run the cell again.")


_Right = float | Fraction | tuple[float, float] | list[float] | str | Callable[[float], bool]
_Slip = tuple[Any, str | Callable[[Any], str]]


class _Solved:
    """An exercise worked out.

    `right` is a number, the lowest and the highest that will do, a list of numbers, a word, or a test of a number. `slips` are
    wrong answers that people often give (a number, a word, or a test), each with what to tell them; `hint` is said where none
    fits, `praise` where the answer is right."""

    def __init__(self, right: _Right, *slips: _Slip, praise: str, hint: str = "") -> None:
        self.right, self.slips, self.praise, self.hint = right, slips, praise, hint


@dataclass(frozen=True)
class _Exercise:
    """A question of a lesson, called with an answer and what it is asked of: a machine, say, or a table.

    An untouched cell never passes, and no verdict on a wrong answer tells the right one."""

    judge: Callable[..., _Verdict]
    question: str

    def __call__(self, answer: object, *given: Any) -> _Verdict:
        return self.judge(answer, *given)

    def __repr__(self) -> str:
        return self.question


_Solve = Callable[..., _Solved]


def _exercise(unit: str = "", *, within: float = _WITHIN, either_sign: bool = False) -> Callable[[_Solve], _Exercise]:
    """Makes an exercise of the function that works it out. A number may be off by the share `within`; `either_sign` will do
    where the sign is a matter of how one looks at it."""

    def make(solve: _Solve) -> _Exercise:
        def judge(answer: object, *given: Any) -> _Verdict:
            solved = solve(*given)
            if _is_untouched(answer):
                several = isinstance(solved.right, list) and f"{_COUNTS[len(solved.right)]} numbers in square brackets"
                return _nothing(several or ("a word in quotation marks" if isinstance(solved.right, str) else "a number"))
            if isinstance(solved.right, str):
                return _judge_word(answer, solved.right, solved)
            try:
                if isinstance(solved.right, list):
                    return _judge_list(answer, solved.right, solved, unit)
                return _judge_number(answer, solved, unit, within, either_sign)
            except ValueError as fault:
                return _not_yet(str(fault))

        return _Exercise(judge, inspect.getdoc(solve) or "")

    return make


def _open_exercise(what: str) -> Callable[[Callable[..., _Verdict]], _Exercise]:
    """Makes an exercise of a function that judges an answer itself; `what` says what is to be entered."""

    def make(judge: Callable[..., _Verdict]) -> _Exercise:
        return _Exercise(
            lambda answer, *given: _nothing(what) if _is_untouched(answer) else judge(answer, *given), inspect.getdoc(judge) or ""
        )

    return make


def _judge_number(answer: object, solved: _Solved, unit: str, within: float, either_sign: bool) -> _Verdict:
    value = _number(answer, unit)
    if either_sign:
        value = abs(value)
    if callable(solved.right):
        return _right(solved.praise) if solved.right(value) else _not_yet(_slip(value, solved.slips) or solved.hint)
    if isinstance(solved.right, tuple):
        low, high = solved.right
    else:
        middle, room = float(solved.right), abs(float(solved.right)) * within + 1e-12  # type: ignore[arg-type]
        low, high = middle - room, middle + room
    if low <= value <= high:
        return _right(solved.praise)
    return _not_yet(_slip(value, solved.slips) or f"{_general(value, low, high, unit)} {solved.hint}")


def _judge_list(answer: object, expected: list[float], solved: _Solved, unit: str) -> _Verdict:
    if not isinstance(answer, list | tuple) or len(answer) != len(expected):
        return _not_yet(f"{_COUNTS[len(expected)]} numbers are asked for, in square brackets with commas between.")
    found = [_number(value, unit) for value in answer]
    if all(math.isclose(*pair, rel_tol=1e-5, abs_tol=1e-6) for pair in zip(found, expected, strict=True)):
        return _right(solved.praise)
    return _not_yet(_slip(found, solved.slips) or solved.hint)


def _judge_word(answer: object, expected: str, solved: _Solved) -> _Verdict:
    offered = ", ".join(f'"{word}"' for word in sorted([expected, *(word for word, _ in solved.slips)]))
    if not isinstance(answer, str):
        return _not_yet(f"choose one of these words, in quotation marks: {offered}.")
    said = " ".join(answer.lower().strip(" \"'.,!?").split()).removeprefix("the ").removeprefix("a ")
    if said == expected:
        return _right(solved.praise)
    return _not_yet(_slip(said, solved.slips) or f'"{answer}" is not one of the words to choose from: {offered}.')


def _slip(value: Any, slips: Sequence[_Slip]) -> str:
    """What to tell of the first slip that a wrong answer shows; "" where none fits."""
    for wrong, words in slips:
        if wrong(value) if callable(wrong) else value == wrong if isinstance(value, str) else _near(value, float(wrong)):
            return words if isinstance(words, str) else words(value)
    return ""


def _near(value: float, other: float) -> bool:
    return math.isclose(value, other, rel_tol=_WITHIN, abs_tol=1e-12)


def _general(value: float, low: float, high: float, unit: str) -> str:
    """What is wrong with a number that no known slip explains."""
    said = f"{value:.6g}{' ' + unit if unit else ''}"
    if low <= -value <= high:
        return f"{said}: the size is right, the sign is not."
    if value > 0 and low > 0 and any(low <= value * 10.0**n <= high for n in (-6, -3, -2, -1, 1, 2, 3, 6)):
        return f"{said}: the digits are right, but the decimal point has slipped. Mind the units."
    if value > 0 and low > 0 and low <= 1 / value <= high:
        return f"{said} is the right division the wrong way up."
    return f"{said} is too {'large' if value > high else 'small'}."


def _is_untouched(answer: object) -> bool:
    """Whether a cell still holds its three dots, or nothing, alone or anywhere in a list."""
    if answer is None or answer is Ellipsis:
        return True
    if isinstance(answer, str):
        return answer.strip() in ("", "...", "…")
    if isinstance(answer, Mapping | list | tuple | set):
        return not answer or any(_is_untouched(value) for value in (answer.values() if isinstance(answer, Mapping) else answer))
    return False


def _number(answer: object, unit: str) -> float:
    """A number of a unit as people write it: a number, or text such as "0,02", "20 µm", "1/50 mm"; a share for a percentage.

    Raises ValueError, in words for whoever wrote it, where there is no number to be found."""
    if isinstance(answer, str):
        try:
            value = float(parse_number(answer, unit))
        except (ValueError, OverflowError) as fault:
            raise ValueError(f'"{answer[:40]}" {fault}.') from None
    elif isinstance(answer, tuple):
        raise ValueError("that is two numbers: write the decimal point as a point, not as a comma.")
    elif isinstance(answer, bytes) or type(answer).__name__.startswith("bool"):
        raise ValueError("True, False and bytes are no numbers; write the number itself.")
    else:
        try:
            value = float(answer)  # type: ignore[arg-type]
        except Exception:  # whatever was entered
            raise ValueError(f"one number is asked for, this is a {type(answer).__name__}.") from None
    if not math.isfinite(value):
        raise ValueError("that number is not finite: was something divided by zero?")
    return 100 * value if unit == "%" and 0 < value < 1 and "%" not in str(answer) else value


def weigh_guess(guess: object, found: float, unit: str = "") -> str:
    """What to say of a guess noted beforehand, once the figure is known. A guess is never wrong.

    >>> weigh_guess(10, 40, "mm")
    'You guessed 10 mm; it is 40 mm, about 4 times as much.'
    """
    if _is_untouched(guess):
        return "No guess was noted. Guess first, then look: the surprise is what one remembers."
    try:
        value, unit = _number(guess, unit), f" {unit}" if unit else ""
    except ValueError as fault:
        return _capital(str(fault))
    far = "as good as equal" if math.isclose(value, found, rel_tol=0.1, abs_tol=1e-12) else "something else"
    if value > 0 and found > 0 and far == "something else":
        factor = found / value
        far = f"about {factor:.2g} times as much" if factor > 1 else f"about {1 / factor:.2g} times less"
    return f"You guessed {value:.4g}{unit}; it is {found:.4g}{unit}, {far}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
