"""jogtune: choose the settings of a hand control that moves a machine's axes."""

__version__ = "0.1.0"
