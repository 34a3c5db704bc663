from __future__ import annotations

import itertools
import re

import pytest

from steadyhead.alerts.model import EFFORTS, PRIORITIES
from steadyhead.conditions import sensor_fault
from steadyhead.diagnosis.causes import TRAITS, applies, load_knowledge
from steadyhead.errors import RegistryError
from steadyhead.types import CONDITIONS

KNOWLEDGE = load_knowledge()
ALL_TRAITS = [dict(zip(TRAITS, values, strict=True)) for values in itertools.product(*TRAITS.values())]


@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_condition_is_explained_and_ranked(condition):
    entry = KNOWLEDGE.entries[condition]
    assert entry.meaning.endswith(".")
    assert entry.priority in PRIORITIES
    assert "_" not in entry.title


@pytest.mark.parametrize("condition", CONDITIONS)
def test_likelihoods_of_what_can_apply_together_are_shares(condition):
    for traits in [{}, *ALL_TRAITS]:
        chosen = [c for c in KNOWLEDGE.entries[condition].causes if applies(c.when, traits)]
        assert chosen
        assert 0 < sum(cause.likelihood for cause in chosen) <= 1 + 1e-9
        assert len({cause.key for cause in chosen}) == len(chosen)


@pytest.mark.parametrize("condition", CONDITIONS)
def test_checks_begin_free_and_end_with_what_isolates(condition):
    for traits in [{}, *ALL_TRAITS]:
        efforts = [
            EFFORTS.index(c.effort) for c in KNOWLEDGE.entries[condition].checks if applies(c.when, traits)
        ]
        assert efforts == sorted(efforts)
        assert efforts[0] == EFFORTS.index("free")


# Common practice, no source: reference sheet on field practice, "before touching anything".
@pytest.mark.parametrize("condition", CONDITIONS)
def test_what_isolates_the_station_carries_the_usual_cautions(condition):
    wanted = ("local_rules", "system_effect", "confined_space", "isolation")
    for check in KNOWLEDGE.entries[condition].checks:
        if check.effort == "isolates":
            carried = KNOWLEDGE.cautions_of(check)
            assert {KNOWLEDGE.cautions[name] for name in wanted} <= set(carried)
        if check.effort != "free":
            assert KNOWLEDGE.cautions["local_rules"] in KNOWLEDGE.cautions_of(check)


@pytest.mark.parametrize("condition", CONDITIONS)
def test_turning_the_pilot_or_moving_cocks_warns_of_the_system_and_of_the_pressure(condition):
    for check in KNOWLEDGE.entries[condition].checks:
        text = check.text.lower()
        if check.effort != "free" and re.search(
            r"\b(pilot screw|turn the pilot|needle|cocks?|vent the)\b", text
        ):
            if "impulse line" in text:
                continue  # a transmitter's own cock moves no water
            carried = KNOWLEDGE.cautions_of(check)
            assert KNOWLEDGE.cautions["system_effect"] in carried, check.text
            assert KNOWLEDGE.cautions["over_pressure"] in carried, check.text


def test_local_rules_come_before_every_other_caution():
    assert next(iter(KNOWLEDGE.cautions)) == "local_rules"
    assert list(KNOWLEDGE.cautions)[1] == "system_effect"


# Common practice, no source: the first step for a drift is to compare the transmitter with a gauge; what
# telemetry alone cannot tell must not send somebody to the pilot.
@pytest.mark.parametrize("condition", ["drift", "set_changed", "sensor_fault"])
def test_the_gauge_comes_before_anything_is_touched(condition):
    checks = KNOWLEDGE.entries[condition].checks
    gauge = next(n for n, check in enumerate(checks) if "calibrated gauge" in check.text)
    touched = [n for n, check in enumerate(checks) if check.effort != "free"]
    assert gauge < min(touched)


def test_every_caution_is_used_and_every_hint_name_is_used():
    from typing import get_args

    from steadyhead.diagnosis.hints import HintName

    checks = [check for entry in KNOWLEDGE.entries.values() for check in entry.checks]
    used = {name for check in checks for name in check.cautions}
    used |= {name for names in KNOWLEDGE.cautions_by_effort.values() for name in names}
    assert used == set(KNOWLEDGE.cautions)
    assert {check.hint for check in checks} - {None} == set(get_args(HintName))


def test_every_kind_of_sensor_fault_that_is_judged_has_a_cause_of_its_own():
    kinds = {name.replace(" ", "_") for name in sensor_fault.KIND_NAMES if name}
    assert kinds <= set(TRAITS["kind"])
    for kind in kinds:
        own = [
            c for c in KNOWLEDGE.entries["sensor_fault"].causes if c.when and applies(c.when, {"kind": kind})
        ]
        assert own, kind


def test_the_header_of_the_packaged_file_names_every_word_that_may_be_used():
    from importlib.resources import files

    text = files("steadyhead.diagnosis").joinpath("causes.yaml").read_text(encoding="utf-8")
    header = text[: text.index("\nversion:")]
    for word in [*TRAITS, *itertools.chain(*TRAITS.values()), *EFFORTS, *PRIORITIES]:
        assert re.search(rf"\b{word}\b", header), word


@pytest.mark.parametrize(
    ("when", "traits", "is_met"),
    [
        ({}, {}, True),
        ({"direction": ("up",)}, {"direction": "up"}, True),
        ({"direction": ("up",)}, {"direction": "down"}, False),
        ({"direction": ("up",)}, {}, False),
        ({"kind": ("stuck", "offset")}, {"kind": "offset"}, True),
        ({"kind": ("stuck",), "channel": ("flow",)}, {"kind": "stuck", "channel": "inlet"}, False),
    ],
)
def test_when_must_match_every_word_and_an_unknown_word_matches_nothing(when, traits, is_met):
    assert applies(when, traits) is is_met


def override(tmp_path, text):
    path = tmp_path / "causes.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_utility_replaces_what_it_names_and_keeps_the_rest(tmp_path):
    path = override(
        tmp_path,
        """
version: 1
cautions:
  ask_pat: Ask Pat in the depot before you drive.
  potable: Our own rule for drinking water.
cautions_by_effort:
  cheap: [ask_pat]
conditions:
  creep:
    priority: high
    causes:
      - {key: grit, text: Grit from the new main, likelihood: 0.9}
""",
    )
    merged = load_knowledge(path)
    packaged = KNOWLEDGE.entries["creep"]
    assert merged.entries["creep"].priority == "high"
    assert [cause.key for cause in merged.entries["creep"].causes] == ["grit"]
    assert merged.entries["creep"].checks == packaged.checks
    assert merged.entries["drift"] == KNOWLEDGE.entries["drift"]
    assert merged.cautions["potable"] == "Our own rule for drinking water."
    cheap = next(check for check in packaged.checks if check.effort == "cheap")
    assert set(KNOWLEDGE.cautions_of(cheap)) < set(merged.cautions_of(cheap))
    assert "Ask Pat in the depot before you drive." in merged.cautions_of(cheap)


def drift(lines):
    return "version: 1\nconditions:\n  drift:\n" + "".join(f"    {line}\n" for line in lines)


def causes(*items):
    return drift(["causes:", *(f"  - {{{item}}}" for item in items)])


def checks(*items):
    return drift(["checks:", *(f"  - {{{item}}}" for item in items)])


MISTAKES = [
    ("version: 1\nconditions:\n  drfit: {title: x}\n", "causes.yaml:3 .*did you mean drift"),
    (drift(["prioriti: high"]), "causes.yaml:4 .*did you mean priority"),
    (drift(["priority: urgent"]), 'causes.yaml:4 .*"urgent" .*low, medium, high'),
    (drift(["causes: []"]), "causes.yaml:4 .*empty list; add one"),
    (causes("key: A b, text: x, likelihood: 0.5"), 'causes.yaml:5 .*"A b" is not a name'),
    (causes("key: a, text: x, likelihood: 1.5"), "causes.yaml:5 .*must be 1.0 or less"),
    (causes("key: a, likelihood: 0.5"), "causes.yaml:5 .*text: is missing"),
    (
        causes("key: a, text: x, likelihood: 0.5, when: {directon: up}"),
        "causes.yaml:5 .*did you mean direction",
    ),
    (causes("key: a, text: x, likelihood: 0.5, when: {kind: stuk}"), "causes.yaml:5 .*did you mean stuck"),
    (
        causes("key: a, text: x, likelihood: 0.5, when: {kind: stuck}"),
        "causes.yaml:4 .*one that always applies",
    ),
    (
        causes("key: a, text: x, likelihood: 0.6", "key: b, text: x, likelihood: 0.6, when: {direction: up}"),
        "causes.yaml:4 .*add up to 1.2 where direction is up",
    ),
    (
        causes("key: a, text: x, likelihood: 0.1", "key: a, text: y, likelihood: 0.1"),
        'causes.yaml:4 .*cause "a" stands twice',
    ),
    (checks("text: go, effort: fre"), 'causes.yaml:5 .*"fre" .*use one of free'),
    (checks("text: go, effort: free, hint: pilot_trun"), "causes.yaml:5 .*did you mean pilot_turn"),
    (checks("text: go, effort: cheap"), "causes.yaml:5 .*first check must be free"),
    (
        checks("text: go, effort: free", "text: go, effort: isolates", "text: go, effort: cheap"),
        'causes.yaml:7 .*"cheap" comes after one of "isolates"; move it up',
    ),
    (
        checks("text: go, effort: free, cautions: [sytem_effect]"),
        "causes.yaml:5 .*did you mean system_effect",
    ),
    ("version: 1\nversion: 1\n", "causes.yaml:2 .*stands twice"),
    ("version: 2\n", "causes.yaml:1 version: .*must be 1 or less"),
    ("conditions: {}\n", "version: is missing"),
    ("[1, 2]\n", "causes.yaml:1"),
    ("a: [\n", "cannot be read as YAML"),
]


@pytest.mark.parametrize(("text", "words"), MISTAKES)
def test_a_mistake_is_named_with_file_line_and_fix(tmp_path, text, words):
    with pytest.raises(RegistryError, match=words):
        load_knowledge(override(tmp_path, text))


def test_all_mistakes_are_told_at_once(tmp_path):
    text = drift(["prioriti: high", "checks:", "  - {text: go, effort: fre}", "  - {text: go, effort: chep}"])
    with pytest.raises(RegistryError) as caught:
        load_knowledge(override(tmp_path, text))
    assert [line.split()[0] for line in str(caught.value).splitlines()] == [
        "causes.yaml:4",
        "causes.yaml:6",
        "causes.yaml:7",
    ]


def test_a_missing_override_file_is_named(tmp_path):
    with pytest.raises(RegistryError, match=r"nowhere\.yaml: there is no such file"):
        load_knowledge(tmp_path / "nowhere.yaml")
