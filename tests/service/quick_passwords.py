"""Passwords of tests are hashed in no time."""

from __future__ import annotations

from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

from service import accounts

QUICK = Argon2Hasher(time_cost=1, memory_cost=8, parallelism=1)


def hash_quickly() -> None:
    """Take as little work for a hash as there can be, in this process; some hundred are made and checked."""
    accounts._PASSWORDS = PasswordHash((QUICK,))
