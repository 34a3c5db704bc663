"""Readings as reported, of any number of stations, as columns; and their form in the journal."""

from __future__ import annotations

import json
import struct
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from steadyhead.errors import JournalError
from steadyhead.types import BoolArray, FlagArray, FloatArray, IntArray

_HEAD = struct.Struct("<4sIII")  # mark, checksum of the rest, length of the names, number of reports
_MARK = b"SHR1"
_COLUMNS = (("which", "<u4"), ("role", "u1"), ("us", "<i8"), ("values", "<f8"), ("flags", "<u2"))
_ROW_BYTES = sum(np.dtype(kind).itemsize for _, kind in _COLUMNS)


@dataclass(frozen=True, slots=True)
class Reports:
    """Reported values, in the order in which they came; every array has shape (n,).

    names : stations; which : index into it; role : index into ``config.ROLES``
    us : when the value was known, microseconds since 1970-01-01 UTC; its second is the next whole one
    values : [kPa or L/s], NaN where the value was refused and leaves a gap; flags : ``readings.quality``
    """

    names: tuple[str, ...]
    which: NDArray[np.uint32]
    role: NDArray[np.uint8]
    us: IntArray
    values: FloatArray
    flags: FlagArray

    def __len__(self) -> int:
        return int(self.us.shape[0])

    def only(self, keep: BoolArray) -> Reports:
        """Those marked."""
        return Reports(
            self.names, self.which[keep], self.role[keep], self.us[keep], self.values[keep], self.flags[keep]
        )

    def to_bytes(self) -> bytes:
        """The form in the journal; what a torn or spoiled one would do is caught by a checksum."""
        names = json.dumps(self.names).encode()
        body = names + b"".join(
            np.ascontiguousarray(getattr(self, name), dtype=kind).tobytes() for name, kind in _COLUMNS
        )
        return _HEAD.pack(_MARK, zlib.crc32(body), len(names), len(self)) + body


def from_bytes(data: bytes) -> Reports:
    """What ``to_bytes`` wrote. Raises JournalError if it is spoiled."""
    mark, checksum, n_names, n = _HEAD.unpack_from(data) if len(data) >= _HEAD.size else (b"", 0, 0, 0)
    body = memoryview(data)[_HEAD.size :]
    if mark != _MARK or zlib.crc32(body) != checksum or len(body) != n_names + n * _ROW_BYTES:
        raise JournalError(
            "a record of the journal is spoiled; restore the data folder, or move the journal away to begin "
            "with an empty one (readings in it that were not yet judged are then lost)"
        )
    try:
        names = tuple(str(name) for name in json.loads(bytes(body[:n_names])))
    except (ValueError, TypeError) as exc:
        raise JournalError(
            f"a record of the journal names no stations ({exc}); restore the data folder"
        ) from exc
    columns, at = {}, n_names
    for name, kind in _COLUMNS:
        columns[name] = np.frombuffer(body, dtype=kind, count=n, offset=at)
        at += columns[name].nbytes
    return Reports(names=names, **columns)
