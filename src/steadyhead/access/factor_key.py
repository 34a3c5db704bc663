"""The key under which the keys of second factors are sealed, in a file of its own.

Codes cannot be checked against a hash, so what makes them has to be kept in a form that can be opened. It is
sealed with AES-256-GCM (NIST SP 800-38D), bound to the name of its account: who reads or copies the database
alone has nothing, and what is moved to another account does not open there.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import logging
import os
import secrets
import stat
from contextlib import suppress
from pathlib import Path

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from steadyhead.errors import FactorKeyError

log = logging.getLogger(__name__)
FILE_NAME = "second_factor.key"
KEY_BYTES = 32
NONCE_BYTES = 12  # SP 800-38D, 5.2.1.1 recommends 96 bits; drawn anew each time, far below its 2^32 a key
MARK = "aesgcm1."  # base32 has no dot, so what is in clear cannot be taken for sealed
ID_LENGTH = 8
RESET = (
    "put the file back from a backup, or have an administrator take the second factor off; "
    "then it can be set up anew"
)


def is_sealed(stored: str) -> bool:
    """Whether what stands in the database is sealed."""
    return stored.startswith(MARK)


class FactorKey:
    """Seals and opens the keys of second factors; its file is read at every use, and made at the first need.

    path : of the file; None where nobody has named one, and then nothing can be sealed or opened
    """

    def __init__(self, path: Path | None) -> None:
        self.path = path

    def seal(self, text: str, name: str) -> str:
        """The text, sealed for the account ``name``; makes the key file if there is none.

        Raises FactorKeyError if the file can be neither read nor made.
        """
        key = self._read() or self._make()
        nonce = secrets.token_bytes(NONCE_BYTES)
        packed = nonce + AESGCM(key).encrypt(nonce, text.encode(), _bound_to(name))
        return f"{MARK}{_id_of(key)}.{base64.urlsafe_b64encode(packed).decode()}"

    def open(self, sealed: str, name: str) -> str:
        """What was sealed for the account ``name``.

        Raises FactorKeyError if the key file is missing, unreadable or another one, or if what is stored was
        altered or belongs to another account.
        """
        if not is_sealed(sealed):
            raise FactorKeyError(
                f'the second factor of "{name}" stands in the database unsealed; restart the service, which '
                "seals it"
            )
        key = self._read()
        if key is None:
            raise FactorKeyError(f"{self._named()}: the key of second factors is missing; {RESET}")
        key_id, _, packed = sealed.removeprefix(MARK).partition(".")
        if key_id != _id_of(key):
            raise FactorKeyError(
                f'{self.path}: holds another key than the one under which the second factor of "{name}" was '
                f"sealed ({_id_of(key)}, wanted {key_id[:ID_LENGTH]}); {RESET}"
            )
        try:
            raw = base64.b64decode(packed, altchars=b"-_", validate=True)
            return AESGCM(key).decrypt(raw[:NONCE_BYTES], raw[NONCE_BYTES:], _bound_to(name)).decode()
        except (InvalidTag, ValueError) as exc:
            raise FactorKeyError(
                f'the second factor of "{name}" was altered in the database, or belongs to another account '
                f"({self.path} is the key it was sealed under); have an administrator take the second factor "
                "off, and find out who can write to the database"
            ) from exc

    def fault_of(self, sealed: str) -> str | None:
        """Why what is sealed cannot be opened, as far as the key tells; None if it fits."""
        try:
            key = self._read()
        except FactorKeyError as exc:
            return str(exc)
        if key is None:
            return f"{self._named()}: the key of second factors is missing"
        if not sealed.startswith(f"{MARK}{_id_of(key)}."):
            return f"{self.path}: holds another key than the one they were sealed under"
        return None

    def _named(self) -> Path:
        if self.path is None:
            raise FactorKeyError(
                "no file for the key of second factors is named; processes that share a fleet need the same: "
                "name it under access: second_factor_key_file"
            )
        return self.path

    def _read(self) -> bytes | None:
        path = self._named()
        try:
            text = path.read_text(encoding="ascii").strip()
            mode = path.stat().st_mode
        except FileNotFoundError:
            return None
        except (OSError, UnicodeDecodeError) as exc:
            why = exc.strerror if isinstance(exc, OSError) else "not text"
            raise FactorKeyError(
                f"{path}: the key of second factors cannot be read ({why}); mend its rights, or {RESET}"
            ) from exc
        if mode & (stat.S_IRWXO & ~stat.S_IXOTH):
            log.warning("%s: others on this machine may read or write it; set its rights to 0600", path)
        key = b""
        with suppress(binascii.Error):
            key = base64.b64decode(text, validate=True)
        if len(key) != KEY_BYTES:
            raise FactorKeyError(
                f"{path}: holds no key; wanted {KEY_BYTES} random bytes in base64 and nothing else; {RESET}"
            )
        return key

    def _make(self) -> bytes:
        """Write a fresh key, whole or not at all; of several that do so at once, one wins and all use it."""
        path = self._named()
        part = path.with_name(f".{path.name}.{secrets.token_hex(6)}")
        try:
            with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
                file.write(base64.b64encode(secrets.token_bytes(KEY_BYTES)) + b"\n")
                file.flush()
                os.fsync(file.fileno())
            with suppress(FileExistsError):
                path.hardlink_to(part)
                log.warning("%s: made the key of second factors; keep a copy apart from the database's", path)
        except OSError as exc:
            raise FactorKeyError(
                f"{path}: the key of second factors cannot be made ({exc.strerror or exc}); make the folder, "
                "or mend its rights"
            ) from exc
        finally:
            part.unlink(missing_ok=True)
        key = self._read()
        if key is None:
            raise FactorKeyError(f"{path}: the key of second factors was removed just now; try again")
        return key


def _bound_to(name: str) -> bytes:
    return b"steadyhead second factor of " + name.encode()


def _id_of(key: bytes) -> str:
    """Tells keys apart and says nothing of them: they have 256 random bits."""
    return hashlib.sha256(b"steadyhead key id " + key).hexdigest()[:ID_LENGTH]
