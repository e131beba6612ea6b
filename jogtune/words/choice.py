"""What the search found, in words."""

from __future__ import annotations

from collections.abc import Iterator

from ..choose.prefer import Search
from ..machine.model import Machine
from ..units import say_number

_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
_ORDINALS = (
    "no", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth",
    "eleventh", "twelfth", "thirteenth",
)  # fmt: skip


def count_word(number: int) -> str:
    """A small number in words."""
    return _WORDS[number] if number < len(_WORDS) else str(number)


def _ordinal(number: int) -> str:
    return _ORDINALS[number] if number < len(_ORDINALS) else f"{number}th"


def _seconds(time_s: float) -> str:
    return f"{say_number(time_s, digits=2 if time_s < 1 else 3)} s"


def _percent(share: float) -> str:
    return f"{share * 100:.1f} %"


def time_reasons(machine: Machine, search: Search) -> list[str]:
    """Why this ladder, by the time it takes."""
    texts = [*_fewer_words(search), _time_words(search), *_choice_words(search), *_gap_words(search)]
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
    said, chosen = time_sentence(search).removesuffix("."), search.chosen
    texts = [f"{said} if the ladder is used perfectly"]
    if chosen.rule_time_s is not None:
        texts.append(f"and {_seconds(chosen.rule_time_s)} by a rule of thumb, which is what to expect")
    if search.searched > 1:
        saved = _percent(chosen.time_s / search.best.time_s - 1)
        others = f"no other of {search.searched} ladders is over {saved} faster for your hand"
        if chosen.worst_loss is not None:
            others += (
                f", nor over {_percent(chosen.worst_loss)} for one that is quicker, slower, steadier, shakier or less "
                "clever with the selector"
            )
        texts.append(others)
    which = f"{search.near} ladders are near-best for all of these hands" if search.all_near else (
        "no ladder is near-best for all of these hands, and few are less far from it"
    )  # fmt: skip
    return f"{'; '.join(texts)}; {which}, and this is the plainest of them."


def _choice_words(search: Search) -> list[str]:
    """What the fastest ladder and the one of fewest rungs would save or cost."""
    texts, chosen = [], search.chosen
    for name, other in (("The fastest", search.best), ("The plainest of fewest rungs", search.fewest)):
        if other is not None and other.ladder != chosen.ladder:
            change = other.time_s / chosen.time_s - 1
            does = f"saves {_percent(-change)}" if change <= 0 else f"costs {_percent(change)}"
            rule = ""
            if other.rule_time_s is not None and chosen.rule_time_s is not None:
                by = other.rule_time_s / chosen.rule_time_s - 1
                rule = f" used perfectly, and {'saves' if by <= 0 else 'costs'} {_percent(abs(by))} by a rule of thumb"
            texts.append(f"{name}, {other.ladder.say()}, {does}{rule}.")
    return texts


def time_sentence(search: Search) -> str:
    """What a task takes on average, and what was timed of those that can't be met."""
    said = f"A task of the mix takes {_seconds(search.chosen.time_s)} on average"
    unmet = [task.name for task, estimate in zip(search.mix.tasks, search.tasks, strict=True) if not estimate.possible]
    if not unmet:
        return f"{said}."
    return f"{said} (for {', '.join(unmet)}: the time to come as near as can be)."


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
    missed = [name for name, finer in _finer_alone(search) if finer]
    if missed:
        which = ", ".join(missed)
        return [f"Sharing one ladder among {axes} leaves goals of {which} out of reach that a finer click would meet."]
    if search.sharing_s < 0.005 * search.best.time_s:
        return [f"Sharing one ladder among {axes} costs next to nothing."]
    return [f"Sharing one ladder among {axes} costs {_seconds(search.sharing_s)} over a ladder for each."]


def _finer_alone(search: Search) -> Iterator[tuple[str, bool]]:
    """For each task whether its axis could make a finer click that would meet more of its goals."""
    for t, (task, estimate) in enumerate(zip(search.mix.tasks, search.tasks, strict=True)):
        finest, motion = search.mix.axis_gains_mm(t)[0], search.mix.motions[t]
        half = task.half_mm(motion.readout_step_mm)
        yield task.name, not estimate.possible and half > 0 and motion.motor_step_mm < finest * (1 - 1e-9)


def impossible_words(search: Search) -> list[str]:
    """Tasks of which some goals can't be reached, with the reason, and by what they could."""
    texts = []
    for t, (task, estimate) in enumerate(zip(search.mix.tasks, search.tasks, strict=True)):
        if estimate.possible:
            continue
        tenths = round(10 * estimate.share_impossible)
        which = "no goal can be met" if tenths == 10 else f"{tenths} of 10 goals can't be met"
        if tenths == 0:
            which = f"{_percent(estimate.share_impossible)} of the goals can't be met"
        finest = max(float(search.chosen.ladder.gains_mm[0]) * search.mix.scale(t), search.mix.motions[t].motor_step_mm)
        by_readout = task.kind == "goal" and task.cue == "readout" and finest <= task.tolerance_mm * (1 + 1e-9)
        said = f"by the readout {which}, by touch or eye all can" if by_readout else which
        texts.append(f'"{task.name}": {said}: {estimate.reason}.')
    return texts


def rung_uses(search: Search) -> list[str]:
    """For each rung of the chosen ladder, the tasks it is taken for, as an ending to its reason."""
    uses: list[list[str]] = [[] for _ in search.chosen.ladder.multipliers]
    for task, estimate in zip(search.mix.tasks, search.tasks, strict=True):
        for leg in estimate.route:
            if leg.moves >= 0.3:
                uses[leg.position - 1].append(task.name)
    said = [f"; taken to {', '.join(names)}" if names else "; no task of the mix needs it" for names in uses]
    if not uses[0]:
        said[0] = "; kept as your finest wish, though no task of the mix needs it"
    return said
