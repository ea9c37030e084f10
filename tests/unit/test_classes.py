"""Classes for selective assembly: each size in one at most, intervals that can't sort refused."""

from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.measuring.classes import ClassesRefused, build_classes


def classes(*intervals: tuple[str, str, str]):
    return build_classes([(name, Decimal(low), Decimal(high)) for name, low, high in intervals])


def test_a_common_end_belongs_to_the_upper_class_and_the_last_end_to_the_last():
    sorted_by = classes(("C", "12.012", "12.018"), ("A", "12.000", "12.006"), ("B", "12.006", "12.012"))
    sizes = ["11.999999", "12.000", "12.005999", "12.006", "12.011999", "12.012", "12.018", "12.018001"]
    assert [sorted_by.of(Decimal(size)) for size in sizes] == ["", "A", "A", "B", "B", "C", "C", ""]
    assert [one.name for one in sorted_by.ordered] == ["A", "B", "C"]
    assert sorted_by.gaps == ()


def test_a_size_in_a_gap_or_on_its_lower_end_is_in_no_class_and_the_gap_is_told():
    sorted_by = classes(("A", "12.000", "12.006"), ("B", "12.007", "12.012"))
    assert [sorted_by.of(Decimal(size)) for size in ("12.006", "12.0065", "12.007", "12.012")] == ["", "", "B", "B"]
    assert sorted_by.gaps == ((Decimal("12.006"), Decimal("12.007")),)


def test_one_class_is_closed_at_both_ends_and_none_holds_nothing():
    assert [classes(("A", "12", "12.01")).of(Decimal(size)) for size in ("12", "12.01")] == ["A", "A"]
    assert build_classes([]).of(Decimal(12)) == ""


@pytest.mark.parametrize("intervals, what", [
    ([("A", "12.006", "12.000")], "class 'A' (12.006 to 12.000) is crossed"),
    ([("A", "12.0", "12.1"), ("B", "12.1", "12.10")], "class 'B' (12.1 to 12.10) is empty"),
    ([("B", "12.005", "12.012"), ("A", "12.000", "12.006")],
     "classes 'A' (12.000 to 12.006) and 'B' (12.005 to 12.012) overlap"),
    ([("A", "12", "13"), ("B", "12", "13")], "classes 'A' (12 to 13) and 'B' (12 to 13) overlap"),
    ([("A", "12.0", "12.9"), ("B", "12.2", "12.3")], "classes 'A' (12.0 to 12.9) and 'B' (12.2 to 12.3) overlap"),
])
def test_intervals_that_can_not_sort_are_refused_by_name(intervals, what):
    with pytest.raises(ClassesRefused) as refused:
        classes(*intervals)
    assert refused.value.what == what
    assert refused.value.right and str(refused.value) == f"{what}; {refused.value.right}"


def test_sizes_in_a_refusal_are_plain_digits():
    with pytest.raises(ClassesRefused, match=r"0\.0000001 to 0\.0000001"):
        build_classes([("A", Decimal("1E-7"), Decimal("1E-7"))])


@given(cuts=st.lists(st.integers(0, 60), min_size=2, max_size=12, unique=True),
       missing=st.sets(st.integers(0, 10)), mixed=st.randoms())
def test_every_size_is_in_the_one_class_whose_interval_holds_it(cuts, missing, mixed):
    cuts = sorted(cuts)
    kept = [(f"class {at}", Decimal(low), Decimal(high)) for at, (low, high) in enumerate(pairwise(cuts))
            if at not in missing]
    last = max([high for _, _, high in kept], default=None)
    shuffled = mixed.sample(kept, len(kept))
    sorted_by = build_classes(shuffled)
    for half in range(-2, 124):
        size = Decimal(half) / 2
        held = [name for name, low, high in kept if low <= size < high or size == high == last]
        assert len(held) <= 1
        assert sorted_by.of(size) == (held[0] if held else "")
    assert sorted_by.gaps == tuple((one[2], after[1]) for one, after in pairwise(kept) if one[2] != after[1])


intervals = st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20)), max_size=4)


@given(found=intervals)
def test_what_is_refused_is_exactly_what_is_crossed_empty_or_shares_a_size(found):
    shares = any(max(one[0], other[0]) < min(one[1], other[1]) for at, one in enumerate(found) for other in found[:at])
    is_refused = shares or any(low >= high for low, high in found)
    given_ = [(str(at), Decimal(low), Decimal(high)) for at, (low, high) in enumerate(found)]
    if not is_refused:
        assert len(build_classes(given_).ordered) == len(found)
        return
    with pytest.raises(ClassesRefused):
        build_classes(given_)
