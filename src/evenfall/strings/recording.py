"""Recordings of plucked strings: WAV files, whole and bounded."""

from __future__ import annotations

import io
import wave
from typing import TYPE_CHECKING

import numpy as np

from evenfall.errors import BrokenFileError, FormatMismatchError, UnsupportedError
from evenfall.files import read_bytes

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

_LIMIT_BYTES = 100_000_000


def read_recording(path: Path) -> tuple[FloatArray, float]:
    """Return a recording, its channels averaged, and its samples per second.

    Parameters
    ----------
    path
        A WAV file of linear samples, 8 to 32 bit, any number of channels.

    Returns
    -------
    Samples as a share of full scale, shape (N,), and the rate [Hz].

    Raises
    ------
    RequestError
        There is no such file, or it cannot be read.
    FormatMismatchError, BrokenFileError, UnsupportedError
        It is no WAV file, it is damaged or cut short, or its samples are coded in another way.
    """
    data = read_bytes(path, limit_bytes=_LIMIT_BYTES)
    if data[:4] != b"RIFF" or data[8:12] != b"WAVE":
        raise FormatMismatchError("This is not a WAV file; check its name.", where=path.name)
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
                where=path.name,
            ) from None
        raise BrokenFileError(
            f"The WAV file is damaged ({error}); record or save it again.", where=path.name
        ) from None
    except (EOFError, ValueError, ZeroDivisionError):
        raise BrokenFileError(
            "The WAV file is cut short; record or save it again.", where=path.name
        ) from None
    if not (1 <= width <= 4 and rate > 0 and channels > 0):
        raise BrokenFileError("The head of the WAV file makes no sense.", where=path.name)
    return _samples(raw, channels, width), float(rate)


def _samples(raw: bytes, channels: int, width: int) -> FloatArray:
    """Return little-endian samples as a share of full scale; one byte is without sign."""
    whole = np.frombuffer(raw[: len(raw) // (width * channels) * (width * channels)], np.uint8)
    wide = np.zeros((len(whole) // width, 4), np.uint8)
    wide[:, 4 - width :] = whole.reshape(-1, width)
    if width == 1:
        wide[:, 3] ^= 0x80
    level = wide.reshape(-1).view("<i4").astype(np.float64) / 2.0**31
    return np.asarray(level.reshape(-1, channels).mean(axis=1))
