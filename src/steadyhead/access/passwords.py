"""Passwords: what is accepted, argon2id hashes, and a check that takes as long when there is no account."""

from __future__ import annotations

import threading
import unicodedata
from functools import cache

from argon2 import PasswordHasher, Type
from argon2.exceptions import InvalidHashError, VerificationError

from steadyhead.errors import AccessError

LEAST_LENGTH = 12  # OWASP ASVS 4.0.3, 2.1.1 (from memory)
MOST_LENGTH = 128  # ASVS 2.1.2: 64 must be allowed, more than 128 refused; also bounds the work per attempt
# Well above the least that OWASP's password storage cheat sheet asks of argon2id (19 MiB, 2 passes, 1 lane;
# from memory). Some 50 ms on one core: an operator does not notice, a guesser does.
MEMORY_KIB = 64 * 1024
PASSES = 3
LANES = 1

# Long enough to pass and yet among the first that anybody tries. Our own list, no source; it stands in for
# the list of thousands that ASVS 2.1.7 asks for (see docs/security.md).
_TOO_COMMON = frozenset(
    {
        "passwordpassword", "password1234", "password12345", "password123456", "passw0rd1234",
        "123456789012", "1234567890123", "12345678901234", "123456123456", "qwertyuiop12",
        "qwertyuiop123", "qwertyqwerty", "qwerty123456", "1q2w3e4r5t6y", "adminadminadmin",
        "administrator", "administrator1", "letmeinletmein", "welcomewelcome", "welcome12345",
        "iloveyou1234", "changemechangeme", "changeme1234", "abcdefghijkl", "abcd12345678",
        "abc123abc123", "operatoroperator", "operator1234", "engineer1234", "steadyhead123",
        "steadyhead1234", "controlroom1", "controlroom123", "waterworks12", "waterworks123",
    }
)  # fmt: skip
_AT_ONCE = threading.BoundedSemaphore(2)
"""Each hash takes MEMORY_KIB; a flood of sign-ins must not take it forty times over."""


def _hasher() -> PasswordHasher:
    return PasswordHasher(time_cost=PASSES, memory_cost=MEMORY_KIB, parallelism=LANES, type=Type.ID)


def _plain(password: str) -> str:
    """One form for what looks the same on two keyboards."""
    return unicodedata.normalize("NFC", password)


def _is_whole(password: str) -> bool:
    """Whether it can be written as UTF-8; JSON and a terminal may bring halves of characters."""
    return not any("\ud800" <= char <= "\udfff" for char in password)


def check_new(password: str, name: str) -> None:
    """Raise AccessError if a new password is easy to guess or cannot be kept."""
    password = _plain(password)
    if "\x00" in password or not _is_whole(password):
        raise AccessError(
            "the password holds a character that cannot be typed; choose several words in a row"
        )
    if len(password) < LEAST_LENGTH:
        raise AccessError(
            f"the password has {len(password)} characters, wanted {LEAST_LENGTH} or more; "
            "several words in a row are easy to keep in mind"
        )
    if len(password) > MOST_LENGTH:
        raise AccessError(f"the password has {len(password)} characters; {MOST_LENGTH} are the most")
    folded = password.casefold()
    if len(set(folded)) < 5:  # five distinct characters: common practice, no source
        raise AccessError("the password repeats the same few characters; choose several words in a row")
    if folded in _TOO_COMMON:
        raise AccessError("the password is among the first that anybody tries; choose several words in a row")
    if name.casefold() in folded and len(folded) - len(name) < LEAST_LENGTH - 4:
        raise AccessError(
            "the password is little more than the account's name; choose several words in a row"
        )


def hashed(password: str) -> str:
    """Argon2id hash with its salt and its costs, as it is stored."""
    with _AT_ONCE:
        return _hasher().hash(_plain(password))


def is_right(stored: str, password: str) -> bool:
    """Whether the password belongs to the stored hash."""
    if len(password) > MOST_LENGTH or not _is_whole(password):
        return False
    try:
        with _AT_ONCE:
            return _hasher().verify(stored, _plain(password))
    except (VerificationError, InvalidHashError):
        return False


def waste_time(password: str) -> None:
    """Spend what ``is_right`` would, so that the answer's time does not tell whether an account exists."""
    is_right(_of_nobody(), password)


def is_outdated(stored: str) -> bool:
    """Whether a hash was made at other costs than today's, and should be made anew at the next sign-in."""
    return _hasher().check_needs_rehash(stored)


@cache
def _of_nobody() -> str:
    return hashed("a password that nobody has")
