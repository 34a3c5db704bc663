"""Which name is told, and when: invariants of the one decision that engine, scan and evaluation share."""

from hypothesis import given
from hypothesis import strategies as st

from steadyhead.diagnosis.forest import NONE, shipped
from steadyhead.diagnosis.weigh import LIKELY, RENAMED_FROM, UNLIKE_S, WAITED_S, Naming

RULES = ("drift", "creep", "set_changed", "sensor_fault", "unfamiliar")


def chances(**some):
    left = (1.0 - sum(some.values())) / (len(shipped().classes) - len(some))
    return {name: some.get(name, left) for name in shipped().classes}


@given(
    st.lists(
        st.tuples(
            st.sampled_from(RULES),
            st.sampled_from(RULES[:4]),
            st.floats(0.0, 0.95),
            st.floats(0.0, 3e5),
            st.booleans(),
        ),
        max_size=30,
    )
)
def test_one_name_is_told_once_however_many_rules_claim_it(steps):
    naming = Naming()
    open_now = set()
    for rule, name, p, age_s, ends in steps:
        if ends:
            told = naming.let_go(rule)
            if told is not None and told not in naming.held.values():
                open_now.discard(told)
            continue
        before = naming.held.get(rule, "")
        decided = naming.decide(rule, chances(**{name: p}), age_s)
        if decided is None:
            continue
        kind, told = decided
        if kind == "raised":
            assert told not in open_now
            open_now.add(told)
        elif kind == "renamed":
            assert told not in open_now
            open_now.discard(before)
            open_now.add(told)
        assert sorted(open_now) == sorted({held for held in naming.held.values() if held})


def test_a_doubtful_name_waits_for_another_look_and_is_told_in_the_end():
    doubtful = chances(drift=LIKELY - 0.05, creep=0.3, none=0.1)
    naming = Naming()
    assert naming.decide("drift", doubtful, 0.0) is None
    assert naming.decide("drift", doubtful, WAITED_S) == ("raised", "drift")


def test_what_is_likely_nothing_is_not_told():
    assert Naming().decide("drift", chances(none=0.6, drift=0.35), 1e6) is None


def test_another_name_has_to_be_clearly_likelier():
    naming = Naming()
    assert naming.decide("drift", chances(drift=0.7, none=0.05), 0.0) == ("raised", "drift")
    close = chances(drift=0.4, set_changed=0.4 + RENAMED_FROM - 0.02, none=0.02)
    assert naming.decide("drift", close, 4000.0) == ("stands", "drift")
    clear = chances(drift=0.3, set_changed=0.3 + RENAMED_FROM + 0.02, none=0.02)
    assert naming.decide("drift", clear, 8000.0) == ("renamed", "set_changed")
    assert naming.let_go("drift") == "set_changed"


def test_hours_that_are_only_unlike_call_nobody_for_two_days():
    naming = Naming()
    unlike = chances(**{NONE: 0.7})
    assert naming.decide("unfamiliar", unlike, 3600.0) is None
    assert naming.decide("unfamiliar", unlike, UNLIKE_S) == ("raised", "unfamiliar")


def test_more_flow_than_ever_is_told_though_nothing_wrong_is_likelier():
    found = Naming().decide("excess_demand", chances(none=0.6, excess_demand=0.25), 0.0)
    assert found == ("raised", "excess_demand")
    assert Naming().decide("drift", chances(none=0.6, drift=0.25), 0.0) is None
