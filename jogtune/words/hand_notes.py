"""The hand and its controls: a sentence per kind."""

from __future__ import annotations

from ..notes import Note
from .say import _fill, _Template, said


def _out_of_reach(note: Note) -> str:
    share = note.figures["impossible_share"]
    tenths = round(10 * share)
    which = "no goal can be met" if tenths == 10 else f"{tenths} of 10 goals can't be met"
    if tenths == 0:
        which = f"{100 * share:.1f} % of the goals can't be met"
    by = f"by the readout {which}, by touch or eye all can" if note.figures["by_readout"] else which
    return f'"{note.where.task}": {by}. {_fill(_HAND_NOTES[note.figures["why"]], note)}'


_MOVERS = {"click": "One click", "press": "One press", "tap": "The smallest reliable tap", "motor step": "One motor step"}


def _goals_between(note: Note) -> str:
    told, window = said(note), "the tolerance of {tolerance}"
    if note.figures["window_mm"] < note.figures["tolerance_mm"] * (1 - 1e-9):
        window = "the {window} that the readout's step leaves of the tolerance"
    moves = f"{_MOVERS[told['mover']]} moves {told['move']}"
    return f"{moves}, more than {window.format_map(told)}: some goals lie between two of them."


def _contact_passed(note: Note) -> str:
    told = said(note)
    return f"{_MOVERS[told['mover']]} moves {told['move']}, more than the {told['most']} that contact may be passed by."


_HAND_NOTES: dict[str, _Template] = {
    "out_of_reach": _out_of_reach,
    "readout_too_coarse": "The readout shows steps of {readout_step}, no finer than the tolerance of {tolerance}. "
    "Go by touch or by eye, or use a finer readout.",
    "goals_between_moves": _goals_between,
    "contact_passed": _contact_passed,
    "pointing_not_knob": "Tapping and pointing test the form of the model (moves that leave an error in proportion), "
    "not a detented knob.",
    "hand_not_fitted": "These figures of the hand are start values, not fitted: {names}.",
}
"""Kind of note -> its sentence."""
