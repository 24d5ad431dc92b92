"""What a scan says of a neck beyond its heights: places and sections of the frets, the board."""

from __future__ import annotations

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.codec import Content
from evenfall.codec.forms import NAN, content_dataclass, number, part, truth
from evenfall.errors import At, Finding
from evenfall.instrument.geometry import SEMITONE
from evenfall.wording import Sentence, sentence

_OFF, _LENGTH, _U = (-100.0, 100.0), (0.0, 5000.0), (0.0, 1000.0)

AT_NUT_MM = 10.0
"""What is told of a board so near the nut is told of it at the nut."""


@content_dataclass()
class StringsScanned(Content):
    """The open strings over the crowns, and nut and saddle, as far as a scan shows them."""

    action_mm: FloatArray = number(
        -100.0,
        100.0,
        "gap between each string and each crown; null where not seen",
        "K F",
        null=NAN,
    )
    action_u_mm: FloatArray = number(*_U, "standard uncertainty of it", "K F", null=NAN)
    string_nut_mm: FloatArray = number(
        *_OFF,
        "place of each string at the nut from the centre line, towards the treble",
        "K",
        null=NAN,
    )
    string_last_mm: FloatArray = number(*_OFF, "the same over the last fret", "K", null=NAN)
    string_u_mm: FloatArray = number(*_U, "of either", "K", null=NAN)
    slot_width_mm: FloatArray = number(
        0.0, 100.0, "width of each nut slot at its upper edge", "K", null=NAN
    )
    slot_width_u_mm: FloatArray = number(*_U, "of it", "K", null=NAN)
    nut_place_mm: float = number(
        *_OFF,
        "how far the nut's edge stands from the start of the scale, towards the bridge",
        null=NAN,
    )
    nut_place_u_mm: float = number(*_U, "of it", null=NAN)
    saddle_place_mm: FloatArray = number(
        *_OFF, "how far the saddle's top stands from its place, away from the nut", "K", null=NAN
    )
    saddle_place_u_mm: FloatArray = number(*_U, "of it", "K", null=NAN)


@content_dataclass()
class Scanned(Content):
    """Places and sections of F frets and the shape of the board, each with standard uncertainty."""

    scale_mm: float = number(
        *_LENGTH, "scale that the frets fit; fanned, the mean of both sides", null=NAN
    )
    scale_u_mm: float = number(*_U, "of it", null=NAN)
    numbering_open: bool = truth("whether the scan leaves open which fret is the first")
    fret_place_mm: FloatArray = number(
        *_OFF,
        "how far each fret stands from its place on that scale, towards the bridge",
        "F",
        null=NAN,
    )
    fret_place_u_mm: FloatArray = number(*_U, "of it", "F", null=NAN)
    crown_radius_mm: FloatArray = number(
        0.0, 100.0, "radius of each crown; null where not round", "F", null=NAN
    )
    crown_radius_u_mm: FloatArray = number(*_U, "of it", "F", null=NAN)
    crown_width_mm: FloatArray = number(
        0.0, 100.0, "width of each crown at the board", "F", null=NAN
    )
    crown_width_u_mm: FloatArray = number(*_U, "of it", "F", null=NAN)
    fret_end_bass_mm: FloatArray = number(
        *_OFF, "how far each fret reaches past the board's edge; negative within", "F", null=NAN
    )
    fret_end_treble_mm: FloatArray = number(*_OFF, "the same on the treble side", "F", null=NAN)
    fret_end_u_mm: FloatArray = number(*_U, "of either", "F", null=NAN)
    board_place_mm: FloatArray = number(-100.0, 5000.0, "places along the neck, from the nut", "*")
    board_radius_mm: FloatArray = number(
        0.0, 1e9, "radius across the board there; null where flat", "*", null=np.inf
    )
    board_radius_u_mm: FloatArray = number(0.0, 1e9, "of it; null where flat", "*", null=np.inf)
    board_flatness_mm: float = number(
        *_LENGTH, "most that a square centimetre stands off the board's arch and bow", null=NAN
    )
    board_flatness_u_mm: float = number(*_U, "of it", null=NAN)
    board_bow_mm: float = number(
        *_OFF, "how deep the board's middle lies under the line from fret 1 to the last", null=NAN
    )
    board_bow_u_mm: float = number(*_U, "of it", null=NAN)
    board_twist_rad: float = number(
        -1.0, 1.0, "turn of the board [rad] from fret 1 to the last, treble side up", null=NAN
    )
    board_twist_u_rad: float = number(0.0, 10.0, "of it [rad]", null=NAN)
    board_width_nut_mm: float = number(*_LENGTH, "width at the nut", null=NAN)
    board_width_last_mm: float = number(*_LENGTH, "width at the last fret", null=NAN)
    board_width_u_mm: float = number(*_U, "of either", null=NAN)
    strings: StringsScanned | None = part(
        StringsScanned,
        "strings, nut and saddle; null where the scan shows none",
        null=None,
        default=None,
    )

    def __post_init__(self) -> None:
        Content.__post_init__(self)
        sizes = {
            len(self.board_place_mm), len(self.board_radius_mm), len(self.board_radius_u_mm)
        }  # fmt: skip
        if len(sizes) > 1:
            raise ValueError("places and radii of the board are of different number")

    @property
    def cents_off(self) -> FloatArray:
        """How sharp each fret plays for standing off its place, in cents, shape (F,)."""
        numbers = np.arange(1, len(self.fret_place_mm) + 1)
        left = self.scale_mm / 2.0 ** (numbers / 12.0)
        return np.asarray(1200.0 * np.log2(left / (left - self.fret_place_mm)))

    @property
    def said(self) -> tuple[Sentence, ...]:
        """Scale, arch, bow, twist, flatness and width of the board, a sentence each."""
        told = []
        if np.isfinite(self.scale_mm):
            told.append(
                sentence(
                    "The frets fit a scale of {scale:length} (± {u:uncertainty}).",
                    scale=self.scale_mm,
                    u=2.0 * self.scale_u_mm,
                )
            )
        if len(self.board_radius_mm):
            first, last = float(self.board_radius_mm[0]), float(self.board_radius_mm[-1])
            start, end = float(self.board_place_mm[0]), float(self.board_place_mm[-1])
            if np.isinf(self.board_radius_mm).all():
                text = "The board is flat across."
            elif start < AT_NUT_MM:
                text = (
                    "The board's radius runs from {first} at the nut to {last} at {end:size} "
                    "from it."
                )
            else:
                text = (
                    "The board's radius runs from {first} at {start:size} from the nut to "
                    "{last} at {end:size}."
                )
            told.append(
                sentence(
                    text,
                    first=_radius(first),
                    last=_radius(last),
                    start=start,
                    end=end,
                )
            )
        if np.isfinite(self.board_bow_mm):
            told.append(
                sentence(
                    "Between the first fret and the last the board's middle lies {bow:length} "
                    "{side} its ends (± {bow_u:uncertainty}); it turns by {twist:.2f}° (± "
                    "{twist_u:.2f}°), and stands off its own arch and bow by at most {off:length}.",
                    bow=abs(self.board_bow_mm),
                    side="under" if self.board_bow_mm >= 0.0 else "over",
                    bow_u=2.0 * self.board_bow_u_mm,
                    twist=np.degrees(self.board_twist_rad),
                    twist_u=np.degrees(2.0 * self.board_twist_u_rad),
                    off=self.board_flatness_mm,
                )
            )
        if np.isfinite(self.board_width_nut_mm):
            told.append(
                sentence(
                    "The board is {nut:size} wide at the nut and {last:size} at the last fret (± "
                    "{u:uncertainty}).",
                    nut=self.board_width_nut_mm,
                    last=self.board_width_last_mm,
                    u=2.0 * self.board_width_u_mm,
                )
            )
        return tuple(told)


def _radius(radius_mm: float) -> Sentence:
    if np.isinf(radius_mm):
        return sentence("flat")
    return sentence("{radius:size}", radius=radius_mm)


def unsettled_numbers(scale_mm: float) -> Finding:
    """Return that frets which fit this scale may each have the number before or after."""
    return Finding(
        "numbering",
        "The scan does not show which fret is the first: the frets fit a scale of {scale:size} as "
        "they are numbered, {short:size} if each has the number before, {long:size} if each has "
        "the next one. Scan the nut as well, or measure from the nut to fret 12: {half:size} if "
        "the numbers are right.",
        At(frets=(1,)),
        "warning",
        scale=scale_mm,
        short=scale_mm / SEMITONE,
        long=scale_mm * SEMITONE,
        half=0.5 * scale_mm,
    )
