"""The page on alerts says what the code does; its tables are looked up in it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from steadyhead.alerts.lifecycle import STATES
from steadyhead.desk import acting, likelihoods, load, proof
from steadyhead.desk.guard import GUARDS
from steadyhead.desk.load import alarm_load
from steadyhead.diagnosis.phrases import duration_text

PAGE = (Path(__file__).parents[3] / "docs" / "alerts.md").read_text()
WORDS = " ".join(PAGE.split())


@pytest.mark.parametrize("state", STATES)
def test_every_state_is_explained(state: str) -> None:
    assert re.search(rf"^\|.*`{state}`.*\| \S", PAGE, re.MULTILINE)


@pytest.mark.parametrize("condition", GUARDS)
def test_the_guard_of_every_condition_is_the_one_in_the_table(condition: str) -> None:
    chatter = PAGE[PAGE.index("## No chatter") : PAGE.index("## Alarm load")]
    row = re.search(rf"^\|[^|]*`{condition}`[^|]*\| ([^|]*) \| ([^|]*) \|$", chatter, re.MULTILINE)
    assert row is not None
    guard = GUARDS[condition]
    assert row[1] == f"{guard.join_s // 3600} h"
    short = f"{guard.quiet_s // 60} min" if guard.quiet_s < 3600 else f"{guard.quiet_s // 3600} h"
    assert row[2] == short


def test_numbers_in_the_text_are_those_of_the_code() -> None:
    assert f"an end within {acting.MOST_SHELVED_S // 86400} days" in WORDS
    assert f"counts as {likelihoods.PRIOR_FINDINGS:.0f} findings" in WORDS
    assert f"over {proof.LEAST_AFTER_H:.0f} regulating hours" in WORDS
    assert f"at most {proof.MOST_BEFORE_S // 86400} days" in WORDS
    assert f"from {duration_text(proof.SETTLE_S)} after" in WORDS
    assert f"at least {proof.LEAST_HELD:.0%}".replace("%", " %") in WORDS
    assert f"judged from {load.LEAST_CALLS} calls on" in WORDS
    assert f"{load.PRIORITY_SLACK * 100:.0f} points above its target" in WORDS


@pytest.mark.parametrize(
    ("name", "row"),
    [
        ("mean", f"mean | at most {load.MEAN_TARGET:g} | EEMUA 191"),
        ("peak", f"highest | at most {load.FLOOD_CALLS:g} | ISA-18.2"),
        ("over_share", f"(floods) | at most {load.OVER_SHARE_TARGET * 100:.0f} % | ISA-18.2"),
        ("stale", f"the span | fewer than {load.STALE_TARGET} | ISA-18.2"),
        ("chattering", "chattering | none | ISA-18.2"),
        ("priority_split", "high priority | about 80, 15, 5 % | EEMUA 191, ISA-18.2"),
        ("top_share", f"call most | at most {load.TOP_SHARE_TARGET * 100:.0f} % | ISA-18.2"),
    ],
)
def test_every_target_is_in_the_table_with_its_source(name: str, row: str) -> None:
    assert name in {target.name for target in alarm_load([], [], 0, 600).targets}
    assert row in PAGE


def test_every_figure_of_a_proof_is_in_the_table() -> None:
    source = Path(proof.__file__).read_text()
    figures = re.findall(r'^        "([a-z_]+)": (?:below|Figure|_lock_up)\(', source, re.MULTILINE)
    assert len(figures) == 7
    for figure in figures:
        assert f"| `{figure}`: " in PAGE
