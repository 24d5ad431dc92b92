"""Measurement: one set of readings of one instrument in one state; data only."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import ClassVar, Literal

import numpy as np

from evenfall.arrays import CodeArray, FloatArray
from evenfall.codec import Content, FileContent
from evenfall.codec.forms import (
    NAN,
    choice,
    content_dataclass,
    hash_text,
    number,
    part,
    spoken,
    text,
    truth,
    whole,
)
from evenfall.measurement.heights import DEGREES, HEIGHT, UNCERTAINTY, Heights, Origin
from evenfall.measurement.scanned import Scanned
from evenfall.wording import Sentence, sentence

_CROWN = (0.0, 20.0)


@content_dataclass()
class Direct(Content):
    """A quantity read directly that can also be worked out from heights."""

    quantity: Literal["action", "relief", "crown-top"] = choice(
        ("action", "relief", "crown-top"), "what was read"
    )
    string: int = whole(0, 12, "string; 0 if for all")
    fret: int = whole(1, 36, "fret that it was read at")
    value_mm: float = number(*HEIGHT, "the gap; of a crown top its height over the datum")
    u_mm: float = number(*UNCERTAINTY, "its standard uncertainty")
    degrees_of_freedom: float = number(
        *DEGREES, "of it; null where it is taken as known", null=math.inf, default=math.inf
    )
    checks: bool = truth(
        "whether the heights came from other readings, so that it checks them", default=True
    )


@content_dataclass()
class Measurement(FileContent):
    """One set of readings of one instrument with K strings and F frets."""

    KIND: ClassVar = "measurement"
    VERSION: ClassVar = 1
    AGAIN: ClassVar = sentence("make the measurement again with {door_measure}")
    PRINTED: ClassVar = ("findings",)

    serial: str = text("serial number of the instrument; may be empty")
    model: str = text("name of the specification that it was read against")
    specification_hash: str = hash_text("content hash of that specification")
    source: tuple[str, ...] = text("names of the files read", "*")
    strung: bool = truth("whether the strings were at pitch")
    humidity_percent: float = number(
        0.0, 100.0, "relative humidity of the air as noted; null if not noted", null=NAN
    )
    heights: Heights = part(Heights, "nut, crown tops and saddle over one datum")
    crown_height_mm: FloatArray = number(
        *_CROWN, "height of each crown over the board", "K F", null=NAN
    )
    crown_height_u_mm: FloatArray = number(
        *UNCERTAINTY, "standard uncertainty of it", "K F", null=NAN
    )
    crown_height_origin: CodeArray = whole(
        0, max(Origin), "how it came about, as `origin`", "K F", array=np.int8
    )
    crown_height_degrees_of_freedom: FloatArray = number(
        *DEGREES, "of its uncertainty; null where that is taken as known", "K F", null=math.inf
    )
    direct: tuple[Direct, ...] = part(Direct, "gaps that were read directly", "*", default=())
    routes: tuple[Sentence, ...] = spoken(
        "how the heights were obtained, a sentence each", "*", default=()
    )
    specification_text: str = text(
        "the specification itself (TOML), as its file held it", longest=1_000_000, default=""
    )

    scanned: Scanned | None = part(
        Scanned,
        "what a scan says beyond heights; left out without one",
        null=None,
        later=True,
        default=None,
    )
    temperature_celsius: float = number(
        -50.0,
        100.0,
        "temperature of the air; left out if not noted",
        null=NAN,
        later=True,
        default=NAN,
    )

    def __post_init__(self) -> None:
        FileContent.__post_init__(self)
        if self.scanned is not None and len(self.scanned.fret_place_mm) != self.heights.frets:
            raise ValueError("scanned is of another number of frets")
        if self.crown_height_mm.shape != (self.heights.strings, self.heights.frets):
            raise ValueError("crown heights and heights are of different strings or frets")

    def check(self) -> None:
        """Refuse a crown height without uncertainty, and places that are not on the instrument."""
        if (np.isnan(self.crown_height_u_mm) & np.isfinite(self.crown_height_mm)).any():
            raise ValueError("crown_height_u_mm is missing where the height is given")
        if any(d.string > self.string_count or d.fret > self.fret_count for d in self.direct):
            raise ValueError("direct names a string or fret that is not there")

    @property
    def string_count(self) -> int:
        """Number of strings K."""
        return self.heights.strings

    @property
    def fret_count(self) -> int:
        """Number of frets F."""
        return self.heights.frets

    @property
    def complete(self) -> bool:
        """Whether every height that a plan needs is there."""
        return not self.heights.missing.any() and bool(np.isfinite(self.crown_height_mm).all())

    @property
    def nut_mm(self) -> FloatArray:
        """Floor of each nut slot, shape (K,) [mm]."""
        return self.heights.nut_mm

    @property
    def crown_top_mm(self) -> FloatArray:
        """Crown tops, shape (K, F) [mm]."""
        return self.heights.crown_top_mm

    @property
    def saddle_mm(self) -> FloatArray:
        """Top of the saddle at each string, shape (K,) [mm]."""
        return self.heights.saddle_mm

    def with_heights(
        self, *, crown_top_mm: FloatArray, nut_mm: FloatArray, saddle_mm: FloatArray
    ) -> Measurement:
        """Return the same measurement with its heights moved to these places [mm]."""
        moved = self.heights.at(nut_mm=nut_mm, crown_top_mm=crown_top_mm, saddle_mm=saddle_mm)
        return replace(self, heights=moved)
