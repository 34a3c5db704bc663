"""Secrets that programs and browsers carry, and what is kept of them.

Only a SHA-256 of a session or token secret is stored. That is enough, and argon2 would not help: the secret
is 256 bits from the system's random source, so there is no list of likely ones to try, and the hash is looked
up on every request. Passwords, which people choose, go through argon2id in ``passwords.py``.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets

SECRET_BYTES = 32
NUMBER_LENGTH = 16  # hex digits of the digest: enough to tell one's own sessions apart, and no secret
TOKEN_PREFIX = "sth_"  # noqa: S105 - lets a person, or a scanner of files, see what a found string is


def new_secret() -> str:
    """A fresh secret of 256 bits, in letters that fit a cookie or a header."""
    return secrets.token_urlsafe(SECRET_BYTES)


def digest(secret: str) -> str:
    """What is stored of a secret: SHA-256 in hex."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def number_of(secret: str) -> str:
    """What names a session among those of its account."""
    return digest(secret)[:NUMBER_LENGTH]


def seal(secret: str, text: str) -> str:
    """What shows that a text, sent back by a form, is the one that this session was given."""
    sealed = b"steadyhead seal " + text.encode("utf-8", "surrogatepass")
    return hmac.new(secret.encode("utf-8", "surrogatepass"), sealed, hashlib.sha256).hexdigest()


def csrf_of(secret: str) -> str:
    """The token that a form of this session must carry.

    It is an HMAC keyed with the session's secret, so a page can show it without showing the secret, it ends
    with the session, and nothing need be stored.
    """
    return hmac.new(secret.encode("utf-8", "surrogatepass"), b"steadyhead csrf", hashlib.sha256).hexdigest()


def same(a: str, b: str) -> bool:
    """Whether two secrets are equal, in a time that does not tell where they differ."""
    return hmac.compare_digest(a.encode("utf-8", "surrogatepass"), b.encode("utf-8", "surrogatepass"))
