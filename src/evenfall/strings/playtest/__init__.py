"""The play test: the motion of every stopped string over its frets, heard and judged.

`play` follows every string at every fret under several attacks and finds which notes are clean,
touch or rattle; `sound` lets one of them be heard.

Examples
--------
>>> firm = Attack("firm", (0.4,) * 6)
>>> firm.name, Settings().rattle_share
('firm', 0.01)
>>> [field for field in PlayTest.__dataclass_fields__ if field.endswith("_s")][:2]
['duration_s', 'first_contact_s']
"""

from evenfall.strings.playtest.play_test import Attack, Direction, PlayTest, Settings
from evenfall.strings.playtest.whole_neck import play

__all__ = ["Attack", "Direction", "PlayTest", "Settings", "play"]
