"""The optimiser, quiet: nothing but the program's own answers may reach standard output."""

from __future__ import annotations

import highspy


class QuietHighs(highspy.Highs):
    """HiGHS with its banner and log off from the start.

    The class's own constructor prints a banner before any option can be set (highspy 1.16), and
    that would break the JSON that other programs read; so the option is set in between.
    """

    def __init__(self) -> None:
        super(highspy.Highs, self).__init__()
        self.setOptionValue("output_flag", False)
