"""Each drawing once, for web, PDF and file: data in, SVG text out."""

from evenfall.pictures.board_map import board_map
from evenfall.pictures.crown_views import crown_lines, crown_section
from evenfall.pictures.frame import frame_drawing
from evenfall.pictures.fret_map import removal_map, touch_force_map
from evenfall.pictures.neck import neck_curve
from evenfall.pictures.neck_forecast import neck_forecast
from evenfall.pictures.pitch import pitch_map
from evenfall.pictures.play import play_map
from evenfall.pictures.scans import scan_drawings
from evenfall.pictures.side_view import string_side_view
from evenfall.pictures.trade_off import trade_off_chart
from evenfall.pictures.verdicts import VerdictRow, verdict_strip

__all__ = [
    "VerdictRow",
    "board_map",
    "crown_lines",
    "crown_section",
    "frame_drawing",
    "neck_curve",
    "neck_forecast",
    "pitch_map",
    "play_map",
    "removal_map",
    "scan_drawings",
    "string_side_view",
    "touch_force_map",
    "trade_off_chart",
    "verdict_strip",
]
