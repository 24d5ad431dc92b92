"""Records that last: dossiers of what was filed, in SQLite or PostgreSQL.

An archive holds a dossier for every instrument, gauge and machine. Its entries are only ever added
to, and each carries the hashes of those before it, see `evenfall.records.archive`.
"""

from evenfall.records.archive import Archive, Filing, open_archive

__all__ = ["Archive", "Filing", "open_archive"]
