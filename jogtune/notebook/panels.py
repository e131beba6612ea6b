"""Every panel by name."""

# ruff: noqa: F401
from .choose import Choose, explore
from .compare import Compare
from .knob import Knob, feel
from .lessons import BetweenReports, Clicks, DialBench, Habits, Reversal
from .respond import Answer, Try
from .route import LadderTimes, Route, ThreeControls, WhichRung
