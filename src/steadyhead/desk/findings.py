"""What technicians found and repaired, and the look at whether a repair holds."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from steadyhead.config.fields import did_you_mean
from steadyhead.desk.book import Office, words
from steadyhead.desk.proof import Question, prove
from steadyhead.desk.views import FindingView, NewFinding, ProofView
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.errors import DeskError, NotFoundError
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.store.tables import AlertRow, FindingRow, ProofRow
from steadyhead.types import CONDITIONS, Condition


def record(office: Office, new: NewFinding, who: str) -> int:
    """Write a finding down; its id. Raises DeskError or NotFoundError that say what does not fit."""
    text = words(new.text, "what was found", is_needed=new.cause_key is None)
    done = words(new.done, "what was done", is_needed=False)
    _check_condition(new.condition)
    _check_cause(office.knowledge, new.condition, new.cause_key)
    if new.station not in office.registry.stations:
        raise NotFoundError(f"there is no station {new.station} in the registry; mend the name")
    with office.writing() as book:
        if new.alert_id is not None:
            row = book.alert(new.alert_id)
            if (row.station, row.condition) != (new.station, new.condition):
                raise DeskError(
                    f"alert {new.alert_id} is {row.condition} at {row.station}, the finding is of "
                    f"{new.condition} at {new.station}; give those of the alert, or leave the alert out"
                )
        _check_repaired(new.repaired_s, book.now_s)
        made = FindingRow(
            alert_id=new.alert_id, station=new.station, condition=new.condition, at_s=book.now_s, who=who,
            cause_key=new.cause_key, text=text, done=done, repaired_s=new.repaired_s,
        )  # fmt: skip
        book.session.add(made)
        book.session.flush()
        book.note(
            who, "finding_recorded", "finding", str(made.id), text or (new.cause_key or ""),
            {"station": new.station, "condition": new.condition, "alert_id": new.alert_id,
             "cause_key": new.cause_key, "done": done, "repaired_s": new.repaired_s},
        )  # fmt: skip
        return made.id


def record_repair(office: Office, finding_id: int, who: str, repaired_s: int, done: str) -> None:
    """Say when it was repaired, and what was done if that is more than was said before."""
    done = words(done, "what was done", is_needed=False)
    with office.writing() as book:
        row = _row(book.session, finding_id)
        _check_repaired(repaired_s, book.now_s)
        before = row.repaired_s
        row.repaired_s = repaired_s
        row.done = done or row.done
        book.note(
            who, "repair_recorded", "finding", str(finding_id), done,
            {"station": row.station, "repaired_s": repaired_s, "before_s": before},
        )  # fmt: skip


def make_proof(office: Office, finding_id: int, who: str, readings: Readings, profile: Profile) -> ProofView:
    """Compare before and after the repair, and keep the answer.

    readings : of the finding's station, from before the alert began until now
    Raises DeskError if no repair is recorded, or readings or profile are of another station.
    """
    with office.database.reading() as session:
        row = _row(session, finding_id)
        alert = None if row.alert_id is None else session.get(AlertRow, row.alert_id)
        began_s = None if alert is None else alert.began_s
    if row.repaired_s is None:
        raise DeskError(f"finding {finding_id} has no time of repair; record the repair first")
    for what, station in (("readings", readings.station), ("profile", profile.station)):
        if station != row.station:
            raise DeskError(f"the {what} are of {station}, the finding is of {row.station}; give those of it")
    question = Question(row.condition, row.repaired_s, began_s, office.registry.settings.units)
    proof = prove(readings, profile, question)  # may take a second, so outside the transaction
    with office.writing() as book:
        made = ProofRow(
            finding_id=finding_id, station=row.station, made_s=book.now_s, who=who, result=proof.result,
            numbers=dict(proof.numbers), sentences=list(proof.sentences),
        )  # fmt: skip
        book.session.add(made)
        book.session.flush()
        details = {"station": row.station, "proof_id": made.id, "result": proof.result}
        book.note(who, "repair_proved", "finding", str(finding_id), proof.sentences[0], details)
        return _proof_view(made)


def one(session: Session, finding_id: int, knowledge: Knowledge) -> FindingView:
    """One finding with its proofs. Raises NotFoundError."""
    return _views(session, [_row(session, finding_id)], knowledge)[0]


def found(session: Session, knowledge: Knowledge, limit: int, **equal: Any) -> list[FindingView]:
    """Findings whose columns equal what is given (None does not filter), newest first."""
    query = select(FindingRow).order_by(FindingRow.id.desc()).limit(limit)
    for name, value in equal.items():
        if value is not None:
            query = query.where(getattr(FindingRow, name) == value)
    return _views(session, list(session.scalars(query)), knowledge)


def _views(session: Session, rows: list[FindingRow], knowledge: Knowledge) -> list[FindingView]:
    proofs: dict[int, list[ProofView]] = {}
    of_these = select(ProofRow).where(ProofRow.finding_id.in_([row.id for row in rows]))
    for proof in session.scalars(of_these.order_by(ProofRow.id.desc())):
        proofs.setdefault(proof.finding_id, []).append(_proof_view(proof))
    return [
        FindingView(
            id=row.id, alert_id=row.alert_id, station=row.station, condition=row.condition, at_s=row.at_s,
            who=row.who, cause_key=row.cause_key,
            cause_text=_cause_text(knowledge, row.condition, row.cause_key), text=row.text, done=row.done,
            repaired_s=row.repaired_s, proofs=tuple(proofs.get(row.id, ())),
        )
        for row in rows
    ]  # fmt: skip


def _proof_view(row: ProofRow) -> ProofView:
    return ProofView(
        row.id, row.finding_id, row.station, row.made_s, row.who, row.result, row.numbers,
        tuple(row.sentences),
    )  # fmt: skip


def _row(session: Session, finding_id: int) -> FindingRow:
    row = session.get(FindingRow, finding_id)
    if row is None:
        raise NotFoundError(f"there is no finding {finding_id}")
    return row


def _cause_text(knowledge: Knowledge, condition: Condition, key: str | None) -> str | None:
    """What the knowledge file says of a cause; None for free text, or for a cause it no longer has."""
    return next((cause.text for cause in knowledge.entries[condition].causes if cause.key == key), None)


def _check_condition(condition: str) -> None:
    if condition not in CONDITIONS:
        near = did_you_mean(condition, [str(name) for name in CONDITIONS])
        raise DeskError(f'there is no condition "{condition}"; {near or "use one of the list"}')


def _check_cause(knowledge: Knowledge, condition: Condition, key: str | None) -> None:
    if key is None:
        return
    known = sorted({cause.key for cause in knowledge.entries[condition].causes})
    if key not in known:
        raise DeskError(
            f'"{key}" is no cause of {condition}; use one of {", ".join(known)}, or leave it out and say in '
            "your own words what was found"
        )


def _check_repaired(repaired_s: int | None, now_s: int) -> None:
    if repaired_s is not None and not 0 < repaired_s <= now_s:
        raise DeskError("the time of repair lies in the future or is none; give when it was finished")
