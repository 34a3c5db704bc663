"""The audit: its words, what a line of it says, and the replay that must give the stored state."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Protocol

from steadyhead.alerts.lifecycle import EVENTS, advance
from steadyhead.alerts.model import AlertState

ENGINE = "engine"  # who: the judgement of the readings
CLOCK = "clock"  # who: a time that a person had set is over
SERVICE = "service"  # who: learning by itself, as the settings say
FILE = "file"  # who: somebody who wrote the file of a profile, such as by the command `learn`

_SENTENCES: Mapping[str, str] = {
    "condition_true": "{who} raised it",
    "condition_clear": "{who} saw it clear",
    "renamed": "{who} gave it another name",
    "acknowledge": "{who} acknowledged it",
    "reset": "{who} reset it",
    "shelve": "{who} shelved it",
    "unshelve": "{who} took it from the shelf",
    "suppress": "{who} suppressed it by design",
    "release": "{who} released it from suppression",
    "remove_from_service": "{who} took it out of service with its station",
    "return_to_service": "{who} put it back in service with its station",
    "suppression_made": "{who} suppressed by design: {subject_words}",
    "suppression_released": "{who} ended a suppression: {subject_words}",
    "station_out_of_service": "{who} took {subject} out of service",
    "station_returned": "{who} returned {subject} to service",
    "finding_recorded": "{who} recorded a finding",
    "repair_recorded": "{who} recorded a repair",
    "report_asked": "{who} asked for the report of week {subject}",
    "profile_in_use": "{who} put profile {version} in use{replaced}",
    "given_up_seen": "{who} saw to messages that were given up",
    "repair_proved": "{who} compared before and after the repair{result}",
}
_WHO = {
    ENGINE: "The engine",
    CLOCK: "The clock",
    SERVICE: "The service by itself",
    FILE: "A file in the folder of profiles",
}
_RESULTS = {"pass": "it holds", "not_yet": "not yet", "cannot_tell": "cannot be told"}


class Line(Protocol):
    """What of an audit row is needed here."""

    @property
    def who(self) -> str:
        """A person, "engine" or "clock"."""

    @property
    def what(self) -> str:
        """A word of this module, of ``alerts.lifecycle``, or of another writer of the audit."""

    @property
    def subject_kind(self) -> str:
        """Such as "alert"."""

    @property
    def subject(self) -> str:
        """Its id or name."""

    @property
    def why(self) -> str:
        """Reason or note, may be empty."""

    @property
    def details(self) -> Mapping[str, Any]:
        """What the change rested on."""


def sentence(line: Line) -> str:
    """A line of the audit in words, without the time; a word not known here is shown as it is."""
    form = _SENTENCES.get(line.what, "{who}: {what} ({subject_kind} {subject})")
    text = form.format(
        who=_WHO.get(line.who, line.who),
        what=line.what.replace("_", " "),
        subject_kind=line.subject_kind,
        subject=line.subject,
        subject_words=", ".join(
            f"{name} {line.details[name]}"
            for name in ("station", "zone", "condition")
            if line.details.get(name)
        ),
        # the reason of a proof is its first sentence, which says the result
        result="" if line.why else f": {_RESULTS.get(str(line.details.get('result')), 'no result')}",
        version=line.details.get("version"),
        replaced=f" in place of {old}"
        if (old := line.details.get("replaced"))
        else ", the first of the station",
    )
    return f"{text}: {line.why}" if line.why else f"{text}."


def replay(lines: Iterable[Line]) -> dict[str, AlertState]:
    """The state of every alert that the lines speak of, from the lines alone, oldest first.

    The stored states must equal it at all times; a test holds that. Every alert begins as normal.
    """
    states: dict[str, AlertState] = {}
    for line in lines:
        if line.subject_kind != "alert" or line.what not in EVENTS:
            continue
        before = states.get(line.subject, "normal")
        states[line.subject] = advance(
            before,
            line.what,
            is_true=bool(line.details["is_true"]),
            is_latching=bool(line.details.get("is_latching")),
        )
    return states
