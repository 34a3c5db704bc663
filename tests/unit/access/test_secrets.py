"""Secrets of sessions and tokens."""

import hashlib

from steadyhead.access.secrets import csrf_of, digest, new_secret, same


def test_a_secret_has_256_bits_and_none_comes_twice():
    made = {new_secret() for _ in range(200)}
    assert len(made) == 200
    assert all(len(secret) >= 43 for secret in made)  # 256 bits in base64: 43 letters


def test_the_digest_is_sha_256():
    # Independent: the standard library's hash of the same text.
    assert digest("abc") == hashlib.sha256(b"abc").hexdigest()


def test_the_csrf_token_follows_the_session_and_does_not_show_it():
    assert csrf_of("one") == csrf_of("one") != csrf_of("two")
    assert "one" not in csrf_of("one")
    assert csrf_of("one") != digest("one")  # what the database holds must not be of use as a token


def test_text_that_no_browser_sends_breaks_nothing():
    assert not same("\udcff", "x")
    assert len(digest("\udcff")) == 64
