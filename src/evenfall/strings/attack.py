"""How hard a player plucks: what the sound of an open string tells, and published values.

**From sound.** A recording has no scale of amplitude: microphone, pickup, amplifier and distance
are in it. But a string plucked further aside is longer, tighter and starts sharper, and falls to
its pitch as it dies away; that glide is in the sound whatever its loudness. By Kirchhoff's and
Carrier's string the tension of a planar motion u = sum a_m cos(w_m t) sin(m pi x / L) is::

    T(t) = T0 [1 + (k / 2 L) integral (du/dx)^2 dx],    k = E A / T0

so partial n is sharp by, averaged over the fast motion::

    df_n / f_n = (k pi^2 / 16 L^2) [sum_m m^2 a_m(t)^2 + n^2 a_n(t)^2 / 2]

For a string let go from a triangle of height h at distance p, a_m(0) = h s_m with s_m known, and
how each partial dies away is measured from the same sound, so h^2 is the one unknown left: the
slope of a straight line through frequency over the bracket. At release the sum alone makes the
first partial sharp by k h^2 / (8 p (L - p)).

What the sound cannot tell: the direction of the pluck, so the part normal to the board (the
displacement found is the whole one), and the place of the pluck, which has to be given. A motion
that does not stay in one plane glides by up to a third less, and the estimate is then up to a
fifth too small. Tuners that slip, and bodies that pull single partials, show as disagreement
between the partials and enter the uncertainty.

**Published values** stand in `PUBLISHED`, each with its source.

References
----------
.. [1] G. F. Carrier, Q. Appl. Math. 3 (1945) 157-165 (from memory); the average over the fast
   motion derived here and tested against the equations integrated in time.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, log2, nan, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray, IntArray
from evenfall.errors import At, RequestError
from evenfall.strings.modes import PluckedString, pluck_compliance_mm_per_n

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.instrument.specification import InstrumentString

    Signal = FloatArray  # of any scale

_PARTIALS = 12  # followed, as far as they are heard
_SUMMED = 200  # that carry the shape at release
_FITTED = 6  # whose frequency enters the fit
_WINDOW_S = 0.08  # of the running frequency, at least six periods
_HOP_S = 0.01
_SETTLE_S = 0.02  # after which the pluck itself is no longer heard
_FOLLOWED_S = 1.5
_HEARD_SHARE = 0.45  # of the rate, below which a recording holds a tone
_FLAT_SAMPLES, _FLAT_PEAKS = 3, 10  # so many alike in a row, so often: peaks cut flat
_AUDIBLE = 1e-3  # of the loudest partial
_AT = At(field="recording")
_MODEL_SHARE = 0.03  # what the average over the fast motion and the laws of decay may miss


@dataclass(frozen=True, slots=True)
class PublishedAttack:
    """How hard players pluck, by a published source."""

    name: str  # how it is plucked
    # least and greatest force in the direction of the pluck [N]; None if given otherwise
    force_n: tuple[float, float] | None
    displacement_mm: float  # displacement at the pluck [mm]; NaN if given otherwise
    source: str  # where it was published, and whether that was read

    def per_string_n(self, specification: Specification) -> tuple[float, ...]:
        """Return the force on each open string [N]: the middle of the range, or what bends it."""
        if self.force_n is not None:
            return (sqrt(self.force_n[0] * self.force_n[1]),) * specification.string_count
        return tuple(
            self.displacement_mm
            / _compliance_mm_per_n(
                string,
                specification.player.pluck_distance_mm,
                specification.player.pluck_width_mm,
            )
            for string in specification.strings
        )


#: Forces are whole ones, in whatever direction; most of a stroke goes along the board.
PUBLISHED = (
    PublishedAttack(
        "finger",
        (0.5, 3.0),
        nan,
        "J. Woodhouse, Acta Acust. 90 (2004) 928-944 and 945-965: plucks of guitar strings, "
        "1 to 5 mm (range from memory)",
    ),
    PublishedAttack(
        "pick, light",
        (1.0, 1.0),
        nan,
        "least pluck of a published guitar model after S. Bilbao and A. Torin, J. Audio Eng. "
        "Soc. 63 (2015) 336-347 (its script read)",
    ),
    PublishedAttack(
        "pick, hard",
        None,
        2.0,
        "M. Zollner and T. Zwicker, Physics of the Electric Guitar, section 1.5 (2020): typical "
        "displacement 2 mm, 6 to 10 cm from the bridge, 1000 to 2000 N/m, 2 to 4 mJ, hardly more "
        "for want of room over the board (read)",
    ),
)


@dataclass(frozen=True, slots=True)
class AttackEstimate:
    """What the sound of one plucked open string tells about the pluck."""

    # displacement at the pluck in its own direction, and standard uncertainty [mm]; NaN if the
    # glide is lost in the noise
    displacement_mm: float
    u_displacement_mm: float
    # displacement that would have been noticed for certain (two standard uncertainties) [mm]
    most_displacement_mm: float
    force_n: float  # force of the pluck in its own direction [N]; NaN like the displacement
    pitch_hz: float  # pitch that the string falls to [Hz]
    glide_cents: float  # how sharp the first partial was at release by the estimate [cent]
    partials_count: int  # how many partials were followed


def attack_from_sound(
    samples: Signal,
    rate_hz: float,
    string: InstrumentString,
    *,
    pluck_distance_mm: float,
    pluck_width_mm: float = 2.0,
) -> AttackEstimate:
    """Estimate how far an open string was pulled aside, from a recording of one pluck.

    Samples (N,) of any scale, at least half a second of one open string; the pluck is so far from
    the saddle. The uncertainty holds that of the fit and of the model (3 %, the largest error found
    against the equations integrated in time), to which the uncertainty of the string's stiffness
    E A adds half its relative value.
    """
    length = string.speaking_length_mm
    if not 0.0 < pluck_distance_mm < length:
        raise RequestError(
            "The pluck must lie between the saddle and the nut, at less than {length:length} from "
            "the saddle, not at {pluck:length}.",
            length=length,
            pluck=pluck_distance_mm,
        )
    if string.frequency_hz * 2.0 ** (1 / 8) > _HEARD_SHARE * rate_hz:
        raise RequestError(
            "{rate:g} samples per second are too few for a string at {pitch:.1f} Hz; record with "
            "44100 or more.",
            rate=rate_hz,
            pitch=string.frequency_hz,
            at=_AT,
        )
    sound = _prepared(np.asarray(samples, dtype=np.float64), rate_hz)
    pitch = _pitch_hz(sound, rate_hz, string.frequency_hz)
    time, order, amplitude, frequency = _followed(sound, rate_hz, pitch, string.inharmonicity)

    # How each partial dies away: a straight line through the logarithm of its first part; for
    # those too weak to follow, a constant and a square law through the others.
    early = time < max(0.3 * time[-1], 0.4)
    decay = np.array([-np.polyfit(time[early], np.log(a[early]), 1)[0] for a in amplitude])
    every = np.arange(1, _SUMMED + 1)
    law = np.polyfit(order**2, decay, 1) if len(order) > 2 else np.array([0.0, decay[0]])
    dying = np.maximum(np.polyval(np.maximum(law, 0.0), every**2), 0.0)
    dying[order - 1] = np.maximum(decay, 0.0)
    shape = (2.0 * length**2 / (pi**2 * pluck_distance_mm * (length - pluck_distance_mm))) * (
        np.sin(every * (pi * pluck_distance_mm / length)) / every**2
    )
    left = np.exp(-np.outer(dying, time)) * shape[:, None]
    whole = np.sum((every[:, None] * left) ** 2, axis=0)
    core_mm2 = pi * string.core_mm**2 / 4.0
    stretch = string.modulus_n_per_mm2 * core_mm2 / string.tension_n
    unit = stretch * pi**2 / (16.0 * length**2)
    squared, u_squared, lowest = _fit(
        frequency, unit * (whole + 0.5 * (order[:, None] * left[order - 1]) ** 2), amplitude
    )
    most = (1.0 + 2.0 * _MODEL_SHARE) * sqrt(max(squared, 0.0) + 2.0 * u_squared)
    found = squared > 2.0 * u_squared
    height = sqrt(squared) if found else nan
    start = unit * (float(np.sum((every * shape) ** 2)) + 0.5 * float(shape[0]) ** 2)
    return AttackEstimate(
        displacement_mm=height,
        u_displacement_mm=(
            hypot(u_squared / (2.0 * height), _MODEL_SHARE * height) if found else nan
        ),
        most_displacement_mm=most,
        force_n=height / _compliance_mm_per_n(string, pluck_distance_mm, pluck_width_mm),
        pitch_hz=lowest,
        glide_cents=1200.0 * log2(1.0 + start * max(squared, 0.0)),
        partials_count=len(order),
    )


def _compliance_mm_per_n(
    string: InstrumentString, pluck_distance_mm: float, pluck_width_mm: float
) -> float:
    """Return the displacement of the open string at the pluck per newton [mm/N]."""
    return pluck_compliance_mm_per_n(
        PluckedString.of(
            string,
            length_mm=string.speaking_length_mm,
            pluck_distance_mm=pluck_distance_mm,
            pluck_width_mm=pluck_width_mm,
        )
    )


def _prepared(samples: FloatArray, rate_hz: float) -> FloatArray:
    """Return the sound from shortly after the pluck on."""
    if samples.ndim != 1 or not np.isfinite(samples).all() or not np.any(samples):
        raise RequestError("The recording is silent, broken or not of one channel.", at=_AT)
    if _cut_flat(samples):
        raise RequestError(
            "The recording was too loud for the recorder, which cut its peaks flat; record again "
            "with less gain.",
            at=_AT,
        )
    block = max(1, round(0.005 * rate_hz))
    level = np.add.reduceat(samples**2, np.arange(0, len(samples), block))
    first = (int(np.argmax(level > 0.5 * level.max())) + 1) * block + round(_SETTLE_S * rate_hz)
    sound = samples[first:]
    if len(sound) < 0.5 * rate_hz:
        raise RequestError(
            "Only {left:.2f} s of the recording follow the pluck; at least half a second is "
            "needed.",
            left=len(sound) / rate_hz,
            at=_AT,
        )
    return sound[: round(_FOLLOWED_S * rate_hz)]


def _cut_flat(samples: FloatArray) -> bool:
    """Whether many peaks stand at one and the same highest or lowest value.

    A plucked string dies away, so its largest value comes once, or a few times in coarse samples.
    """
    for side in (samples, -samples):
        at_most = np.concatenate([[False], side == side.max(), [False]])
        first, after = np.flatnonzero(np.diff(at_most)).reshape(-1, 2).T
        if side.max() > 0.0 and int((after - first >= _FLAT_SAMPLES).sum()) >= _FLAT_PEAKS:
            return True
    return False


def _pitch_hz(sound: FloatArray, rate_hz: float, expected_hz: float) -> float:
    """Return the first partial, looked for within a tone and a half of the string's pitch."""
    window = np.hanning(len(sound))
    size = 4 << (len(sound) - 1).bit_length()
    level = np.abs(np.fft.rfft(sound * window, size))
    step = rate_hz / size
    low, high = int(expected_hz * 2 ** (-1 / 8) / step), int(expected_hz * 2 ** (1 / 8) / step) + 2
    best = low + int(level[low:high].argmax())
    if best in (low, high - 1) or level[best] < _AUDIBLE * level.max():
        raise RequestError(
            "No tone near {pitch:.1f} Hz is in the recording; is it of this string?",
            pitch=expected_hz,
            at=_AT,
        )
    return best * step


def _followed(
    sound: FloatArray, rate_hz: float, pitch_hz: float, inharmonicity: float
) -> tuple[FloatArray, IntArray, FloatArray, FloatArray]:
    """Return time [s] since release (T,), orders (J,), amplitudes and frequencies [Hz] (J, T)."""
    span = max(_WINDOW_S, 6.0 / pitch_hz)
    size = round(span * rate_hz)
    window = np.blackman(size)
    starts = np.arange(0, len(sound) - 2 * size, round(_HOP_S * rate_hz))
    local = np.arange(size) / rate_hz
    half = size // 2
    amplitude, frequency = [], []
    for order in range(1, _PARTIALS + 1):
        guess = order * pitch_hz * sqrt((1.0 + inharmonicity * order**2) / (1.0 + inharmonicity))
        if guess > _HEARD_SHARE * rate_hz:
            break
        kernel = window * np.exp(-2j * pi * guess * local)
        first = np.array([kernel @ sound[s : s + size] for s in starts])
        second = np.array([kernel @ sound[s + half : s + half + size] for s in starts])
        turn = second * np.conj(first) * np.exp(-2j * pi * guess * half / rate_hz)
        amplitude.append(0.5 * (np.abs(first) + np.abs(second)))
        frequency.append(guess + np.angle(turn) * rate_hz / (2.0 * pi * half))
    levels: FloatArray = np.array(amplitude, dtype=np.float64)
    tones: FloatArray = np.array(frequency, dtype=np.float64)
    heard = np.flatnonzero(levels.min(axis=1) > _AUDIBLE * levels[:, 0].max())
    if not len(heard) or heard[0] != 0:
        raise RequestError("The first partial dies away at once; is the string damped?", at=_AT)
    middle = np.asarray((starts + 0.75 * size) / rate_hz + _SETTLE_S, dtype=np.float64)
    return middle, (heard + 1).astype(np.int64), levels[heard], tones[heard]


def _fit(
    frequency_hz: FloatArray, bracket: FloatArray, amplitude: FloatArray
) -> tuple[float, float, float]:
    """Return h^2, its standard uncertainty, and the final pitch.

    One straight line per partial, frequency = f (1 + h^2 bracket); the slopes are averaged with
    weights by their own scatter, and the uncertainty is the larger of that and of the spread
    between the partials (external and internal consistency, R. T. Birge, Phys. Rev. 40 (1932)
    207; from memory).
    """
    slopes, variances, lowest = [], [], nan
    independent = max(4.0, frequency_hz.shape[1] * _HOP_S / _WINDOW_S)
    for n in range(min(_FITTED, len(frequency_hz))):
        weight = amplitude[n] / amplitude[n].max()
        x, y = bracket[n], frequency_hz[n]
        x0, y0 = np.average(x, weights=weight), np.average(y, weights=weight)
        spread = float(np.sum(weight * (x - x0) ** 2))
        slope = float(np.sum(weight * (x - x0) * (y - y0))) / spread
        settled = y0 - slope * x0
        misfit = y - settled - slope * x
        scatter = float(np.sum(weight * misfit**2) / np.sum(weight))
        slopes.append(slope / settled)
        variances.append(scatter / settled**2 / spread * len(y) / independent + 1e-30)
        if n == 0:
            lowest = float(settled)
    weights = 1.0 / np.array(variances)
    squared = float(np.sum(weights * slopes) / np.sum(weights))
    internal = 1.0 / float(np.sum(weights))
    external = 0.0
    if len(slopes) > 1:
        chi = float(np.sum(weights * (np.array(slopes) - squared) ** 2)) / (len(slopes) - 1)
        external = internal * chi
    return squared, sqrt(max(internal, external)), lowest
