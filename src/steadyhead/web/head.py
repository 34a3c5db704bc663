"""The head of every page: how many alerts stand, by priority, and the one sentence read from the door."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from steadyhead.alerts.model import PRIORITIES
from steadyhead.desk.views import Tally
from steadyhead.web.freshness import Heard
from steadyhead.web.glyphs import priority_mark, state_mark
from steadyhead.web.words import PRIORITY_WORDS, needed_text


@dataclass(frozen=True, slots=True)
class Standing:
    """One count of the head. tone : the priority that colours it while it is not 0, or "none"."""

    key: str
    word: str
    n: int
    href: str
    tone: str
    mark: Markup | None


def standing(tally: Tally, heard: Heard) -> list[Standing]:
    """The counts of the head, in the order in which they matter."""
    found = [
        Standing(
            priority,
            PRIORITY_WORDS[priority],
            tally.of_priority(priority),
            f"/?state=open&priority={priority}",
            priority,
            priority_mark(priority, is_open=True),
        )
        for priority in reversed(PRIORITIES)
    ]
    held = state_mark("shelved", "low")
    gone = state_mark("returned_unacknowledged", "low")
    return [
        *found,
        Standing("unseen", "Came and went", tally.unseen, "/?state=over_open", "none", gone),
        Standing("known", "Acknowledged", tally.known, "/?state=known", "none", None),
        Standing("held", "Held back", tally.held, "/held", "none", held),
        Standing("old", "Not heard", heard.n_old, "/stations?show=silent", "none", None),
    ]


def call_text(tally: Tally, heard: Heard) -> str:
    """What has to be read from the door. Nobody is told that all is well by readings that have stopped."""
    if tally.open_stations == 0 and heard.is_silent:
        return "Nobody can tell: no readings come in"
    if tally.open_stations == 0 and tally.unseen:
        return f"{tally.unseen} alert{'' if tally.unseen == 1 else 's'} came and went unseen"
    return needed_text(tally.open_stations)


def call_more_text(tally: Tally) -> str:
    """What stands besides, in one line."""
    words = []
    if tally.open:
        n = len(tally.open)
        of_each = [(tally.of_priority(p), PRIORITY_WORDS[p].lower()) for p in reversed(PRIORITIES)]
        split = ", ".join(f"{count} {word}" for count, word in of_each if count)
        words.append(f"{n} alert{'' if n == 1 else 's'} not acknowledged: {split}.")
    if tally.known:
        words.append(f"{tally.known} acknowledged and still there.")
    if tally.unseen and tally.open_stations:
        words.append(f"{tally.unseen} came and went unseen.")
    if tally.latched:
        words.append(f"{tally.latched} over, kept until reset.")
    if tally.held:
        words.append(f"{tally.held} held back.")
    return " ".join(words)


def title_text(tally: Tally) -> str:
    """What goes before the title of every page: "(3 high, 1 low) ", or nothing."""
    of_each = [(tally.of_priority(p), PRIORITY_WORDS[p].lower()) for p in reversed(PRIORITIES)]
    said = ", ".join(f"{n} {word}" for n, word in of_each if n)
    return f"({said}) " if said else ""
