"""One alert: what was seen, where it shows, what it may be, what to check, what was found; and its sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Depends
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from steadyhead.access.actor import Act, Actor, may
from steadyhead.alerts.model import Alert, FieldCheck
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.desk.views import AlertView, AuditView, FindingView, ProofView
from steadyhead.diagnosis.phrases import percent
from steadyhead.live.room import Room
from steadyhead.report.words import magnitude_text
from steadyhead.web.cards import card, zone_of
from steadyhead.web.frame import as_of, render
from steadyhead.web.glyphs import condition_glyph
from steadyhead.web.moments import Moment, local_input_text, moment, perhaps
from steadyhead.web.panels import alerts_of, series_panel
from steadyhead.web.words import EFFORT_WORDS

router = APIRouter(include_in_schema=False)
Viewer = Annotated[Actor, Depends(require(Act.READ))]

HOUR_S, DAY_S = 3600, 86_400
SHELVE_TIMES = (
    (HOUR_S, "1 hour from now"),
    (4 * HOUR_S, "4 hours from now"),
    (12 * HOUR_S, "12 hours from now"),
    (DAY_S, "1 day from now"),
    (3 * DAY_S, "3 days from now"),
    (7 * DAY_S, "7 days from now"),
)
SUPPRESS_TIMES = (*SHELVE_TIMES[3:], (30 * DAY_S, "30 days from now"), (0, "until somebody releases it"))
LEAST_REST = 0.02  # a smaller rest of the causes' likelihoods is rounding

PROOF_WORDS = {
    "pass": "The repair holds",
    "not_yet": "Not yet: it does not regulate as it did before the fault",
    "cannot_tell": "Cannot tell yet",
}


@dataclass(frozen=True, slots=True)
class Share:
    """Something with a likelihood, in words and as a bar."""

    key: str
    text: str
    likelihood: float
    percent: str


@dataclass(frozen=True, slots=True)
class Check:
    """A field check with the cautions that stand nowhere else on the page."""

    text: str
    why: str | None
    hint: str | None
    effort: str
    effort_words: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Runner:
    """A runner-up with its sketch."""

    condition: str
    title: str
    percent: str
    glyph: Markup


@dataclass(frozen=True, slots=True)
class Told:
    """One line of a history."""

    at: Moment
    what: str
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class Proof:
    """One look at whether a repair holds."""

    words: str
    who: str
    made: Moment
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found, with the proofs made of it."""

    id: int
    cause: str
    text: str
    done: str
    who: str
    at: Moment
    repaired: Moment | None
    proofs: tuple[Proof, ...]
    can_prove: bool


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the magnitude."""

    name: str
    text: str


@router.get("/alerts/{alert_id}")
def alert(request: Request, alert_id: str, actor: Viewer) -> Response:
    """Everything about one alert."""
    room = room_of(request)
    view = room.desk.alert(alert_id)
    return render(request, "alert.html", actor=actor, as_of=as_of(room), **context(room, view, actor))


@router.get("/alerts/{alert_id}/sheet")
def sheet(request: Request, alert_id: str, actor: Viewer) -> Response:
    """The sheet a technician takes along."""
    room = room_of(request)
    view = room.desk.alert(alert_id)
    found = context(room, view, actor)
    printed = moment(room.clock(), found["zone_name"], room.clock())
    return render(request, "sheet.html", actor=actor, printed=printed, **found)


def context(room: Room, view: AlertView, actor: Actor) -> dict[str, Any]:
    """What both the page and the sheet are filled with."""
    alert, now_s = view.alert, room.clock()
    zone = zone_of(room.registry, alert.station)
    station = room.registry.stations.get(alert.station)
    until_s = view.ended_s or max(view.updated_s, view.raised_s, room.runner.status().last_data_s or 0)
    panel = None
    if station is not None:
        panel = series_panel(room, station, (view.began_s, until_s), alerts_of(room, alert.station))
    shared = shared_cautions(alert.field_checks)
    causes, rest = shares(alert)
    return {
        "card": card(view, room.registry, now_s),
        "title": view.title,
        "meaning": view.meaning,
        "raised": moment(view.raised_s, zone, now_s),
        "ended": perhaps(view.ended_s, zone, now_s),
        "figures": figures(room, alert),
        "acts": acts(view, actor),
        "shelve_times": SHELVE_TIMES,
        "suppress_times": SUPPRESS_TIMES,
        "evidence": alert.evidence,
        "series": panel,
        "cautions": shared,
        "checks": [_check(check, shared) for check in alert.field_checks],
        "causes": causes,
        "rest": rest,
        "cause_words": _cause_words(room, alert),
        "runners": [
            Runner(r.condition, room.knowledge.entries[r.condition].title, percent(r.confidence), condition_glyph(r.condition))
            for r in alert.runners_up
        ],
        "findings": [finding(f, zone, now_s, actor) for f in room.desk.findings(alert_id=alert.alert_id)],
        "history": [told(line, zone, now_s) for line in room.desk.history(alert.alert_id)],
        "profile_version": alert.profile_version,
        "zone_name": zone,
        "local_now": local_input_text(now_s, zone),
    }


def acts(view: AlertView, actor: Actor) -> dict[str, bool]:
    """What this person may do with this alert in its state of now."""
    return {
        "acknowledge": "acknowledge" in view.may and may(actor, Act.ACKNOWLEDGE),
        "may_acknowledge": may(actor, Act.ACKNOWLEDGE),
        "reset": "reset" in view.may and not view.is_true and may(actor, Act.ACKNOWLEDGE),
        "shelve": "shelve" in view.may and view.alert.state != "normal" and may(actor, Act.SHELVE),
        "unshelve": "unshelve" in view.may and may(actor, Act.SHELVE),
        "suppress": "suppress" in view.may and may(actor, Act.SUPPRESS),
        "record": may(actor, Act.RECORD_FINDING),
    }


def shared_cautions(checks: tuple[FieldCheck, ...]) -> tuple[str, ...]:
    """Cautions that several checks carry, in the order of the knowledge file: said once, before all."""
    order: dict[str, int] = {}
    for check in checks:
        for text in check.cautions:
            order[text] = order.get(text, 0) + 1
    return tuple(text for text, n in order.items() if n > 1)


def _check(check: FieldCheck, shared: tuple[str, ...]) -> Check:
    own = tuple(text for text in check.cautions if text not in shared)
    return Check(check.text, check.why, check.hint, check.effort, EFFORT_WORDS[check.effort], own)


def shares(alert: Alert) -> tuple[list[Share], Share | None]:
    """Causes with their likelihoods, and what is left over for something else."""
    causes = [Share(c.key, c.text, c.likelihood, percent(c.likelihood)) for c in alert.likely_causes]
    rest = 1.0 - sum(c.likelihood for c in alert.likely_causes)
    return causes, None if rest < LEAST_REST else Share("", "Something else", rest, percent(rest))


def _cause_words(room: Room, alert: Alert) -> str:
    n = sum(1 for f in room.desk.findings(condition=alert.condition) if f.cause_key)
    if n == 0:
        return "Shares from common practice, no source; what your technicians record moves them."
    times = "once" if n == 1 else f"{n} times"
    return f"Shares from common practice, moved by what was found here {times} for this condition."


def figures(room: Room, alert: Alert) -> list[Figure]:
    """The magnitude in figures; the name is the first word."""
    found = []
    for name, value in alert.magnitude.items():
        text = magnitude_text(name, value, room.registry.settings.units)
        words = text.split(" ")
        at = next((n for n, word in enumerate(words) if word[:1].isdigit() or word[:1] == "-"), 1)
        found.append(Figure(" ".join(words[:at]).capitalize(), " ".join(words[at:])))
    return found


def finding(view: FindingView, zone: str, now_s: float, actor: Actor) -> Finding:
    """A finding for a page."""
    return Finding(
        id=view.id,
        cause=view.cause_text or "Something not in the list",
        text=view.text,
        done=view.done,
        who=view.who,
        at=moment(view.at_s, zone, now_s),
        repaired=perhaps(view.repaired_s, zone, now_s),
        proofs=tuple(_proof(proof, zone, now_s) for proof in view.proofs),
        can_prove=view.repaired_s is not None and may(actor, Act.PROVE),
    )


def _proof(view: ProofView, zone: str, now_s: float) -> Proof:
    return Proof(PROOF_WORDS[view.result], view.who, moment(view.made_s, zone, now_s), view.sentences)


def told(line: AuditView, zone: str, now_s: float) -> Told:
    """One line of a history for a page."""
    return Told(moment(line.at_s, zone, now_s), line.sentence, line.who, line.why)
