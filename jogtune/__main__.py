"""`jogtune` and `python -m jogtune`: the command line, over within a second of Ctrl-C."""

import os
import signal
import sys
import time

_PATIENCE_S = 0.6  # for what is at work to undo itself
_SIGNALS, _OWNER = (signal.SIGINT, signal.SIGTERM), os.getpid()
_asked: list[int] = []
"""The signal that ends the command; 0 once it is done."""


def _stop(number: int, frame: object) -> None:
    """The first signal raises KeyboardInterrupt, later ones nothing; a process just born of this one waits for its word."""
    if os.getpid() == _OWNER and not _asked:
        _asked.append(number)
        sys.unraisablehook = lambda lost: None
        raise KeyboardInterrupt


def _end(woken: int) -> None:
    """Woken by the signal itself, end the process where the interrupt is lost: an import makes another error of it, a finaliser
    drops it, C code runs on."""
    number = os.read(woken, 1)[0]
    time.sleep(_PATIENCE_S)
    from multiprocessing import active_children

    for process in active_children():
        process.kill()
    os._exit(_told(number))


def _told(number: int, *kept: object) -> int:
    print("stopped; nothing half-written", *kept, sep=": ", file=sys.stderr, flush=True)
    return 128 + number


def _run() -> int:
    """Run the command line; 130 where Ctrl-C ended it, 143 where SIGTERM did. Where its reader has gone, it ends in silence."""
    code, kept = 0, tuple[object, ...]()
    try:
        for number in _SIGNALS:
            signal.signal(number, _stop)
        import threading

        if os.name != "nt":
            woken, bell = os.pipe()
            os.set_blocking(bell, False)
            signal.set_wakeup_fd(bell, warn_on_full_buffer=False)
            threading.Thread(target=_end, args=(woken,), daemon=True).start()
        from .cli.main import main

        try:
            code = main()
        finally:
            print(end="", flush=True)
        _asked.append(0)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # where the rest goes
    except BaseException as stop:
        if not _asked:
            raise
        kept = stop.args[:1] if isinstance(stop, KeyboardInterrupt) else kept
    for number in _SIGNALS:
        signal.signal(number, signal.SIG_IGN)
    return _told(_asked[0], *kept) if any(_asked[:1]) else code


if __name__ == "__main__":
    sys.exit(_run())
