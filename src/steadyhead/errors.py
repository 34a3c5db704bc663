"""Every error a caller of Steadyhead can meet.

SteadyheadError
├── RegistryError      the station registry or another YAML file is wrong
├── FeedError          a log cannot be read at all (missing, empty, corrupt, no such tag)
├── ReadingsError      arrays handed to a calculation do not fit together
├── LearningError      a span is too short or too empty to learn from
├── ProfileError       a stored profile is missing, unreadable or of another version
├── PlantError         the proving plant was asked for something it cannot do
├── AccessError        an account, a password or a token cannot be made or changed as asked
│   └── SignInError    a name and a password do not open a session
│       └── FactorKeyError  the key that second factors are sealed under is missing, or not theirs
├── LeftOutError       some stations could not be read, learned or judged; the others were done
├── OutputError        a result cannot be written; what stood there before is intact
├── DatabaseError      the database is gone, locked, full, unreadable or of a newer version
├── JournalError       readings cannot be accepted now; none of the batch was taken
├── IntakeError        the body of a push cannot be read at all
├── FleetError         the processes or machines that the work was to run on cannot be used
├── ArchiveError       the archive of readings cannot be read or written
├── DeskError          something was asked of the alert desk that it cannot do
├── NotFoundError      there is no such alert, finding, suppression or station
├── ReportError        the weekly report asked for cannot be made
│   ├── EmptyWeekError no station has a reading in that week
│   └── OpenWeekError  the week is not over, or its readings have not reached its end
└── NotifyError        a notification channel, rule or secret is not fit to be used
    └── DeliveryError  a receiver did not take a message; it is tried again

Each text names where, what was met, what was wanted and what to do. The command line prints it as one
line and exits with code 2.
"""

from __future__ import annotations


class SteadyheadError(Exception):
    """Root of all errors that Steadyhead raises on purpose."""


class RegistryError(SteadyheadError):
    """A YAML file (stations, causes, settings) has mistakes; all of them are listed at once."""


class FeedError(SteadyheadError):
    """A log could not be read."""


class ReadingsError(SteadyheadError):
    """Arrays of readings do not fit together (shape, order, step)."""


class LearningError(SteadyheadError):
    """There is too little to learn from."""


class ProfileError(SteadyheadError):
    """A stored profile is missing, unreadable, or written by another version."""


class PlantError(SteadyheadError):
    """The proving plant was given a scenario it cannot run."""


class LeftOutError(SteadyheadError):
    """Some stations could not be read, learned or judged; the others were done, their results are whole."""


class OutputError(SteadyheadError):
    """A result could not be written; an older file of that name is unchanged."""


class DatabaseError(SteadyheadError):
    """The database is gone, locked, full, unreadable or of a newer version; nothing was half written."""


class DeskError(SteadyheadError):
    """Something was asked of the alert desk that it cannot do; the text is fit for a page."""


class NotFoundError(SteadyheadError):
    """There is no such alert, finding, suppression or station."""


class AccessError(SteadyheadError):
    """An account, a password or a token cannot be made or changed as asked."""


class SignInError(AccessError):
    """A name and a password do not open a session; says no more, so that names cannot be tried out."""


class FactorKeyError(SignInError):
    """A second factor cannot be sealed or opened: its key file is missing, unreadable or another one."""


class NotifyError(SteadyheadError):
    """A notification channel, rule or secret is not fit to be used."""


class DeliveryError(NotifyError):
    """A receiver did not take a message; it stays in the outbox and is tried again."""


class JournalError(SteadyheadError):
    """Readings cannot be accepted now (disk full, journal unreadable); none of the batch was taken."""


class IntakeError(SteadyheadError):
    """The body of a push cannot be read at all; nothing of it was taken."""


class ArchiveError(SteadyheadError):
    """The archive of readings cannot be read or written; readings wait in the journal."""


class FleetError(SteadyheadError):
    """The processes or machines that work over stations was to run on cannot be used, or are lost."""


class ReportError(SteadyheadError):
    """The weekly report asked for cannot be made: no such week, nothing in it, or nothing learned."""


class EmptyWeekError(ReportError):
    """No station has a reading in the week that was asked for."""


class OpenWeekError(ReportError):
    """The week is not over, or readings have not reached its end; a report of it has to be asked for so."""
