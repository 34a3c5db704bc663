"""Alerts, audit and what people do to them, as JSON."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, WithJsonSchema, field_validator

from steadyhead.alerts.jsonlines import to_dict
from steadyhead.alerts.lifecycle import Event
from steadyhead.api.text import fault_of_text
from steadyhead.api.times import When, stamp, stamp_or_none
from steadyhead.desk.views import AlertView, AuditView

AlertObject = Annotated[dict[str, Any], WithJsonSchema({"x-component": "Alert"})]
"""The alert as `scan --json` prints it; ``openapi.py`` puts the published schema in its place."""

Why = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=3, max_length=1000),
    Field(
        description="Why, for whoever reads the audit trail.", examples=["Crew on site, main being flushed"]
    ),
]
Note = Annotated[str, StringConstraints(strip_whitespace=True, max_length=1000)]
StationName = Annotated[
    str, Field(description="Name in the registry.", max_length=64, examples=["harbour_east"])
]


class Shape(BaseModel):
    """Root of what is answered."""

    model_config = ConfigDict(frozen=True)


class Asked(BaseModel):
    """Root of what is sent: a key that is not known is a mistake, not ignored."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    @field_validator("*", mode="before")
    @classmethod
    def _is_text(cls, value: Any) -> Any:
        """What one database keeps and another refuses is refused here."""
        if isinstance(value, str):
            fault = fault_of_text(value)
            if fault is not None:
                raise ValueError(fault)
        return value


class AlertItem(Shape):
    """An alert and what the desk knows of it."""

    alert: AlertObject
    zone: str | None = Field(examples=["harbour"])
    title: str = Field(description="The condition in words.", examples=["Creep when closed"])
    meaning: str = Field(description="What the condition means.")
    is_true: bool = Field(description="Whether the condition holds now.")
    is_standing: bool = Field(description="Whether it needs a person.")
    announced_at: str | None = Field(description="Data time at which it last called for attention.")
    acknowledged_at: str | None
    acknowledged_by: str | None
    shelved_until: str | None
    shelve_why: str | None
    held_why: str | None = Field(description="Who holds it back and why, in one sentence.")
    may: list[Event] = Field(description="Events of the alert's life that mean something now.")
    rank: int = Field(description="Larger is worse; the order of the list.")
    change_no: int = Field(description="Grows with every change of any alert.")

    @classmethod
    def of(cls, view: AlertView) -> AlertItem:
        """From the desk's view."""
        return cls(
            alert=to_dict(view.alert),
            zone=view.zone,
            title=view.title,
            meaning=view.meaning,
            is_true=view.is_true,
            is_standing=view.is_standing,
            announced_at=stamp_or_none(view.announced_s),
            acknowledged_at=stamp_or_none(view.acknowledged_s),
            acknowledged_by=view.acknowledged_by,
            shelved_until=stamp_or_none(view.shelved_until_s),
            shelve_why=view.shelve_why,
            held_why=view.held_why,
            may=list(view.may),
            rank=view.rank,
            change_no=view.change_no,
        )


class AlertPage(Shape):
    """One page of alerts."""

    items: list[AlertItem]
    next: str | None = Field(description="Goes into `after` of the next request; null at the end.")
    total: int = Field(description="How many the filters let through, all pages together.")


class AuditItem(Shape):
    """One line of the audit trail."""

    at: str
    who: str
    what: str = Field(examples=["acknowledge"])
    subject_kind: str
    subject: str
    why: str
    from_state: str | None
    to_state: str | None
    sentence: str = Field(examples=["kim acknowledged it: crew informed"])

    @classmethod
    def of(cls, view: AuditView) -> AuditItem:
        """From the desk's view."""
        return cls(
            at=stamp(view.at_s),
            who=view.who,
            what=view.what,
            subject_kind=view.subject_kind,
            subject=view.subject,
            why=view.why,
            from_state=view.from_state,
            to_state=view.to_state,
            sentence=view.sentence,
        )


class History(Shape):
    """The audit trail of one thing, newest first."""

    items: list[AuditItem]


class Acknowledge(Asked):
    """An acknowledgement."""

    note: Note = Field(default="", description="What was seen or done.", examples=["Crew informed"])


class Shelve(Asked):
    """A shelving: the alert keeps quiet until then."""

    why: Why
    until: When


class Reason(Asked):
    """A change that may be explained."""

    why: Note = Field(default="", examples=["Back to normal"])
