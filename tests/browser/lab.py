"""JupyterLab and Chromium for tests: start, open a notebook, run it, look at it, stop.

Nothing is downloaded: Chromium is the one on the path. The server listens on a free loopback port with its
own token and its own settings folders, and works on a copy of the notebooks, so the tree stays clean.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

REPO = Path(__file__).resolve().parents[2]
COPIED = ("notebooks", "datasets")
CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--force-color-profile=srgb",
]
PRIVATE_FOLDERS = (
    "JUPYTER_CONFIG_DIR",
    "JUPYTER_DATA_DIR",
    "JUPYTER_RUNTIME_DIR",
    "JUPYTERLAB_SETTINGS_DIR",
    "JUPYTERLAB_WORKSPACES_DIR",
    "IPYTHONDIR",
)
SETTINGS: dict[str, dict[str, Any]] = {
    "@jupyterlab/apputils-extension/notification": {"fetchNews": "false", "checkForUpdates": False},
    # Every cell is in the page, so that a picture far down can be looked at.
    "@jupyterlab/notebook-extension/tracker": {"windowingMode": "none"},
}
PATIENCE_S = 300.0  # a ceiling for what is waited for, on the busiest machine; nothing waits for a clock
HELPERS = (Path(__file__).parent / "helpers.js").read_text(encoding="utf-8")


def find_chromium() -> str | None:
    """The path of an installed Chromium, or None."""
    return next((p for p in map(shutil.which, ("chromium", "chromium-browser")) if p), None)


def missing() -> str | None:
    """What the browser tests lack on this computer, in words, or None when all is there."""
    if find_chromium() is None:
        return "no Chromium on the path (Debian: apt-get install chromium)"
    for module in ("playwright", "jupyterlab", "ipywidgets", "anywidget"):
        try:
            __import__(module)
        except ImportError:
            return f"Python package {module} is missing (pip install '.[test]')"
    return None


def free_port() -> int:
    """A loopback port that is free right now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def artefact_folder(fallback: Path) -> Path:
    """The folder for screenshots: JOGTUNE_ARTEFACTS, or else `fallback`."""
    folder = Path(os.environ.get("JOGTUNE_ARTEFACTS") or fallback)
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@dataclass
class LabServer:
    """A private JupyterLab: `start()` it, open `url_of(path)` in a browser, `stop()` it by its process.

    `root` holds the copy of the notebooks; `private` the settings, the kernels' files and the log.
    """

    root: Path
    private: Path
    token: str = field(default_factory=lambda: secrets.token_hex(16))
    process: subprocess.Popen[bytes] | None = None
    base_url: str = ""

    def start(self, patience_s: float = PATIENCE_S) -> LabServer:
        self._lay_out()
        command = [
            sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", "--port=0", "--allow-root",
            "--expose-app-in-browser", f"--IdentityProvider.token={self.token}",
            f"--ServerApp.root_dir={self.root}", "--LabApp.extension_manager=readonly",
        ]  # fmt: skip
        with open(self.private / "server.log", "wb") as log:
            self.process = subprocess.Popen(
                command, env=self._environment(), stdout=log, stderr=log, stdin=subprocess.DEVNULL,
                cwd=self.private, start_new_session=True,
            )  # fmt: skip
        self.base_url = self._await_address(patience_s)
        return self

    def stop(self) -> None:
        """End the server and the kernels it left: politely, then by force."""
        if self.process is None:
            return
        kernels = _children_of(self.process.pid)
        self.process.terminate()
        try:
            self.process.wait(60)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(60)
            for pid in kernels:
                _end(pid)
        self.process = None

    def url_of(self, path: str) -> str:
        """Address of a notebook in a workspace never used before (a used one brings old tabs back)."""
        return f"{self.base_url}lab/workspaces/w{secrets.token_hex(6)}/tree/{path}?token={self.token}"

    def _lay_out(self) -> None:
        for name in COPIED:
            if (REPO / name).is_dir():
                skip = shutil.ignore_patterns(".ipynb_checkpoints", "__pycache__")
                shutil.copytree(REPO / name, self.root / name, dirs_exist_ok=True, ignore=skip)
        for name in PRIVATE_FOLDERS:
            (self.private / name).mkdir(parents=True, exist_ok=True)
        for plugin, content in SETTINGS.items():
            file = self.private / "JUPYTERLAB_SETTINGS_DIR" / f"{plugin}.jupyterlab-settings"
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(json.dumps(content), encoding="utf-8")

    def _environment(self) -> dict[str, str]:
        env = {**os.environ, **{name: str(self.private / name) for name in PRIVATE_FOLDERS}}
        env["PYTHONPATH"] = os.pathsep.join(filter(None, [str(REPO), os.environ.get("PYTHONPATH")]))
        env["PYTHONDONTWRITEBYTECODE"] = "1"
        return env | {"OPENBLAS_NUM_THREADS": "1", "PYDEVD_DISABLE_FILE_VALIDATION": "1"}

    def _await_address(self, patience_s: float) -> str:
        assert self.process is not None
        note = self.private / "JUPYTER_RUNTIME_DIR" / f"jpserver-{self.process.pid}.json"
        end = time.monotonic() + patience_s
        while time.monotonic() < end and self.process.poll() is None:
            try:
                return str(json.loads(note.read_text(encoding="utf-8"))["url"])
            except (OSError, ValueError):
                time.sleep(0.1)
        log = (self.private / "server.log").read_text(encoding="utf-8", errors="replace")
        self.stop()
        raise RuntimeError(f"JupyterLab gave no address within {patience_s:g} s:\n{log[-3000:]}")


def _children_of(pid: int) -> list[int]:
    """Process ids that `pid` started and that still run: its kernels."""
    try:
        return [int(n) for n in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


def _end(pid: int) -> None:
    try:
        os.kill(pid, signal.SIGTERM)
    except OSError:
        return


@dataclass(frozen=True)
class CellReport:
    """What one code cell showed after a run: its prompt, errors, and the start of its source."""

    prompt: str
    errors: tuple[str, ...]
    source: str


def open_notebook(page: Any, lab: LabServer, path: str, patience_s: float = PATIENCE_S) -> None:
    """Show one notebook and wait until its kernel answers; the page is loaded when it is not Lab yet."""
    timeout = patience_s * 1000
    if not page.url.startswith(lab.base_url):
        page.goto(lab.url_of(path), timeout=timeout)
        page.wait_for_function("window.jupyterapp !== undefined", timeout=timeout)
    page.evaluate(HELPERS)
    page.evaluate("path => jogtuneTest.begin('open', jogtuneTest.open(path))", path)
    _await(page, "open", timeout)


def run_all(page: Any, patience_s: float = 2 * PATIENCE_S) -> list[CellReport]:
    """Run every cell of the notebook in front; one report per code cell that has source."""
    page.evaluate("jogtuneTest.begin('run', jogtuneTest.runAll())")
    _await(page, "run", patience_s * 1000)
    return [CellReport(prompt=c["prompt"], errors=tuple(c["errors"]), source=c["source"])
            for c in page.evaluate("jogtuneTest.cells()")]  # fmt: skip


def run_notebook(page: Any, lab: LabServer, path: str, patience_s: float = 2 * PATIENCE_S) -> list[CellReport]:
    """Open a notebook (path below the served folder), run all of it, and report every code cell."""
    open_notebook(page, lab, path)
    return run_all(page, patience_s)


def close_notebook(page: Any) -> None:
    """Shut the kernel of the notebook in front down and close its tab, unsaved."""
    page.evaluate("jogtuneTest.begin('close', jogtuneTest.close())")
    _await(page, "close", PATIENCE_S * 1000)


def _await(page: Any, name: str, timeout: float) -> None:
    """Wait for a promise begun under `name`; a bare evaluate() of a promise has no time limit."""
    page.wait_for_function(f"jogtuneTest.done.{name} !== undefined", timeout=timeout)
    outcome = page.evaluate(f"jogtuneTest.done.{name}")
    if outcome.get("fault"):
        raise RuntimeError(f"{name}: {outcome['fault']}")


def assert_ran_clean(reports: list[CellReport]) -> None:
    """Every code cell has a number in its prompt and shows no error; all that fail are named at once."""
    assert reports, "the notebook holds no code cell"
    bad = [f"[{r.prompt}] {r.source!r}: {'; '.join(r.errors) or 'did not run'}"
           for r in reports if r.errors or not re.fullmatch(r"\[?\d+\]?:?", r.prompt.strip())]  # fmt: skip
    assert not bad, "\n".join(bad)


def panels(page: Any) -> list[int]:
    """Numbers of the outputs (in page order) that hold a picture and a control."""
    return list(page.evaluate("jogtuneTest.panels()"))


def picture_of(page: Any, panel: int, patience_s: float = PATIENCE_S) -> str:
    """A digest of the pixels of all pictures of a panel, taken once two in a row are equal."""
    last, end = "", time.monotonic() + patience_s
    while time.monotonic() < end:
        now = str(page.evaluate("i => jogtuneTest.digest(i)", panel))
        if now and now == last:
            return now
        last = now
        page.wait_for_timeout(150)
    raise AssertionError(f"panel {panel}: its picture was never still for {patience_s:g} s")


def move_first_control(page: Any, panel: int) -> str:
    """Move the first control of a panel as a person would, with the keyboard; returns what was moved."""
    control = page.evaluate_handle("i => jogtuneTest.firstControl(i)", panel).as_element()
    assert control is not None, f"panel {panel} has no control"
    kind = str(control.evaluate("e => jogtuneTest.kindOf(e)"))
    control.scroll_into_view_if_needed()
    if kind == "select":
        options = control.evaluate("e => [e.selectedIndex, e.options.length]")
        control.select_option(index=(options[0] + 1) % options[1])
    elif kind in ("checkbox", "button"):
        control.click()
    else:
        control.focus()
        at_end = control.evaluate("e => e.getAttribute('aria-valuenow') === e.getAttribute('aria-valuemax')")
        for _ in range(3):
            page.keyboard.press("ArrowLeft" if at_end and kind == "slider" else "ArrowRight")
    return kind


def await_change(page: Any, panel: int, before: str, patience_s: float = PATIENCE_S) -> None:
    """Wait until the pictures of a panel differ from the digest `before`."""
    end = time.monotonic() + patience_s
    while page.evaluate("i => jogtuneTest.digest(i)", panel) == before:
        assert time.monotonic() < end, f"panel {panel}: the picture did not change within {patience_s:g} s"
        page.wait_for_timeout(50)
