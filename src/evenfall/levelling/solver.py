"""The optimiser, quiet: nothing but the program's own answers may reach standard output."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import highspy

if TYPE_CHECKING:
    from collections.abc import Callable


class QuietHighs(highspy.Highs):
    """HiGHS with its banner and log off from the start.

    The class's own constructor prints a banner before any option can be set (highspy 1.16), and
    that would break the JSON that other programs read; so the option is set in between.
    """

    def __init__(self) -> None:
        super(highspy.Highs, self).__init__()
        self.setOptionValue("output_flag", False)

    def run_watched(self, watch: Callable[[], None]) -> None:
        """Run an integer program; what `watch` raises while it runs stops it, and is raised."""
        raised: list[BaseException] = []

        def look(_kind: Any, _message: str, _out: Any, answer: Any, _data: Any) -> None:
            try:
                watch()
            except BaseException as error:  # nothing may pass through the optimiser
                raised.append(error)
                answer.user_interrupt = True

        self.setCallback(look, None)
        self.startCallback(highspy.cb.HighsCallbackType.kCallbackMipInterrupt)
        self.run()
        if raised:
            raise raised[0]
