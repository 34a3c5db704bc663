"""What happened to the own account, in sentences."""

from __future__ import annotations

from dataclasses import dataclass

from steadyhead.access.notices import Happened, Notices
from steadyhead.web.moments import Moment, moment


@dataclass(frozen=True, slots=True)
class Told:
    """A sentence about the time ``at``: what stands before it and after it; is_odd : worth a second look."""

    before: str
    at: Moment | None
    after: str
    is_odd: bool = False


def sentences(found: Notices, name: str, time_zone: str, now_s: float) -> list[Told]:
    """Of the sign-in before this one, of failed ones since then, and of the last change of the account."""

    def told(before: str, what: Happened, after: str, *, is_odd: bool = False) -> Told:
        return Told(before, moment(what.at_s, time_zone, now_s), after, is_odd)

    said = []
    if found.before is not None:
        said.append(told("Last sign-in before this one:", found.before, f"{_from(found.before)}."))
    elif not found.is_cut:
        said.append(Told("You have not signed in before.", None, ""))
    if found.failed is not None:
        n = f"{found.n_failed}{' or more' if found.is_cut else ''}"
        since = "" if found.before is None else "Since then "
        many = "1 attempt" if n == "1" else f"{n} attempts"
        said.append(
            told(f"{since}{many} failed, the last", found.failed, f"{_from(found.failed)}.", is_odd=True)
        )
    if found.change is not None:
        who = "you" if found.change.who == name else found.change.who
        by = f"by {who}" if who != "command line" else "on the machine, by the command line"
        said.append(told(f"Last change of the account: {found.change.words},", found.change, f"{by}."))
    return said


def _from(what: Happened) -> str:
    return f"from {what.where}" if what.where else "from an address that was not kept"
