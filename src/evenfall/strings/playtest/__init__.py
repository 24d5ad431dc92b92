"""The play test: the motion of every stopped string over its frets, heard and judged.

`play` follows every position under several attacks and says which notes are clean, touch or
rattle; `sound` lets one of them be heard.
"""

from evenfall.strings.playtest.playing import play
from evenfall.strings.playtest.result import Attack, Direction, PlayTest, Settings

__all__ = ["Attack", "Direction", "PlayTest", "Settings", "play"]
