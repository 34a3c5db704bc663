"""One alert: what was seen, where it shows, what it may be, what to check, what was found; and its sheet."""

from __future__ import annotations

from dataclasses import dataclass
from string import ascii_uppercase
from typing import Annotated, Any

from fastapi import APIRouter, Depends
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from steadyhead.access.actor import Act, Actor, may
from steadyhead.alerts.lifecycle import is_listed
from steadyhead.alerts.model import Alert, FieldCheck
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.config.model import Station
from steadyhead.desk.views import AlertView, AuditView, FindingView, ProofView
from steadyhead.diagnosis.phrases import percent
from steadyhead.live.room import Room
from steadyhead.report.words import sizes
from steadyhead.types import Condition
from steadyhead.web.cards import card, zone_of
from steadyhead.web.frame import render
from steadyhead.web.glyphs import condition_glyph
from steadyhead.web.moments import Moment, local_input_text, moment, perhaps
from steadyhead.web.panels import SeriesPanel, alerts_of, series_panel
from steadyhead.web.shelf import DAY_S, SHELVE_TIMES, shelve_times
from steadyhead.web.strip import strip
from steadyhead.web.words import EFFORT_WORDS, clock_text

router = APIRouter(include_in_schema=False)
Viewer = Annotated[Actor, Depends(require(Act.READ))]

SUPPRESS_TIMES = (*SHELVE_TIMES[3:], (30 * DAY_S, "30 days from now"), (0, "until somebody releases it"))
FIGURES = (
    ("droop", "Outlet against flow", "Outlet against flow, with the droop curve that was learned"),
    ("nights", "Closed nights over each other", "Outlet in each period without flow, from its beginning"),
    ("swing", "Swing by its period", "Size of the outlet's swing by the length of its period"),
)
PROOFS: dict[Condition, str] = {
    "drift": "droop",
    "failure_to_open": "droop",
    "excess_demand": "droop",
    "unfamiliar": "droop",
    "creep": "nights",
    "held_shut": "nights",
    "hunting": "swing",
    "slow_response": "swing",
}
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
class Step:
    """A field check with the letters of the cautions it carries."""

    check: FieldCheck
    letters: list[str]


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
    sentence: str


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
    """One figure with its name; of a reading also when it was read and when it is overdue (``old_at``)."""

    name: str
    text: str
    at: Moment | None = None
    old_at: int | None = None


@router.get("/alerts/{alert_id}")
def alert(request: Request, alert_id: str, actor: Viewer) -> Response:
    """Everything about one alert."""
    room = room_of(request)
    view = room.desk.alert(alert_id)
    return render(request, "alert.html", actor=actor, **context(room, view, actor))


@router.get("/alerts/{alert_id}/sheet")
def sheet(request: Request, alert_id: str, actor: Viewer) -> Response:
    """The sheet a technician takes along."""
    room = room_of(request)
    view = room.desk.alert(alert_id)
    found = context(room, view, actor)
    zone, now_s = found["zone_name"], room.clock()
    panel: SeriesPanel | None = found["series"]
    drawn = None
    if panel is not None:
        drawn = strip(room, view.alert.station, (panel.from_s, panel.to_s), view.began_s, view.raised_s)
    return render(
        request,
        "sheet.html",
        actor=actor,
        printed=clock_text(now_s, zone),
        strip=drawn,
        units=room.registry.settings.units,
        **found,
    )


def context(room: Room, view: AlertView, actor: Actor) -> dict[str, Any]:
    """What both the page and the sheet are filled with."""
    alert, now_s = view.alert, room.clock()
    zone = zone_of(room.registry, alert.station)
    station = room.registry.stations.get(alert.station)
    until_s = view.ended_s or max(view.updated_s, view.raised_s, room.runner.status().last_data_s or 0)
    panel = None
    if station is not None:
        panel = series_panel(room, station, (view.began_s, until_s), alerts_of(room, alert.station))
    letters = caution_letters(alert.field_checks, tuple(room.knowledge.cautions.values()))
    causes, rest = shares(alert)
    return {
        "card": card(view, room.registry, now_s),
        "title": view.title,
        "meaning": view.meaning,
        "raised": moment(view.raised_s, zone, now_s),
        "taken": None if (to_s := _rests_on(view)) is None else moment(to_s, zone, now_s),
        "ended": perhaps(view.ended_s, zone, now_s),
        "figures": figures(room, alert),
        "acts": acts(view, actor),
        "shelve_times": shelve_times(),
        "suppress_times": SUPPRESS_TIMES,
        "evidence": alert.evidence,
        "series": panel,
        "nights_url": f"/stations/{alert.station}/nights",
        "proof": None if station is None else proof_figure(alert.condition, station),
        "cautions": [(letter, text) for text, letter in letters.items()],
        "steps": [Step(check, [letters[text] for text in check.cautions]) for check in alert.field_checks],
        "effort_words": EFFORT_WORDS,
        "causes": causes,
        "rest": rest,
        "cause_words": _cause_words(room, alert),
        "runners": [
            Runner(
                r.condition,
                room.knowledge.entries[r.condition].title,
                percent(r.confidence),
                condition_glyph(r.condition),
            )
            for r in alert.runners_up
        ],
        "findings": [finding(f, zone, now_s, actor) for f in room.desk.findings(alert_id=alert.alert_id)],
        "history": [told(line, zone, now_s) for line in room.desk.history(alert.alert_id)],
        "profile_version": alert.profile_version,
        "zone_name": zone,
        "local_now": local_input_text(now_s, zone),
    }


def _rests_on(view: AlertView) -> int | None:
    """Data time of the figures where they are later than the raise: what stands is looked at again."""
    to_s = int(view.alert.data_window.to_at.timestamp())
    return to_s if to_s > view.raised_s else None


def acts(view: AlertView, actor: Actor) -> dict[str, bool]:
    """What this person may do with this alert in its state of now."""
    return {
        "acknowledge": "acknowledge" in view.may and may(actor, Act.ACKNOWLEDGE),
        "reset": "reset" in view.may and may(actor, Act.ACKNOWLEDGE),
        "may_acknowledge": may(actor, Act.ACKNOWLEDGE),
        "shelve": "shelve" in view.may and view.alert.state != "normal" and may(actor, Act.SHELVE),
        "unshelve": "unshelve" in view.may and may(actor, Act.SHELVE),
        "suppress": is_listed(view.alert.state, "suppress") and may(actor, Act.SUPPRESS),
        "record": may(actor, Act.RECORD_FINDING),
    }


def caution_letters(checks: tuple[FieldCheck, ...], order: tuple[str, ...]) -> dict[str, str]:
    """A letter for each caution that any check carries, most important first.

    All of them are said once before the checks, and each check names the letters it carries.
    order : cautions of the knowledge file, most important first; others follow
    """
    carried = dict.fromkeys(text for check in checks for text in check.cautions)
    ordered = [text for text in order if text in carried] + [text for text in carried if text not in order]
    return {text: _letter(n) for n, text in enumerate(ordered)}


def _letter(n: int) -> str:
    return ascii_uppercase[n] if n < len(ascii_uppercase) else f"{ascii_uppercase[-1]}{n}"


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


def proof_figure(condition: Condition, station: Station) -> tuple[str, str, str] | None:
    """The figure beside the readings over time that shows the condition best, where the station has one."""
    kind = PROOFS.get(condition)
    if kind in (None, "swing") or "flow" in station.tags:
        return next((figure for figure in FIGURES if figure[0] == kind), None)
    return None


def figures(room: Room, alert: Alert) -> list[Figure]:
    """The magnitude in figures; the words before the number are the name."""
    found: list[Figure] = []
    for text in sizes(alert.magnitude, room.registry.settings.units):
        words = text.split(" ")
        at = next((n for n, word in enumerate(words) if word[:1].isdigit() or word[:1] == "-"), 1)
        name = " ".join(words[:at]).rstrip(",").capitalize()
        name = name or "How far"
        if any(figure.name == name for figure in found):
            name = f"{name}, also"
        found.append(Figure(name, " ".join(words[at:])))
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
    return Told(moment(line.at_s, zone, now_s), line.sentence)
