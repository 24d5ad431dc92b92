"""Strings: tension, motion and its excursion, rest clearance, pitch, play test."""
