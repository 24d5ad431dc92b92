"""Fetch the fonts of the pages when the package is built: by npm, as `package-lock.json` pins them.

Nothing of them is kept in the repository. Where there is no npm, or no connection, the pages use
fonts of the machine. With EVENFALL_NEED_FONTS set, as for a wheel to hand on, that is an error.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

FILES = {
    "source-sans-3.woff2": "@fontsource-variable/source-sans-3/files/"
    "source-sans-3-latin-wght-normal.woff2",
    "source-sans-3-more.woff2": "@fontsource-variable/source-sans-3/files/"
    "source-sans-3-latin-ext-wght-normal.woff2",
    "source-sans-3-LICENSE.txt": "@fontsource-variable/source-sans-3/LICENSE",
    "libertinus-serif.woff2": "@fontsource/libertinus-serif/files/"
    "libertinus-serif-latin-600-normal.woff2",
    "libertinus-serif-LICENSE.txt": "@fontsource/libertinus-serif/LICENSE",
}
"""Each file that the pages use, and where npm puts it."""
PATIENCE_S = 60


class FontsHook(BuildHookInterface):
    """Puts the fonts where the package has its other files for pages."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Fetch what is not there yet; see `hatchling`."""
        root = Path(self.root)
        folder = root / "src" / "evenfall" / "web" / "static" / "fonts"
        if all((folder / name).is_file() for name in FILES):
            return
        reason = fetch(root, folder)
        if reason and os.environ.get("EVENFALL_NEED_FONTS"):
            raise RuntimeError(f"the fonts of the pages could not be fetched: {reason}")
        if reason:
            self.app.display_warning(f"The pages will use fonts of this machine: {reason}")


def fetch(root: Path, folder: Path) -> str:
    """Fetch the fonts into a folder and return why that failed; "" if it did not."""
    npm = shutil.which("npm")
    if npm is None:
        return "there is no npm"
    with tempfile.TemporaryDirectory() as made:
        for name in ("package.json", "package-lock.json"):
            shutil.copy(root / name, made)
        command = [npm, "ci", "--ignore-scripts", "--omit=dev", "--no-audit", "--no-fund"]
        command += ["--prefer-offline", "--fetch-retries=0"]
        try:
            done = subprocess.run(
                command, cwd=made, capture_output=True, text=True, timeout=PATIENCE_S, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            return f"npm did not finish ({type(error).__name__})"
        if done.returncode:
            lines = [line for line in done.stderr.splitlines() if line.strip()]
            return lines[-1] if lines else "npm gave no reason"
        folder.mkdir(parents=True, exist_ok=True)
        for name, place in FILES.items():
            shutil.copyfile(Path(made) / "node_modules" / place, folder / name)
    return ""
