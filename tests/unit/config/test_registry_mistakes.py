# ruff: noqa: E501  whole messages and whole files stand on one line each
"""Every mistake in a registry is reported at once: file, line, key, what was met, what to do."""

import pytest

from steadyhead.config import load_registry, parse_registry
from steadyhead.errors import RegistryError

GOOD = """\
utility: Marrow Vale
settings: {display_units: psi_gpm}
stations:
  elm_street:
    time_zone: Europe/London
    step_s: 60
    tags:
      outlet:
        tag: PT2
        unit: psi
    sources:
      - path: a.csv
"""


def mistakes(text):
    with pytest.raises(RegistryError) as error:
        parse_registry(text)
    return str(error.value).splitlines()


def test_the_good_file_has_none():
    parse_registry(GOOD)


# Each: what to replace, by what, and the whole line that must be said.
CASES = {
    "unknown unit": (
        "unit: psi",
        "unit: psig",
        (
            'stations.yaml:10 stations.elm_street.tags.outlet.unit: "psig" is not a known unit; use one of kPa, psi, '
            "bar, MPa, m, ft, kgf/cm2, L/s, L/min, m3/h, ML/d, gpm, imp gpm, MGD, ft3/s; did you mean psi?"
        ),
    ),
    "unknown key": (
        "unit: psi",
        "unit: psi\n        scal: 2",
        (
            'stations.yaml:11 stations.elm_street.tags.outlet.scal: "scal" is not a known key; did you mean scale? '
            "(known: deadband, high, low, offset, scale, tag, unit)"
        ),
    ),
    "unknown role": (
        "outlet:",
        "outlett:",
        (
            'stations.yaml:8 stations.elm_street.tags.outlett: "outlett" is not a known key; did you mean outlet? '
            "(known: inlet, outlet, flow, command)"
        ),
    ),
    "no outlet": (
        "outlet:",
        "inlet:",
        (
            "stations.yaml:7 stations.elm_street.tags: has no outlet; a station needs at least the tag of its outlet "
            "pressure"
        ),
    ),
    "missing zone": (
        "    time_zone: Europe/London\n",
        "",
        (
            "stations.yaml:4 stations.elm_street.time_zone: is missing, so times without an offset cannot be placed; "
            "add the zone of the log's clock, for example time_zone: Europe/London"
        ),
    ),
    "unknown zone": (
        "Europe/London",
        "Europe/Lundon",
        (
            'stations.yaml:5 stations.elm_street.time_zone: "Europe/Lundon" is not a time zone; use an IANA name such '
            "as Europe/London, America/Chicago or UTC; did you mean Europe/London?"
        ),
    ),
    "flow unit for a pressure": (
        "unit: psi",
        "unit: gpm",
        (
            'stations.yaml:10 stations.elm_street.tags.outlet.unit: "gpm" does not measure a pressure, which outlet is; '
            "use one of kPa, psi, bar, MPa, m, ft, kgf/cm2"
        ),
    ),
    "word for a number": (
        "step_s: 60",
        "step_s: a minute",
        'stations.yaml:6 stations.elm_street.step_s: "a minute" is not a whole number; write digits only',
    ),
    "number out of bounds": (
        "step_s: 60",
        "step_s: 0",
        'stations.yaml:6 stations.elm_street.step_s: "0" must be 1 or more; mend the number or its unit',
    ),
    "unknown word": (
        "psi_gpm",
        "psi_gmp",
        (
            'stations.yaml:2 settings.display_units: "psi_gmp" is not known here; use one of kpa_lps, psi_gpm, bar_m3h, '
            "m_lps; did you mean psi_gpm?"
        ),
    ),
    "a source without files": (
        "path: a.csv",
        "path: []",
        "stations.yaml:12 stations.elm_street.sources[0].path: a list is empty; add at least 1",
    ),
    "bad time format": (
        "path: a.csv",
        "path: a.csv\n        time_format: dd/mm/yyyy",
        (
            'stations.yaml:13 stations.elm_street.sources[0].time_format: "dd/mm/yyyy" is not a time format; use iso, '
            'epoch_s, epoch_ms, epoch_us, epoch_ns, or such as "%d/%m/%Y %H:%M"'
        ),
    ),
    "on change without heartbeat": (
        "step_s: 60",
        "step_s: 60\n    reporting: on_change",
        (
            "stations.yaml:7 stations.elm_street.reporting: is on_change, so heartbeat_s is needed: the longest silence, "
            'in seconds, that still means "unchanged"; add it, for example heartbeat_s: 3600'
        ),
    ),
    "block where a value should be": (
        "path: a.csv",
        "path: {a: b}",
        (
            "stations.yaml:12 stations.elm_street.sources[0].path: a block of keys is not a list; write each item on its "
            'own line after "- "'
        ),
    ),
    "station name that is no file name": (
        "elm_street:",
        "elm/street:",
        'stations.yaml:4 stations.elm/street: "elm/street" cannot name a station; use letters, digits, "_", "-", "."',
    ),
    "bad set pressure": (
        "step_s: 60",
        "step_s: 60\n    set_pressure: {nominal_kpa: 60 psii}",
        (
            'stations.yaml:7 stations.elm_street.set_pressure.nominal_kpa: "psii" is not a known unit; use one of kPa, '
            "psi, bar, MPa, m, ft, kgf/cm2; did you mean psi?"
        ),
    ),
    "bad schedule": (
        "step_s: 60",
        "step_s: 60\n    set_pressure: {schedule: [{from: 25:00, kpa: 300}]}",
        (
            'stations.yaml:7 stations.elm_street.set_pressure.schedule[0].from: "25:00" is not a time of day; write '
            '"HH:MM", from "00:00" to "23:59"'
        ),
    ),
    "learning span turned round": (
        "step_s: 60",
        "step_s: 60\n    learn: {from: 2025-02-01, to: 2025-01-01}",
        "stations.yaml:7 stations.elm_street.learn.to: is not after from; swap or mend them",
    ),
}


@pytest.mark.parametrize(("old", "new", "said"), CASES.values(), ids=CASES.keys())
def test_a_mistake_is_said_with_line_key_and_remedy(old, new, said):
    assert old in GOOD
    assert mistakes(GOOD.replace(old, new)) == [said]


def test_all_mistakes_are_said_at_once_in_the_order_of_lines():
    text = GOOD.replace("psi_gpm", "x").replace("London", "Lundon").replace("unit: psi", "unit: y")
    assert [line.split(" ")[0] for line in mistakes(text)] == [
        "stations.yaml:2",
        "stations.yaml:5",
        "stations.yaml:10",
    ]


def test_a_station_that_stands_twice_is_said_with_both_lines():
    text = GOOD + GOOD.split("stations:\n")[1]
    assert mistakes(text) == [
        "stations.yaml:13 stations.elm_street: stands twice, first on line 4; keep one and remove or rename the other"
    ]


def test_a_key_that_stands_twice_is_said():
    text = GOOD.replace("step_s: 60", "step_s: 60\n    step_s: 900")
    assert mistakes(text) == [
        (
            "stations.yaml:7 stations.elm_street.step_s: stands twice, first on line 6; "
            "keep one and remove or rename the other"
        )
    ]


def test_names_that_differ_by_capitals_only_are_said():
    text = GOOD + GOOD.split("stations:\n")[1].replace("elm_street", "Elm_Street")
    assert mistakes(text) == [
        (
            'stations.yaml:13 stations.Elm_Street: differs from "elm_street" only by capital letters; '
            "give one of them another name"
        )
    ]


def test_a_mistake_in_the_defaults_is_said_once_and_there():
    stations = GOOD.split("stations:\n")[1]
    text = "defaults:\n  reporting: onchange\nstations:\n" + stations + stations.replace("elm", "oak")
    assert mistakes(text) == [
        (
            'stations.yaml:2 defaults.reporting: "onchange" is not known here; use one of sampled, on_change; '
            "did you mean on_change?"
        )
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "stations.yaml: is empty; see docs/registry.md for an example to start from"),
        ("# only a comment\n", "stations.yaml: is empty"),
        ("- a\n- b\n", "stations.yaml:1: holds no keys; it must start with stations:"),
        ("utility: x\n", "stations.yaml:1 stations: is missing; add a block of stations"),
        ("stations:\n", "stations.yaml:1 stations: nothing is not a block of keys"),
        ("stations: {}\n", "stations.yaml:1 stations: a block of keys is empty; add at least 1"),
        ("a: [1\nb: 2\n", "stations.yaml:2: cannot be read as YAML"),
        ("a:\n\t- 1\n", "stations.yaml:2: cannot be read as YAML"),
        ("a: &x [*x]\n", "anchors (& and *) repeat too much here"),
        ("a: \x00\n", "cannot be read as YAML"),
    ],
)
def test_an_unreadable_file_gives_one_clear_line(text, said):
    lines = mistakes(text)
    assert len(lines) == 1
    assert said in lines[0]


def test_a_missing_file_and_one_that_is_not_text_are_said(tmp_path):
    with pytest.raises(
        RegistryError, match=r"none\.yaml: there is no such file; give the path of a YAML file"
    ):
        load_registry(tmp_path / "none.yaml")
    (tmp_path / "latin.yaml").write_bytes(b"a: 1\nb: M\xfcller\n")
    with pytest.raises(RegistryError, match=r"latin\.yaml:2: is not UTF-8 text; save the file as UTF-8"):
        load_registry(tmp_path / "latin.yaml")


def test_anchors_that_multiply_end_with_an_error_not_with_the_memory():
    text = "a: &a [x, x, x, x, x, x, x, x]\n"
    for n in range(9):
        name, below = chr(ord("b") + n), chr(ord("a") + n)
        text += f"{name}: &{name} [{', '.join(['*' + below] * 8)}]\n"
    assert "anchors (& and *) repeat too much here" in mistakes(text)[0]
