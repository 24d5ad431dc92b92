"""Strings: tension, motion and its envelope, rest clearance, pitch, play test."""
