"""The series of one role, put together from all strips of a station's files."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from steadyhead.config.model import Role, Station, Tag
from steadyhead.errors import FeedError
from steadyhead.feeds.headings import listed, near
from steadyhead.feeds.order import in_order
from steadyhead.feeds.strips import Origin, Strip, joined
from steadyhead.readings import quality as flag
from steadyhead.readings.rejects import REASONS, Reason, Rejects, shown
from steadyhead.readings.series import Series
from steadyhead.types import BoolArray, FlagArray, FloatArray, IntArray


def series_of(
    role: Role, tag: Tag, station: Station, strips: list[Strip], rejects: Rejects, is_part: bool = False
) -> Series:
    """Readings of a role in working units, sorted, each time once; takes its values out of the strips.

    Raises FeedError if none of its values can be used and this is not a part of a log only.
    """
    origin, us, values, flags = _of_role(strips, role)
    if np.isnan(values).all() and not is_part:
        raise FeedError(_nothing_usable(role, tag, station, rejects))
    order = in_order(us, values, origin.starts)
    rejects.out_of_order = max(rejects.out_of_order, order.n_out_of_order)
    pairs: list[tuple[Reason, IntArray]] = [
        ("duplicate", order.duplicates),
        ("conflicting_duplicate", order.conflicting),
    ]
    for reason, at in pairs:
        texts = [f"{value:.12g}" for value in values[at]]
        for block in origin.blocks(at, texts, tag.tag, reason):
            rejects.add(block)
    kept_flags = flags[order.kept]
    kept_flags[order.has_conflict] |= flag.CONFLICT
    numbers = (values[order.kept] * tag.scale + tag.offset) * tag.factor
    rejects.kept += int((~np.isnan(numbers)).sum())
    del values  # spares the memory of a column while the times are made
    return Series(_seconds(us[order.kept], station), numbers, kept_flags)


def _seconds(us: IntArray, station: Station) -> IntArray:
    """Second at whose end a value was known, whole, never before it was measured."""
    later_s = station.step_s if station.stamped == "start" else 0
    to_add_us = later_s * 1_000_000 - round(station.jitter_s * 1e6) + 999_999  # to divide by rounding up
    seconds: IntArray = (us + to_add_us) // 1_000_000
    return seconds


def nowhere(role: Role, tag: Tag, station: Station, met: Iterable[str]) -> str:
    """What to say where a tag is in none of the files; ``met`` is what they hold."""
    names = list(met)
    return (
        f'{station.name}: tag "{tag.tag}" ({role}) is in none of its files; they hold {listed(names)}; '
        f"mend stations.{station.name}.tags.{role}.tag" + near(tag.tag, names)
    )


def _nothing_usable(role: Role, tag: Tag, station: Station, rejects: Rejects) -> str:
    start = f'{station.name}: tag "{tag.tag}" ({role}) has no usable value'
    names = {tag.tag, *(source.columns.get(role, tag.tag) for source in station.sources)}
    times = {source.time_column for source in station.sources}
    blocks = [b for b in rejects.blocks if b.column in names] or [
        b for b in rejects.blocks if b.column in times or b.reason == "broken_row"
    ]
    if not blocks:
        return f"{start}: all its cells are empty; take the tag out of the registry, or mend the export"
    block = max(blocks, key=lambda b: len(b.rows))
    total = sum(len(b.rows) for b in blocks)
    hint = "mend unit, quality, bad_values or time_format of this source in the registry"
    if block.reason == "not_a_number" and "," in block.texts[0]:
        hint = 'if the comma is its decimal mark, add decimal: "," to this source'
    return (
        f'{start}: {total} were refused, such as "{shown(block.texts[0])}" in {block.file}, '
        f"row {block.rows[0]}, which {REASONS[block.reason]}; {hint}"
    )


def _of_role(strips: list[Strip], role: Role) -> tuple[Origin, IntArray, FloatArray, FlagArray]:
    """Readings of a role from all strips, without empty cells."""
    files: list[str] = []
    starts: list[int] = []
    rows, us, values, flags = [], [], [], []
    n = 0
    for strip in strips:
        if role not in strip.values:
            continue
        mine, why = strip.values.pop(role), strip.flags.pop(role)  # handed over, to be freed when used
        is_there = ~np.isnan(mine) | (why != 0)
        files += strip.origin.files
        starts += [n + int(is_there[:start].sum()) for start in strip.origin.starts]
        keep: BoolArray | slice = slice(None) if is_there.all() else is_there  # spares the copies
        rows.append(strip.origin.rows[keep])
        us.append(strip.us[keep])
        values.append(mine[keep])
        flags.append(why[keep])
        n += len(us[-1])
    if not us:
        none = np.zeros(0, dtype=np.int64)
        return Origin([], none, none.astype(np.int32)), none, np.zeros(0), np.zeros(0, dtype=np.uint16)
    origin = Origin(files, np.array(starts, dtype=np.int64), joined(rows, np.int32))
    return origin, joined(us, np.int64), joined(values, np.float64), joined(flags, np.uint16)
