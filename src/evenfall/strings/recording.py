"""Recordings of plucked strings: WAV files."""

from __future__ import annotations

import io
import wave

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.errors import At, BrokenFileError, FormatMismatchError, UnsupportedError

LIMIT_BYTES = 100_000_000
"""A recording of one pluck is far smaller than this."""
MOST_SAMPLES = 6_000_000
"""Two minutes at 48,000 samples per second; a pluck needs a few seconds."""


def read_recording(data: bytes, name: str) -> tuple[FloatArray, float]:
    """Return a recording, (N,) as a share of full scale, and its samples per second.

    A WAV file of linear samples, 8 to 32 bit, any number of channels, which are averaged.
    """
    at = At(file=name)
    if data[:4] != b"RIFF" or data[8:12] != b"WAVE":
        raise FormatMismatchError("This is not a WAV file; check its name.", at=at)
    try:
        with wave.open(io.BytesIO(data)) as stream:
            channels, width, rate = (
                stream.getnchannels(),
                stream.getsampwidth(),
                stream.getframerate(),
            )
            raw = stream.readframes(stream.getnframes())
    except wave.Error as error:
        if "unknown" in str(error):
            raise UnsupportedError(
                "The samples of this WAV file are not plain whole numbers; save it as 16 or 24 bit "
                "PCM.",
                at=at,
            ) from None
        raise _damaged(at) from None
    except (EOFError, RuntimeError, ValueError, ZeroDivisionError):
        raise BrokenFileError(
            "The WAV file is cut short; record or save it again.", at=at
        ) from None
    if not (1 <= width <= 4 and rate > 0 and channels > 0):
        raise _damaged(at)
    count = len(raw) // (width * channels)
    if count > MOST_SAMPLES:
        raise UnsupportedError(
            "The recording is {long:.0f} s long, and one pluck needs a few seconds; cut it to less "
            "than {most:.0f} s.",
            at=at,
            long=count / rate,
            most=MOST_SAMPLES / rate,
        )
    return _samples(raw, channels, width), float(rate)


def _damaged(at: At) -> BrokenFileError:
    return BrokenFileError("The WAV header is damaged; record or save it again.", at=at)


def _samples(raw: bytes, channels: int, width: int) -> FloatArray:
    """Return little-endian samples as a share of full scale; one byte is without sign."""
    whole = np.frombuffer(raw[: len(raw) // (width * channels) * (width * channels)], np.uint8)
    wide = np.zeros((len(whole) // width, 4), np.uint8)
    wide[:, 4 - width :] = whole.reshape(-1, width)
    if width == 1:
        wide[:, 3] ^= 0x80
    level = wide.reshape(-1).view("<i4").astype(np.float64) / 2.0**31
    return np.asarray(level.reshape(-1, channels).mean(axis=1))
