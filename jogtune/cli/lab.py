"""JupyterLab on the notebooks, this computer only."""

from __future__ import annotations

import os
import sys
from argparse import Namespace
from pathlib import Path

from ..files import InputFault


def lab(given: Namespace) -> int:
    """Open JupyterLab on the notebooks, for this computer only."""
    import importlib.util
    import subprocess

    if not 1 <= given.port <= 65535:
        raise InputFault("jogtune lab", [f"--port {given.port}: must be 1 to 65535"])
    folder = Path(given.folder) if given.folder else Path("notebooks")
    if not folder.is_dir():
        raise InputFault("jogtune lab", [f"{folder} is not a folder here: run it beside the notebooks, or --folder"])
    if importlib.util.find_spec("jupyterlab") is None:
        raise InputFault("jogtune lab", ['JupyterLab is not installed: pip install ".[lab]" in the clone'])
    command = [sys.executable, "-m", "jupyterlab", "--ip=127.0.0.1", f"--port={given.port}"]
    command += [f"--ServerApp.root_dir={folder.resolve().parent}", f"--LabApp.default_url=/lab/tree/{folder.name}"]
    if given.no_browser:
        command.append("--no-browser")
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--allow-root")  # a container's only user; the address stays this computer's own
    return subprocess.call(command)
