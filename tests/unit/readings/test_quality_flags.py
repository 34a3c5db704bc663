"""Boolean questions to a series, answered from present and past."""

import inspect

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from steadyhead.readings import quality

nan = np.nan
values_lists = st.lists(st.one_of(st.just(nan), st.integers(0, 20).map(float)), max_size=40).map(np.array)

QUESTIONS = {
    "is_stuck": lambda v: quality.is_stuck(v, 3),
    "is_stuck within a tolerance": lambda v: quality.is_stuck(v, 3, tolerance=1.0),
    "is_spike": lambda v: quality.is_spike(v, 4.0),
    "has_returned_from_spike": lambda v: quality.has_returned_from_spike(v, 4.0),
    "is_out_of_range": lambda v: quality.is_out_of_range(v, 2.0, 18.0),
}


@pytest.mark.parametrize("question", QUESTIONS.values(), ids=QUESTIONS.keys())
@given(values=values_lists, cut=st.integers(0, 40))
def test_no_answer_changes_when_later_readings_come(question, values, cut):
    values = values.astype(float)
    before = values.copy()
    whole = question(values)
    assert whole.shape == values.shape
    np.testing.assert_array_equal(question(values[:cut]), whole[:cut])
    np.testing.assert_array_equal(values, before)  # the input is not touched


def test_run_lengths_count_up_and_end_at_a_gap():
    lengths = quality.run_lengths(np.array([1, 1, 1, 2, nan, 2, 2]))
    assert lengths.tolist() == [1, 2, 3, 1, 0, 1, 2]
    assert quality.run_lengths(np.zeros(0)).tolist() == []


def test_a_stuck_value_is_marked_from_the_reading_that_makes_it_so():
    values = np.array([5, 7, 7, 7, 7, 8.0])
    assert quality.is_stuck(values, 3).tolist() == [False, False, False, True, True, False]


def test_a_spike_is_marked_at_once_and_is_certain_when_it_has_returned():
    values = np.array([10, 10, 11, 10, 10, 60, 10, 11.0])
    assert np.flatnonzero(quality.is_spike(values, 20)).tolist() == [5]
    assert np.flatnonzero(quality.has_returned_from_spike(values, 20)).tolist() == [6]


def test_a_lasting_step_is_marked_only_until_the_median_follows():
    values = np.array([10.0] * 6 + [60.0] * 6)
    assert np.flatnonzero(quality.is_spike(values, 20, window=5)).tolist() == [6, 7, 8]
    assert not quality.has_returned_from_spike(values, 20).any()


@given(values=values_lists)
def test_spikes_are_what_the_obvious_way_gives(values):
    marked = quality.is_spike(values.astype(float), 4.0, window=5)
    for n in range(len(values)):
        known = [v for v in values[max(0, n - 5) : n] if v == v]
        expected = n >= 5 and len(known) > 2 and abs(values[n] - np.median(known)) > 4.0
        assert marked[n] == expected


def test_range_bounds_may_be_open():
    values = np.array([-1, 0, 5, 9, nan])
    assert quality.is_out_of_range(values, 0, None).tolist() == [True, False, False, False, False]
    assert quality.is_out_of_range(values, None, 5).tolist() == [False, False, False, True, False]
    assert not quality.is_out_of_range(values, None, None).any()


def test_flag_bits_are_single_distinct_and_documented():
    names = [name for name in vars(quality) if name.isupper() and name != "REFUSED"]
    bits = [int(getattr(quality, name)) for name in names]
    assert len(names) == 14
    assert len(set(bits)) == len(bits)
    assert all(bit.bit_count() == 1 and bit < 2**16 for bit in bits)
    source = inspect.getsource(quality)
    for name in names:
        assert f"\n{name} = np.uint16(1 << " in source
        assert f'{name} = np.uint16(1 << {int(getattr(quality, name)).bit_length() - 1})\n"""' in source
    assert quality.has(np.array([0, quality.SPIKE], dtype=np.uint16), quality.SPIKE).tolist() == [False, True]
