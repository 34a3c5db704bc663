"""Secrets come from a file or an environment variable, are read when needed, and are blotted out of texts."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Self

from pydantic import model_validator

from steadyhead.config.source import Part
from steadyhead.errors import NotifyError

_LONGEST_BYTES = 10_000  # far above any key or address; a wrong path is not read whole
_SHORTEST_BLOTTED = 4  # a shorter one would blot out parts of common words and tell more than it hides
BLOT = "[secret]"


class Secret(Part):
    """Where a secret is kept; the settings never hold it.

    file : its first line is the secret
    env : name of an environment variable
    """

    file: Path | None = None
    env: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _not_itself(cls, value: Any) -> Any:
        if not isinstance(value, dict | Secret):  # said here, since the usual complaint quotes what it met
            raise ValueError("stands here itself; keep it elsewhere and give file: or env:")  # noqa: TRY004
        return value

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if (self.file is None) == (self.env is None):
            raise ValueError("needs one place to read the secret from; give either file: or env:")
        return self

    def read(self) -> str:
        """The secret as it is now, so that a changed one holds without a restart.

        Raises NotifyError, which never quotes the secret, if it is missing, empty or too long.
        """
        return self._from_file(self.file) if self.file is not None else self._from_environment()

    def _from_file(self, path: Path) -> str:
        try:
            with path.open("rb") as file:
                raw = file.read(_LONGEST_BYTES + 1)
        except OSError as exc:
            raise NotifyError(
                f"{path}: the secret cannot be read ({exc.strerror}); check the path and its rights"
            ) from exc
        if len(raw) > _LONGEST_BYTES:
            raise NotifyError(
                f"{path}: is over {_LONGEST_BYTES} bytes; put the secret alone on its first line"
            )
        try:
            lines = raw.decode("utf-8").splitlines()
        except UnicodeDecodeError:
            raise NotifyError(f"{path}: is not UTF-8 text; put the secret on its first line") from None
        return _not_empty(lines[0] if lines else "", str(path))

    def _from_environment(self) -> str:
        return _not_empty(os.environ.get(self.env or "", ""), f"environment variable {self.env}")


def _not_empty(text: str, place: str) -> str:
    if not text.strip():
        raise NotifyError(f"{place}: holds no secret; put it there, or remove the setting that asks for it")
    return text.strip()


def blotted(text: str, secrets: tuple[str, ...]) -> str:
    """The text with every secret replaced by ``[secret]``, the longest first."""
    for secret in sorted(set(secrets), key=len, reverse=True):
        if len(secret) >= _SHORTEST_BLOTTED:
            text = text.replace(secret, BLOT)
    return text
