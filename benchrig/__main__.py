"""``python -m benchrig``, and the installed command ``benchrig``."""

from __future__ import annotations

import signal


def console_script() -> None:
    # Before anything else is loaded. Until a command sees to signals by itself nothing is open
    # that would have to be left safe, so that Ctrl-C may end the process at once.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    from benchrig.cli import main

    main(prog_name="benchrig")


if __name__ == "__main__":
    console_script()
