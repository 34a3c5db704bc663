"""Files written whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from steadyhead.errors import OutputError

Content = bytes | str | Callable[[BinaryIO], object]
"""What to write: bytes, text (UTF-8), or a function that writes to an open binary file."""

_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)

_REMEDIES = {
    errno.ENOSPC: "free some space there, or choose another folder",
    errno.EDQUOT: "free some of your quota there, or choose another folder",
    errno.EFBIG: "raise the file size limit, or choose another folder",
    errno.EACCES: "change the folder's rights, or choose another folder",
    errno.EPERM: "change the folder's rights, or choose another folder",
    errno.EROFS: "choose a folder on a disk that can be written",
    errno.EISDIR: "give a file name that is not a folder",
    errno.ENOTDIR: "give a path whose folders are not files",
    errno.EEXIST: "give a path whose folders are not files",
    errno.ENAMETOOLONG: "give a shorter name",
}


def write_atomically(path: Path | str, content: Content) -> None:
    """Write a file so that readers see the old one or the new one, never half of it.

    path : the file; folders above it are made if missing
    content : see ``Content``
    Raises OutputError if it cannot be written (disk full, no right, folder is a file); what stood at
        ``path`` before is then unchanged and no temporary file is left. Errors raised by a content
        function itself pass through, with the same promise.
    """
    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        target = path.resolve()  # a link keeps pointing at the file it names
        if target.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        _write_beside(target, content)
    except OSError as exc:
        reason = exc.strerror or str(exc)
        remedy = _REMEDIES.get(exc.errno or 0, "check the path and the disk")
        old = "; the older file is unchanged" if path.is_file() else ""
        raise OutputError(f"{path}: cannot be written ({reason}){old}; {remedy}") from exc


def _write_beside(target: Path, content: Content) -> None:
    # named before it is made, so that an interrupt at any moment finds what to clear away
    part = target.parent / f".{target.name[:40]}.{secrets.token_hex(6)}.part"
    try:
        handle = os.open(part, _NEW, 0o600)
        with os.fdopen(handle, "wb") as file:
            if callable(content):
                content(file)
            else:
                file.write(content.encode() if isinstance(content, str) else content)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(_mode_for(target))
        part.replace(target)
    except BaseException:  # an interrupt too must leave nothing behind
        with contextlib.suppress(OSError):
            part.unlink()
        raise
    _sync_folder(target.parent)


def _mode_for(target: Path) -> int:
    """Rights of the old file, or what a new file gets; a temporary file would be private."""
    if target.exists():
        return stat.S_IMODE(target.stat().st_mode)
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def _sync_folder(folder: Path) -> None:
    """Make the new name survive a power cut, where the system can (Windows cannot)."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
