"""Log files in CSV: the first byte chooses the dialect, the rest is the file."""

from __future__ import annotations

from steadyhead.errors import FeedError

from .log_source import NAMES, read
from .target import Target


def feed(data: bytes) -> None:
    """One file."""
    read(data[0] if data else 0, data[1:])


def _texts() -> dict[str, str]:
    wide = "time,PIN,POUT,Q\n"
    return {
        "iso": wide + "2026-03-01T00:00:00,6.1,402,12\n2026-03-01 00:01:00.5,6.1,,Bad\n\n2026-03-01T00:02Z,1\n",
        "epoch": wide + "1772323200000,6.1,402,-9999\n1772323260000,6.2,1e31,3\n1772323320000.5,6.2,4,3\n",
        "days": "Export\n" + wide + "01/03/2026 00:00,6.1,402,12\n25/10/2026 01:30,6,400,1\n31/02/2026 00:00,1,1,1\n",
        "comma": 'day;time;PIN;POUT;Q\n01.03.2026;00:00:00;"6,1";402,5;12\n01.03.2026;00:01:00;6,1;1.402,5;+12\n',
        "latin": "2026-03-01 00:00,6.1,402,12\n2026-03-01 00:01,Fehler,-1,\xb5\n",
        "coded": "time,PIN,PIN.q,POUT,POUT.q,Q,Q.q\n2026-03-01,6.1,192,402,64,12,Good\n2026-03-02,1,,2,Fail,3,0\n",
        "long": "time,tag,value,quality\n2026-03-01T00:00:00,PIN,6.1,192\n2026-03-01T00:00:00,POUT,402,Good\n"
        "2026-11-01T01:30:00,Q,1,192\n2026-11-01T01:30:00,Q,2,192\n2026-03-08T02:30:00,Q,2,192\n",
        "offset": wide + "2026-03-01T00:00:00+0100,6.1,402,12\n2026-03-01T00:01:00+0100,6.1,402,12\n",
    }  # fmt: skip


def corpus() -> list[bytes]:
    """A good file of each dialect, with the troubles that real ones have."""
    found = []
    for name, text in _texts().items():
        encoding = {"latin": "latin-1", "offset": "utf-16"}.get(name, "utf-8")
        head = bytes([NAMES.index(name)])
        found += [head + text.encode(encoding), head + text.replace("\n", "\r\n").encode(encoding)]
    found.append(b"\x00\xef\xbb\xbfsep=;\ntime;PIN;POUT;Q\n2026-03-01;1;2;3\n")
    found.append(b"\x00" + ("time\tPIN\tPOUT\tQ\r" + "2026-03-01\t1\t2\t3\r" * 3).encode("utf-16"))
    return found


TARGET = Target(
    "log_csv", feed, corpus, (FeedError,),
    (b"time,", b"PIN,", b"POUT,", b"\r\n", b'"', b'""', b"2026-03-29T02:30:00", b"2026-10-25 01:30", b"NaN",
     b"1e999", b"\x00", b"\xef\xbb\xbf", b"\xff\xfe", b"sep=;\n", b"+00:00", b"Z", b"9" * 25),
)  # fmt: skip
