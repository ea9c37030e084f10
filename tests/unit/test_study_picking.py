"""Readings picked out of the journal for a study: what counts, what does not, and that nothing in doubt is taken silently."""

import json
from bisect import bisect_left
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from collector.record import Record, detail, number
from collector.study.picking import Picking, out_of_order
from collector.study.planning import StudyPlan, draw

SERIALS, OPERATORS = ("S1", "S2", "S3"), ("anna", "ben")
PLAN = StudyPlan(site="s", made="2026-03-02T07:00:00.000000Z", journal="J", after=0, part="PH-200", characteristic="bore", unit="mm", seed=5,
                 serials=SERIALS, operators=OPERATORS, trials=2, runs=draw(SERIALS, OPERATORS, 2, 5))


def record(seq: int, serial: str, operator: str, value: str = "12.003", **more) -> Record:
    told = dict(kind="measurement", part="PH-200", characteristic="bore", unit="mm", port="column", channel="A1") | more
    return Record(seq=seq, id=f"s-J-{seq}", time=f"2026-03-02T07:{seq // 60:02d}:{seq % 60:02d}.000000Z", serial=serial, operator=operator,
                  value=number(Decimal(value)), **told)


def as_planned(first: int = 1) -> list[Record]:
    return [record(seq, run.serial, run.operator, f"12.{seq:03d}") for seq, run in enumerate(PLAN.runs, start=first)]


def picked(records, **more):
    picking = Picking(PLAN, **more)
    for one in records:
        picking.feed(one)
    return picking.picked()


def whys(found) -> list[tuple[int, bool, str]]:
    return [(one.reading.seq, one.counts, one.why) for one in found.doubts]


def test_readings_as_planned_are_the_study_and_nothing_is_odd():
    found = picked(as_planned())
    assert found.is_complete and found.doubts == () and [(one.run, one.reading.seq) for one in found.counted] == [
        (run, run.run) for run in PLAN.runs]


def test_a_reading_right_after_another_of_the_same_part_is_a_repeat_and_the_first_one_counts():
    records = as_planned()
    again = record(100, PLAN.runs[2].serial, PLAN.runs[2].operator)
    found = picked([*records[:3], again, *records[3:]])
    assert found.is_complete and [one.reading.seq for one in found.counted] == list(range(1, 13))
    assert whys(found) == [(100, False, "a repeat: the same part by the same operator came just before, which no plan has")]


def test_a_third_reading_in_a_row_is_a_repeat_too():
    records = as_planned()
    again = [record(100 + at, PLAN.runs[0].serial, PLAN.runs[0].operator) for at in range(3)]
    found = picked([records[0], *again, *records[1:]])
    assert found.is_complete and [one.reading.seq for one in found.doubts] == [100, 101, 102]


def test_one_too_many_does_not_count_and_is_listed():
    run = PLAN.runs[0]
    found = picked([*as_planned(), record(100, run.serial, run.operator)])
    assert [one.reading.seq for one in found.counted] == list(range(1, 13))
    assert whys(found) == [(100, False, "one too many: this part has its 2 readings by this operator, the first ones count")]


def test_a_reading_without_operator_serial_or_with_strange_ones_is_listed_and_leaves_its_run_missing():
    records = as_planned()
    run = PLAN.runs[4]
    for serial, operator, why in ((run.serial, "", "it has no operator"), ("", run.operator, "it has no serial"),
                                  (run.serial, "eve", "its operator 'eve' is none of the study's"),
                                  ("S33", run.operator, "its serial 'S33' is none of the study's parts")):
        found = picked([*records[:4], record(5, serial, operator), *records[5:]])
        assert found.missing and whys(found)[0] == (5, False, why)


def test_what_names_nothing_of_the_study_is_only_counted():
    found = picked([record(90, "", ""), record(91, "H7", "eve"), *as_planned()])
    assert found.is_complete and found.others == 2 and found.doubts == ()


def test_other_parts_characteristics_and_masters_are_none_of_it():
    found = picked([record(90, "S1", "anna", part="PH-210"), record(91, "S1", "anna", characteristic="seat"), record(92, "S1", "anna", kind="master"),
                    record(93, "S1", "anna", kind="reading"), *as_planned()])
    assert found.is_complete and found.others == 0 and found.doubts == ()


def test_over_range_with_a_part_of_the_study_on_is_counted():
    gone = Record(seq=90, id="x", time="", kind="over-range", part="PH-200", characteristic="bore", serial="S1")
    assert picked([gone, *as_planned()]).over_range == 1


def test_a_flag_against_the_size_is_listed_and_counts_one_of_the_clock_is_not_even_listed():
    records = as_planned()
    records[3] = record(4, PLAN.runs[3].serial, PLAN.runs[3].operator, flags=("clock-unsynchronised", "no-master-check"))
    records[5] = record(6, PLAN.runs[5].serial, PLAN.runs[5].operator, flags=("clock-unsynchronised",))
    found = picked(records)
    assert found.is_complete and whys(found) == [(4, True, "flagged no-master-check")]


def test_a_reading_behind_a_failed_check_does_not_count_unless_a_person_says_so():
    records = as_planned()
    records[3] = record(4, PLAN.runs[3].serial, PLAN.runs[3].operator, flags=("failed-master-check",))
    found = picked(records)
    assert [run.run for run in found.missing] == [4] and whys(found) == [(4, False, "flagged failed-master-check")]
    found = picked(records, despite=[4])
    assert found.is_complete and whys(found) == [(4, True, "taken by hand, although flagged failed-master-check")]


def suspect(seq: int, first: int, last: int, port: str = "column", channel: str = "A1") -> Record:
    return Record(seq=seq, id="x", time="", kind="suspect", port=port, channel=channel,
                  detail=detail({"master": "RING", "first": first, "last": last, "count": 3}))


def test_a_check_that_fails_behind_the_study_takes_its_readings_back_and_new_ones_take_their_place():
    records = [*as_planned(), suspect(13, 11, 12)]
    found = picked(records)
    assert [run.run for run in found.missing] == [11, 12]
    assert whys(found)[0] == (11, False, "suspect: a master check failed behind it (record 13)")
    anew = [record(20 + run.run, run.serial, run.operator) for run in PLAN.runs[10:]]
    found = picked([*records, *anew])
    assert found.is_complete and [one.reading.seq for one in found.counted][-2:] == [31, 32]


def test_a_derived_size_is_suspect_where_what_it_is_made_of_is():
    plan = StudyPlan(**{field: getattr(PLAN, field) for field in PLAN.__struct_fields__} | {"characteristic": "taper"})
    records = []
    for at, run in enumerate(plan.runs):
        low, high, taper = 3 * at + 1, 3 * at + 2, 3 * at + 3
        records += [record(low, run.serial, run.operator, characteristic="low", channel="A1"),
                    record(high, run.serial, run.operator, characteristic="high", channel="B1"),
                    record(taper, run.serial, run.operator, characteristic="taper", kind="derived", port="", channel="",
                           detail=detail({"from": "high - low", "inputs": {"high": f"s-J-{high}", "low": f"s-J-{low}"}}))]
    for channel, missing in (("B1", [4, 5]), ("C1", []), ("A1", [4])):
        picking = Picking(plan)
        for one in [*records, suspect(90, 11 if channel == "B1" else 10, 14 if channel == "B1" else 12, channel=channel)]:
            picking.feed(one)
        assert [run.run for run in picking.picked().missing] == missing


def test_a_check_that_failed_on_another_circuit_takes_nothing_back():
    assert picked([*as_planned(), suspect(13, 1, 12, port="other"), suspect(14, 1, 12, channel="B1")]).is_complete


def test_a_reading_that_was_left_out_by_hand_makes_room_for_the_next():
    run = PLAN.runs[0]
    found = picked([*as_planned(), record(100, run.serial, run.operator)], without=[1])
    assert found.is_complete and 100 in [one.reading.seq for one in found.counted]
    assert (1, False, "left out by hand") in whys(found)


def test_a_reading_measured_anew_right_after_a_bad_one_is_no_repeat():
    records = as_planned()
    records[3] = record(4, PLAN.runs[3].serial, PLAN.runs[3].operator, flags=("failed-master-check",))
    found = picked([*records[:4], record(100, PLAN.runs[3].serial, PLAN.runs[3].operator), *records[4:]])
    assert found.is_complete and [one.counts for one in found.doubts] == [False]


def test_the_same_part_is_no_repeat_where_another_came_in_between_though_that_did_not_count():
    first, second = PLAN.runs[:2]
    bad = record(2, second.serial, second.operator, flags=("failed-master-check",))
    found = picked([record(1, first.serial, first.operator), bad, record(3, first.serial, first.operator)])
    assert [one.reading.seq for one in found.counted] == [1, 3]


def test_no_person_can_take_what_is_none_of_the_study():
    found = picked([record(1, "S1", "", flags=("failed-master-check",)), record(2, "S9", "anna", flags=("failed-master-check",))], despite=[1, 2])
    assert found.counted == () and [one.why for one in found.doubts] == ["it has no operator", "its serial 'S9' is none of the study's parts"]


def test_a_reading_in_another_unit_does_not_count():
    records = as_planned()
    records[0] = record(1, PLAN.runs[0].serial, PLAN.runs[0].operator, unit="in")
    assert whys(picked(records))[0] == (1, False, "its unit is in, the study's is mm")


def test_a_run_that_came_late_counts_and_is_listed_alone():
    records = as_planned()
    found = picked([*records[:2], *records[3:6], records[2], *records[6:]])
    assert found.is_complete and whys(found) == [(3, True, "out of order: it is run 3 of the plan")]


def test_a_study_half_done_says_what_is_missing_in_order_of_the_plan():
    found = picked(as_planned()[:7])
    assert [run.run for run in found.missing] == [8, 9, 10, 11, 12] and len(found.counted) == 7


def longest_rise(runs: list[int]) -> int:
    ends: list[int] = []
    for run in runs:
        at = bisect_left(ends, run)
        ends[at:at + 1] = [run]
    return len(ends)


@given(st.permutations(range(9)).flatmap(lambda runs: st.integers(0, 9).map(lambda cut: list(runs)[:cut])))
def test_the_fewest_are_called_out_of_order(runs):
    late = out_of_order(runs)
    kept = [run for at, run in enumerate(runs) if at not in late]
    assert kept == sorted(kept) and len(kept) == longest_rise(runs)


@given(st.lists(st.tuples(st.sampled_from((*SERIALS, "", "H7")), st.sampled_from((*OPERATORS, "", "eve")),
                          st.sampled_from(((), ("failed-master-check",), ("overdue-master",)))), max_size=40))
def test_every_reading_of_the_study_counts_or_is_listed_and_no_cell_has_too_many(said):
    records = [record(seq, serial, operator, flags=flags) for seq, (serial, operator, flags) in enumerate(said, start=1)]
    found = picked(records)
    counted = {one.reading.seq for one in found.counted}
    refused = {one.reading.seq for one in found.doubts if not one.counts}
    assert not counted & refused and len(counted) + len(refused) + found.others == len(records)
    runs = [one.run.run for one in found.counted]
    assert len(set(runs)) == len(runs) and set(runs) | {run.run for run in found.missing} == {run.run for run in PLAN.runs}
    assert len(runs) + len(found.missing) == len(PLAN.runs)
    for one in found.counted:
        assert (one.run.serial, one.run.operator) == (one.reading.serial, one.reading.operator)
    assert json.dumps(sorted(counted)) == json.dumps(sorted({one.reading.seq for one in picked(records).counted}))
