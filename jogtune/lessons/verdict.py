"""What a checker says."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

Slip = tuple[float, str]
"""A wrong value that people often find, and what to tell them."""
_WITHIN = 0.01


@dataclass(frozen=True, kw_only=True)
class Verdict:
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
        edge = "solid" if self.passed else "dashed"
        style = f"border-left: 4px {edge} currentColor; padding: 0.3em 0.8em; max-width: 60em"
        return f'<div style="{style}"><b>{mark} {self.opening}.</b> {html.escape(_capital(self.words))}</div>'


def right(words: str) -> Verdict:
    """The answer is right, and why that matters."""
    return Verdict(passed=True, words=words)


def not_yet(words: str) -> Verdict:
    """The answer is wrong; the words say what to try next."""
    return Verdict(passed=False, words=words)


def nothing(what: str = "your answer") -> Verdict:
    """The cell is untouched."""
    return Verdict(
        passed=False, entered=False, words=f"put {what} in place of the three dots and run the cell again."
    )


def is_untouched(answer: object) -> bool:
    """Whether a cell still holds its three dots, or nothing, alone or anywhere in a list.

    >>> is_untouched(...), is_untouched([1, ...]), is_untouched(0)
    (True, True, False)
    """
    if answer is None or answer is Ellipsis:
        return True
    if isinstance(answer, str):
        return answer.strip() in ("", "...", "…")
    if isinstance(answer, Mapping):
        return not answer or any(is_untouched(value) for value in answer.values())
    if isinstance(answer, list | tuple | set):
        return not answer or any(is_untouched(value) for value in answer)
    return False


def why_no_number(answer: object) -> str | None:
    """Why something is not a number one can check, in words; None where it is one."""
    if isinstance(answer, bool):
        return "True and False are no numbers; write the number itself."
    if isinstance(answer, str | bytes):
        return "write the number alone, without quotation marks and without a unit."
    if isinstance(answer, tuple):
        return "that is two numbers: write the decimal point as a point, not as a comma."
    try:
        value = float(answer)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        return f"one number is asked for, this is a {type(answer).__name__}."
    return None if math.isfinite(value) else "that number is not finite: was something divided by zero?"


def check_number(
    answer: object,
    expected: float | Fraction | Sequence[float],
    *,
    praise: str,
    hint: str,
    unit: str = "",
    slips: Iterable[Slip] = (),
    within: float = _WITHIN,
    either_sign: bool = False,
) -> Verdict:
    """Check one number against the right one, or against a span (lowest, highest) of right ones.

    `slips` are known wrong values with a word for each; `hint` says what to try next where none fits.

    >>> check_number(5, 4, praise="Four.", hint="Count the legs.")
    Not yet: 5 is too large. Count the legs.
    """
    if is_untouched(answer):
        return nothing("a number")
    fault = why_no_number(answer)
    if fault is not None:
        return not_yet(fault)
    value = float(answer)  # type: ignore[arg-type]
    low, high = _span(expected, within)
    if either_sign:
        value = abs(value)
    if low <= value <= high:
        return right(praise)
    for wrong, words in slips:
        if _near(value, wrong):
            return not_yet(words)
    return not_yet(f"{_general(value, low, high, unit)} {hint}")


def _span(expected: float | Fraction | Sequence[float], within: float) -> tuple[float, float]:
    if isinstance(expected, int | float | Fraction):
        middle, room = float(expected), abs(float(expected)) * within + 1e-12
        return middle - room, middle + room
    return float(expected[0]), float(expected[-1])


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


def check_choice(answer: object, correct: str, words: Mapping[str, str], *, praise: str) -> Verdict:
    """Check a word chosen from a few; `words` says for each wrong one why not."""
    if is_untouched(answer):
        return nothing("a word in quotation marks")
    options = [correct, *words]
    offered = ", ".join(f'"{word}"' for word in sorted(options))
    if not isinstance(answer, str):
        return not_yet(f"choose one of these words, in quotation marks: {offered}.")
    said = " ".join(answer.lower().split())
    if said == correct:
        return right(praise)
    return not_yet(words.get(said, f'"{answer}" is not one of the words to choose from: {offered}.'))


def weigh_guess(guess: object, found: float, unit: str = "") -> str:
    """What to say of a guess noted beforehand, once the figure is known. A guess is never wrong.

    >>> weigh_guess(10, 40, "mm")
    'You guessed 10 mm; it is 40 mm, about 4 times as much.'
    >>> weigh_guess(..., 40)
    'No guess was noted. Guess first, then look: the surprise is what one remembers.'
    """
    if is_untouched(guess):
        return "No guess was noted. Guess first, then look: the surprise is what one remembers."
    fault = why_no_number(guess)
    if fault is not None:
        return _capital(fault)
    value, unit = float(guess), f" {unit}" if unit else ""  # type: ignore[arg-type]
    said = f"You guessed {value:.4g}{unit}; it is {found:.4g}{unit}"
    return f"{said}, {_how_far(value, found)}."


def _how_far(guess: float, found: float) -> str:
    if math.isclose(guess, found, rel_tol=0.1, abs_tol=1e-12):
        return "as good as equal"
    if guess <= 0 or found <= 0:
        return "something else"
    factor = found / guess
    return f"about {factor:.2g} times as much" if factor > 1 else f"about {1 / factor:.2g} times less"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def numbers_of(answer: object, count: int) -> list[float] | str:
    """An answer of several numbers as a list, or what is wrong with it."""
    if not isinstance(answer, list | tuple):
        return f"{_WORDS[count]} numbers are asked for, in square brackets with commas between."
    if len(answer) != count:
        there = _WORDS.get(len(answer), str(len(answer)))
        return f"{_WORDS[count]} numbers are asked for, here {'is' if len(answer) == 1 else 'are'} {there}."
    faults = [fault for fault in map(why_no_number, answer) if fault is not None]
    return faults[0] if faults else [float(value) for value in answer]


_WORDS = dict(enumerate(("no", "one", "two", "three", "four", "five", "six", "seven")))
