"""Trust in the certificates of receivers."""

from __future__ import annotations

import ssl
from pathlib import Path

from steadyhead.errors import NotifyError


def trust(ca_file: Path | None) -> ssl.SSLContext:
    """Certificates and host names are always checked, against the system's list or a file of one's own.

    Raises NotifyError if the file is missing or holds no certificates.
    """
    try:
        return ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except (OSError, ssl.SSLError) as exc:
        raise NotifyError(
            f"{ca_file}: no certificates can be read from it ({exc}); give a PEM file as ca_file"
        ) from exc
