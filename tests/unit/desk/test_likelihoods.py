"""Findings move likelihoods; whatever is found, shares stay shares."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from steadyhead.desk.likelihoods import PRIOR_FINDINGS, Found, moved_knowledge, posterior
from steadyhead.diagnosis.causes import Knowledge, load_knowledge

Drawn = tuple[list[float], list[int], int, int, int]

causes = st.integers(1, 8).flatmap(
    lambda n: st.tuples(
        st.lists(st.floats(0.0, 1.0), min_size=n, max_size=n),
        st.lists(st.integers(0, 400), min_size=n, max_size=n),
        st.integers(0, 400),
        st.integers(0, n - 1),
        st.integers(1, 200),
    )
)


def as_shares(weights: list[float]) -> list[float]:
    return [w / max(sum(weights), 1.0) for w in weights]


def place(shares: list[float], cause: int) -> int:
    """How many other causes are likelier."""
    return sum(share > shares[cause] for share in shares)


@given(causes)
def test_shares_stay_between_0_and_1_and_add_up_to_1(
    given_: Drawn,
) -> None:
    weights, counts, other, *_ = given_
    moved, rest = posterior(as_shares(weights), counts, other)
    assert all(0.0 <= share <= 1.0 for share in (*moved, rest))
    assert sum(moved) + rest == pytest.approx(1.0, abs=1e-9)


@given(causes)
def test_more_findings_of_a_cause_never_lower_its_rank_or_its_share(
    given_: Drawn,
) -> None:
    weights, counts, other, cause, more = given_
    before, _ = posterior(as_shares(weights), counts, other)
    counts = [n + more * (i == cause) for i, n in enumerate(counts)]
    after, _ = posterior(as_shares(weights), counts, other)
    assert place(after, cause) <= place(before, cause)
    assert after[cause] >= before[cause] - 1e-12


def test_the_posterior_by_hand() -> None:
    # by hand: W = 20; shares 0.5, 0.3 and 0.2 left; findings 1, 6, 3 others
    moved, rest = posterior([0.5, 0.3], [1, 6], 3)
    assert PRIOR_FINDINGS == 20
    assert moved == pytest.approx([11 / 30, 12 / 30])
    assert rest == pytest.approx(7 / 30)


def test_without_findings_nothing_moves() -> None:
    knowledge = load_knowledge()
    moved = moved_knowledge(knowledge, "drift", {"direction": "up"}, [])
    for condition, entry in knowledge.entries.items():
        for cause, same in zip(entry.causes, moved.entries[condition].causes, strict=True):
            assert same.likelihood == pytest.approx(cause.likelihood)


def likelihood(knowledge: Knowledge, key: str, direction: str) -> float:
    return next(
        c.likelihood
        for c in knowledge.entries["drift"].causes
        if c.key == key and direction in c.when.get("direction", (direction,))
    )


def test_findings_of_one_direction_say_nothing_of_the_other() -> None:
    knowledge, up = load_knowledge(), {"direction": "up"}
    found = [Found("air_in_chamber", up)] * 30
    moved = moved_knowledge(knowledge, "drift", up, found)
    first = max(
        (c for c in moved.entries["drift"].causes if "up" in c.when.get("direction", ("up",))),
        key=lambda c: c.likelihood,
    )
    assert first.key == "air_in_chamber"
    # by hand: (20 * 0.1 + 30) / 50
    assert first.likelihood == pytest.approx(0.64)
    down = moved_knowledge(knowledge, "drift", {"direction": "down"}, found)
    assert likelihood(down, "pilot_spring_tired", "down") == pytest.approx(
        likelihood(knowledge, "pilot_spring_tired", "down")
    )


def test_a_finding_without_an_alert_counts_for_both_directions() -> None:
    knowledge = load_knowledge()
    for direction in ("up", "down"):
        moved = moved_knowledge(
            knowledge, "drift", {"direction": direction}, [Found("transmitter_offset", {})]
        )
        before = likelihood(knowledge, "transmitter_offset", direction)
        assert likelihood(moved, "transmitter_offset", direction) == pytest.approx((20 * before + 1) / 21)


def test_free_text_lowers_all_alike() -> None:
    knowledge, up = load_knowledge(), {"direction": "up"}
    moved = moved_knowledge(knowledge, "drift", up, [Found(None, up)] * 20)
    assert likelihood(moved, "air_in_chamber", "up") == pytest.approx(
        likelihood(knowledge, "air_in_chamber", "up") / 2
    )
    assert moved.entries["creep"] is knowledge.entries["creep"]
