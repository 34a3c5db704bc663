"""Codes of a second factor: RFC 6238 with its usual values (SHA-1, 30 s, six digits), which all apps know."""

from __future__ import annotations

import pyotp

PERIOD_S = 30
DIGITS = 6
ISSUER = "Steadyhead"
DRIFT_STEPS = 1  # one step earlier or later: what RFC 6238, 5.2 recommends at most (from memory)


def new_secret() -> str:
    """A fresh secret of 160 bits in base32, as long as RFC 4226 recommends (from memory)."""
    return pyotp.random_base32(32)


def address(secret: str, name: str) -> str:
    """What an app reads from the picture: an otpauth address."""
    return pyotp.TOTP(secret, digits=DIGITS, interval=PERIOD_S).provisioning_uri(
        name=name, issuer_name=ISSUER
    )


def in_groups(secret: str) -> str:
    """The secret in groups of four, to be typed."""
    return " ".join(secret[i : i + 4] for i in range(0, len(secret), 4))


def step_of(
    secret: str, code: str, now_s: float, used_step: int | None = None, digits: int = DIGITS
) -> int | None:
    """The time step that a code belongs to; None if it is wrong, too old, or of a step that was used already.

    used_step : the last step whose code was taken; RFC 6238, 5.2 has no code taken twice
    """
    code = "".join(code.split())
    if len(code) != digits or not (code.isascii() and code.isdigit()):
        return None
    codes = pyotp.HOTP(secret, digits=digits)
    now_step = int(now_s) // PERIOD_S
    for step in range(now_step - DRIFT_STEPS, now_step + DRIFT_STEPS + 1):
        if (used_step is None or step > used_step) and codes.verify(code, step):
            return step
    return None
