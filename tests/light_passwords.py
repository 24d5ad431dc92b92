"""Passwords hashed with little memory: a hundred tests log in, and a true hash is made to be dear.

What is read back names its own cost, so that log-ins are checked as ever.
"""

from __future__ import annotations

import secrets

from cryptography.hazmat.primitives.kdf.argon2 import Argon2id

from evenfall.records import accounts

hashed_in_earnest = accounts._hashed


def hashed_lightly(password: str) -> str:
    """Return the hash of a password, made at the least cost that the algorithm allows."""
    made = Argon2id(salt=secrets.token_bytes(16), length=32, iterations=1, lanes=1, memory_cost=8)
    return made.derive_phc_encoded(accounts._prepared(password))
