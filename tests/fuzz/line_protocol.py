"""Bodies of ``POST /api/v1/readings`` in line protocol; the first byte chooses the precision."""

from __future__ import annotations

import json
from typing import cast

from steadyhead.errors import IntakeError
from steadyhead.live.lines import NS_IN, Precision

from .made import NOW_S, way
from .target import Target

PRECISIONS = tuple(NS_IN)


def feed(data: bytes) -> None:
    """One batch."""
    precision = cast("Precision", PRECISIONS[data[0] % len(PRECISIONS)] if data else "s")
    answer = way().intake.push_lines(data[1:], precision, "fuzz")
    json.dumps([one.reason for one in answer.refused])
    way().check()


def corpus() -> list[bytes]:
    """Lines with tags, texts, escapes and comments."""
    lines = (
        "plant,station=elm inlet=6.5,outlet=4.2,flow=31i {}",
        'plant,station=elm,site=a\\ b outlet=4.2,note="say \\"x\\", then = 1" {}',
        "plant,station=oak Q=12u,P\\ 2=55e0,outlet=true",
        "# a comment\n\nplant,station=elm outlet=-.5 {}\r",
        "plant,station=nowhere x=1 {}",
    )
    times = (NOW_S * 10**9, NOW_S * 10**6, NOW_S * 1000, NOW_S)
    return [
        bytes([n]) + "\n".join(lines).format(*[at - 60 * at // NOW_S] * 4).encode()
        for n, at in enumerate(times)
    ] + [b"\x03" + line.format(NOW_S).encode() for line in [
        *lines, "p,station=elm outlet=1 " + "9" * 400, "p,station=elm outlet=" + "9" * 400 + "i",
        "p,station=elm outlet=" + "9" * 5000 + "i", "p,station=\ud800,x=\x00 outlet=1".encode("utf-8", "replace").decode(),
    ]]  # fmt: skip


TARGET = Target(
    "line_protocol", feed, corpus, (IntakeError,),
    (b"station=", b"elm", b" outlet=", b"\\ ", b'"', b"9" * 30, b"9" * 400, b"1e999", b"\n", b"i ", b"u "),
)  # fmt: skip
