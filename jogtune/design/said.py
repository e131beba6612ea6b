"""What a search found, in plain words."""

from __future__ import annotations

from ..machine import Machine
from ..units import say_number
from .best import Search

__all__ = ["count_word", "impossible_words", "rung_uses", "time_reasons", "time_sentence"]

_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
_ORDINALS = (
    "no", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth",
    "eleventh", "twelfth", "thirteenth",
)  # fmt: skip


def count_word(number: int) -> str:
    """A small number in words.

    >>> count_word(4), count_word(20)
    ('four', '20')
    """
    return _WORDS[number] if number < len(_WORDS) else str(number)


def _ordinal(number: int) -> str:
    return _ORDINALS[number] if number < len(_ORDINALS) else f"{number}th"


def _seconds(time_s: float) -> str:
    return f"{say_number(time_s, digits=2 if time_s < 1 else 3)} s"


def _percent(share: float) -> str:
    return f"{share * 100:.1f} %"


def time_reasons(machine: Machine, search: Search) -> list[str]:
    """Why this ladder, by the time it takes.

    >>> from fractions import Fraction
    >>> from jogtune.design.best import search_ladders
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = search_ladders(router, Fraction(1, 100), [1, 10, 100, 500])
    >>> time_reasons(router, found)[-1]
    'Times are from start values for the hand, not from anyone measured: fit them to your own log.'
    """
    texts = [*_fewer_words(search), _time_words(search), *_gap_words(search)]
    texts += [*_next_words(machine, search), *_sharing_words(search)]
    if search.start_mix:
        texts.append(
            "The file names no tasks, so a start mix was taken (cross, go near, nudge on every axis): "
            "add [[task]] tables of your own."
        )
    texts.append("Times are from start values for the hand, not from anyone measured: fit them to your own log.")
    return texts


def _fewer_words(search: Search) -> list[str]:
    few, many = len(search.chosen.ladder.multipliers), len(search.best.ladder.multipliers)
    if few >= many:
        return []
    more = search.chosen.time_s / search.best.time_s - 1
    return [f"{count_word(few).capitalize()} plain rungs come within {_percent(more)} of the best {count_word(many)}."]


def _time_words(search: Search) -> str:
    said = time_sentence(search).removesuffix(".")
    others = f"{search.near} of {search.searched} ladders are within {_percent(search.near_share)} of the fastest"
    return f"{said}; {others} ({_seconds(search.best.time_s)}), and this is the plainest of them."


def time_sentence(search: Search) -> str:
    """What a task takes on average, and over which tasks.

    >>> from fractions import Fraction
    >>> from jogtune.design.best import search_ladders
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> time_sentence(search_ladders(router, Fraction(1, 50), [1, 10, 100], tasks=router.tasks[2:4]))
    'A task of the mix takes 2.21 s on average.'
    """
    weights = [task.weight for task in search.mix.tasks]
    able = [w for w, estimate in zip(weights, search.tasks, strict=True) if estimate.mean_s is not None]
    said = f"A task of the mix takes {_seconds(search.chosen.time_s)} on average"
    if len(able) == len(weights):
        return f"{said}."
    share = _percent(sum(able) / sum(weights))
    return f"{said} over the tasks that can be done ({len(able)} of {len(weights)}, {share} by weight)."


def _gap_words(search: Search) -> list[str]:
    """Why more rungs were chosen than come within the share of the best."""
    few, chosen = search.curve_at(search.knee), search.chosen
    if few is None or len(chosen.ladder.multipliers) <= search.knee:
        return []
    widest = max(few.ladder.ratios, default=1.0)
    why = "its numbers are less plain" if widest <= 10 else f"it leaves a gap of {say_number(widest, digits=2)} times between two"
    count = count_word(search.knee).capitalize()
    more = _percent(few.time_s / search.best.time_s - 1)
    return [f"{count} rungs ({few.ladder.say()}) would come within {more} too, but {why}."]


def _next_words(machine: Machine, search: Search) -> list[str]:
    """What one rung more would save."""
    count = len(search.chosen.ladder.multipliers)
    following = search.curve_at(count + 1)
    if following is None:
        return []
    saved = max(search.chosen.time_s - following.time_s, 0.0)
    end = "leave it out"
    if saved > search.near_share * search.chosen.time_s:
        room = count < machine.selector.positions
        end = "it is worth having" if room else f"the selector has {machine.selector.positions} positions"
    if max(search.chosen.ladder.ratios, default=1.0) > 10 and count < machine.selector.positions:
        end += ", unless the gap of more than ten times between two rungs bothers the hand"
    what = f"would save {_seconds(saved)} of {_seconds(search.chosen.time_s)}"
    if saved < 0.005:
        what = "would save nothing"
    article = "An" if count + 1 in (8, 11) else "A"
    return [f"{article} {_ordinal(count + 1)} rung {what}; {end}."]


def _sharing_words(search: Search) -> list[str]:
    if search.sharing_s is None:
        return []
    axes = ", ".join(sorted({task.axis for task in search.mix.tasks}))
    if search.sharing_s < 0.005 * search.best.time_s:
        return [f"Sharing one ladder among {axes} costs next to nothing."]
    return [f"Sharing one ladder among {axes} costs {_seconds(search.sharing_s)} over a ladder for each."]


def impossible_words(search: Search) -> list[str]:
    """Tasks of which some goals can't be reached, with the reason.

    >>> from fractions import Fraction
    >>> from jogtune.design.best import search_ladders
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = search_ladders(router, Fraction(1, 2), [1, 10])
    >>> print(impossible_words(found)[0])
    80.0 % of "find an edge" can't be done: one click moves 0.5 mm, more than the tolerance of 0.1 mm: some
    goals lie between two of them.
    """
    texts = []
    for task, estimate in zip(search.mix.tasks, search.tasks, strict=True):
        if estimate.share_impossible == 1:
            texts.append(f'"{task.name}" can\'t be done: {estimate.reason}.')
        elif estimate.share_impossible > 0:
            texts.append(f'{_percent(estimate.share_impossible)} of "{task.name}" can\'t be done: {estimate.reason}.')
    return texts


def rung_uses(search: Search) -> list[str]:
    """For each rung of the chosen ladder, the tasks it is taken for, as an ending to its reason.

    >>> from fractions import Fraction
    >>> from jogtune.design.best import search_ladders
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = search_ladders(router, Fraction(1, 100), [1, 10, 100, 500])
    >>> rung_uses(found)[-1]
    '; taken to cross the table, go near the next inlay, raise the tool'
    """
    uses: list[list[str]] = [[] for _ in search.chosen.ladder.multipliers]
    for task, estimate in zip(search.mix.tasks, search.tasks, strict=True):
        for leg in estimate.route:
            if leg.moves >= 0.3:
                uses[leg.position - 1].append(task.name)
    said = [f"; taken to {', '.join(names)}" if names else "; no task of the mix needs it" for names in uses]
    if not uses[0]:
        said[0] = "; kept as your finest wish, though no task of the mix needs it"
    return said
