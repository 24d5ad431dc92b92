"""Setup of fretted instruments, from readings to proof."""

__version__ = "0.1.0"
