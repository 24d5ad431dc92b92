"""Opening a page or a picture for the person at this machine."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import webbrowser


def show(place: str) -> bool:
    """Open an address or a file as this machine does it; say whether there is anything to do so.

    Without a screen nothing is tried: a browser for text would take the terminal.
    """
    if sys.platform != "linux":
        return webbrowser.open(place)
    opener = shutil.which("xdg-open")
    if opener is None or not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        return False
    quiet = subprocess.DEVNULL  # what a desktop without a browser says helps nobody
    made = subprocess.Popen(  # noqa: S603 (no shell, and the place is ours)
        [opener, place], stdin=quiet, stdout=quiet, stderr=quiet, start_new_session=True
    )
    try:
        return made.wait(_LONGEST_S) == 0
    except subprocess.TimeoutExpired:  # the browser itself was started, and goes on
        return True


_LONGEST_S = 3.0
