"""Heights of one instrument with their uncertainty, and the measurement that holds them."""

from evenfall.measurement.heights import Heights, Origin, Shared
from evenfall.measurement.measurement import Direct, Measurement

__all__ = ["Direct", "Heights", "Measurement", "Origin", "Shared"]
