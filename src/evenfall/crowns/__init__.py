"""Dense surfaces: where the frets of a scan are, and how high each crown stands."""
