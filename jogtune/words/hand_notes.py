"""Hand and controls."""

from ..notes import Note
from .say import _fill, _Template


def _out_of_reach(note: Note) -> str:
    share = note.figures["impossible_share"]
    some = f"{round(10 * share)} of 10 goals" if round(10 * share) else f"{100 * share:.1f} % of the goals"
    which = "no goal can be met" if round(10 * share) == 10 else f"{some} can't be met"
    by = f"by the readout {which}, by touch or eye all can" if note.figures["by_readout"] else which
    return f'"{note.where.task}": {by}. {_fill(_HAND_NOTES[note.figures["why"]], note)}'


_MOVERS = {"click": "One click", "press": "One press", "tap": "The smallest reliable tap", "motor step": "One motor step"}


def _goals_between(note: Note) -> str:
    window = "the tolerance of {tolerance}"
    if note.figures["window_mm"] < note.figures["tolerance_mm"] * (1 - 1e-9):
        window = "the {window} that the readout's step leaves of the tolerance"
    moves = f"{_MOVERS[note.figures['mover']]} moves {{move}}"
    return _fill(f"{moves}, more than {window}: some goals lie between two of them.", note)


_HAND_NOTES: dict[str, _Template] = {
    "out_of_reach": _out_of_reach,
    "readout_too_coarse": "The readout shows steps of {readout_step}, no finer than the tolerance of {tolerance}. "
    "Go by touch or by eye, or use a finer readout.",
    "goals_between_moves": _goals_between,
    "contact_passed": lambda note: _MOVERS[note.figures["mover"]]
    + _fill(" moves {move}, more than the {most} that contact may be passed by.", note),
    "pointing_not_knob": "Tapping and pointing test the form of the model (moves that leave an error in proportion), "
    "not a detented knob.",
    "hand_not_fitted": "These figures of the hand are start values, not fitted: {names}.",
}
"""Kind of note -> its sentence."""
