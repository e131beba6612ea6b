"""jogtune: choose the settings of a hand control that moves a machine's axes.

Names carry their unit: mm, s, mm/s, mm/s². A rotary axis carries degrees where a name says mm. A fault of an
input is a `jogtune.files.InputFault`, which names every fault at once with its cure. Nothing here moves a machine.
"""

__version__ = "0.1.0"
